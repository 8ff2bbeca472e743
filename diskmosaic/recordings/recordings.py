"""Any camera file as lazy frames and what is known about the camera.

A *recording* is one camera file, video or still. Opening reads headers only; frames are read one at a time,
in any order, by any thread, with the values that the camera wrote.
"""

from __future__ import annotations

import os
import weakref
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.avi import open_avi
from diskmosaic.files.fitsfile import open_fits
from diskmosaic.files.images import open_tiff
from diskmosaic.files.png import open_png
from diskmosaic.files.rawfile import Contents
from diskmosaic.files.ser import open_ser
from diskmosaic.files.sidecar import read_sidecar
from diskmosaic.files.video import open_video
from diskmosaic.records.tile import SensorGrid

_READERS: dict[str, Callable[..., Contents]] = {
    ".ser": open_ser,
    ".avi": open_avi,
    **dict.fromkeys((".fit", ".fits", ".fts"), open_fits),
    **dict.fromkeys((".tif", ".tiff"), open_tiff),
    ".png": open_png,
    **dict.fromkeys((".mkv", ".mov", ".mp4"), open_video),
}
SUFFIXES = frozenset(_READERS)


@dataclass(frozen=True)
class Recording:
    """One camera file.

    Attributes
    ----------
    path : Path
    name : str
        The file name without its suffix.
    kind : {'ser', 'avi', 'fits', 'tiff', 'png', 'video'}
    height, width : int
        px.
    planes : int
        1 (mono, or the mosaic of a colour camera) or 3 (RGB).
    dtype : numpy dtype
        Of the frames, native byte order.
    bit_depth : int or None
        As the header says; the data may use fewer bits, or sit at the top of 16.
    bayer : str or None
        Colours of the mosaic's first 2 x 2 px in reading order, such as 'RGGB'.
    frame_count : int
        Whole frames in the file, whatever its header promises.
    times : datetime64[us] (frame_count,) or None
        UTC of each frame.
    camera : dict
        'gain', 'exposure_s', 'binning', 'region', 'time_utc' where known; other facts under their own keys.
    warnings : tuple of str
    grid : SensorGrid or None
        How the pixels lie on the sensor; None: they are its own.
    channel : str
        The colour that was taken of a colour camera's frames (`diskmosaic.recordings.channels`); empty: all there is.
    """

    path: Path
    name: str
    kind: str
    height: int
    width: int
    planes: int
    dtype: np.dtype
    bit_depth: int | None
    bayer: str | None
    frame_count: int
    times: NDArray[np.datetime64] | None
    camera: dict[str, str]
    warnings: tuple[str, ...]
    _contents: Contents = field(repr=False, compare=False)
    grid: SensorGrid | None = None
    channel: str = ""

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of a frame, (h, w) or (h, w, 3)."""
        return (self.height, self.width) if self.planes == 1 else (self.height, self.width, 3)

    def frame(self, index: int, out: NDArray | None = None) -> NDArray:
        """Read one frame.

        Parameters
        ----------
        index : int
            0-based, less than `frame_count`.
        out : array of the frame's shape and dtype, optional
            Filled and returned, so that one buffer serves many frames.

        Returns
        -------
        array (h, w) or (h, w, 3)
            The values in the file, native byte order, planes in the order RGB.

        Raises
        ------
        IndexError
            If there is no such frame.
        InputError
            If the file cannot be read or decoded there.
        """
        if not 0 <= index < self.frame_count:
            raise IndexError(f"index must be 0 to {self.frame_count - 1} in {self.path.name}, got {index}")
        out = _buffer(out, self.shape, self.dtype)
        direct = out if out.flags.c_contiguous else np.empty(self.shape, self.dtype)
        try:
            self._contents.read(int(index), direct)
        except OSError as error:
            raise _unreadable(self.path, error) from error
        if direct is not out:
            out[...] = direct
        return out

    def gray(self, index: int, out: NDArray | None = None) -> NDArray:
        """Read one frame as (h, w): as `frame` for one plane, float32 mean of the planes for RGB."""
        if self.planes == 1:
            return self.frame(index, out)
        out = _buffer(out, (self.height, self.width), np.dtype(np.float32))
        rgb = self.frame(index)
        out[...] = rgb[..., 0]
        out += rgb[..., 1]
        out += rgb[..., 2]
        out /= 3
        return out

    def timestamp(self) -> np.datetime64 | None:
        """UTC of the middle of the recording; None where the file does not tell."""
        if self.times is not None:
            return _middle(self.times)
        if "time_utc" in self.camera:
            return np.datetime64(self.camera["time_utc"].removesuffix("Z"), "us")
        return None

    def close(self) -> None:
        """Close the file; frames cannot be read afterwards."""
        self._contents.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_recording(path: str | os.PathLike[str], *, byte_order: str = "auto") -> Recording:
    """Open a camera file; only its headers are read.

    Parameters
    ----------
    path : path-like
        A file with one of `SUFFIXES`.
    byte_order : {'auto', 'little', 'big'}
        Of 16-bit SER data, whose flag cannot be trusted; 'auto' judges by the smoothness of the frames.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        If the file cannot be read, is damaged, or is of another kind than its name says.
    """
    path = Path(path)
    reader = _READERS.get(path.suffix.lower())
    try:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            raise bad_input(path, found=found, expected="a camera file", todo="check the name")
        if reader is None:
            raise bad_input(
                path,
                found=f"the suffix {path.suffix!r}",
                expected=f"one of {' '.join(sorted(SUFFIXES))}",
                todo="convert the file or leave it out",
            )
        if path.stat().st_size == 0:
            raise bad_input(path, found="an empty file", expected="a recording", todo="copy it again")
        contents = reader(path, byte_order=byte_order) if reader is open_ser else reader(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    times, camera = _facts(path, contents)
    recording = Recording(
        path=path,
        name=path.stem,
        kind=contents.kind,
        height=contents.height,
        width=contents.width,
        planes=contents.planes,
        dtype=contents.dtype,
        bit_depth=contents.bit_depth,
        bayer=contents.bayer,
        frame_count=contents.frame_count,
        times=times,
        camera=camera,
        warnings=contents.warnings,
        _contents=contents,
    )
    weakref.finalize(recording, contents.close)  # one that is dropped closes its file quietly
    return recording


def _facts(path: Path, contents: Contents) -> tuple[NDArray[np.datetime64] | None, dict[str, str]]:
    """Join what the file says with what a text file beside it says; the file wins."""
    try:
        beside = read_sidecar(path)
    except OSError:
        beside = {}  # a settings file is a help, never a condition
    camera = {**beside, **contents.camera}
    times = contents.times
    ends = [np.datetime64(beside[key].removesuffix("Z"), "us") for key in ("start_utc", "end_utc") if key in beside]
    if times is None and len(ends) == 2 and ends[0] <= ends[1]:
        step = (ends[1] - ends[0]) / max(1, contents.frame_count - 1)
        times = ends[0] + np.arange(contents.frame_count) * step
    if times is None and contents.frame_count == 1 and "time_utc" in camera:
        times = np.array([camera["time_utc"].removesuffix("Z")], "datetime64[us]")
    if times is not None:
        camera["time_utc"] = f"{_middle(times)}Z"
    elif ends:
        camera.setdefault("time_utc", f"{ends[0]}Z")
    return times, camera


def _middle(times: NDArray[np.datetime64]) -> np.datetime64:
    return times[0] + (times[-1] - times[0]) // 2


def _buffer(out: NDArray | None, shape: tuple[int, ...], dtype: np.dtype) -> NDArray:
    if out is None:
        return np.empty(shape, dtype)
    if out.shape != shape or out.dtype != dtype:
        raise ValueError(f"out must be {dtype.name} {shape}, got {out.dtype.name} {out.shape}")
    return out


def _unreadable(path: Path, error: OSError) -> InputError:
    return bad_input(
        path,
        found=f"an unreadable file ({error.strerror or error})",
        expected="a file that may be read",
        todo="check its permissions and the disk",
    )
