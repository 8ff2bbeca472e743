"""A picture written as PNG, TIFF, JPEG or WebP, each with its colour profile and what it says about itself."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from diskmosaic.files import pngout
from diskmosaic.files.icc import gray_profile, srgb_profile
from diskmosaic.parallel import chunks, ordered_map
from diskmosaic.pictures.metadata import Metadata

Pixels = NDArray[np.uint8] | NDArray[np.uint16]  # (h, w) gray or (h, w, 3) sRGB

JPEG_SIDE, WEBP_SIDE = 65_500, 16_383  # the formats' own limits, px
_ROWS = 256  # rows worked at a time
_STRIP_ROWS = 64  # of a TIFF
_XMP_TAG = 700


def profile_of(pixels: Pixels) -> bytes:
    """ICC profile of gray or of sRGB."""
    return gray_profile() if pixels.ndim == 2 else srgb_profile()


def eight_bits(pixels: Pixels) -> NDArray[np.uint8]:
    """Round 16 bits to 8."""
    if pixels.dtype == np.uint8:
        return pixels
    small = np.empty(pixels.shape, dtype=np.uint8)
    for y in range(0, pixels.shape[0], _ROWS):
        small[y : y + _ROWS] = (pixels[y : y + _ROWS].astype(np.uint32) * 255 + 32767) // 65535
    return small


def resized(pixels: Pixels, shape: tuple[int, int]) -> Pixels:
    """Make a picture smaller by the means of areas: no ringing at the limb, no aliasing.

    Parameters
    ----------
    pixels : uint8 or uint16
    shape : (h, w)
        Not larger than the picture.
    """
    if shape[0] > pixels.shape[0] or shape[1] > pixels.shape[1]:
        raise ValueError(f"a picture of {pixels.shape[:2]} px is not made larger, to {shape}")
    if shape == pixels.shape[:2]:
        return pixels
    return cv2.resize(np.ascontiguousarray(pixels), shape[::-1], interpolation=cv2.INTER_AREA)


def write_png(path: Path, pixels: Pixels, about: Metadata, *, dpi: float | None = None, jobs: int = 1) -> None:
    """Write 8 or 16 bits, gray or RGB."""
    texts = [("Description", about.caption), ("XML:com.adobe.xmp", about.xmp.decode())]
    pngout.write_png(path, pixels, profile=profile_of(pixels), texts=texts, exif=about.exif, dpi=dpi, jobs=jobs)


def write_tiff(path: Path, pixels: Pixels, about: Metadata, *, dpi: float | None = None, jobs: int = 1) -> None:
    """Write 8 or 16 bits, gray or RGB, packed without loss."""
    tags = [(tag, "s", 0, text, True) for tag, text in about.tags if tag not in (0x010E, 0x0131)]
    tags.append((_XMP_TAG, "B", len(about.xmp), about.xmp, True))
    tifffile.imwrite(
        path,
        _packed_strips(pixels, jobs),
        shape=pixels.shape,
        dtype=pixels.dtype,
        photometric="minisblack" if pixels.ndim == 2 else "rgb",
        compression="zlib",
        predictor=True,
        rowsperstrip=_STRIP_ROWS,
        iccprofile=profile_of(pixels),
        description=about.caption.encode(),
        software=dict(about.tags)[0x0131],
        metadata=None,
        resolution=None if dpi is None else (dpi, dpi),
        resolutionunit=None if dpi is None else "INCH",
        extratags=tags,
    )


def _packed_strips(pixels: Pixels, jobs: int) -> Iterator[bytes]:
    """Strips of differences to the left neighbour, packed as a PNG's are (TIFF 6.0, section 14, predictor 2)."""

    def pack(rows: range) -> bytes:
        strip = np.array(pixels[rows.start : rows.stop], pixels.dtype, order="C")
        strip[:, 1:] -= pixels[rows.start : rows.stop, :-1]
        packer = zlib.compressobj(pngout.LEVEL, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, pngout.STRATEGY)
        return packer.compress(strip) + packer.flush()

    return ordered_map(pack, chunks(pixels.shape[0], _STRIP_ROWS), jobs=jobs)


def write_jpeg(path: Path, pixels: Pixels, about: Metadata, *, quality: int, dpi: float | None = None) -> None:
    """Write 8 bits of RGB, colour in full resolution; sides up to `JPEG_SIDE`."""
    extra = {} if dpi is None else {"dpi": (dpi, dpi)}
    _rgb(pixels).save(
        path,
        format="JPEG",
        quality=quality,
        subsampling=0,
        icc_profile=srgb_profile(),
        exif=b"Exif\0\0" + about.exif,
        xmp=about.xmp,
        **extra,
    )


def write_webp(path: Path, pixels: Pixels, about: Metadata, *, quality: int) -> None:
    """Write 8 bits of RGB; sides up to `WEBP_SIDE`."""
    _rgb(pixels).save(path, format="WEBP", quality=quality, icc_profile=srgb_profile(), exif=about.exif, xmp=about.xmp)


def _rgb(pixels: Pixels) -> Image.Image:
    height, width = pixels.shape[:2]
    image = Image.new("RGB", (width, height))
    for y in range(0, height, _ROWS):  # band by band: no second copy of a large picture
        band = eight_bits(pixels[y : y + _ROWS])
        band = band if band.ndim == 3 else cv2.cvtColor(np.ascontiguousarray(band), cv2.COLOR_GRAY2RGB)
        image.paste(Image.fromarray(band), (0, y))
    return image
