"""A picture written as PNG, TIFF, JPEG, each with its colour profile."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from diskmosaic.files.icc import gray_profile, srgb_profile

_ROWS = 256  # rows worked at a time


def write_png(path: Path, picture: NDArray[np.uint16], text: str) -> None:
    """Write 16-bit gray, or 8-bit sRGB."""
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_itxt("Description", text)
    profile = gray_profile() if picture.ndim == 2 else srgb_profile()
    shown = picture if picture.ndim == 2 else _eight_bits(picture)
    Image.fromarray(shown).save(path, format="PNG", icc_profile=profile, pnginfo=info)


def write_tiff(path: Path, picture: NDArray[np.uint16], text: str) -> None:
    """Write 16-bit gray or sRGB, packed without loss."""
    tifffile.imwrite(
        path,
        picture,
        photometric="minisblack" if picture.ndim == 2 else "rgb",
        compression="zlib",
        predictor=True,
        rowsperstrip=64,
        iccprofile=gray_profile() if picture.ndim == 2 else srgb_profile(),
        description=text.encode(),
        metadata=None,
        software=False,
    )


def write_jpeg(path: Path, picture: NDArray[np.uint16], text: str, quality: int) -> None:
    """Write 8-bit sRGB."""
    small = _eight_bits(picture)
    exif = Image.Exif()
    exif[0x010E] = text  # ImageDescription
    rgb = Image.fromarray(small).convert("RGB")
    rgb.save(path, format="JPEG", quality=quality, subsampling=0, icc_profile=srgb_profile(), exif=exif)


def _eight_bits(picture: NDArray[np.uint16]) -> NDArray[np.uint8]:
    small = np.empty(picture.shape, dtype=np.uint8)
    for y in range(0, picture.shape[0], _ROWS):
        small[y : y + _ROWS] = (picture[y : y + _ROWS].astype(np.uint32) * 255 + 32767) // 65535
    return small
