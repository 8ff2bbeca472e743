"""Grains of dust, one by one: how strongly each is seen, which are gone, which are new.

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
MARGIN_PX = 4  # around a grain's dark place
AROUND = 3.0  # sides of a grain's window that its error is judged in, each way
EDGE_PX = 8  # at the sensor's and a mask's edge fringes are known from one side only
PIECE_PX = 25.0  # pieces of one hollow shadow lie no further apart
BRIM_PX = 40.0  # twice the Gaussian of the dust band, beyond which it lays no brim
SOFT_PX = 2.0  # Gaussian; a grain is wider
CHANGED_SIGMA = 5.0  # of the tiles' error at one pixel, which a grain's many pixels average
CHANGED_SPREADS = 5.5  # deviations of the whole remainder


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
    limit = max(SIGMA * robust_spread(band, mask), MIN_DEPTH)
    dark = band < -limit
    if mask is not None:
        dark &= mask
    return sorted((grain for grain, _ in _places(dark, band)), key=lambda grain: (-grain.depth, grain.place_yx))


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
    limit = max(SIGMA * robust_spread(known), MIN_DEPTH)
    judged = []
    for grain, window in _places(known < -limit, known):
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
    return judged, *_common([grain for grain in judged if np.isfinite(grain.strength)])


def changed(
    rest: NDArray[np.float32], error: NDArray[np.float32], good: NDArray[np.bool_]
) -> tuple[list[Grain], list[Grain]]:
    """Find grains that the tiles no longer show, and grains that only they show.

    Parameters
    ----------
    rest : float32 (h, w)
        The tiles' dust band less the flat's times the common strength.
    error : float32 (h, w)
        Standard error of the tiles' dust band, from how the recordings differ.
    good : bool (h, w)

    Returns
    -------
    gone, added : list of Grain
        The deepest first. A grain that moved is in both.
    """
    soft = cv2.GaussianBlur(np.where(good, rest, 0).astype(np.float32), (0, 0), SOFT_PX)
    steady = np.sqrt(cv2.GaussianBlur(np.square(error), (0, 0), 4 * SOFT_PX))
    limit = np.maximum(CHANGED_SIGMA * steady, max(CHANGED_SPREADS * robust_spread(soft, good), MIN_DEPTH))
    inside = cv2.erode(good.astype(np.uint8), np.ones((2 * EDGE_PX + 1,) * 2, np.uint8), borderValue=0) > 0
    found = [(sign, grain) for sign in (-1, 1) for grain, _ in _places((sign * soft < -limit) & inside, sign * rest)]
    found.sort(key=lambda one: (-one[1].depth, one[1].place_yx))
    whole: list[tuple[int, Grain]] = []
    for sign, grain in found:
        if not any(_part_of(sign, grain, *deeper) for deeper in whole):
            whole.append((sign, grain))
    return [grain for sign, grain in whole if sign < 0], [grain for sign, grain in whole if sign > 0]


def _part_of(sign: int, grain: Grain, other_sign: int, other: Grain) -> bool:
    """Whether a place is a piece of a deeper one's shadow, or of the brim that the band lays around it."""
    apart = np.hypot(*np.subtract(grain.place_yx, other.place_yx)) - other.across_px / 2
    if sign == other_sign:
        return bool(apart < PIECE_PX)
    return bool(apart < BRIM_PX and grain.depth < 0.6 * other.depth)


def _places(dark: NDArray[np.bool_], band: NDArray[np.float32]) -> Iterator[tuple[Grain, tuple[slice, slice]]]:
    """Connected dark places, with the window around each."""
    height, width = dark.shape
    count, labels, stats, middles = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=8)
    for k in range(1, count):
        left, top, across, down, area = (int(value) for value in stats[k])
        if area < MIN_PIXELS:
            continue
        own = (slice(top, top + down), slice(left, left + across))
        depth = -float(band[own][labels[own] == k].min())
        window = (
            slice(max(top - MARGIN_PX, 0), min(top + down + MARGIN_PX, height)),
            slice(max(left - MARGIN_PX, 0), min(left + across + MARGIN_PX, width)),
        )
        place = (float(middles[k][1]), float(middles[k][0]))
        yield Grain(place, float(2 * np.sqrt(area / np.pi)), depth), window


def _common(grains: Sequence[Grain]) -> tuple[float, float]:
    """Robust weighted mean of the grains' strengths and its standard error."""
    if not grains:
        return np.nan, np.nan
    values = np.array([grain.strength for grain in grains])
    # grains know their own strength no better than their neighbourhood's fringes and flat: 1 %
    sigma = np.hypot([grain.sigma for grain in grains], 0.01)
    middle = float(np.median(values))
    for _ in range(10):
        off = (values - middle) / sigma
        weight = np.clip(1 - (off / 4.685) ** 2, 0, None) ** 2 / sigma**2
        if not weight.any():
            return middle, float(np.min(sigma))
        middle = float(np.average(values, weights=weight))
    scatter = np.sqrt(np.average(((values - middle) / sigma) ** 2, weights=weight))
    return middle, float(max(scatter, 1.0) / np.sqrt(np.sum(weight)))
