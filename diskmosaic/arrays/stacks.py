"""Streaming sums over frames: clipped means with their spread, mending of bad pixels."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.kernels import clip_add


class Moments:
    """Running per-pixel mean and spread of values near a known centre, in bounded memory.

    Values are summed as differences from `centre`, so that float32 sums of many frames keep their digits.

    Parameters
    ----------
    centre : float32 (h, w)
        A first estimate of the mean.
    limit : float32 (h, w) or None
        Values further than this from `centre` are left out; None keeps all.
    """

    def __init__(self, centre: NDArray[np.float32], limit: NDArray[np.float32] | None):
        self.centre = centre
        self.limit = limit
        self.sum = np.zeros(centre.shape, np.float64)
        self.squares = np.zeros(centre.shape, np.float64)
        self.count = np.zeros(centre.shape, np.float32)

    def add(
        self,
        frames: NDArray,
        *,
        scales: NDArray[np.float32] | None = None,
        base: NDArray[np.float32] | None = None,
    ) -> None:
        """Add frames.

        Parameters
        ----------
        frames : (h, w) or (n, h, w)
            Raw, in native byte order.
        scales : float32 (n,), optional
            Each frame is multiplied by its own, after `base` is taken off.
        base : float32 (h, w), optional
        """
        frames = frames[None] if frames.ndim == 2 else frames
        scales = np.ones(len(frames), np.float32) if scales is None else np.asarray(scales, np.float32)
        base = np.zeros_like(self.centre) if base is None else base
        limit = np.full_like(self.centre, np.inf) if self.limit is None else self.limit
        clip_add(frames, scales, base, self.centre, limit, (self.sum, self.squares, self.count))

    def merge(self, other: Moments) -> None:
        """Add another's sums (same centre)."""
        self.sum += other.sum
        self.squares += other.squares
        self.count += other.count

    def result(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the mean and the sample standard deviation; NaN deviation below two values."""
        count = np.maximum(self.count, 1).astype(np.float64)
        offset = self.sum / count
        with np.errstate(invalid="ignore", divide="ignore"):
            variance = (self.squares / count - offset**2) * count / np.where(count > 1, count - 1, np.nan)
        deviation = np.sqrt(np.maximum(variance, 0))
        return (self.centre + offset).astype(np.float32), deviation.astype(np.float32)


def trimmed_start(frames: Iterable[NDArray[np.float32]]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return a per-pixel mean and deviation that one high and one low outlier cannot pull.

    Parameters
    ----------
    frames : iterable of float32 (h, w), at least 4
        A small sample of the stack.

    Returns
    -------
    centre, deviation : float32 (h, w)
        Mean without the largest and the smallest value of each pixel, and the standard deviation of the rest made
        up for that trimming (by its value for Gaussian noise).
    """
    total = squares = low = high = None
    count = 0
    for frame in frames:
        count += 1
        if total is None:
            total, squares = frame.astype(np.float64), np.square(frame, dtype=np.float64)
            low, high = frame.copy(), frame.copy()
            continue
        cv2.accumulate(frame, total)
        cv2.accumulateSquare(frame, squares)
        cv2.min(low, frame, dst=low)
        cv2.max(high, frame, dst=high)
    if count < 4:
        raise ValueError(f"frames must be at least 4, got {count}")
    rest = count - 2
    centre = (total - low - high) / rest
    variance = (squares - np.square(low, dtype=np.float64) - np.square(high, dtype=np.float64)) / rest - centre**2
    return centre.astype(np.float32), (np.sqrt(np.maximum(variance, 0)) / _trimmed_ratio(count)).astype(np.float32)


def _trimmed_ratio(count: int) -> float:
    """Deviation of `count` Gaussian values without their extremes, relative to the true one (simulated once)."""
    sample = np.sort(np.random.default_rng(1).standard_normal((4000, count)), axis=1)[:, 1:-1]
    return float(np.sqrt(np.mean(sample.var(axis=1))))


class Mender:
    """Replaces bad pixels by the mean of their good neighbours (3x3, 5x5, then 9x9), in place.

    Parameters
    ----------
    good : bool (h, w)
    """

    def __init__(self, good: NDArray[np.bool_]):
        _height, width = good.shape
        rows, columns = np.nonzero(~good)
        self.index = rows * width + columns
        self.neighbours: list[NDArray[np.int64]] = []
        for row, column in zip(rows, columns, strict=True):
            for reach in (1, 2, 4):
                top, left = max(row - reach, 0), max(column - reach, 0)
                near = np.argwhere(good[top : row + reach + 1, left : column + reach + 1])
                if len(near) >= 3:
                    break
            self.neighbours.append((near[:, 0] + top) * width + near[:, 1] + left)
        # one flat gather and a segmented sum mend all pixels at once; those without a good neighbour stay as they are
        known = [len(near) > 0 for near in self.neighbours]
        self.index = self.index[np.array(known, bool)]
        self.neighbours = [near for near in self.neighbours if len(near)]
        self._sizes = np.array([len(near) for near in self.neighbours])
        self._gather = np.concatenate(self.neighbours) if self.neighbours else np.zeros(0, np.int64)
        self._starts = np.concatenate([[0], np.cumsum(self._sizes)[:-1]]).astype(np.int64)

    def mend(self, image: NDArray[np.float32]) -> None:
        """Mend a contiguous image in place."""
        if len(self.index):
            flat = image.reshape(-1)
            flat[self.index] = np.add.reduceat(flat[self._gather], self._starts) / self._sizes


def local_outliers(image: NDArray[np.float32], *, sigma: float, floor: float) -> NDArray[np.bool_]:
    """Return True where a pixel stands alone: further than `sigma` robust deviations (and `floor`) from its 5x5 median.

    Parameters
    ----------
    image : float32 (h, w)
    sigma : float
        In units of the image's robust pixel deviation from that median.
    floor : float
        Least distance, in units of the image.
    """
    difference = np.abs(image - cv2.medianBlur(np.ascontiguousarray(image, np.float32), 5))
    spread = 1.4826 * float(np.median(difference))
    return difference > max(sigma * spread, floor)
