"""Photon transfer: a camera's gain and read noise from its own frames, and what a flat's noise costs.

The variance of a pixel in time, at a level of S ADU above the offset, is (Janesick, *Photon Transfer*, SPIE 2007, from
memory)

    var = S / K + (r / K)^2        K: e-/ADU, r: read noise in e-

It is measured on differences of neighbouring frames, in which everything fixed and everything slow cancels, and binned
by level; vignetting, dust, clouds and the limb give the range of levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.framesums import bin_sums

BINS = 24  # levels; each then holds enough pixels even on small sensors
BLOCK_PX = 16  # means of blocks are taken off differences: a drifting cloud is no noise
CLIP = 5.0  # deviations; a cosmic hit is no noise
MIN_PIXELS = 200  # of a bin
MIN_VARIANCE = 0.2  # ADU^2; below, rounding to whole ADU is no longer a noise of 1/12
MIN_RANGE = 1.15  # of levels, largest over smallest: below, gain and read noise cannot be told apart


@dataclass(frozen=True)
class Variances:
    """Variance against level, a value a bin.

    Attributes
    ----------
    level : float64 (n,)
        ADU above the offset.
    variance : float64 (n,)
        Of one frame, ADU^2.
    read_share : float64 (n,)
        How often the read noise's variance is in `variance` (1, but for pairs of unequal level).
    pixels : float64 (n,)
        Independent values behind each.
    """

    level: NDArray[np.float64]
    variance: NDArray[np.float64]
    read_share: NDArray[np.float64]
    pixels: NDArray[np.float64]


@dataclass(frozen=True)
class PhotonTransfer:
    """A camera's gain (e-/ADU) with its standard error, and its read noise (e-); NaN where not to be told."""

    gain: float
    gain_sigma: float
    read_noise: float

    def relative_noise(self, level: float) -> float:
        """Standard deviation of one frame at a level (ADU above the offset), relative to that level."""
        return float(np.sqrt(level / self.gain + (self.read_noise / self.gain) ** 2) / level)


UNKNOWN = PhotonTransfer(np.nan, np.nan, np.nan)


