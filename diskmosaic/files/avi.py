"""Uncompressed AVI: gray, palette, RGB and colour-mosaic frames with the exact values in the file."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import bad_input
from diskmosaic.files.rawfile import Contents, RawFile, check_sides, truncated
from diskmosaic.files.riff import read_container
from diskmosaic.files.video import open_video

BITMAP = struct.Struct("<IiiHH4sIiiII")  # BITMAPINFOHEADER, 40 bytes
PLAIN = (
    b"\0\0\0\0",
    b"DIB ",
    b"RGB ",
    b"RAW ",
)  # device-independent bitmaps: rows bottom-up, padded to 4 bytes
# four-character codes of one plane, first row on top: bytes per value and colour mosaic
PLANES = {
    b"Y800": (1, None),
    b"GREY": (1, None),
    b"Y8  ": (1, None),
    b"Y16 ": (2, None),
    b"BA81": (1, "BGGR"),
    b"GBRG": (1, "GBRG"),
    b"GRBG": (1, "GRBG"),
    b"RGGB": (1, "RGGB"),
}


@dataclass(frozen=True)
class _Layout:
    """How stored rows become a frame: `channels` stored values of `size` bytes a pixel, then `decode`."""

    size: int
    channels: int
    planes: int
    flipped: bool
    bayer: str | None = None
    table: NDArray[np.uint8] | None = None  # palette: (256,) gray or (256, 3) RGB
    warning: str = ""


def open_avi(path: Path) -> Contents:
    """Read an AVI file's headers and index; compressed files are handed to `open_video`.

    Raises
    ------
    InputError
        If the file is damaged, holds no whole frame, or is compressed and no decoder is installed.
    """
    raw = RawFile(path)
    try:
        contents = _open(raw)
    except BaseException:
        raw.close()
        raise
    if contents is None:
        raw.close()
        return open_video(path)
    return contents


def _open(raw: RawFile) -> Contents | None:
    path = raw.path
    container = read_container(raw)
    if len(container.format) < BITMAP.size:
        raise bad_input(
            path, found="no bitmap header", expected="an AVI recording", todo="copy it again or leave it out"
        )
    head_size, width, height, _, bits, code, *_ = BITMAP.unpack_from(container.format)
    check_sides(path, width, abs(height))
    layout = _layout(path, code, bits, height > 0, container.format[head_size:])
    if layout is None:
        return None
    height = abs(height)
    packed = width * layout.channels * layout.size
    padded = -(-packed // 4) * 4
    # bitmaps pad their rows; the other codes should not, but some writers do
    strides = {padded * height: padded} if code in PLAIN else {padded * height: padded, packed * height: packed}
    good = np.isin(container.sizes, list(strides))
    offsets = container.offsets[good]
    if not len(offsets):
        sizes = f"{len(good)} frames of {int(container.sizes[0])} bytes" if len(good) else "no whole frame"
        raise bad_input(
            path,
            found=sizes,
            expected=f"frames of {padded * height} bytes ({width} x {height} px, {bits} bits)",
            todo="the file is cut off or damaged: copy it again or leave it out",
        )
    stride = strides[int(container.sizes[good][0])]
    same = container.sizes[good] == stride * height
    offsets = offsets[same]
    warnings = [f"{path.name}: {layout.warning}"] if layout.warning else []
    if len(offsets) < len(good):
        dropped = len(good) - len(offsets)
        warnings.append(f"{path.name}: {dropped} frames are empty or damaged (dropped by the camera); left out")
    if len(good) != container.promised:
        warnings.append(truncated(path, container.promised, len(good)))
    return Contents(
        kind="avi",
        height=height,
        width=width,
        planes=layout.planes,
        dtype=np.dtype(np.uint8 if layout.size == 1 else np.uint16),
        frame_count=len(offsets),
        read=_reader(raw, offsets, width, height, stride, layout),
        close=raw.close,
        bit_depth=8 * layout.size,
        bayer=layout.bayer,
        warnings=tuple(warnings),
    )


def _layout(path: Path, code: bytes, bits: int, flipped: bool, palette: bytes) -> _Layout | None:
    """Return how frames are stored, None where they are compressed."""
    if code in PLANES:
        size, bayer = PLANES[code]
        return _Layout(size, 1, 1, False, bayer=bayer)
    if code not in PLAIN:
        return None
    if bits == 8:
        table = _palette(palette)
        return _Layout(1, 1, 1 if table is None or table.ndim == 1 else 3, flipped, table=table)
    if bits == 16:
        return _Layout(2, 1, 1, flipped, warning="16-bit bitmaps are read as 16-bit gray")
    if bits in (24, 32):
        return _Layout(1, bits // 8, 3, flipped)
    raise bad_input(
        path,
        found=f"{bits} bits per pixel",
        expected="8, 16, 24 or 32",
        todo="record or convert to 8-bit or 16-bit gray",
    )


def _palette(data: bytes) -> NDArray[np.uint8] | None:
    """Return the palette as (256,) gray or (256, 3) RGB; None for a gray ramp or none at all."""
    entries = np.frombuffer(data[: min(len(data), 1024) // 4 * 4], np.uint8).reshape(-1, 4)[:, 2::-1]
    table = np.zeros((256, 3), np.uint8)
    table[: len(entries)] = entries
    if not table.any():
        return None
    if not np.all(table == table[:, :1]):
        return table
    return None if np.array_equal(table[:, 0], np.arange(256)) else table[:, 0].copy()


def _reader(
    raw: RawFile, offsets: NDArray[np.int64], width: int, height: int, stride: int, layout: _Layout
) -> Callable[[int, NDArray], None]:
    packed = width * layout.channels * layout.size
    plain = stride == packed and layout.channels == 1 and layout.table is None
    swapped = layout.size == 2 and not np.dtype("<u2").isnative

    def read(index: int, out: NDArray) -> None:
        offset = int(offsets[index])
        if plain and not layout.flipped:
            raw.read_into(out, offset)
        else:
            rows = np.empty((height, stride), np.uint8)
            raw.read_into(rows, offset)
            rows = rows[::-1, :packed] if layout.flipped else rows[:, :packed]
            if layout.channels > 1:
                out[...] = rows.reshape(height, width, layout.channels)[..., 2::-1]
            elif layout.table is not None:
                out[...] = layout.table[rows]
            else:
                out.view(np.uint8)[...] = rows
        if swapped:
            out.byteswap(inplace=True)

    return read
