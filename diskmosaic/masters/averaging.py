"""The clipped mean of all frames of some recordings, in memory that does not grow with their number.

Frames are read some at a time and summed in bands of rows, both by threads. What is added to what, and in which order,
depends on the size of the frames alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.framesums import TOGETHER
from diskmosaic.arrays.stacks import Moments, Trimmed
from diskmosaic.errors import bad_input
from diskmosaic.parallel import chunks, each_counted, ordered_map, spread_over
from diskmosaic.progress import Progress
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.settings import MasterSettings

BATCH_BYTES = 80 << 20  # of raw frames in memory; with fewer at a time the sums pass through memory too often
BATCH = 16  # frames, at most
BAND_ROWS = 64
CLIPPED_LEAST = 8  # frames: one outlier among fewer cannot be told from noise
LEAST_DEVIATION = 0.5  # ADU: rounding alone makes 0.3


@dataclass(frozen=True)
class Frames:
    """The frames of several recordings of one size, one after the other.

    Attributes
    ----------
    places : tuple of (Recording, int)
        Recording and index of each frame.
    base : float32 (h, w)
        Dark or offset that is taken off them, ADU.
    """

    places: tuple[tuple[Recording, int], ...]
    base: FloatImage

    @classmethod
    def of(cls, recordings: Sequence[Recording], base: FloatImage | float = 0.0) -> Frames:
        """Join recordings.

        Parameters
        ----------
        recordings : sequence of Recording
        base : float32 (h, w) or float

        Raises
        ------
        InputError
            Where they are not of one size.
        """
        first = recordings[0]
        for other in recordings[1:]:
            if (other.height, other.width) != (first.height, first.width):
                raise bad_input(
                    other.path,
                    found=f"{other.width}x{other.height} pixels",
                    expected=f"{first.width}x{first.height} as {first.path.name} has",
                    todo="set the role of one of them to 'ignore' in session.toml",
                )
        shape = (first.height, first.width)
        base = np.ascontiguousarray(np.broadcast_to(np.asarray(base, np.float32), shape))
        return cls(tuple((one, index) for one in recordings for index in range(one.frame_count)), base)

    def __len__(self) -> int:
        return len(self.places)

    def raw(self, position: int, out: NDArray | None = None) -> NDArray:
        """Return a frame as the camera wrote it, (h, w)."""
        recording, index = self.places[position]
        if out is None or (recording.planes == 1 and recording.dtype == out.dtype):
            return recording.gray(index, out)
        out[...] = recording.gray(index)
        return out

    def light(self, position: int) -> FloatImage:
        """Return a frame less the base, ADU."""
        return cv2.subtract(self.raw(position), self.base, dtype=cv2.CV_32F)

    def spread(self, wanted: int) -> list[int]:
        """Return the positions of frames spread evenly over all."""
        return spread_over(len(self), wanted)

    @property
    def dtype(self) -> np.dtype:
        """Of raw frames; float32 where they are mixed."""
        kinds = {one.dtype if one.planes == 1 else np.dtype(np.float32) for one, _ in self.places}
        return kinds.pop() if len(kinds) == 1 else np.dtype(np.float32)


def clipped_mean(
    frames: Frames, settings: MasterSettings, *, scaled: bool, jobs: int, progress: Progress, label: str
) -> Moments:
    """Average frames, values far from a robust start left out.

    Parameters
    ----------
    frames : Frames
    settings : MasterSettings
    scaled : bool
        Bring each frame to the level that is typical of them: thin cloud, drifting transparency.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable
        Wraps an iterable.
    label : str
        Shown with the progress.

    Raises
    ------
    InputError
        `scaled`, and a frame has no light.
    """
    sample = frames.spread(settings.pilot_frames)
    scale = _Scale(frames, sample, jobs) if scaled else _unscaled
    first = frames.light(sample[0])
    first *= scale(frames.raw(sample[0]), sample[0])
    limit = None
    if len(sample) >= CLIPPED_LEAST:
        start = Trimmed(first)
        for _ in _added(frames, sample, start, scale, jobs):
            pass
        first, deviation = start.result(len(sample))
        # a pixel's own deviation from so few frames is rough: neighbours steady it
        steady = np.sqrt(cv2.blur(np.square(deviation), (7, 7)))
        limit = np.float32(settings.clip_sigma) * np.maximum(np.maximum(deviation, steady), np.float32(LEAST_DEVIATION))
    total = Moments(first, limit)
    positions = range(len(frames))
    added = _added(frames, positions, total, scale, jobs)
    for _ in progress(each_counted(added, _parts(frames, positions)), label, total=len(frames)):
        pass
    return total


class _Scale:
    """What brings each frame to the typical level."""

    def __init__(self, frames: Frames, sample: Sequence[int], jobs: int) -> None:
        self._frames = frames
        self._base = float(frames.base.mean(dtype=np.float64))
        means = ordered_map(lambda position: cv2.mean(frames.raw(position))[0], sample, jobs=jobs)
        self._level = float(np.median(list(means))) - self._base

    def __call__(self, raw: NDArray, position: int) -> float:
        own = cv2.mean(raw)[0] - self._base
        if own <= 0:
            recording, index = self._frames.places[position]
            raise bad_input(
                recording.path,
                found=f"frame {index} without light",
                expected="a lit flat",
                todo="set its role in session.toml or record the flat again",
            )
        return self._level / own


def _unscaled(_raw: NDArray, _position: int) -> float:
    return 1.0


def _parts(frames: Frames, positions: Sequence[int]) -> list[range]:
    """Split frames into batches, full groups of those that are summed together."""
    size = BATCH_BYTES // (frames.base.size * frames.dtype.itemsize) // TOGETHER * TOGETHER
    return chunks(len(positions), int(np.clip(size, TOGETHER, BATCH)))


def _added(
    frames: Frames, positions: Sequence[int], sums: Moments | Trimmed, scale: Callable[[NDArray, int], float], jobs: int
) -> Iterator[None]:
    """Add frames to sums batch by batch, and yield after each."""
    parts = _parts(frames, positions)
    height = frames.base.shape[0]
    buffer = np.empty((len(parts[0]), *frames.base.shape), frames.dtype)
    bands = chunks(height, BAND_ROWS)
    for part in parts:

        def read(k: int, part: range = part) -> float:
            position = positions[part[k]]
            return scale(frames.raw(position, out=buffer[k]), position)

        scales = np.array(list(ordered_map(read, range(len(part)), jobs=jobs)), np.float32)
        raw = buffer[: len(part)]
        for _ in ordered_map(lambda rows, raw=raw, s=scales: sums.add(raw, s, frames.base, rows), bands, jobs=jobs):
            pass
        yield
