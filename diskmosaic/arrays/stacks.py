"""Streaming sums over frames: clipped means with their spread, mending of bad pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.framesums import clip_add, trim_add


class Moments:
    """Per-pixel mean and spread of values near a known centre, in bounded memory.

    Values are summed as differences from `centre`: of four frames in their own precision, then in double, so that no
    digits are lost.

    Parameters
    ----------
    centre : float32 (h, w)
        A first estimate of the mean.
    limit : float32 (h, w) or None
        Values further than this from `centre` are left out; None keeps all.
    """

    def __init__(self, centre: NDArray[np.float32], limit: NDArray[np.float32] | None):
        self.centre = centre
        self.limit = np.full_like(centre, np.inf) if limit is None else limit
        self.sum = np.zeros(centre.shape, np.float64)
        self.squares = np.zeros(centre.shape, np.float64)
        self.count = np.zeros(centre.shape, np.float32)

    def add(
        self,
        frames: NDArray,
        scales: NDArray[np.float32],
        base: NDArray[np.float32],
        rows: range,
    ) -> None:
        """Add some rows of frames; different rows may be added by different threads.

        Parameters
        ----------
        frames : (n, h, w)
            Raw, in native byte order.
        scales : float32 (n,)
            Each frame is multiplied by its own, after `base` is taken off.
        base : float32 (h, w)
        rows : range
        """
        clip_add(frames, scales, base, self.centre, self.limit, rows, (self.sum, self.squares, self.count))

    def result(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the mean and the sample standard deviation; NaN deviation below two values."""
        count = np.maximum(self.count, 1).astype(np.float64)
        offset = self.sum / count
        with np.errstate(invalid="ignore", divide="ignore"):
            variance = (self.squares / count - offset**2) * count / np.where(count > 1, count - 1, np.nan)
        deviation = np.sqrt(np.maximum(variance, 0))
        return (self.centre + offset).astype(np.float32), deviation.astype(np.float32)


class Trimmed:
    """Per-pixel mean and deviation that one high and one low outlier cannot pull, from a small sample of frames.

    Parameters
    ----------
    centre : float32 (h, w)
        Any of the frames.
    """

    def __init__(self, centre: NDArray[np.float32]):
        self.centre = centre
        self.sum = np.zeros(centre.shape, np.float64)
        self.squares = np.zeros(centre.shape, np.float64)
        self.low = np.full(centre.shape, np.inf, np.float32)
        self.high = np.full(centre.shape, -np.inf, np.float32)

    def add(
        self,
        frames: NDArray,
        scales: NDArray[np.float32],
        base: NDArray[np.float32],
        rows: range,
    ) -> None:
        """Add some rows of frames; parameters as for `Moments.add`."""
        trim_add(frames, scales, base, self.centre, rows, (self.sum, self.squares, self.low, self.high))

    def result(self, count: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return mean and deviation of `count` frames, at least 4.

        The mean is that without the largest and the smallest value of each pixel, the deviation that of the rest, made
        up for the trimming (by its value for Gaussian noise).
        """
        if count < 4:
            raise ValueError(f"frames must be at least 4, got {count}")
        rest = count - 2
        low, high = self.low.astype(np.float64), self.high.astype(np.float64)
        offset = (self.sum - low - high) / rest
        variance = (self.squares - low**2 - high**2) / rest - offset**2
        deviation = np.sqrt(np.maximum(variance, 0)) / _trimmed_ratio(count)
        return (self.centre + offset).astype(np.float32), deviation.astype(np.float32)


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
        self.gather = np.concatenate(self.neighbours) if self.neighbours else np.zeros(0, np.int64)
        self._starts = np.concatenate([[0], np.cumsum(self._sizes)[:-1]]).astype(np.int64)

    def mend(self, image: NDArray[np.float32]) -> None:
        """Mend a contiguous image in place."""
        if len(self.index):
            flat = image.reshape(-1)
            flat[self.index] = self.means(flat[self.gather])

    def means(self, values: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return the mended values (n,) of the pixels `index`, from those at the places `gather`."""
        return np.add.reduceat(values, self._starts) / self._sizes if len(self.index) else np.zeros(0)


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
