"""All recipes of a session as files: one of each format at full size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.pictures.formats import JPEG_SIDE
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.metadata import Words, words_of
from diskmosaic.pictures.paint import paint
from diskmosaic.pictures.picture import Picture
from diskmosaic.pictures.piece import Piece
from diskmosaic.pictures.recipe import Recipe
from diskmosaic.pictures.seen import Region, alternative_text, find_regions
from diskmosaic.records import Disk
from diskmosaic.settings import PictureSettings

if TYPE_CHECKING:
    from diskmosaic.session import Observation


def export_pictures(
    disk: Disk,
    folder: Path,
    observation: Observation | None,
    settings: PictureSettings,
    recipes: Mapping[str, Recipe],
    *,
    jobs: int = 1,
) -> list[Path]:
    """Write ``NAME.png``, ``NAME.tif`` (16-bit) and ``NAME.jpg`` (8-bit sRGB) of each recipe.

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
    jobs : int
        Threads; the bytes do not depend on it.

    Returns
    -------
    list of Path
        What was written. No JPEG of a picture with a side over 65,500 px: the format has none.

    Raises
    ------
    OutputError
        If a file cannot be written; what was there before then stays.
    """
    regions = find_regions(disk.uniform, disk.limb)
    written: list[Path] = []
    maker = Maker(disk, observation, jobs=jobs)
    for name, recipe in (recipes or maker.usual()).items():
        picture = maker.make(name, recipe)
        pixels = picture.pixels if picture.marks is None else paint(picture.pixels, picture.marks)
        # a caption stands below: the disk lies where it lay
        frame = replace(picture.frame, shape=pixels.shape[:2])
        suffixes = (".png", ".tif") + ((".jpg",) if max(frame.shape) <= JPEG_SIDE else ())
        piece = Piece(name, pixels, frame, words_for(picture, regions, observation), suffixes)
        written += piece.write(folder, settings.jpeg_quality, jobs)
    return written


def words_for(picture: Picture, regions: list[Region], observation: Observation | None) -> Words:
    """What is said of a whole picture."""
    wavelength = None if observation is None else observation.wavelength_nm
    alternative = alternative_text(regions, picture.frame, wavelength)
    return words_of(
        picture.title, picture.frame, alternative, observation, coloured=picture.ramp is not None, done=picture.done
    )
