"""Camera files built byte by byte, independent of the readers."""

import struct

import numpy as np


def ser(
    frames,
    *,
    colour=0,
    depth=8,
    promised=None,
    trailer=b"",
    width=None,
    height=None,
    utc_ticks=0,
    ident=b"FOURTEEN-BYTES",
):
    """Bytes of a SER file; `frames` is stored in the byte order of its dtype."""
    frames = np.asarray(frames)
    n, h, w = frames.shape[:3]
    head = struct.pack(
        "<14s7i40s40s40sqq",
        *(ident, 0, colour, 0, w if width is None else width, h if height is None else height, depth),
        *(n if promised is None else promised, b"", b"", b"", 0, utc_ticks),
    )
    return head + frames.tobytes() + trailer


def chunk(name, data):
    """One RIFF chunk, padded to an even length."""
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def listing(kind, *parts):
    """A RIFF LIST."""
    return chunk(b"LIST", kind + b"".join(parts))


def bitmap_rows(frame, *, flip, pad=True):
    """Rows of one frame as a bitmap stores them."""
    h = frame.shape[0]
    rows = frame.reshape(h, -1).view(np.uint8)
    if flip:
        rows = rows[::-1]
    extra = -rows.shape[1] % 4 if pad else 0
    return np.pad(rows, ((0, 0), (0, extra))).tobytes()


def avi(
    blobs,
    *,
    width,
    height,
    bits,
    code=b"\0\0\0\0",
    palette=b"",
    index="relative",
    promised=None,
    extra_riff=(),
    super_index=False,
):
    """Bytes of an AVI file with one video stream.

    `index` is 'relative', 'absolute' or None; `extra_riff` holds more frames in a second RIFF part, found
    through ``indx``/``ix00`` where `super_index` is set.
    """
    n = len(blobs) + len(extra_riff)
    strh = struct.pack(
        "<4s4sIHHIIIIIIIIhhhh",
        *(b"vids", b"DIB ", 0, 0, 0, 0, 1, 25, 0, n if promised is None else promised),
        *(0, 0, 0, 0, 0, 0, 0),
    )
    strf = struct.pack("<IiiHH4sIiiII", 40, width, height, 1, bits, code, 0, 0, 0, 0, 0) + palette
    avih = struct.pack("<14I", 40000, 0, 0, 0x10, n, 0, 1, 0, width, abs(height), 0, 0, 0, 0)

    def build(indx):
        parts = [chunk(b"strh", strh), chunk(b"strf", strf)]
        if super_index:
            parts.append(chunk(b"indx", indx))
        head = listing(b"hdrl", chunk(b"avih", avih), listing(b"strl", *parts))
        movie, entries, where = b"movi", b"", []
        movie_at = 12 + len(head) + 8  # of the word 'movi'
        for blob in blobs:
            where.append(movie_at + len(movie) + 8)
            offset = len(movie) + (movie_at if index == "absolute" else 0)
            entries += b"00db" + struct.pack("<III", 0x10, offset, len(blob))
            movie += chunk(b"00db", blob)
        tables = []
        if super_index:
            tables.append((movie_at + len(movie), where))
            movie += _standard_index(where, blobs)
        body = head + chunk(b"LIST", movie)
        if index is not None:
            body += chunk(b"idx1", entries)
        data = chunk(b"RIFF", b"AVI " + body)
        if extra_riff:
            second, where = b"movi", []
            start = len(data) + 12 + 8
            for blob in extra_riff:
                where.append(start + len(second) + 8)
                second += chunk(b"00db", blob)
            if super_index:
                tables.append((start + len(second), where))
                second += _standard_index(where, extra_riff)
            data += chunk(b"RIFF", b"AVIX" + chunk(b"LIST", second))
        return data, tables

    count = 1 + bool(extra_riff)
    data, tables = build(b"\0" * (24 + 16 * count))
    if super_index:
        indx = struct.pack("<HBBI4sIII", 4, 0, 0, count, b"00db", 0, 0, 0)
        for at, where in tables:
            indx += struct.pack("<QII", at, 8 + 24 + 8 * len(where), len(where))
        data, _ = build(indx)
    return data


def _standard_index(where, blobs):
    base = where[0]
    table = struct.pack("<HBBI4sQI", 2, 0, 1, len(where), b"00db", base, 0)
    for at, blob in zip(where, blobs, strict=True):
        table += struct.pack("<II", at - base, len(blob))
    return chunk(b"ix00", table)
