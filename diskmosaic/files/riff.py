"""AVI containers: where the frames of the first video stream lie.

A RIFF file is a tree of chunks (4-byte id, 32-bit size, data, padded to even). The frames are found by the
index at the end of the file (``idx1``), by the indexes of files over 2 GB (``ix##``, named in ``indx``), or,
where none is whole (the recording was never closed), by walking over the chunks themselves.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import bad_input
from diskmosaic.files.rawfile import RawFile

CHUNK = struct.Struct("<4sI")
MAX_HEADER = 1 << 20  # bytes; header chunks larger than this are damaged
INDEX_OF_CHUNKS = 1  # type byte of an index whose entries are frames; 0: entries are such indexes
KEYFRAME_FLAG = 0x8000_0000  # top bit of the size in ix## entries


@dataclass
class Container:
    """The first video stream: its format chunk, and offsets and sizes of its frames.

    Attributes
    ----------
    format : bytes
        ``strf``: the bitmap header and the palette.
    promised : int
        Frames that the stream header claims.
    offsets, sizes : int64 (n,)
        Of the frames' data, bytes.
    """

    format: bytes = b""
    promised: int = 0
    offsets: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    sizes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))


@dataclass
class _Found:
    stream: int | None = None
    super_index: bytes = b""
    movies: list[tuple[int, int]] = field(default_factory=list)  # start (after 'movi') and end
    idx1: tuple[int, int] | None = None


def read_container(raw: RawFile) -> Container:
    """Find the frames of the first video stream.

    Raises
    ------
    InputError
        If the file is no AVI or has no video stream.
    """
    head = raw.read(0, 12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"AVI ":
        raise bad_input(
            raw.path, found="no AVI header", expected="an AVI recording", todo="copy it again or leave it out"
        )
    result, found = Container(), _Found()
    for name, start, end in _chunks(raw, 0, raw.size):
        if name == b"RIFF":
            _read_riff(raw, start + 4, end, result, found)
    if found.stream is None:
        raise bad_input(
            raw.path,
            found="no video stream",
            expected="an AVI recording",
            todo="copy it again or leave it out",
        )
    best = np.zeros((0, 2), np.int64)
    for way in (_by_super_index, _by_idx1, _by_walking):
        frames = way(raw, found)
        if len(frames) > len(best):
            best = frames
        if len(best) and len(best) >= result.promised > 0:
            break
    result.offsets, result.sizes = best[:, 0], best[:, 1]
    return result


def _chunks(raw: RawFile, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield (id, start of data, end of data); a chunk that a crash left open ends with the file."""
    while start + CHUNK.size <= end:
        head = raw.read(start, CHUNK.size)
        if len(head) < CHUNK.size:
            return
        name, size = CHUNK.unpack(head)
        if not all(32 <= byte < 127 for byte in name):
            return
        start += CHUNK.size
        stop = start + size
        if name in (b"LIST", b"RIFF") and (size < 4 or stop > end):
            stop = end
        yield name, start, stop
        start = stop + (stop & 1)


def _read_riff(raw: RawFile, start: int, end: int, result: Container, found: _Found) -> None:
    for name, at, stop in _chunks(raw, start, end):
        if name == b"idx1":
            found.idx1 = (at, stop)
        elif name == b"LIST":
            kind = raw.read(at, 4)
            if kind == b"movi":
                found.movies.append((at + 4, stop))
            elif kind == b"hdrl":
                _read_streams(raw, at + 4, stop, result, found)


def _read_streams(raw: RawFile, start: int, end: int, result: Container, found: _Found) -> None:
    number = 0
    for name, at, stop in _chunks(raw, start, end):
        if name != b"LIST" or raw.read(at, 4) != b"strl":
            continue
        parts = {key: raw.read(a, min(b - a, MAX_HEADER)) for key, a, b in _chunks(raw, at + 4, stop)}
        header = parts.get(b"strh", b"")
        if found.stream is None and header[:4] == b"vids":
            found.stream = number
            result.format = parts.get(b"strf", b"")
            result.promised = struct.unpack_from("<I", header, 32)[0] if len(header) >= 36 else 0
            found.super_index = parts.get(b"indx", b"")
        number += 1


