"""What stands beyond the limb: freed of scattered light, and lifted."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.contrast import shrink
from diskmosaic.arrays.limb_profile import Edge, box_means, robust_spread
from diskmosaic.parallel import ordered_map

SECTORS = 180
LIFTS = (10.0, 100.0)
_ORDER = 2  # harmonics of the scattered light around the limb
_FAR = 0.35  # radii beyond the limb that are looked at
_STANDS_OUT = 5.0  # deviations from which on smoothed light beyond the limb counts as a prominence
_LEAST = 0.002  # of the disk's level: fainter than this is never taken for a prominence
_LEAST_SHARE = 5e-4  # of the ring searched that prominences must fill
_LEAST_BRIGHT = 0.01  # of that level, in their brighter part: fainter is speckle (common practice, no source)
_BOX = 5  # px over which light is smoothed before it is judged
_SHOWN = 0.75  # value that the brighter part of the prominences is lifted to
_NOISE_SHOWN = 0.04  # value that the background's noise may be lifted to
_SHRUNK = 1.5  # deviations of what is uneven below which light counts as none
_NOISE_SHRUNK = 0.75  # likewise of a pixel's noise, which the box makes five times smaller
_SEEN = 0.9  # of a ring, for waves around it to be fitted
_THINNED = 4_000_000  # pixels of an image from which all are used
_BORDER = 7  # px: nothing is lifted within half of it from where the picture ends
_ROWS = 256


@dataclass(frozen=True)
class Beyond:
    """What stands beyond the limb.

    Attributes
    ----------
    bins : (n,)
        Distances from the limb, px.
    scattered : float32 (n, SECTORS)
        Scattered light there besides the edge's own mean profile.
    spread : float32 (n,)
        Robust standard deviation of the light around the limb at those distances: noise, and near the limb what is
        uneven in the edge itself.
    noise : float
        Its least value.
    level : float
        Of the disk at the limb, same unit.
    share : float
        Of the ring up to 0.15 radii from the limb that prominences fill.
    bright : float
        Light of their brighter part, in units of `level`; 0 where there are none.
    """

    bins: NDArray[np.float64]
    scattered: NDArray[np.float32]
    spread: NDArray[np.float32]
    noise: float
    level: float
    share: float
    bright: float

    @property
    def any(self) -> bool:
        """Whether there are prominences."""
        return self.share >= _LEAST_SHARE and self.bright >= _LEAST_BRIGHT

    @property
    def lift(self) -> float:
        """Proposed factor: the brighter part well visible, the noise not; 10 to 100, less if the noise demands it."""
        wanted = np.clip(_SHOWN / max(self.bright, 1e-6), *LIFTS)
        return float(min(wanted, max(1.0, _NOISE_SHOWN * self.level / max(self.noise, 1e-9))))


def look_beyond(image: NDArray[np.float32], edge: Edge) -> Beyond:
    """Measure scattered light, noise and prominences beyond the limb.

    Parameters
    ----------
    image : float32 (h, w)
        Linear; NaN where unknown.
    edge : Edge

    Returns
    -------
    Beyond

    Notes
    -----
    The edge's mean profile holds what is the same all around. What is left varies slowly around the limb (haze, uneven
    stray light): at each distance two harmonics are fitted, prominences clipped as they stand out upwards only.
    """
    reach = _FAR * edge.radius
    width = max(2.0, 0.004 * edge.radius)
    bins = (np.arange(max(int(reach / width), 4)) + 0.5) * width
    total = np.zeros((len(bins), SECTORS))
    count = np.zeros((len(bins), SECTORS))
    for rows, columns in _bands(image.shape):
        u, angle, rest = _outside(image, edge, rows, columns, reach)
        k = np.minimum((u / width).astype(np.int64), len(bins) - 1)
        cell = k * SECTORS + np.minimum((angle / (2 * np.pi) % 1 * SECTORS).astype(np.int64), SECTORS - 1)
        total += np.bincount(cell, rest, minlength=total.size).reshape(total.shape)
        count += np.bincount(cell, minlength=count.size).reshape(count.shape)
    with np.errstate(invalid="ignore"):
        mean = np.where(count > 0, total / count, np.nan)
    seen = np.isfinite(mean).mean(axis=1) >= _SEEN
    if not seen.any():
        nothing = np.zeros(len(bins), np.float32)
        return Beyond(bins, np.zeros(mean.shape, np.float32), nothing, 0.0, max(edge.step, 1e-12), 0.0, 0.0)
    scattered = _continued(np.stack([_harmonics(row) for row in mean]), mean, seen).astype(np.float32)
    spread = _spreads(image, edge, Beyond(bins, scattered, np.zeros(len(bins), np.float32), 0.0, 1.0, 0.0, 0.0))
    sigma = float(spread.min())
    level = max(edge.step, 1e-12)
    half = Beyond(bins, scattered, spread, sigma, level, 0.0, 0.0)
    pixels, found, values = 0, 0, []
    near = 3 * (edge.blur_px or 2.0) + 2
    for rows, columns in _bands(image.shape):
        light, u = freed(image, edge, half, rows, columns)
        ring = (u > near) & (u < 0.15 * edge.radius) & np.isfinite(light)
        smooth = box_means(np.where(np.isfinite(light), light, 0).astype(np.float32), _BOX)
        stands = ring & (smooth > np.maximum(_STANDS_OUT * _along(half, u), _LEAST * level))
        pixels += int(ring.sum())
        found += int(stands.sum())
        values.append(smooth[stands] / level)
    values = np.concatenate(values) if values else np.zeros(0)
    bright = float(np.percentile(values, 80)) if values.size else 0.0
    return Beyond(bins, scattered, spread, sigma, level, found / max(pixels, 1), bright)


def freed(
    image: NDArray[np.float32], edge: Edge, beyond: Beyond, rows: slice, columns: slice
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Light beyond the limb less all scattered light, and the distance from the limb, px; inside it is 0."""
    u = edge.offsets(rows, columns)
    light = np.asarray(image[rows, columns], np.float32) - edge.base(u)
    out = u > 0
    y = np.arange(rows.start, rows.stop)[:, None] - edge.centre[0]
    x = np.arange(columns.start, columns.stop)[None, :] - edge.centre[1]
    angle = np.arctan2(*np.broadcast_arrays(y, x))[out]
    light[out] -= _looked_up(beyond, u[out], angle)
    light[~out] = 0
    return light, u