def level_bins(level: NDArray[np.float32], good: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Sort pixels into BINS bins of equal number by level; -1 where not `good`."""
    edges = np.quantile(level[good][:: max(1, level.size // 200_000)], np.linspace(0, 1, BINS + 1)[1:-1])
    return np.where(good, np.searchsorted(edges, level), -1).astype(np.int32)


def pair_variances(
    first: NDArray[np.float32], second: NDArray[np.float32], bins: NDArray[np.int32], *, fine: bool = False
) -> Variances:
    """Measure the noise of two neighbouring frames from their difference.

    Parameters
    ----------
    first, second : float32 (h, w)
        ADU above the offset; their levels may differ by flicker.
    bins : int32 (h, w)
        See `level_bins`.
    fine : bool
        Only use what changes from pixel to pixel (second differences along both axes): for frames of a scene that
        moves a little from one to the next, which is smooth at that scale.

    Returns
    -------
    Variances
        Bins with too few pixels left out.
    """
    inside = bins >= 0
    ratio = float(first[inside].sum(dtype=np.float64) / max(second[inside].sum(dtype=np.float64), 1e-9))
    difference = cv2.addWeighted(first, 1.0, second, -ratio, 0.0)
    if fine:
        # [1 -2 1] x [1 -2 1]: white noise comes out with 36 times its variance (Immerkaer 1996, from memory)
        kernel = np.array([1.0, -2.0, 1.0])
        difference = cv2.sepFilter2D(difference, cv2.CV_32F, kernel / 6, kernel)
        independent = 1 / 4.0
        inside = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0
    else:
        # a hit must not lift the mean of its block
        far = np.float32(CLIP * 1.4826 * np.median(np.abs(difference[::3, ::3])) + 1)
        np.clip(difference, -2 * far, 2 * far, out=difference)
        difference -= _block_means(difference)
        difference /= np.float32(np.sqrt(1 - 1 / BLOCK_PX**2))
        independent = 1.0
    bins = np.where(inside, bins, -1).astype(np.int32)
    limits = np.full(BINS, np.inf, np.float32)
    # what lies far out is a hit; twice, since it also widened the first limit
    for _ in range(3):
        count, squares, levels = bin_sums(difference, first, bins, limits)
        rough = squares / np.maximum(count, 1)
        limits = (CLIP * np.sqrt(rough)).astype(np.float32)
    level = levels / np.maximum(count, 1)
    # var(a - c b) = S_a/K + c^2 S_b/K + (1 + c^2) r^2/K^2 with S_b = S_a/c
    use = count >= MIN_PIXELS
    share = np.full(BINS, (1 + ratio**2) / (1 + ratio))
    return Variances(level[use], rough[use] / (1 + ratio), share[use], independent * count[use])


def fit_transfer(parts: Sequence[Variances], read_variance: float | None = None) -> PhotonTransfer:
    """Fit gain and read noise to variances against level, robustly.

    Parameters
    ----------
    parts : sequence of Variances
    read_variance : float, optional
        ADU^2, from dark frames; else it is fitted where the levels range far enough, and taken as 0 where not.

    Returns
    -------
    PhotonTransfer
        `UNKNOWN` where the frames do not tell.
    """
    if not parts:
        return UNKNOWN
    level, variance, share, pixels = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("level", "variance", "read_share", "pixels")
    )
    use = (level > 0) & (variance > MIN_VARIANCE)
    if use.sum() < 3:
        return UNKNOWN
    level, variance, share, pixels = (values[use] for values in (level, variance, share, pixels))
    fitted = read_variance is None and level.max() > MIN_RANGE * level.min()
    known = 0.0 if read_variance is None else read_variance
    design = np.stack([level, share], 1) if fitted else level[:, None]
    target = variance if fitted else variance - known * share
    # a variance from n values has a relative error of sqrt(2/n)
    weight = pixels / (2 * np.square(variance))
    trust = np.ones(level.size)
    for _ in range(8):
        root = np.sqrt(weight * trust)
        answer = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        if fitted and answer[1] < 0:
            design, fitted = level[:, None], False
            answer = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        miss = (target - design @ answer) * np.sqrt(weight)
        spread = max(1.4826 * float(np.median(np.abs(miss))), 1.0)
        trust = np.clip(1 - (miss / (4.685 * spread)) ** 2, 0, None) ** 2
    normal = (design * (weight * trust)[:, None]).T @ design
    slope, slope_sigma = answer[0], spread * np.sqrt(np.linalg.inv(normal)[0, 0])
    if not slope > 3 * slope_sigma:
        return UNKNOWN
    gain = 1 / slope
    return PhotonTransfer(
        float(gain), float(gain**2 * slope_sigma), float(gain * np.sqrt(answer[1] if fitted else known))
    )


def smear(shifts: NDArray[np.floating], weights: NDArray[np.floating]) -> float:
    """Tell how much of the variance of white sensor noise is left in a stack of shifted frames (0 ... 1).

    A flat's noise is the same in all frames; each is moved by its own shift, so the stack holds the mean of n shifted
    copies. With rho the correlation of a pixel with its neighbours after a shift (linear interpolation: a triangle a
    pixel wide to each side), it is ``sum_ij w_i w_j rho(s_i - s_j) / (sum_i w_i)^2``: 1 without jitter,
    ``1 / (4 pi sigma^2)`` for many frames that jitter by sigma px per axis, sigma >> 1.

    Parameters
    ----------
    shifts : (n, 2)
        px.
    weights : (n,)
    """
    share = np.asarray(weights, float) / np.sum(weights)
    rho = np.ones((len(share), len(share)))
    for axis in (0, 1):
        place = np.asarray(shifts, float)[:, axis]
        rho *= np.clip(1 - np.abs(place[:, None] - place[None]), 0, None)
    return float(share @ rho @ share)


def added_noise(stacked: float, tile_noise: float, flat_frames: int, flat_noise: float, left: float = 1.0) -> float:
    """Share by which a flat raises the noise of a stacked tile: 0.05 is 5 %.

    Parameters
    ----------
    stacked : float
        Frames stacked in the tile.
    tile_noise, flat_noise : float
        Relative noise of one frame of each, s_t and s_f.
    flat_frames : int
    left : float
        What the frames' shifts leave of the flat's variance (`smear`); 1 counts all of it.

    Notes
    -----
    A tile divided by a flat has the relative variance ``s_t^2 / n + left * s_f^2 / N``: the flat's part does not
    average down with the tile's frames, except by the smear.
    """
    own, flat = tile_noise**2 / stacked, left * flat_noise**2 / flat_frames
    return float(np.sqrt(1 + flat / own) - 1)


def enough_frames(
    stacked: float, tile_noise: float, flat_noise: float, *, left: float = 1.0, share: float = 0.05
) -> int:
    """Flat frames from which on more are pointless: the flat then raises a tile's noise by less than `share`.

    ``N = left * n (s_f / s_t)^2 / ((1 + share)^2 - 1)``; parameters as for `added_noise`.
    """
    return int(np.ceil(left * stacked * (flat_noise / tile_noise) ** 2 / ((1 + share) ** 2 - 1)))


def _block_means(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of the block that each pixel lies in; blocks at the far edges take in their neighbours."""
    height, width = image.shape
    rows, columns = max(1, height // BLOCK_PX), max(1, width // BLOCK_PX)
    small = cv2.resize(image, (columns, rows), interpolation=cv2.INTER_AREA)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_NEAREST)


def grain(frame: NDArray) -> float:
    """Pixel noise from the second difference along both axes (Immerkaer 1996), on some of the rows.

    Robust: the median of the absolute values, so that stars of heat and the limb have no say.
    """
    step = max(3, min(frame.shape[0] // 64, 16))
    first, second, third = (frame[k : frame.shape[0] - 2 + k : step].astype(np.float32) for k in range(3))
    mixed = first - 2 * second + third
    mixed = mixed[:, :-2] - 2 * mixed[:, 1:-1] + mixed[:, 2:]
    return 1.4826 * float(np.median(np.abs(mixed))) / 6
