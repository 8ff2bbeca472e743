"""Pictures for a purpose: for the web, for print, as a wallpaper, close up, and as a page to look around on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.pictures.crops import Box, closeup_boxes, cut, scaled_frame, screen_box, square_box, wide_box
from diskmosaic.pictures.export import words_for
from diskmosaic.pictures.formats import Pixels, eight_bits, resized
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.metadata import Words
from diskmosaic.pictures.paint import paint
from diskmosaic.pictures.picture import Frame, Picture
from diskmosaic.pictures.piece import Piece
from diskmosaic.pictures.recipe import Recipe, ToneStep
from diskmosaic.pictures.seen import Region, find_regions
from diskmosaic.pictures.sphere import is_oriented, place_on_sun
from diskmosaic.pictures.zoom import write_zoom_page
from diskmosaic.records import Disk
from diskmosaic.settings import PictureSettings

if TYPE_CHECKING:
    from diskmosaic.session import Observation

DPI = 300  # common practice for prints looked at in the hand, no source
_CM_IN_INCH = 2.54


def export_for_showing(
    disk: Disk,
    pictures: Path,
    page: Path,
    observation: Observation | None,
    settings: PictureSettings,
    recipes: Mapping[str, Recipe],
    *,
    jobs: int = 1,
) -> list[Path]:
    """Write everything that is made from the recipes' pictures besides the pictures themselves.

    Parameters
    ----------
    disk : Disk
    pictures : Path
        Each recipe gets a folder of its name here.
    page : Path
        Folder of the zoomable page, which shows the first recipe.
    observation, settings, recipes, jobs
        As for `diskmosaic.pictures.export.export_pictures`.

    Returns
    -------
    list of Path
        What was written. Nothing is made larger than the picture: sizes that it does not reach are left out.

    Raises
    ------
    OutputError
    """
    regions = find_regions(disk.uniform, disk.limb)
    written: list[Path] = []
    maker = Maker(disk, observation, jobs=jobs)
    for number, (name, recipe) in enumerate((recipes or maker.usual()).items()):
        picture = maker.make(name, recipe)
        words = words_for(picture, regions, observation)
        if number == 0:
            written += _page(page, picture, maker, words, jobs)
        for piece in _pieces(picture, regions, words, settings):
            written += piece.write(pictures / name, settings.jpeg_quality, jobs)
    return written


def _pieces(picture: Picture, regions: list[Region], words: Words, settings: PictureSettings) -> Iterator[Piece]:
    pixels, frame = picture.pixels, picture.frame
    width = frame.shape[1]

    def narrower(to: int) -> tuple[Pixels, Frame]:
        """The whole picture at another width; its marks, and the caption below, are painted at that size."""
        shape = (round(frame.shape[0] * to / width), to)
        small, at = resized(pixels, shape), scaled_frame(frame, shape)
        if picture.marks is not None:
            small = paint(small, picture.marks.scaled(to / width))
        return small, replace(at, shape=small.shape[:2])

    for wanted in settings.web_widths_px:
        if wanted <= width:
            small, at = narrower(wanted)
            yield Piece(f"web-{wanted}", eight_bits(small), at, words, (".jpg", ".png", ".webp"))
    for wanted in settings.print_widths_cm:
        across = round(wanted / _CM_IN_INCH * DPI)
        if across <= width:
            small, at = narrower(across)
            yield Piece(f"print-{wanted:g}cm", small, at, words, (".jpg", ".tif"), dpi=DPI)
    yield from _shapes(pixels, frame, regions, words, settings)
    boxes = closeup_boxes(frame, regions, side_px=settings.closeup_px, wanted=settings.closeups)
    for number, (box, region) in enumerate(boxes, 1):
        piece, at = cut(pixels, frame, box)
        yield Piece(f"closeup-{number}", piece, at, _closeup_words(words, frame, region), (".jpg", ".png"))


def _shapes(
    pixels: Pixels, frame: Frame, regions: list[Region], words: Words, settings: PictureSettings
) -> Iterator[Piece]:
    """The square and the wide cut at full size, and the wallpaper at the screen's, or as large as the picture is."""
    boxes: dict[str, Box] = {"square": square_box(frame), "wide": wide_box(frame, regions)}
    for name, box in boxes.items():
        piece, at = cut(pixels, frame, box)
        told = f"A band across it: {words.alternative}" if name == "wide" else words.alternative
        yield Piece(name, piece, at, replace(words, alternative=told), (".jpg",))
    across, down = settings.wallpaper_px
    piece, at = cut(pixels, frame, screen_box(frame, across / down))
    if at.shape[0] >= down:
        piece, at = resized(piece, (down, across)), scaled_frame(at, (down, across))
    yield Piece("wallpaper", piece, at, words, (".jpg",))


def _closeup_words(words: Words, frame: Frame, region: Region) -> Words:
    """Words of a close-up: what kind of region, where on the Sun."""
    kind = "bright" if region.bright else "dark"
    where = ""
    if is_oriented(frame):
        latitude, longitude = place_on_sun(frame, frame.to_picture(region.centre_yx))
        where = (
            f", {abs(latitude):.0f} degrees {'north' if latitude >= 0 else 'south'} and "
            f"{abs(longitude):.0f} degrees {'west' if longitude >= 0 else 'east'} of the middle of the disk"
        )
    text = f"Close-up of a {kind} region on the Sun{where}."
    return replace(words, caption=f"{words.caption}. {text}", alternative=text)


def _page(folder: Path, picture: Picture, maker: Maker, words: Words, jobs: int) -> list[Path]:
    """The page shows a picture without its marks, since it draws its own, against a plain version."""
    first = picture.recipe.get("disk")
    simple = {step.step for step in picture.recipe.steps} <= {"disk", "tone", "marks"}
    # where nothing was done that could be taken back, the light as it came is the other side
    kind = {"natural": "uniform", "uniform": "natural"}[first.kind] if simple else first.kind
    plain = Recipe(title="", steps=(first.model_copy(update={"kind": kind}), ToneStep()))
    names = {"natural": "As the light came, darker towards the edge", "uniform": "Evenly bright"}
    name = names[kind] if simple else "Before: plain and gray"
    return write_zoom_page(folder, picture, maker.make("before", plain), words, before_name=name, jobs=jobs)
