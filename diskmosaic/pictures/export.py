"""All recipes of a session as files."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.files.atomic import replacing
from diskmosaic.pictures.formats import write_jpeg, write_png, write_tiff
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.paint import paint
from diskmosaic.pictures.recipe import Recipe
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
        Its names and wavelength go into the files' description, with the time.
    settings : PictureSettings
    recipes : mapping
        Name -> recipe; empty: the usual ones.
    jobs : int
        Threads.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        If a file cannot be written; what was there before then stays.
    """
    text = describe(disk.header, observation)
    written = []
    maker = Maker(disk, observation, jobs=jobs)
    for name, recipe in (recipes or maker.usual()).items():
        made = maker.make(name, recipe)
        picture = made.pixels if made.marks is None else paint(made.pixels, made.marks)
        writers: dict[str, Callable[[Path], None]] = {
            ".png": lambda path, picture=picture: write_png(path, picture, text),
            ".tif": lambda path, picture=picture: write_tiff(path, picture, text),
            ".jpg": lambda path, picture=picture: write_jpeg(path, picture, text, settings.jpeg_quality),
        }
        for suffix, write in writers.items():
            path = folder / f"{name}{suffix}"
            with replacing(path) as part:
                write(part)
            written.append(path)
    return written


def describe(header: Mapping[str, object], observation: Observation | None) -> str:
    """One line for the files' description: what, when, in which light."""
    card = header.get("DATE-OBS")
    time = card[0] if isinstance(card, tuple) else card
    words = ["The Sun", f"{time} UTC" if time is not None else ""]
    if observation is not None:
        words[0] = observation.name or words[0]
        words.append(f"{observation.wavelength_nm:g} nm" if observation.wavelength_nm is not None else "")
        words.append(observation.telescope)
    return ", ".join(word for word in words if word)
