"""PNG stills.

The decoder at hand can run for ever on a damaged file, so that it only gets what was found sound here: the
essential chunks, with right checksums, whose pixels unpack to exactly the size that the header claims.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.rawfile import MAX_EXPANSION, MAX_STILL_PIXELS, Contents, RawFile, check_sides

SIGNATURE = b"\x89PNG\r\n\x1a\n"
TYPES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}  # colour type -> samples a pixel
GRAY = (0, 4)
DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
LAST_FILTER = 4
ESSENTIAL = (b"IHDR", b"PLTE", b"IDAT", b"IEND")
END = b"IEND\xaeB`\x82"  # the closing chunk's name and checksum
PIECE = 1 << 20  # bytes unpacked at a time


def open_png(path: Path) -> Contents:
    """Read a PNG file's header.

    Raises
    ------
    InputError
        If the file is damaged, cut off or claims more pixels than it can hold.
    """
    raw = RawFile(path)
    try:
        return _open(raw)
    except BaseException:
        raw.close()
        raise


def _open(raw: RawFile) -> Contents:
    path = raw.path
    head = raw.read(0, 8 + 25)
    if len(head) < 33 or head[:8] != SIGNATURE or head[12:16] != b"IHDR":
        raise bad_input(path, found="no PNG header", expected="a PNG image", todo="copy it again or leave it out")
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", head[16:29])
    check_sides(path, width, height)
    if depth not in DEPTHS.get(colour, ()):
        raise _damaged(path, f"colour type {colour} with {depth} bits")
    if interlaced:
        raise bad_input(path, found="interlaced rows", expected="rows in order", todo="save it without interlacing")
    row_bytes = 1 + -(-width * depth * TYPES[colour] // 8)
    if width * height > MAX_STILL_PIXELS or height * row_bytes > raw.size * MAX_EXPANSION:
        raise bad_input(
            path,
            found=f"a header that claims {width} x {height} px",
            expected=f"at most {MAX_STILL_PIXELS} px, and not more than the file can hold",
            todo="the file is damaged: copy it again or leave it out",
        )
    if END not in raw.read(max(0, raw.size - 4096), 4096):
        raise bad_input(path, found="no end of the image", expected="a whole PNG file", todo="copy it again")
    gray = colour in GRAY
    dtype = np.dtype(np.uint16 if depth == 16 else np.uint8)

    def read(index: int, out: NDArray) -> None:
        data = _sound(raw, height, row_bytes)
        try:
            image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        except cv2.error:
            image = None
        if image is None or image.shape[:2] != (height, width) or image.dtype != dtype:
            raise _damaged(path, "the decoder refused it")
        image = image.reshape(height, width, -1)
        # three stored planes come blue first; a palette may come as one plane
        out[...] = image[..., 0] if gray else image[..., 2::-1] if image.shape[2] >= 3 else image

    return Contents(
        kind="png",
        height=height,
        width=width,
        planes=1 if gray else 3,
        dtype=dtype,
        frame_count=1,
        read=read,
        close=raw.close,
        bit_depth=depth,
    )


def _sound(raw: RawFile, height: int, row_bytes: int) -> bytes:
    """Return the file's essential chunks, all of them checked."""
    data, at, kept = raw.read(0, raw.size), 8, [SIGNATURE]
    packed = []
    name = b""
    while name != b"IEND":
        if at + 12 > len(data):
            raise _damaged(raw.path, "it ends early")
        length, name = struct.unpack_from(">I4s", data, at)
        stop = at + 12 + length
        if stop > len(data):
            raise _damaged(raw.path, "it ends early")
        if name in ESSENTIAL:
            if zlib.crc32(data[at + 4 : stop - 4]) != struct.unpack_from(">I", data, stop - 4)[0]:
                raise _damaged(raw.path, "a checksum is wrong")
            kept.append(data[at:stop])
            if name == b"IDAT":
                packed.append(data[at + 8 : stop - 4])
        elif not name[0] & 0x20:  # a capital letter: not to be ignored
            raise _damaged(raw.path, "an unknown chunk that must not be ignored")
        at = stop
    _check_pixels(raw.path, b"".join(packed), height, row_bytes)
    return b"".join(kept)


def _check_pixels(path: Path, packed: bytes, height: int, row_bytes: int) -> None:
    unpacker, done = zlib.decompressobj(), 0
    while not unpacker.eof:
        try:
            piece = unpacker.decompress(packed, PIECE)
        except zlib.error:
            raise _damaged(path, "its pixels do not unpack") from None
        packed = unpacker.unconsumed_tail
        filters = np.frombuffer(piece, np.uint8)[-done % row_bytes :: row_bytes]
        if filters.size and filters.max() > LAST_FILTER:
            raise _damaged(path, "a row filter is unknown")
        done += len(piece)
        if done > height * row_bytes or (not piece and not unpacker.eof):
            break
    if done != height * row_bytes or not unpacker.eof:
        raise _damaged(path, f"{done} of {height * row_bytes} bytes of pixels")


def _damaged(path: Path, reason: str) -> InputError:
    return bad_input(
        path,
        found=f"an image that cannot be decoded ({reason})",
        expected="a whole image",
        todo="copy it again or save it anew",
    )