def show_beyond(
    image: NDArray[np.float32], edge: Edge, beyond: Beyond, *, lift: float, jobs: int = 1
) -> tuple[NDArray[np.float32], NDArray[np.uint16]]:
    """Part the disk from what stands beyond its limb.

    Parameters
    ----------
    image : float32 (h, w)
    edge, beyond
        See `look_beyond`.
    lift : float
        Factor on the prominences' light.
    jobs : int

    Returns
    -------
    disk : float32 (h, w)
        The disk with its own soft edge on a sky without scattered light.
    shown : uint16 (h, w)
        The prominences as values of a picture, 65535 for 1, 0 well inside the limb. They go on under the disk's soft
        edge as they are just beyond it; as they are laid over the disk's fall, not in its place, there is neither a
        dark ring nor a second limb.
    """
    disk, shown = np.empty(image.shape, np.float32), np.empty(image.shape, np.uint16)
    blur = edge.blur_px or 2.0
    clear = 2 * blur + 1  # px from the limb, where the edge's own unevenness ends
    box = 2 * int(np.ceil(2 * clear)) + 1
    pad = box // 2 + _BORDER

    def work(y0: int):
        y1 = min(y0 + _ROWS, image.shape[0])
        rows, columns = slice(max(y0 - pad, 0), min(y1 + pad, image.shape[0])), slice(0, image.shape[1])
        light, u = freed(image, edge, beyond, rows, columns)
        # judged by its surroundings, so that single pixels of noise do not stand about as specks
        smooth = box_means(np.nan_to_num(light), _BOX)
        uneven = np.maximum(np.square(_along(beyond, u)) - np.float32(beyond.noise**2), 0)
        least = np.sqrt(np.float32((_NOISE_SHRUNK * beyond.noise) ** 2) + np.float32(_SHRUNK**2) * uneven)
        held = shrink(smooth, least) / np.where(smooth == 0, 1, smooth)
        bright = light * held / np.float32(beyond.level)
        # where the picture ends, few frames saw the last pixels
        within = cv2.erode(np.isfinite(light).astype(np.uint8), np.ones((_BORDER, _BORDER), np.uint8)) > 0
        value = np.where(within, np.maximum(lift * np.nan_to_num(bright), 0), 0).astype(np.float32)
        # straight, then a shoulder: values stay under 1 and keep their differences
        value = value / np.sqrt(1 + value**2)
        # across the edge a prominence goes on as it is just beyond: else its foot would stand in a dark gap
        trusted = (u > clear).astype(np.float32)
        foot = box_means(value * trusted, box) / np.maximum(box_means(trusted, box), 0.05)
        sure = _smooth_step((u - np.float32(clear)) / np.float32(clear))
        grown = _smooth_step((u + np.float32(clear)) / np.float32(clear))
        value = grown * (sure * value + (1 - sure) * foot)
        inner = slice(y0 - rows.start, y1 - rows.start)
        light, u = np.array(image[y0:y1], np.float32), u[inner]
        skirt = 1 - _smooth_step((u - blur) / (4 * blur + 3))
        fall = (edge.base(u) - edge.table[-1]) * skirt
        plain = np.where((u > 0) & np.isfinite(light), fall, light)
        return y0, plain, np.rint(65535 * value[inner]).astype(np.uint16)

    for y0, plain, value in ordered_map(work, range(0, image.shape[0], _ROWS), jobs=jobs):
        disk[y0 : y0 + len(plain)] = plain
        shown[y0 : y0 + len(value)] = value
    return disk, shown


