"""One open file read at any offset by any thread, and what a reader of camera files hands up."""

from __future__ import annotations

import os
import threading
import weakref
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import bad_input

MAX_SIDE = 65535  # px; the largest side that any camera file here may claim
# 268 Mpx: beyond every camera chip; guards against headers that ask for all memory
MAX_STILL_PIXELS = 1 << 28
MAX_EXPANSION = 1400  # no lossless coder here packs closer: deflate reaches 1032:1, LZW about 1365:1


@dataclass(frozen=True)
class Contents:
    """What the headers of a camera file say, and how to read its frames.

    Attributes
    ----------
    kind : str
        'ser', 'avi', 'fits', 'tiff', 'png' or 'video'.
    height, width, planes : int
        Planes is 1 (mono or colour mosaic) or 3 (RGB).
    dtype : numpy dtype
        Of the frames as handed out, native byte order.
    frame_count : int
        Whole frames in the file.
    read : callable (index, out)
        Fills the C-contiguous `out`, (h, w) or (h, w, 3), with one frame; safe to call from many threads.
    close : callable ()
    bit_depth, bayer, times, camera, warnings
        As in `diskmosaic.recordings.recordings.Recording`.
    """

    kind: str
    height: int
    width: int
    planes: int
    dtype: np.dtype
    frame_count: int
    read: Callable[[int, NDArray], None]
    close: Callable[[], None]
    bit_depth: int | None = None
    bayer: str | None = None
    times: NDArray[np.datetime64] | None = None
    camera: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


class RawFile:
    """A file held open for reading at given offsets, without a shared position.

    Parameters
    ----------
    path : Path

    Raises
    ------
    OSError
        If the file cannot be opened.
    """

    def __init__(self, path: Path):
        self.path = path
        self._fd = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        self._lock = threading.Lock()
        # a reader that is dropped without close() must not leak its descriptor
        self.close = weakref.finalize(self, os.close, self._fd)
        self.size = os.fstat(self._fd).st_size

    def read(self, offset: int, count: int) -> bytes:
        """Return up to `count` bytes from `offset`, fewer at the end of the file."""
        buffer = bytearray(max(0, min(count, self.size - offset)))
        return bytes(buffer[: self._fill(memoryview(buffer), offset)])

    def read_into(self, out: NDArray, offset: int) -> None:
        """Fill the C-contiguous array `out` with the bytes from `offset` on.

        Raises
        ------
        InputError
            If the file ends before `out` is full, which means that it was changed since it was opened.
        """
        view = memoryview(out).cast("B")
        got = self._fill(view, offset)
        if got < view.nbytes:
            raise bad_input(
                self.path,
                found=f"only {got} of {view.nbytes} bytes at offset {offset}",
                expected="the size that the file had when it was opened",
                todo="leave recordings alone while they are read, and start again",
            )

    def _fill(self, view: memoryview, offset: int) -> int:
        if not self.close.alive:
            raise ValueError(f"{self.path} is closed")
        done = 0
        while done < view.nbytes:  # one call reads at most about 2 GB
            got = self._read_once(view[done:], offset + done)
            if got == 0:
                break
            done += got
        return done

    def _read_once(self, view: memoryview, offset: int) -> int:
        if hasattr(os, "preadv"):
            return os.preadv(self._fd, [view], offset)
        with self._lock:  # systems without preadv share one position
            os.lseek(self._fd, offset, os.SEEK_SET)
            data = os.read(self._fd, min(view.nbytes, 1 << 26))
        view[: len(data)] = data
        return len(data)


def check_sides(path: Path, width: int, height: int) -> None:
    """Refuse sizes that no camera has.

    Raises
    ------
    InputError
    """
    if not (0 < width <= MAX_SIDE and 0 < height <= MAX_SIDE):
        raise bad_input(
            path,
            found=f"a header that claims {width} x {height} px",
            expected=f"sides between 1 and {MAX_SIDE} px",
            todo="the file is damaged or of another kind: copy it again or leave it out",
        )


def truncated(path: Path, promised: int, held: int) -> str:
    """Return the warning for a file with fewer (or more) frames than its header promises."""
    return f"{path.name}: header promises {promised} frames, the file holds {held}; read as far as it goes"
