"""How well the tiles' places can be known at all: from the overlaps' texture, noise and warps, pair by pair.

Two limits on the rms error of the places, both for shifts of whole overlaps solved by least squares, without the limb:

- *noise*: the Cramer-Rao bound. A shift is known with the information ``sum(g g^T) / (s_a^2 + s_b^2)``, g the gradient
  of the Sun without noise and s the noise of both tiles on its scale.
- *warps*: every pair's shift is the true one and the mean difference of both tiles' displacements over the overlap,
  weighted by its area. Another draw of the same warps would leave as much.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from cutting import LEVEL, Cut
from diskmosaic.synthetic import Sun

INSIDE = 0.96
"""Radii within which structure counts: the limb is left aside."""
LEAST = 0.01
"""Share of a tile that an overlap must have to count."""


def limits(sun: Sun, made: Cut) -> tuple[float, float]:
    """Return the rms lengths of the places' errors that noise and warps leave, px."""
    shape, count = made.tiles[0].image.shape, len(made.tiles)
    information = np.zeros((2 * count, 2 * count))
    area, moved = np.zeros((count, count)), np.zeros((count, 2))
    slopes = np.gradient(sun.image)
    for a, b in combinations(range(count), 2):
        seen = _seen_by_both(sun, made.places[[a, b]], shape)
        if seen is None or seen[2].sum() < LEAST * shape[0] * shape[1]:
            continue
        rows, columns, good = seen
        g = np.stack([slope[rows, columns][good] for slope in slopes]).astype(float)
        noise = sum((made.tiles[k].noise / _gain(sun, made, k)) ** 2 for k in (a, b))
        block = g @ g.T / noise
        at_a, at_b = slice(2 * a, 2 * a + 2), slice(2 * b, 2 * b + 2)
        information[at_a, at_a] += block
        information[at_b, at_b] += block
        information[at_a, at_b] -= block
        information[at_b, at_a] -= block
        if made.warps[a] is not None:
            mean = [_mean_warp(made, k, rows, columns, good) for k in (a, b)]
            pixels = good.sum()
            area[a, b] = area[b, a] = pixels
            moved[b] += pixels * (mean[1] - mean[0])
            moved[a] -= pixels * (mean[1] - mean[0])
    noise = np.sqrt(np.trace(np.linalg.pinv(information)) / count)
    off = np.linalg.pinv(np.diag(area.sum(axis=1)) - area) @ moved
    return float(noise), float(np.sqrt(np.mean(np.sum((off - off.mean(axis=0)) ** 2, axis=1))))


def _gain(sun: Sun, made: Cut, k: int) -> float:
    """Return tile k's counts for the Sun's unit of brightness, from its brighter parts."""
    image = made.tiles[k].image[::4, ::4]
    rows, columns = (
        np.clip(np.arange(round(place), round(place) + n, 4), 0, m - 1)
        for place, n, m in zip(made.places[k], made.tiles[k].image.shape, sun.image.shape, strict=True)
    )
    bright = image > 0.2 * LEVEL
    return float(np.median(image[bright] / sun.image[rows[:, None], columns[None]][bright]))


def _seen_by_both(sun: Sun, places: np.ndarray, shape: tuple[int, int]):
    """Return rows and columns (open grid) of the Sun's image that both tiles see, and where the disk is."""
    low = np.ceil(places.max(axis=0)).astype(int)
    high = np.floor(places.min(axis=0)).astype(int) + shape
    low, high = np.maximum(low, 1), np.minimum(high, np.array(sun.image.shape) - 1)
    if (high <= low).any():
        return None
    rows, columns = np.ogrid[low[0] : high[0], low[1] : high[1]]
    return rows, columns, np.hypot(rows - sun.centre_yx[0], columns - sun.centre_yx[1]) < INSIDE * sun.radius_px


def _mean_warp(made: Cut, k: int, rows: np.ndarray, columns: np.ndarray, good: np.ndarray) -> np.ndarray:
    start = np.rint(np.array([rows[0, 0], columns[0, 0]]) - made.places[k]).astype(int)
    start = np.clip(start, 0, np.array(made.tiles[k].image.shape) - good.shape)
    window = made.warps[k][:, start[0] : start[0] + good.shape[0], start[1] : start[1] + good.shape[1]]
    return window[:, good].mean(axis=1)
