"""All recipes of a session as files: each picture is made once, and then written for every purpose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diskmosaic.pictures.formats import JPEG_SIDE, Pixels
from diskmosaic.pictures.light import in_order
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.metadata import Words, words_of
from diskmosaic.pictures.paint import paint_over, strip_of
from diskmosaic.pictures.picture import Picture
from diskmosaic.pictures.piece import Piece, write_pieces
from diskmosaic.pictures.recipe import Recipe
from diskmosaic.pictures.seen import Region, alternative_text, find_regions
from diskmosaic.pictures.showing import other_side, pieces_for_showing
from diskmosaic.pictures.zoom import write_zoom_page
from diskmosaic.records.light import Disk
from diskmosaic.settings import PictureSettings

if TYPE_CHECKING:
    from diskmosaic.observation import Observation

_OTHER_SIDE = ""  # of the page's slider: no recipe has this name


@dataclass
class Exported:
    """What was written: the pictures themselves, and what is made of them for a purpose, the page among it."""

    whole: list[Path] = field(default_factory=list)
    showing: list[Path] = field(default_factory=list)


def export_pictures(
    disk: Disk,
    folder: Path,
    observation: Observation | None,
    settings: PictureSettings,
    recipes: Mapping[str, Recipe],
    *,
    whole: bool = True,
    page: Path | None = None,
    longer: NDArray[np.float32] | None = None,
    jobs: int = 1,
) -> Exported:
    """Make each recipe's picture and write it.

    Parameters
    ----------
    disk : Disk
    folder : Path
        Made if missing.
    observation : Observation or None
        Its names, wavelength and words go into the files' metadata.
    settings : PictureSettings
    recipes : mapping
        Name -> recipe; empty: the usual ones.
    whole : bool
        Write ``NAME.png``, ``NAME.tif`` (16-bit) and ``NAME.jpg`` (8-bit sRGB) of each recipe. No JPEG of a picture
        with a side over 65,500 px: the format has none.
    page : Path, optional
        Folder of the page to zoom, which shows the first recipe. With it a folder ``NAME`` of each recipe is written
        too: sizes, shapes and close-ups. Nothing is made larger than the picture: sizes that it does not reach are left
        out.
    longer : float32 (h, w), optional
        Light of a second set; see `diskmosaic.pictures.light.Lights`.
    jobs : int
        Threads; the bytes do not depend on it.

    Returns
    -------
    Exported

    Raises
    ------
    OutputError
        If a file cannot be written; what was there before then stays.
    """
    regions = find_regions(disk.uniform, disk.limb)
    written = Exported()
    maker = Maker(disk, observation, longer=longer, jobs=jobs)
    wanted = dict(recipes or maker.usual())
    first = next(iter(wanted))
    side_name = ""
    if page is not None:
        wanted[_OTHER_SIDE], side_name = other_side(wanted[first])
    sides: dict[str, Picture] = {}

    def write(name: str) -> None:
        """Make and write one picture: what it holds is let go of before the next is begun."""
        picture = maker.make(name, wanted[name])
        if page is not None and name in (first, _OTHER_SIDE):
            sides[name] = picture
            if len(sides) == 2:
                words = words_for(sides[first], regions, observation)
                shown, other = sides.pop(first), sides.pop(_OTHER_SIDE)
                written.showing += write_zoom_page(page, shown, other, words, before_name=side_name, jobs=jobs)
        if name == _OTHER_SIDE:
            return
        words = words_for(picture, regions, observation)
        pixels = picture.laid_out(strip_of(picture.marks))
        picture = replace(picture, gray=np.empty((0, 0), np.uint16))  # of a large one every copy counts
        if page is not None:
            pieces = pieces_for_showing(picture, pixels[: picture.frame.shape[0]], regions, words, settings)
            written.showing += write_pieces(pieces, folder / name, settings.jpeg_quality, jobs)
        if whole:
            written.whole += _whole(picture, pixels, words).write(folder, settings.jpeg_quality, jobs)

    for name in in_order(wanted):
        write(name)
    return written


def _whole(picture: Picture, pixels: Pixels, words: Words) -> Piece:
    """Paint the marks over the picture itself, which nothing else is made of any more."""
    if picture.marks is not None:
        paint_over(pixels, picture.marks)
    # a caption stands below: the disk lies where it lay
    frame = replace(picture.frame, shape=pixels.shape[:2])
    suffixes = (".png", ".tif") + ((".jpg",) if max(frame.shape) <= JPEG_SIDE else ())
    return Piece(picture.name, pixels, frame, words, suffixes)


def words_for(picture: Picture, regions: list[Region], observation: Observation | None) -> Words:
    """What is said of a whole picture."""
    wavelength = None if observation is None else observation.wavelength_nm
    alternative = alternative_text(regions, picture.frame, wavelength)
    return words_of(
        picture.title, picture.frame, alternative, observation, coloured=picture.ramp is not None, done=picture.done
    )
