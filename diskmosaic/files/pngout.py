"""Writing PNG of 8 or 16 bits, gray or RGB, with a colour profile.

The libraries at hand write 16-bit RGB without a profile, or not at all, and in one thread. A file is a few chunks
around one zlib stream, and a zlib stream may be made of pieces that were packed on their own (RFC 1950, RFC 1951):
bands of rows are packed in threads, in the order of the rows.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.files.png import SIGNATURE
from diskmosaic.parallel import chunks, ordered_map

BAND_BYTES = 1 << 22  # packed at a time; fixed, so that the bytes do not depend on the number of threads
# Differences of neighbours in a solar picture are noise: looking for repeats costs three times the time and saves 0.1 %
# (16 bits, gray or colour; 8 bits: 4 %). Runs are worth it: the sky is black.
LEVEL, STRATEGY = 3, zlib.Z_RLE
_SUB = 1  # each sample less its left neighbour's, for all rows
_GRAY, _RGB = 0, 2
_ZLIB_HEADER = b"\x78\x5e"  # deflate with a window of 32 kB, a fast level (RFC 1950)
_METRE_IN_INCHES = 1 / 0.0254


def write_png(
    path: Path,
    pixels: NDArray[np.uint8] | NDArray[np.uint16],
    *,
    profile: bytes,
    texts: Sequence[tuple[str, str]] = (),
    exif: bytes = b"",
    dpi: float | None = None,
    jobs: int = 1,
) -> None:
    """Write a PNG file.

    Parameters
    ----------
    path : Path
    pixels : uint8 or uint16, (h, w) gray or (h, w, 3) RGB
    profile : bytes
        ICC profile of the same kind, gray or RGB.
    texts : sequence of (keyword, text)
        International text chunks (iTXt), in UTF-8.
    exif : bytes
        EXIF as TIFF bytes; empty: none.
    dpi : float, optional
        Pixels an inch when printed.
    jobs : int
        Threads.

    References
    ----------
    W3C, *Portable Network Graphics (PNG) Specification (Third Edition)*: 5.3 chunks, 9.2 filters, 11.3 further chunks.
    """
    planes = 1 if pixels.ndim == 2 else pixels.shape[2]
    if pixels.dtype not in (np.uint8, np.uint16) or planes not in (1, 3):
        raise ValueError(f"pixels must be uint8 or uint16, gray or RGB, got {pixels.dtype} with {planes} planes")
    height, width = pixels.shape[:2]
    sample = pixels.dtype.itemsize
    rows = max(1, BAND_BYTES // (width * planes * sample))
    bands = chunks(height, rows)
    with open(path, "wb") as file:
        file.write(SIGNATURE)
        colour = _GRAY if planes == 1 else _RGB
        _chunk(file, b"IHDR", struct.pack(">IIBBBBB", width, height, 8 * sample, colour, 0, 0, 0))
        _chunk(file, b"iCCP", b"ICC\0\0" + zlib.compress(profile, 9))
        if dpi is not None:
            per_metre = round(dpi * _METRE_IN_INCHES)
            _chunk(file, b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
        if exif:
            _chunk(file, b"eXIf", exif)
        for keyword, text in texts:
            _chunk(file, b"iTXt", keyword.encode("latin-1") + b"\0\0\0\0\0" + text.encode())

        def pack(band: range) -> tuple[bytes, int, int]:
            raw = _filtered(pixels[band.start : band.stop], planes * sample)
            packer = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, STRATEGY)
            last = band.stop == height
            packed = packer.compress(raw) + packer.flush(zlib.Z_FINISH if last else zlib.Z_FULL_FLUSH)
            return packed, zlib.adler32(raw), len(raw)

        head, check = _ZLIB_HEADER, 1
        for packed, part, length in ordered_map(pack, bands, jobs=jobs):
            check = _adler_of_both(check, part, length)
            _chunk(file, b"IDAT", head + packed)
            head = b""
        _chunk(file, b"IDAT", struct.pack(">I", check))
        _chunk(file, b"IEND", b"")


def _filtered(rows: NDArray, bytes_per_pixel: int) -> bytes:
    """Rows as the stream has them: the filter's number, then samples high byte first less those on the left."""
    plain = np.ascontiguousarray(rows, rows.dtype.newbyteorder(">")).view(np.uint8).reshape(len(rows), -1)
    out = np.empty((len(rows), plain.shape[1] + 1), np.uint8)
    out[:, 0] = _SUB
    out[:, 1 : 1 + bytes_per_pixel] = plain[:, :bytes_per_pixel]
    np.subtract(plain[:, bytes_per_pixel:], plain[:, :-bytes_per_pixel], out=out[:, 1 + bytes_per_pixel :])
    return out.tobytes()


def _adler_of_both(first: int, second: int, length: int) -> int:
    """Adler-32 of two pieces joined, from theirs and the second's length (RFC 1950: two sums modulo 65521)."""
    base = 65521
    a1, b1, a2, b2 = first & 0xFFFF, first >> 16, second & 0xFFFF, second >> 16
    a = (a1 + a2 - 1) % base
    b = (b1 + b2 + length * (a1 - 1)) % base
    return b << 16 | a


def _chunk(file, name: bytes, data: bytes) -> None:
    file.write(struct.pack(">I", len(data)) + name)
    file.write(data)
    file.write(struct.pack(">I", zlib.crc32(data, zlib.crc32(name))))
