"""Radial profiles of the disk: the quiet Sun's centre-to-limb curve."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LSQUnivariateSpline

RING = 0.004  # width of a ring, in radii
# Denser where the curve bends. On a real chromospheric disk the rings' own medians leave the curve by 0.47 % rms with
# knots every 0.05 radii, 0.32 % with these, 0.29 % at 0.02: there it begins to follow single cells of the network.
KNOTS = (0.05, 0.1, *(0.025 * i for i in range(6, 37)), 0.93, 0.955, 0.975, 0.988)
RING_PIXELS = 60_000  # of a ring, its median is made from: 5 % of structure leaves 0.03 %
FADE = 0.004  # radii over which the slope fades past the last ring
SKY_REACHES = (0.02, 0.03, 0.045, 0.07, 0.1, 0.15, 0.22, 0.33)  # radii over which stray light may fade
BAND_ROWS = 256  # worked at a time
_SCATTER = 2654435761  # Knuth's multiplier: spreads the pixels that are looked at


def radius_map(
    shape: tuple[int, int],
    centre: tuple[float, float],
    radius: float,
    *,
    oval: tuple[float, float] = (0.0, 0.0),
    rows: slice | None = None,
) -> NDArray[np.float32]:
    """Return r/R of every pixel (of some rows), float32.

    ``oval`` makes R an ellipse's: ``radius + oval[0] cos 2t + oval[1] sin 2t``, t from +x to +y.
    """
    band = np.arange(shape[0], dtype=np.float32)[rows if rows is not None else slice(None)]
    y = (band - np.float32(centre[0]))[:, None]
    x = (np.arange(shape[1], dtype=np.float32) - np.float32(centre[1]))[None, :]
    r = np.hypot(y, x)
    if oval == (0.0, 0.0):
        return r / np.float32(radius)
    square = np.maximum(r * r, 1)
    return r / (np.float32(radius) + (np.float32(oval[0]) * (x * x - y * y) + np.float32(2 * oval[1]) * x * y) / square)


def depth_factor(y, x, centre: tuple[float, float], radius: float):
    """Return ``sqrt(1 - r^2/R^2)`` at (y, x), 0 outside: how much of a turning sphere's motion is seen there."""
    share = ((y - centre[0]) ** 2 + (x - centre[1]) ** 2) / radius**2
    return np.sqrt(np.clip(1 - share, 0, 1))


