"""Pictures for a purpose: for the web, for print, as a wallpaper, close up, and as a page to look around on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from diskmosaic.pictures.crops import Box, closeup_boxes, cut, scaled_frame, screen_box, square_box, wide_box
from diskmosaic.pictures.formats import Pixels, eight_bits, resized
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.metadata import Words
from diskmosaic.pictures.paint import paint
from diskmosaic.pictures.picture import Picture
from diskmosaic.pictures.piece import Piece
from diskmosaic.pictures.recipe import Recipe, ToneStep
from diskmosaic.pictures.seen import Region
from diskmosaic.pictures.sphere import is_oriented, place_on_sun
from diskmosaic.settings import PictureSettings

DPI = 300  # common practice for prints looked at in the hand, no source
_CM_IN_INCH = 2.54
_LEAST_ROOM, _WALL_ROOM = 0.04, 0.12  # sky around the disk, in radii: of a square, of a wallpaper


def pieces_for_showing(
    picture: Picture, pixels: Pixels, regions: list[Region], words: Words, settings: PictureSettings
) -> Iterator[Piece]:
    """Make everything that is made from a picture besides itself.

    Parameters
    ----------
    picture : Picture
    pixels : uint16
        Its pixels without marks.
    regions : list of Region
        What stands out, strongest first.
    words : Words
        Of the whole picture.
    settings : PictureSettings

    Yields
    ------
    Piece
        Nothing is made larger than the picture: sizes that it does not reach are left out.
    """
    frame = picture.frame
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
    # nothing that stands beyond the limb is cut off where it is shown
    room = max(picture.recipe.get("disk").radii - 1, _LEAST_ROOM) if picture.recipe.get("prominences") else _LEAST_ROOM
    yield from _shapes(pixels, frame, regions, words, settings, room)
    boxes = closeup_boxes(frame, regions, side_px=settings.closeup_px, wanted=settings.closeups)
    for number, (box, region) in enumerate(boxes, 1):
        piece, at = cut(pixels, frame, box)
        yield Piece(f"closeup-{number}", piece, at, _closeup_words(words, frame, region), (".jpg", ".png"))


def _shapes(
    pixels: Pixels, frame: Frame, regions: list[Region], words: Words, settings: PictureSettings, room: float
) -> Iterator[Piece]:
    """The square and the wide cut at full size, and the wallpaper at the screen's, or as large as the picture is."""
    boxes: dict[str, Box] = {"square": square_box(frame, room), "wide": wide_box(frame, regions, room)}
    for name, box in boxes.items():
        piece, at = cut(pixels, frame, box)
        told = f"A band across it: {words.alternative}" if name == "wide" else words.alternative
        yield Piece(name, piece, at, replace(words, alternative=told), (".jpg",))
    across, down = settings.wallpaper_px
    piece, at = pixels, frame
    room = max(room, _WALL_ROOM)
    side = square_box(frame, room).height
    if side >= down:
        # made smaller before sky is laid beside it: at full size that would be several times the picture
        shape = tuple(max(1, round(full * down / side)) for full in frame.shape)
        piece, at = resized(pixels, shape), scaled_frame(frame, shape)
    box = screen_box(at, across / down, room)
    if side >= down:
        box = Box(box.top + (box.height - down) // 2, box.left + (box.width - across) // 2, down, across)
    piece, at = cut(piece, at, box)
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


def other_side(recipe: Recipe) -> tuple[Recipe, str]:
    """Return what a picture is compared with on the page, and what that is called: a plain version without marks."""
    first = recipe.get("disk")
    simple = {step.step for step in recipe.steps} <= {"disk", "tone", "marks"}
    # where nothing was done that could be taken back, the light as it came is the other side
    kind = {"natural": "uniform", "uniform": "natural"}[first.kind] if simple else first.kind
    plain = Recipe(title="", steps=(first.model_copy(update={"kind": kind}), ToneStep()))
    names = {"natural": "As the light came, darker towards the edge", "uniform": "Evenly bright"}
    without = "plain and gray" if recipe.get("colour") is not None else "plain, nothing sharpened"
    return plain, names[kind] if simple else f"Before: {without}"
