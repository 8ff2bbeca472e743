"""Radial profiles of the disk: the quiet Sun's centre-to-limb curve."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LSQUnivariateSpline

RING = 0.004  # width of a ring, in radii
# Denser where the curve bends. At 0.05 radii the curve stays within 0.5 % of both a smooth law and the rings' own
# medians on a real chromospheric disk; finer knots begin to follow single active belts.
KNOTS = (*(0.05 * i for i in range(1, 19)), 0.93, 0.955, 0.975, 0.988)


def radius_map(shape: tuple[int, int], centre: tuple[float, float], radius: float) -> NDArray[np.float32]:
    """Return r/R of every pixel, float32."""
    y = (np.arange(shape[0], dtype=np.float32) - np.float32(centre[0]))[:, None]
    x = (np.arange(shape[1], dtype=np.float32) - np.float32(centre[1]))[None, :]
    return np.hypot(y, x) / np.float32(radius)


def depth_factor(y, x, centre: tuple[float, float], radius: float):
    """Return ``sqrt(1 - r^2/R^2)`` at (y, x), 0 outside: how much of a turning sphere's motion is seen there."""
    share = ((y - centre[0]) ** 2 + (x - centre[1]) ** 2) / radius**2
    return np.sqrt(np.clip(1 - share, 0, 1))


def ring_quiet(
    image: NDArray[np.float32], radii: NDArray[np.float32], edges: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return the quiet level of each ring: the median after active regions, spots and filaments are clipped.

    Parameters
    ----------
    image, radii : float32 (h, w)
        NaN pixels are left out.
    edges : (n + 1,)
        Ring borders in units of `radii`.

    Returns
    -------
    centre, level, count : (n,)
        Mean radius, quiet level (NaN in empty rings), pixels.
    """
    known = np.isfinite(image) & (radii < edges[-1]) & (radii >= edges[0])
    values, at = image[known], radii[known]
    order = np.argsort(at, kind="stable")
    values, at = values[order], at[order]
    cuts = np.searchsorted(at, edges)
    centre, level = np.full(len(edges) - 1, np.nan), np.full(len(edges) - 1, np.nan)
    count = np.diff(cuts)
    for i, (start, stop) in enumerate(pairwise(cuts)):
        if stop - start < 4:
            continue
        ring = values[start:stop].astype(np.float64)
        middle = np.median(ring)
        for _ in range(3):
            spread = 1.4826 * np.median(np.abs(ring - middle))
            near = np.abs(ring - middle) <= 3 * spread
            if not near.any():
                break
            middle = np.median(ring[near])
        centre[i], level[i] = at[start:stop].mean(dtype=np.float64), middle
    return centre, level, count


class QuietProfile:
    """A smooth centre-to-limb curve, even in r, continued past its last ring along its own slope.

    Parameters
    ----------
    centre, level, count : (n,)
        From `ring_quiet`.
    last : float
        Largest r/R that is trusted; beyond, the edge's blur is no longer the Sun's curve.
    """

    def __init__(self, centre, level, count, *, last: float):
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
        self._spline = LSQUnivariateSpline(both, data, knots, w=weight, k=3)
        self.last = float(r[-1])
        self._slope = float(self._spline.derivative()(self.last))

    def __call__(self, r: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the level at r/R."""
        steps = np.linspace(0, self.last, 4096)
        table = self._spline(steps)
        inner = np.interp(r, steps, table)
        # past the last ring the slope fades: the blurred edge itself must stay an edge
        beyond = np.maximum(r - self.last, 0)
        reach = 0.004
        return (inner + self._slope * reach * (1 - np.exp(-beyond / reach))).astype(np.float32)