def _along(beyond: Beyond, u: NDArray[np.float32]) -> NDArray[np.float32]:
    """Spread of the light at a distance from the limb."""
    width = beyond.bins[1] - beyond.bins[0]
    place = np.clip(u / np.float32(width) - np.float32(0.5), 0, len(beyond.bins) - 1.001)
    k = place.astype(np.int32)
    share = place - k
    return beyond.spread[k] * (1 - share) + beyond.spread[k + 1] * share


def _spreads(image: NDArray[np.float32], edge: Edge, beyond: Beyond) -> NDArray[np.float32]:
    """Robust deviation of the light in each bin, from at most some hundred thousand pixels."""
    width = beyond.bins[1] - beyond.bins[0]
    places, values = [], []
    for rows, columns in _bands(image.shape):
        light, u = freed(image, edge, beyond, rows, columns)
        known = np.isfinite(light) & (u > 0) & (u < width * len(beyond.bins))
        thin = slice(None, None, max(1, image.size // _THINNED))
        places.append((u[known][thin] / width).astype(np.int32))
        values.append(light[known][thin])
    place, value = np.concatenate(places), np.concatenate(values)
    order = np.argsort(place, kind="stable")
    cuts = np.searchsorted(place[order], np.arange(len(beyond.bins) + 1))
    spread = np.array([robust_spread(value[order[a:b]]) if b - a > 20 else np.nan for a, b in pairwise(cuts.tolist())])
    known = np.flatnonzero(np.isfinite(spread))
    if not known.size:
        return np.zeros(len(spread), np.float32)
    return np.interp(np.arange(len(spread)), known, spread[known]).astype(np.float32)


def _continued(fitted: NDArray[np.float64], mean: NDArray[np.float64], seen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Where too little of a ring was seen for its waves, take those of the nearest ring that was, at its own level."""
    known = np.flatnonzero(seen)
    for k in np.flatnonzero(~seen):
        nearest = fitted[known[np.argmin(np.abs(known - k))]]
        there = np.isfinite(mean[k])
        fitted[k] = nearest + (np.median((mean[k] - nearest)[there]) if there.any() else 0.0)
    return fitted


def _smooth_step(t: NDArray[np.float32]) -> NDArray[np.float32]:
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def _bands(shape: tuple[int, int]):
    for y0 in range(0, shape[0], _ROWS):
        yield slice(y0, min(y0 + _ROWS, shape[0])), slice(0, shape[1])


def _outside(image, edge, rows, columns, reach):
    u = edge.offsets(rows, columns)
    light = np.asarray(image[rows, columns], np.float32)
    at = np.nonzero((u > 0) & (u < reach) & np.isfinite(light))
    angle = np.arctan2(at[0] + rows.start - edge.centre[0], at[1] + columns.start - edge.centre[1])
    return u[at], angle, light[at] - edge.base(u[at])


def _harmonics(row: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fit slow waves around the limb from below; 0 where too little is seen."""
    angle = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
    design = np.column_stack(
        [np.ones(SECTORS)] + [f(k * angle) for k in range(1, _ORDER + 1) for f in (np.cos, np.sin)]
    )
    use = np.isfinite(row)
    if use.sum() < SECTORS // 2:
        return np.zeros(SECTORS)
    for _ in range(6):
        fit = np.linalg.lstsq(design[use], row[use], rcond=None)[0]
        left = row - design @ fit
        spread = robust_spread(left[use])
        use = np.isfinite(row) & (left < 2 * spread + 1e-12)
        if use.sum() < SECTORS // 3:
            break
    return design @ fit


def _looked_up(beyond: Beyond, u: NDArray, angle: NDArray) -> NDArray[np.float32]:
    """Interpolate the scattered light between bins and sectors."""
    width = beyond.bins[1] - beyond.bins[0]
    place = np.clip(u / width - 0.5, 0, len(beyond.bins) - 1.001)
    k = place.astype(np.int32)
    part = (place - k).astype(np.float32)
    turn = (angle / (2 * np.pi)) % 1 * SECTORS - 0.5
    s = np.floor(turn).astype(np.int32)
    side = (turn - s).astype(np.float32)
    table = beyond.scattered

    def row(index):
        return table[index, s % SECTORS] * (1 - side) + table[index, (s + 1) % SECTORS] * side

    return row(k) * (1 - part) + row(k + 1) * part
