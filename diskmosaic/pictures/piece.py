"""A picture with its words, ready to be written in one format or several."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from diskmosaic.files.atomic import replacing
from diskmosaic.parallel import ordered_map
from diskmosaic.pictures.formats import Pixels, write_jpeg, write_png, write_tiff, write_webp
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.metadata import Words, metadata_of

_PRINT_QUALITY = 95
_LARGE = 50_000_000  # values


@dataclass(frozen=True)
class Piece:
    """A picture before it is written.

    Attributes
    ----------
    name : str
        Of the files, without suffix.
    pixels : uint8 or uint16 (h, w) or (h, w, 3)
    frame : Frame
        Of these pixels.
    words : Words
    suffixes : tuple of str
        Formats: ``.jpg``, ``.webp``, ``.png``, ``.tif``.
    dpi : float or None
        Of a print, which has a JPEG quality of its own.
    """

    name: str
    pixels: Pixels
    frame: Frame
    words: Words
    suffixes: tuple[str, ...]
    dpi: float | None = None

    def write(self, folder: Path, quality: int, jobs: int = 1) -> list[Path]:
        """Write a file of each format, whole or not at all; raises `OutputError`."""
        return [self.write_as(suffix, folder, quality, jobs) for suffix in self.suffixes]

    def write_as(self, suffix: str, folder: Path, quality: int, jobs: int = 1) -> Path:
        """Write it in one of its formats."""
        about = metadata_of(self.words, self.frame)
        writers: dict[str, Callable[[Path], None]] = {
            ".jpg": lambda path: write_jpeg(
                path, self.pixels, about, quality=_PRINT_QUALITY if self.dpi else quality, dpi=self.dpi
            ),
            ".webp": lambda path: write_webp(path, self.pixels, about, quality=quality),
            ".png": lambda path: write_png(path, self.pixels, about, jobs=jobs),
            ".tif": lambda path: write_tiff(path, self.pixels, about, dpi=self.dpi, jobs=jobs),
        }
        with replacing(folder / f"{self.name}{suffix}") as part:
            writers[suffix](part)
        return folder / f"{self.name}{suffix}"


def write_pieces(pieces: Iterable[Piece], folder: Path, quality: int, jobs: int) -> list[Path]:
    """Write pieces into one folder, several files at a time; raises `OutputError`."""
    files = ((piece, suffix) for piece in pieces for suffix in piece.suffixes)
    one_large = threading.Lock()

    def write(file: tuple[Piece, str]) -> Path:
        piece, suffix = file
        # encoders want a copy: two of large pictures would not fit into the memory
        with one_large if piece.pixels.size > _LARGE else contextlib.nullcontext():
            return piece.write_as(suffix, folder, quality)

    return list(ordered_map(write, files, jobs=jobs))