def ring_quiet(
    image: NDArray[np.float32],
    centre: tuple[float, float],
    radius: float,
    edges: NDArray[np.float64],
    *,
    oval: tuple[float, float] = (0.0, 0.0),
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return the quiet level of each ring: the median after active regions, spots and filaments are clipped.

    Parameters
    ----------
    image : float32 (h, w)
        NaN pixels are left out.
    centre, radius, oval
        As for `radius_map`.
    edges : (n + 1,)
        Ring borders, r/R.

    Returns
    -------
    centre, level, count : (n,)
        Mean radius, quiet level (NaN in empty rings), pixels looked at: all of a small ring, a spread share of a
        large one.
    """
    middles = (edges[1:] + edges[:-1]) / 2
    share = np.maximum(1, np.ceil(2 * np.pi * middles * np.diff(edges) * radius**2 / RING_PIXELS)).astype(np.uint32)
    rings, radii, values = [], [], []
    for start in range(0, image.shape[0], BAND_ROWS):
        band = slice(start, min(start + BAND_ROWS, image.shape[0]))
        r = radius_map(image.shape, centre, radius, oval=oval, rows=band).ravel()
        light = np.asarray(image[band], np.float32).ravel()
        at = np.flatnonzero(np.isfinite(light) & (r >= edges[0]) & (r < edges[-1]))
        ring = np.clip(np.searchsorted(edges, r[at], side="right") - 1, 0, len(middles) - 1).astype(np.int32)
        place = (at.astype(np.uint64) + np.uint64(start * image.shape[1])) * np.uint64(_SCATTER) & np.uint64(0xFFFFFFFF)
        at, ring = (part[(place >> np.uint64(8)) % share[ring] == 0] for part in (at, ring))
        rings.append(ring)
        radii.append(r[at])
        values.append(light[at])
    ring, at, light = (np.concatenate(parts) for parts in (rings, radii, values))
    order = np.argsort(ring, kind="stable")
    at, light = at[order], light[order]
    cuts = np.searchsorted(ring[order], np.arange(len(edges)))
    centres, level = np.full(len(middles), np.nan), np.full(len(middles), np.nan)
    for i, (start, stop) in enumerate(pairwise(cuts)):
        if stop - start >= 4:
            centres[i] = at[start:stop].mean(dtype=np.float64)
            level[i] = _clipped_median(light[start:stop].astype(np.float64))
    return centres, level, np.diff(cuts)


def _clipped_median(values: NDArray[np.float64]) -> float:
    middle = float(np.median(values))
    for _ in range(3):
        off = np.abs(values - middle)
        near = off <= 3 * 1.4826 * np.median(off)
        if not near.any():
            break
        middle = float(np.median(values[near]))
    return middle


def sky_curve(
    r: NDArray[np.float64], level: NDArray[np.float64], count: NDArray[np.int64]
) -> Callable[[NDArray[np.float32]], NDArray[np.float32]]:
    """Return stray light around the disk as a function of r/R: a constant and a fading exponential.

    Parameters
    ----------
    r, level, count : (n,)
        Of rings outside the limb, from `ring_quiet`.
    """
    use = np.isfinite(level) & (count > 0)
    if use.sum() < 3:
        return lambda at: np.zeros_like(at)
    r, level, weight = r[use], level[use], np.sqrt(count[use])
    best = None
    for reach in SKY_REACHES:
        design = np.column_stack([np.ones_like(r), np.exp(-(r - 1) / reach)])
        for columns in (design, design[:, :1]):
            answer, *_ = np.linalg.lstsq(columns * weight[:, None], level * weight, rcond=None)
            miss = float(np.sum(np.square((columns @ answer - level) * weight)))
            # a glow that grew outwards would be no glow
            if (len(answer) == 1 or answer[1] >= 0) and (best is None or miss < best[0]):
                best = miss, reach, answer
    _, reach, answer = best
    base, glow = float(answer[0]), float(answer[1]) if len(answer) > 1 else 0.0
    return lambda at: (base + glow * np.exp(-np.maximum(at - 1, 0) / reach)).astype(np.float32)


class QuietProfile:
    """A smooth centre-to-limb curve, even in r, continued past its last ring along its own slope.

    Parameters
    ----------
    centre, level, count : (n,)
        From `ring_quiet`.
    last : float
        Largest r/R that is trusted; beyond, the edge's blur is no longer the Sun's curve.
    law : function of r/R, optional
        Gives the shape instead, brought to the level measured inside 0.9 radii.
    """

    def __init__(
        self,
        centre: NDArray[np.float64],
        level: NDArray[np.float64],
        count: NDArray[np.int64],
        *,
        last: float,
        law: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    ) -> None:
        use = np.isfinite(level) & (centre < last) & (level > 0)
        if use.sum() < 8:
            raise ValueError(f"rings with light must be at least 8, got {int(use.sum())}")
        r, value = centre[use], level[use]
        # mirrored at the centre, so that the curve is flat there
        both = np.concatenate([-r[::-1], r])
        data = np.concatenate([value[::-1], value])
        weight = np.sqrt(np.concatenate([count[use][::-1], count[use]]))
        both = both + np.arange(len(both)) * 1e-12
        inside = []
        for knot in KNOTS:  # rings may be missing between knots (partial disks): a knot needs data before it
            if r[0] < knot < r[-1] and np.sum((r > (inside[-1] if inside else 0)) & (r < knot)) >= 3:
                inside.append(knot)
        knots = np.array([-knot for knot in inside[::-1]] + inside)
        spline = LSQUnivariateSpline(both, data, knots, w=weight, k=3)
        self.first, self.last = float(r[0]), float(r[-1])
        self._steps = np.linspace(0, self.last, 4096)
        self._table = spline(np.maximum(self._steps, self.first))  # held where the middle was not seen
        self._slope = float(spline.derivative()(self.last))
        if law is not None:
            shape = law(self._steps)
            inner = (self._steps >= self.first) & (self._steps < max(0.9, self.first + 0.01))
            self._table = shape * np.median(self._table[inner] / shape[inner])
            self._slope = float((self._table[-1] - self._table[-2]) / (self._steps[-1] - self._steps[-2]))

    def __call__(self, r: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the level at r/R."""
        inner = np.interp(r, self._steps, self._table)
        # past the last ring the slope fades: the blurred edge itself must stay an edge
        beyond = np.maximum(r - self.last, 0)
        level = inner + self._slope * FADE * (1 - np.exp(-beyond / FADE))
        return np.maximum(level, 0.5 * self._table[-1]).astype(np.float32)
