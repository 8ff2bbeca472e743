"""Compressed videos through PyAV, which the extra ``video`` installs."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.rawfile import Contents, check_sides

# decoded pixel layout -> the layout asked of the decoder, and type; every other layout becomes 8-bit RGB
GRAY = {"gray": ("gray", np.uint8), "gray16le": ("gray16le", np.uint16), "gray16be": ("gray16le", np.uint16)}
EXACT_CODECS = ("ffv1", "huffyuv", "ffvhuff", "utvideo", "rawvideo", "png", "zlib", "mszh", "qtrle")


def open_video(path: Path) -> Contents:
    """Open a compressed video; its packets are listed, so that every frame can be found again.

    Raises
    ------
    InputError
        If PyAV is missing or cannot read the file.
    """
    try:
        import av
    except ImportError:
        raise bad_input(
            path,
            found="a compressed video",
            expected="an uncompressed recording",
            todo='install the decoder with: pip install "diskmosaic[video]"',
        ) from None
    try:
        return _Video(path, av).contents()
    except (av.FFmpegError, ValueError, IndexError) as error:
        raise _undecodable(path, error) from error


class _Video:
    """One decoder with a position: frames in order are cheap, others cost a seek to the key frame before."""

    def __init__(self, path: Path, av):
        self.path = path
        self._errors = (av.FFmpegError, ValueError, StopIteration)
        self._lock = threading.Lock()
        self._container = av.open(str(path))
        if not self._container.streams.video:
            self._container.close()
            raise ValueError("no video stream")
        self._stream = self._container.streams.video[0]
        packets = [p for p in self._container.demux(self._stream) if p.size and p.pts is not None]
        self._times = sorted({p.pts for p in packets})
        if not self._times:
            self._container.close()
            raise ValueError("no frame")
        self._next = None  # index of the frame that the running decoder gives next
        self._frames = None

    def contents(self) -> Contents:
        stream = self._stream
        try:
            # a stream of an unknown codec has no size
            check_sides(self.path, getattr(stream, "width", 0), getattr(stream, "height", 0))
        except InputError:
            self._container.close()
            raise
        self._format, dtype = GRAY.get(stream.pix_fmt, ("rgb24", np.uint8))
        codec = stream.codec_context.name
        lossy = codec not in EXACT_CODECS or self._format == "rgb24"
        return Contents(
            kind="video",
            height=stream.height,
            width=stream.width,
            planes=3 if self._format == "rgb24" else 1,
            dtype=np.dtype(dtype),
            frame_count=len(self._times),
            read=self._read,
            close=self._container.close,
            warnings=(f"{self.path.name}: compressed ({codec}); its values are not exact",) if lossy else (),
        )

    def _read(self, index: int, out: NDArray) -> None:
        with self._lock:
            try:
                if index != self._next:
                    self._container.seek(self._times[index], stream=self._stream)
                    self._frames = self._container.decode(self._stream)
                frame = next(self._frames)
                while frame.pts is not None and frame.pts < self._times[index]:
                    frame = next(self._frames)
                if frame.pts != self._times[index]:
                    raise ValueError(f"frame {index} is missing")
                out[...] = frame.to_ndarray(format=self._format)
            except self._errors as error:
                self._next = None
                raise _undecodable(self.path, error) from error
            self._next = index + 1


def _undecodable(path: Path, error: Exception) -> InputError:
    return bad_input(
        path,
        found=f"a video that cannot be decoded ({str(error) or 'it ends early'})",
        expected="a whole recording",
        todo="copy it again, or record uncompressed",
    )
