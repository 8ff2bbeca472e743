"""Grains of dust, one by one: how strongly each is seen.

A grain is a connected dark place of the flat's dust band. How strongly the tiles show it is its regression
coefficient on the flat's own picture of it; the error comes from laying the same picture at places all around, where
nothing of the kind is expected.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.likeness import robust_spread

SIGMA = 5.0  # robust deviations that a dark place stands out by
MIN_DEPTH = 0.01  # of the dust band: shallower ones are not told from the Sun
MIN_PIXELS = 12
RIM_PX = 8  # at the sensor's rim fringes are known from one side only: what they leave there is no grain
MARGIN_PX = 4  # around a grain's dark place
AROUND = 3.0  # sides of a grain's window that its error is judged in, each way


@dataclass(frozen=True)
class Grain:
    """One grain.

    Attributes
    ----------
    place_yx : (float, float)
        Middle of its dark place, px.
    across_px : float
        Diameter of a disc of the same area.
    depth : float
        Darkest value of the dust band there, > 0.
    strength : float
        How strongly it is seen, 1 as in the flat; NaN where it cannot be judged.
    sigma : float
        Standard error of `strength`.
    """

    place_yx: tuple[float, float]
    across_px: float
    depth: float
    strength: float = np.nan
    sigma: float = np.nan


def find_grains(band: NDArray[np.float32], mask: NDArray[np.bool_] | None = None) -> list[Grain]:
    """Find the dark places of a dust band, the deepest first, not yet judged.

    Parameters
    ----------
    band : float32 (h, w)
        Without fringes.
    mask : bool (h, w), optional
        Where to look.
    """
    dark = band < -dark_limit(band, mask)
    if mask is not None:
        dark &= mask
    found = (grain for grain, _ in places(dark, band) if off_the_rim(grain, band.shape))
    return sorted(found, key=lambda grain: (-grain.depth, grain.place_yx))


def judge_grains(
    known: NDArray[np.float32], found: NDArray[np.float32], good: NDArray[np.bool_]
) -> tuple[list[Grain], float, float]:
    """Measure how strongly each grain of the flat is seen in the tiles.

    Parameters
    ----------
    known, found : float32 (h, w)
        Dust bands of flat and tiles, without fringes, lying on each other.
    good : bool (h, w)
        Where `found` can be trusted.

    Returns
    -------
    grains : list of Grain
        The deepest first.
    strength, sigma : float
        Common to all grains, moved ones having no say; NaN where no grain can be judged.
    """
    rest = np.where(good, found - known, 0).astype(np.float32)
    judged = []
    for grain, window in places(known < -dark_limit(known), known):
        shape = tuple(s.stop - s.start for s in window)
        if good[window].mean() < 0.8:
            judged.append(grain)
            continue
        picture = known[window] - known[window].mean()
        power = float(np.sum(np.square(picture)))
        wide = tuple(
            slice(max(int(s.start - AROUND * size), 0), int(s.stop + AROUND * size))
            for s, size in zip(window, shape, strict=True)
        )
        answers = cv2.matchTemplate(rest[wide], picture, cv2.TM_CCORR) / power
        row, column = (s.start - w.start for s, w in zip(window, wide, strict=True))
        own = float(answers[row, column])
        away = np.ones(answers.shape, bool)
        away[max(row - shape[0] // 2, 0) : row + shape[0] // 2 + 1][
            :, max(column - shape[1] // 2, 0) : column + shape[1] // 2 + 1
        ] = False
        values = answers[away] if away.any() else answers.ravel()
        sigma = 1.4826 * float(np.median(np.abs(values)))
        judged.append(Grain(grain.place_yx, grain.across_px, grain.depth, 1 + own, max(sigma, 1e-4)))
    judged.sort(key=lambda grain: (-grain.depth, grain.place_yx))
    said = [grain for grain in judged if np.isfinite(grain.strength) and off_the_rim(grain, known.shape)]
    return judged, *_common(said)


def dark_limit(band: NDArray[np.float32], mask: NDArray[np.bool_] | None = None) -> float:
    """Return the depth that makes a place of a dust band dark."""
    return max(SIGMA * robust_spread(band, mask), MIN_DEPTH)


def places(
    dark: NDArray[np.bool_], band: NDArray[np.float32], *, least: int = MIN_PIXELS
) -> Iterator[tuple[Grain, tuple[slice, slice]]]:
    """Find connected dark places of at least so many pixels, with the window around each."""
    height, width = dark.shape
    count, labels, stats, middles = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=8)
    for k in range(1, count):
        left, top, across, down, area = (int(value) for value in stats[k])
        if area < least:
            continue
        own = (slice(top, top + down), slice(left, left + across))
        depth = -float(band[own][labels[own] == k].min())
        window = (
            slice(max(top - MARGIN_PX, 0), min(top + down + MARGIN_PX, height)),
            slice(max(left - MARGIN_PX, 0), min(left + across + MARGIN_PX, width)),
        )
        place = (float(middles[k][1]), float(middles[k][0]))
        yield Grain(place, float(2 * np.sqrt(area / np.pi)), depth), window


def off_the_rim(grain: Grain, shape: tuple[int, ...]) -> bool:
    """Tell whether a grain lies off the sensor's rim, where fringes leave traces like it."""
    return all(RIM_PX <= at <= side - 1 - RIM_PX for at, side in zip(grain.place_yx, shape, strict=True))


def _common(grains: Sequence[Grain]) -> tuple[float, float]:
    """Robust weighted mean of the grains' strengths and its standard error."""
    if not grains:
        return np.nan, np.nan
    values = np.array([grain.strength for grain in grains])
    # grains know their own strength no better than their neighbourhood's fringes and flat: 1 %
    sigma = np.hypot([grain.sigma for grain in grains], 0.01)
    # the median by weight: many faint traces of fringes must not outvote the few deep grains
    order = np.argsort(values)
    share = np.cumsum(1 / sigma[order] ** 2)
    middle = float(values[order][np.searchsorted(share, share[-1] / 2)])
    for _ in range(10):
        off = (values - middle) / sigma
        weight = np.clip(1 - (off / 4.685) ** 2, 0, None) ** 2 / sigma**2
        if not weight.any():
            return middle, float(np.min(sigma))
        middle = float(np.average(values, weights=weight))
    scatter = np.sqrt(np.average(((values - middle) / sigma) ** 2, weights=weight))
    return middle, float(max(scatter, 1.0) / np.sqrt(np.sum(weight)))
