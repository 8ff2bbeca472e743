"""The limb as an edge: its mean profile, how far it wanders, and the blur that made it soft.

A disk is taken apart into what is the same all around (a function of the distance from the limb: disk, edge,
scattered light) and the rest. Filters act on the rest only, so that the strongest edge of the picture cannot ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

from diskmosaic.arrays.edge import blurred_haze, blurred_parts

SECTORS = 72
STEP = 0.25  # px, bins across the edge
REACH = 16.0  # px to either side that are measured finely
_TABLE = 0.125  # px, step of the table that is looked up
_ROWS = 256
_LEAST_SECTORS = 8  # with a limb
_SPARSE = 2_000_000  # pixels from which the curve away from the edge is made
_SIGMA_RANGE = (0.3, 8.0)  # px


@dataclass(frozen=True)
class Edge:
    """The mean profile across a limb.

    Attributes
    ----------
    centre : (y, x)
    radius : float
        Of the circle, px.
    wander : (SECTORS,)
        How far outside the circle the edge lies in each sector, px, from angle 0 (+x) turning towards +y.
    start : float
        Distance from the circle where `table` begins, px (negative: inside).
    table : float32 (n,)
        Mean light at ``start + k * 0.125``.
    step : float
        Light lost across the edge.
    blur_px : float or None
        Standard deviation of the blur, px; None where the profile does not tell it.
    haze_px : float
        How far light reaches out of the sharp edge (1/e), px: what stands above the limb, and near scattered light.
    misfit : float
        Rms of the profile's fit, in units of `step`.
    model : (4,)
        Level at the limb, its rise with mu, share of the haze, place of the sharp edge, px.
    """

    centre: tuple[float, float]
    radius: float
    wander: NDArray[np.float64]
    start: float
    table: NDArray[np.float32]
    step: float
    blur_px: float | None
    haze_px: float
    misfit: float
    model: tuple[float, float, float, float]

    def offsets(self, rows: slice, columns: slice) -> NDArray[np.float32]:
        """Distance of pixels from the limb where it really is, px, positive outside."""
        y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - np.float32(self.centre[0])
        x = np.arange(columns.start, columns.stop, dtype=np.float32)[None, :] - np.float32(self.centre[1])
        u = np.hypot(y, x) - np.float32(self.radius)
        near = np.abs(u) < 2 * REACH
        if near.any():
            at = np.nonzero(near)
            angle = np.arctan2(y[at[0], 0], x[0, at[1]])
            fade = np.clip(2 - np.abs(u[near]) / REACH, 0, 1)
            u[near] -= fade * _around(self.wander, angle)
        return u

    def base(self, u: NDArray[np.float32], table: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """Mean light at offsets `u`, from `table` (this edge's own where none is given)."""
        table = self.table if table is None else table
        place = np.clip((u - np.float32(self.start)) * np.float32(1 / _TABLE), 0, len(table) - 1.001)
        index = place.astype(np.int32)
        share = place - index
        return table[index] * (1 - share) + table[index + 1] * share

    def reblurred(self, sigma_px: float) -> NDArray[np.float32]:
        """Return the table as it would be with another, smaller blur: a monotone edge, without overshoot."""
        u = self.start + _TABLE * np.arange(len(self.table))
        before, after = (self._modelled(u, sigma) for sigma in (self.blur_px, sigma_px))
        return (self.table + after - before).astype(np.float32)

    def _modelled(self, u: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
        near = np.abs(u) < 3 * REACH
        made = np.zeros_like(u)
        limb, rise, share, at = self.model
        made[near] = _profile(u[near] - at, sigma, self.radius, limb, rise, share, self.haze_px)
        # with less blur the model differs only near the edge: beyond, both are the same curve
        return np.where(near, made, 0)


def find_edge(
    image: NDArray[np.float32], centre: tuple[float, float], radius: float, *, blur_px: float | None = None
) -> Edge | None:
    """Measure the edge of a disk.

    Parameters
    ----------
    image : float32 (h, w)
        Linear light; NaN where unknown.
    centre, radius : (y, x) and px
        The limb's circle, right to a few px.
    blur_px : float, optional
        Standard deviation of the blur where it is known already.

    Returns
    -------
    Edge or None
        None where too little of a limb is seen.

    Notes
    -----
    Pixels are binned, not interpolated, by their distance from the circle in 72 sectors; each sector's half-way
    point tells where the edge really is, and the profile is the median over the sectors aligned by it, so that
    neither prominences and active regions nor a limb that wanders (seeing, a small flattening) make it wider.
    The model is that of `arrays.edge` with its haze: a disk with level ``a + b mu`` up to a sharp edge, outside of it a
    haze that falls exponentially, all under a Gaussian. Only the symmetric part of the softness is taken for blur.
    """
    u, angle, value = _strip(image, centre, radius, 2 * REACH)
    if value.size < 100:
        return None
    edges = np.arange(-REACH, REACH + STEP / 2, STEP)
    profiles = _sector_profiles(u, angle, value, edges)
    wander = _halfway(profiles, edges)
    if np.isfinite(wander).sum() < _LEAST_SECTORS:
        return None
    wander = _filled(wander)
    aligned = _sector_profiles(u - _around(wander, angle), angle, value, edges)
    middle = (edges[1:] + edges[:-1]) / 2
    mean = _middling(aligned)
    known = np.isfinite(mean)
    if known.mean() < 0.9:
        return None
    mean = np.interp(middle, middle[known], mean[known])
    fitted = _fit(middle, mean, radius, blur_px)
    start, table = _whole_table(image, centre, radius, middle, mean)
    low, high = np.median(mean[-8:]), np.median(mean[: len(mean) // 4])
    sigma, haze, model, misfit = fitted
    return Edge(centre, radius, wander, start, table, float(high - low), sigma, haze, misfit, model)


def _around(wander: NDArray[np.float64], angle: NDArray[np.floating]) -> NDArray[np.float32]:
    """Interpolate the sectors' values around the circle."""
    place = (np.asarray(angle, np.float32) / np.float32(2 * np.pi)) % 1 * SECTORS - 0.5
    index = np.floor(place).astype(np.int32)
    share = place - index
    values = wander.astype(np.float32)
    return values[index % SECTORS] * (1 - share) + values[(index + 1) % SECTORS] * share


def _strip(image, centre, radius, reach):
    """Distance from the circle, angle and value of the pixels near a circle."""
    found = []
    for y0 in range(0, image.shape[0], _ROWS):
        band = np.asarray(image[y0 : y0 + _ROWS], np.float32)
        y = np.arange(y0, y0 + len(band), dtype=np.float32)[:, None] - np.float32(centre[0])
        x = np.arange(band.shape[1], dtype=np.float32)[None, :] - np.float32(centre[1])
        u = np.hypot(y, x) - np.float32(radius)
        at = np.nonzero((np.abs(u) < reach) & np.isfinite(band))
        found.append(np.stack([u[at], np.arctan2(y[at[0], 0], x[0, at[1]]), band[at]]))
    return np.concatenate(found, axis=1)


def _sector_profiles(u, angle, value, edges) -> NDArray[np.float64]:
    """Mean value of each sector and bin; NaN where a bin is empty."""
    bins = len(edges) - 1
    k = np.floor((u - edges[0]) / (edges[1] - edges[0])).astype(np.int64)
    sector = np.minimum((angle / (2 * np.pi) % 1 * SECTORS).astype(np.int64), SECTORS - 1)
    inside = (k >= 0) & (k < bins)
    cell = sector[inside] * bins + k[inside]
    count = np.bincount(cell, minlength=SECTORS * bins)
    total = np.bincount(cell, weights=value[inside], minlength=SECTORS * bins)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / count, np.nan).reshape(SECTORS, bins)


def _middling(profiles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median over the sectors that saw a bin, each sector scaled to the common level inside the limb."""
    inside = profiles[:, : profiles.shape[1] // 3]
    counted = np.isfinite(inside).sum(axis=1) > inside.shape[1] / 2
    level = np.array([np.nanmean(row) if ok else np.nan for row, ok in zip(inside, counted, strict=True)])
    if not counted.any():
        return np.full(profiles.shape[1], np.nan)
    scaled = profiles[counted] * (np.nanmedian(level) / level[counted])[:, None]
    seen = np.isfinite(scaled).sum(axis=0) >= max(3, counted.sum() / 3)
    middle = np.full(profiles.shape[1], np.nan)
    middle[seen] = np.nanmedian(scaled[:, seen], axis=0)
    return middle


def _halfway(profiles: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each sector's profile crosses the middle between disk and sky, px; NaN where it does not."""
    middle = (edges[1:] + edges[:-1]) / 2
    crossing = np.full(len(profiles), np.nan)
    for s, profile in enumerate(profiles):
        known = np.isfinite(profile)
        if known.mean() < 0.8:
            continue
        smooth = ndimage.gaussian_filter1d(np.interp(middle, middle[known], profile[known]), 2.0, mode="nearest")
        half = (np.median(smooth[middle < -REACH / 3]) + np.median(smooth[middle > REACH / 2])) / 2
        above = np.flatnonzero(smooth > half)
        if not above.size or above[-1] in (0, len(smooth) - 1):
            continue
        # the innermost crossing: a prominence beyond must not move it
        first = np.flatnonzero((smooth[:-1] > half) & (smooth[1:] <= half))[0]
        share = (smooth[first] - half) / (smooth[first] - smooth[first + 1])
        crossing[s] = middle[first] + STEP * share
    spread = crossing - np.nanmedian(crossing) if np.isfinite(crossing).any() else crossing
    far = np.abs(spread) > 5 * 1.4826 * np.nanmedian(np.abs(spread)) + 0.5 if np.isfinite(crossing).any() else False
    return np.where(far, np.nan, crossing)


def _filled(wander: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.flatnonzero(np.isfinite(wander))
    at = np.concatenate([known - SECTORS, known, known + SECTORS])
    return np.interp(np.arange(SECTORS), at, np.tile(wander[known], 3))


def _profile(u, sigma, radius, limb, rise, share, haze) -> NDArray[np.float64]:
    """Light at offsets `u` (rising) from the sharp edge: the disk and its haze under a Gaussian."""
    step, cosine = blurred_parts(u, sigma, radius)
    return limb * step + rise * cosine + share * limb * blurred_haze(u, sigma, haze)


def _fit(u, mean, radius, blur_px):
    """Fit the model to a profile: blur (None where it is not told), haze, the model's numbers, misfit."""
    top, sky = float(np.median(mean[: len(mean) // 4])), float(np.min(mean))
    step = max(top - sky, 1e-12)
    mu = np.sqrt(np.clip(1 - (1 + u[0] / radius) ** 2, 1e-6, 1))

    def model(p):
        limb, rise, share, at, offset = p[0] * step, p[1] * step, p[2], p[3], p[4] * step
        sigma = blur_px if blur_px is not None else p[6]
        return offset + _profile(u - at, sigma, radius, limb, rise, share, p[5])

    start = [0.8, 0.2 / mu, 0.05, 0.0, sky / step, 2.0, 1.5]
    low = [0.05, -2 / mu, 0.0, -4.0, -1.0, 0.5, _SIGMA_RANGE[0]]
    high = [1.5, 2 / mu, 0.9, 4.0, 1.0, 20.0, _SIGMA_RANGE[1]]
    count = 6 if blur_px is not None else 7
    start[4] = min(max(start[4], -0.99), 0.99)
    found = optimize.least_squares(
        lambda p: (model(p) - mean) / step, start[:count], bounds=(low[:count], high[:count]), diff_step=1e-3
    )
    p = found.x
    misfit = float(np.sqrt(np.mean(found.fun**2)))
    sigma = blur_px if blur_px is not None else float(p[6])
    told = misfit < 0.05 and _SIGMA_RANGE[0] * 1.01 < sigma < _SIGMA_RANGE[1] * 0.99
    model_numbers = (float(p[0] * step), float(p[1] * step), float(p[2]), float(p[3]))
    return (sigma if told else None), float(p[5]), model_numbers, misfit


def _whole_table(image, centre, radius, middle, mean):
    """Continue the edge's profile inwards and outwards by medians of rings, and lay it on an even grid."""
    stride = max(1, int(np.sqrt(image.size / _SPARSE)))
    sparse = np.asarray(image[::stride, ::stride], np.float32)
    y = np.arange(0, image.shape[0], stride, dtype=np.float32)[:, None] - np.float32(centre[0])
    x = np.arange(0, image.shape[1], stride, dtype=np.float32)[None, :] - np.float32(centre[1])
    r = np.hypot(y, x)
    known = np.isfinite(sparse)
    values, at = sparse[known], r[known]
    width = max(2.0, radius / 250)
    rings = np.floor(at / width).astype(np.int64)
    order = np.argsort(rings, kind="stable")
    cuts = np.searchsorted(rings[order], np.arange(rings.max() + 2))
    radii = (np.arange(len(cuts) - 1) + 0.5) * width - radius
    level = np.array([np.median(values[order[a:b]]) if b - a > 8 else np.nan for a, b in pairwise(cuts.tolist())])
    away = np.isfinite(level) & ((radii < middle[0] - width / 2) | (radii > middle[-1] + width / 2))
    places = np.concatenate([radii[away & (radii < 0)], middle, radii[away & (radii > 0)]])
    levels = np.concatenate([level[away & (radii < 0)], mean, level[away & (radii > 0)]])
    start = -float(radius) - 2 * REACH
    grid = start + _TABLE * np.arange(int((float(r.max()) + 4 * REACH) / _TABLE) + 2)
    return start, np.interp(grid, places, levels).astype(np.float32)


def half_width(transfer: NDArray[np.float64], frequency: NDArray[np.float64]) -> float:
    """Return the standard deviation, px, of the Gaussian whose transfer falls to one half where `transfer` does."""
    below = np.flatnonzero(transfer < 0.5)
    f = frequency[below[0]] if below.size else 0.5
    return float(np.sqrt(np.log(2) / 2) / (np.pi * f))


def robust_spread(values: NDArray[np.floating]) -> float:
    """Return 1.48 times the median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def box_means(image: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Mean over boxes around each pixel."""
    return cv2.blur(image, (size, size), borderType=cv2.BORDER_REPLICATE)