def _is_frame(name: bytes, stream: int) -> bool:
    return name[:2] == b"%02d" % stream and name[2:] in (b"db", b"dc")


def _by_super_index(raw: RawFile, found: _Found) -> NDArray[np.int64]:
    index = found.super_index
    if len(index) < 24 or index[3] == INDEX_OF_CHUNKS:
        return _checked(raw, found, _standard_index(index))
    used = min(struct.unpack_from("<I", index, 4)[0], (len(index) - 24) // 16)
    entry = np.dtype([("at", "<u8"), ("size", "<u4"), ("duration", "<u4")])
    table = np.frombuffer(index, entry, count=used, offset=24)
    blocks = [np.zeros((0, 2), np.int64)]
    for entry in table:
        size = min(int(entry["size"]), raw.size)
        if int(entry["at"]) < raw.size:
            blocks.append(_standard_index(raw.read(int(entry["at"]) + CHUNK.size, size)))
    return _checked(raw, found, np.concatenate(blocks))


def _standard_index(data: bytes) -> NDArray[np.int64]:
    empty = np.zeros((0, 2), np.int64)
    if len(data) < 24 or data[3] != INDEX_OF_CHUNKS or data[0] != 2:
        return empty
    used = struct.unpack_from("<I", data, 4)[0]
    base = struct.unpack_from("<Q", data, 12)[0]
    if base > 1 << 62:
        return empty
    table = np.frombuffer(data[24 : 24 + 8 * min(used, (len(data) - 24) // 8)], "<u4").reshape(-1, 2)
    return np.column_stack([table[:, 0].astype(np.int64) + base, table[:, 1] & ~np.uint32(KEYFRAME_FLAG)])


def _by_idx1(raw: RawFile, found: _Found) -> NDArray[np.int64]:
    empty = np.zeros((0, 2), np.int64)
    if found.idx1 is None or not found.movies:
        return empty
    start, stop = found.idx1
    data = raw.read(start, stop - start)
    entry = np.dtype([("name", "S4"), ("flags", "<u4"), ("offset", "<u4"), ("size", "<u4")])
    table = np.frombuffer(data[: len(data) // entry.itemsize * entry.itemsize], entry)
    table = table[[_is_frame(name, found.stream) for name in table["name"]]]
    # offsets count from the word 'movi', in some writers' files from the start of the file
    for base in (found.movies[0][0] - 4, 0):
        frames = np.column_stack([table["offset"].astype(np.int64) + base + CHUNK.size, table["size"].astype(np.int64)])
        frames = _checked(raw, found, frames)
        if len(frames):
            return frames
    return empty


def _checked(raw: RawFile, found: _Found, frames: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return `frames` if first, middle and last are preceded by a frame's chunk header, nothing otherwise."""
    whole = frames[(frames[:, 0] >= CHUNK.size) & (frames.sum(axis=1) <= raw.size)]
    for at, size in whole[[0, len(whole) // 2, -1]] if len(whole) else ():
        head = raw.read(int(at) - CHUNK.size, CHUNK.size)
        if not _is_frame(head[:4], found.stream) or CHUNK.unpack(head)[1] != size:
            return whole[:0]
    return whole


def _by_walking(raw: RawFile, found: _Found) -> NDArray[np.int64]:
    frames: list[tuple[int, int]] = []

    def walk(start: int, end: int, *, groups: bool = True) -> None:
        for name, at, stop in _chunks(raw, start, end):
            if groups and name == b"LIST" and raw.read(at, 4) == b"rec ":
                walk(at + 4, stop, groups=False)
            elif _is_frame(name, found.stream) and stop <= raw.size:
                frames.append((at, stop - at))

    for start, end in found.movies:
        walk(start, end)
    return np.array(frames, np.int64).reshape(-1, 2)
