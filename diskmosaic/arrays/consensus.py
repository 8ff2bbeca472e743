"""What several images of one sensor show alike: a robust mean with its error.

Each image is the common pattern plus a scene of its own. Scenes differ in strength from image to image and from place
to place, and some hold spots or filaments much darker than any dust.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

QUIET_PX = 24.0  # Gaussian over which an image's scene is judged
STEP = 8  # that is smooth: judged at this fraction of the size
TUKEY = 4.685
ROUNDS = 2
FLOOR = 0.15  # of the typical deviation: no place is quieter than that


@dataclass(frozen=True)
class Consensus:
    """The common pattern.

    Attributes
    ----------
    mean : float32 (h, w)
        0 where no image is good.
    error : float32 (h, w)
        Its standard error, from how the images differ.
    images : float32 (h, w)
        How many images of equal weight have a say.
    """

    mean: NDArray[np.float32]
    error: NDArray[np.float32]
    images: NDArray[np.float32]


def consensus(images: Sequence[NDArray[np.floating]], masks: Sequence[NDArray[np.bool_]]) -> Consensus:
    """Average images of one pattern, quiet ones first, outliers without a say.

    Parameters
    ----------
    images : sequence of float (h, w)
        High-passed, of mean 0; float16 will do.
    masks : sequence of bool (h, w)
        True where an image may be used.

    Returns
    -------
    Consensus

    Notes
    -----
    The start leaves out each pixel's largest and smallest value where there are four or more. The weights are the
    inverse squares of each image's own deviation from it, smoothed, times Tukey's (Beaton & Tukey 1974). They come from
    what is left of the image: its own power, pattern included, would favour scenes that happen to undo the pattern.
    """
    shape = images[0].shape
    mean = trimmed_mean(images, masks)
    weight = squares = seconds = None
    for _ in range(ROUNDS):
        total, weight, squares, seconds = (np.zeros(shape, np.float32) for _ in range(4))
        spreads = [deviation(image, mask, mean) for image, mask in zip(images, masks, strict=True)]
        seen = np.concatenate([spread[np.isfinite(spread)] for spread in spreads])
        floor = FLOOR * float(np.median(seen)) if seen.size else 0.0
        for image, mask, spread in zip(images, masks, spreads, strict=True):
            local = np.maximum(np.nan_to_num(spread, nan=np.float32(1e3)), floor + 1e-9)
            local = cv2.resize(local, shape[::-1], interpolation=cv2.INTER_LINEAR)
            own = np.where(mask, image, 0).astype(np.float32)
            miss = (own - mean) / local
            trust = np.clip(1 - np.square(miss / np.float32(TUKEY)), 0, None)
            w = np.where(mask, np.square(trust / local), 0)
            total += w * own
            weight += w
            squares += np.square(w)
            seconds += np.square(w * local) * np.minimum(np.square(miss), TUKEY**2)
        mean = np.where(weight > 0, total / np.maximum(weight, 1e-9), 0).astype(np.float32)
    safe = np.maximum(weight, 1e-9)
    count = np.square(weight) / np.maximum(squares, 1e-9)
    # the scatter about a mean of n misses a part 1/n of the variance
    error = np.sqrt(seconds) / safe * np.sqrt(count / np.maximum(count - 1, 0.5))
    return Consensus(mean, error.astype(np.float32), count.astype(np.float32))


def trimmed_mean(images, masks) -> NDArray[np.float32]:
    """Average images, each pixel's largest and smallest value left out where there are four or more."""
    shape = images[0].shape
    total, count = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    low, high = np.full(shape, np.inf, np.float32), np.full(shape, -np.inf, np.float32)
    for image, mask in zip(images, masks, strict=True):
        own = np.asarray(image, np.float32)
        total += np.where(mask, own, 0)
        count += mask
        np.minimum(low, own, out=low, where=mask)
        np.maximum(high, own, out=high, where=mask)
    many = count >= 4
    total[many] -= low[many] + high[many]
    count[many] -= 2
    return total / np.maximum(count, 1)


def deviation(image, mask, mean, *, quiet_px: float = QUIET_PX) -> NDArray[np.float32]:
    """Smoothed root mean square of an image's own scene, at 1/STEP of the size; NaN where it sees nothing."""
    rest = np.square(np.where(mask, np.asarray(image, np.float32) - mean, 0))
    size = (max(rest.shape[1] // STEP, 1), max(rest.shape[0] // STEP, 1))
    power = cv2.GaussianBlur(cv2.resize(rest, size, interpolation=cv2.INTER_AREA), (0, 0), quiet_px / STEP)
    cover = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    cover = cv2.GaussianBlur(cover, (0, 0), quiet_px / STEP)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(cover > 0.05, np.sqrt(np.maximum(power, 0) / cover), np.nan).astype(np.float32)
