"""How two tiles lie against each other: measured on what both see, with an error.

The band that is compared is made of the shared piece alone, under one mask: near its border it is one-sided, but in
both tiles alike. Granulation is another one after minutes, spots and network are not: where fine scales do not agree,
coarser ones tell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.correlation import Texture, overlap_windows, texture
from diskmosaic.arrays.matching import MEDIAN_CHI2, Match, refine
from diskmosaic.arrays.resample import shift_fraction
from diskmosaic.placement.scene import BAND_PX, Scene
from diskmosaic.records.places import Pair

WARP_PX = 0.12  # what averaged seeing leaves of warps in a tile, rms, where overlaps do not tell ...
WARP_AREA_PX = 20000  # ... over patches of this size (a correlation length of 80 px): small overlaps average few
WARP_DOUBT_PX = 5000  # that prior counts as much as so many pixels that tell
LEAST_FREE = 8.0  # pairs beyond what the places need, from which on their residuals tell warps
LEAST_KNOWN_PX = 1.0  # standard error by noise beyond which an overlap is alike, but along some direction anywhere
MIN_CORRELATION = 0.1  # after refinement
GUIDED_CORRELATION = 0.3  # chance stays below where the shift is known to a few px
GRAIN_PX = 30.0  # pixels to one independent value: 4 pi times the square of the band's fine width
CHANCE = 4.0  # standard deviations by which a correlation must stand out of none
LEAST_PIXELS = 64  # fewer are no overlap
LEAST_SIDE_PX = 8
ROUNDS = 3  # each squares what is left
PASSES = 4  # pieces are cut anew ...
SETTLED_PX = 0.03  # ... until they lie on each other: a tenth of what is left goes into the shift
FINE_AGREES = 0.7  # correlation from which on coarser scales could tell a shift no better
COARSEST = 8  # factor up to which scales are tried, and not beyond the search: limb darkening would be structure, too
WHOLE = 0.99  # share of a coarse pixel that must be good


def follow(
    scene: Scene, a: int, b: int, shift: NDArray[np.float64], factor: int, *, significance: float
) -> Pair | None:
    """Follow a rough shift (px at ``1/factor`` resolution) to finer ones, as far as both tiles agree there.

    Returns
    -------
    Pair or None
        None where they do not agree at all.
    """
    coarse = factor
    while factor > 1:
        match = refine(scene.texture(a, factor), scene.texture(b, factor), (round(shift[0]), round(shift[1])))
        if match is None or not _stands_out(match):
            if factor == coarse:
                return None
            break
        step = 2 if factor % 2 == 0 else factor
        factor //= step
        shift = np.array(match.shift) * step
    found = measure(scene, a, b, np.asarray(shift) * factor)
    return None if found is None else as_pair(a, b, found, significance=significance)


def _stands_out(match: Match) -> bool:
    # r / sqrt(1 - r^2) sqrt(n) is distributed as t: that is CHANCE, solved for r
    return match.correlation >= max(MIN_CORRELATION, CHANCE / np.sqrt(match.pixels / GRAIN_PX + CHANCE**2))


def band_of(image: NDArray[np.float32], good: NDArray[np.bool_], pattern: NDArray[np.float32]) -> Texture:
    """Return a piece's structure less the sensor's pattern."""
    band = texture(image, good, fine_px=BAND_PX[0], coarse_px=BAND_PX[1])
    return Texture(np.where(band.good, band.values - pattern, np.float32(0)), band.good)


@dataclass(frozen=True)
class Measured:
    """What pieces of two tiles tell of their shift.

    Attributes
    ----------
    match : Match
        At ``1/factor`` resolution.
    shift : (2,)
        px at full resolution.
    first : (2,)
        Where the first tile's piece begins.
    factor : int
    """

    match: Match
    shift: NDArray[np.float64]
    first: NDArray[np.int_]
    factor: int

    @property
    def noise_px(self) -> float:
        """Standard error by noise."""
        return self.match.sigma_px * self.factor


def measure(
    scene: Scene, a: int, b: int, shift: NDArray[np.float64], view: Callable[..., tuple] | None = None
) -> Measured | None:
    """Measure a shift that is known to some px, at the resolution that tells it best.

    Bands of whole tiles see beyond the border of what both see, in one tile each: that drew tiles together by 0.02 px
    in strips of 36 px.

    Parameters
    ----------
    scene : Scene
    a, b : int
    shift : (2,)
        At full resolution.
    view : callable, optional
        ``view(k, rows, columns)`` returns image, mask and pattern of a window; by default the scene's, off the limb.

    Returns
    -------
    Measured or None
        None where the tiles do not agree at any scale.
    """
    best, factor = None, 1
    while factor <= min(COARSEST, scene.quick_factor):
        found = _measured(scene, a, b, shift, view or _off_limb(scene), factor)
        if found is not None and _stands_out(found.match):
            if best is None or found.noise_px < best.noise_px:
                best = found
            elif best.noise_px < LEAST_KNOWN_PX:
                break
            if found.match.correlation > FINE_AGREES:
                break
        factor *= 2
    return best


def _off_limb(scene: Scene):
    def view(k: int, rows: slice, columns: slice):
        image, region, pattern = scene.piece(k, rows, columns)
        return image, region.disk, pattern

    return view


def _measured(scene: Scene, a: int, b: int, shift: NDArray[np.float64], view, factor: int) -> Measured | None:
    shape = scene.images[a].shape
    for _ in range(PASSES):
        whole = np.rint(shift).astype(int)
        part = shift - whole
        windows = overlap_windows(shape, shape, (int(whole[0]), int(whole[1])))
        if windows is None:
            return None
        (one, good, fixed), (other, seen, moving) = (
            view(k, *window) for k, window in zip((a, b), windows, strict=True)
        )
        both = good & seen
        if min(both.shape) < LEAST_SIDE_PX * factor or np.count_nonzero(both) < LEAST_PIXELS * factor**2:
            return None
        # brought onto each other before the band is made: half a pixel between the pieces cost 0.04 px
        other = shift_fraction(np.ascontiguousarray(other), (part[0], part[1]))
        if factor > 1:
            one, other, fixed, moving = (block_means(np.where(both, i, 0), factor) for i in (one, other, fixed, moving))
            both = block_means(both.astype(np.float32), factor) > WHOLE
        bands = band_of(one, both, fixed), band_of(other, both, moving)
        match = refine(*bands, (0, 0), rounds=ROUNDS, masks_alike=True)
        if match is None:
            return None
        shift = whole + part + np.array(match.shift) * factor
        if np.abs(match.shift).max() <= SETTLED_PX:
            break
    return Measured(match, shift, np.array([windows[0][0].start, windows[0][1].start]), factor)


def as_pair(a: int, b: int, found: Measured, *, significance: float) -> Pair:
    """Return what was measured of tiles a and b as a pair."""
    match, shift, factor = found.match, found.shift, found.factor
    centre = np.array(match.centre) * factor + (factor - 1) / 2 + found.first
    pixels = match.pixels * factor**2
    return Pair(
        a=a,
        b=b,
        shift_yx=(float(shift[0]), float(shift[1])),
        correlation=match.correlation,
        significance=significance,
        centre_yx=(float(centre[0]), float(centre[1])),
        sigma_px=_sigma(found.noise_px, WARP_PX, pixels),
        noise_px=found.noise_px,
        warp_px=match.warp_px * factor,
        pixels=pixels,
        turn_rad=match.turn_rad,
        turn_sigma=match.turn_sigma,
        stretch=match.stretch,
    )


def _sigma(noise_px: float, warp_px: float, pixels: int) -> float:
    return float(np.hypot(noise_px, warp_px * np.sqrt(WARP_AREA_PX / (WARP_AREA_PX + pixels))))


def weigh(pairs: Sequence[Pair]) -> list[Pair]:
    """Give pairs the errors that noise and their session's warps leave.

    Warps are told by the overlaps themselves and, as small ones tell none, by how far pairs of a solution contradict
    each other.
    """
    told = [(pair.warp_px**2, pair.pixels) for pair in pairs if np.isfinite(pair.warp_px)]
    told += [(WARP_PX**2, WARP_DOUBT_PX), *_contradictions(pairs)]
    squares, pixels = np.array(told).T
    warp = float(np.sqrt(np.average(squares, weights=pixels)))
    return [replace(p, sigma_px=_sigma(p.noise_px, warp, p.pixels)) if p.pixels else p for p in pairs]


def _contradictions(pairs: Sequence[Pair]) -> list[tuple[float, float]]:
    """Return the square of the warps that explain the pairs' residuals, and its weight; nothing where too few tell."""
    known = [p for p in pairs if p.pixels and not p.firm and np.isfinite(p.residual_px)]
    free = 1 - len({k for p in known for k in (p.a, p.b)}) / max(len(known), 1)
    if len(known) * free < LEAST_FREE:
        return []
    pixels = np.array([p.pixels for p in known], float)
    noise = np.square([p.noise_px for p in known])
    left = np.square([p.residual_px for p in known]) / free
    share = WARP_AREA_PX / (WARP_AREA_PX + pixels)

    def typical(square: float) -> float:
        return float(np.median(left / (noise + square * share)))

    low, high = 0.0, 4.0
    # an overlap smaller than a patch shows a whole one's warp
    weight = free * float(np.sum(WARP_AREA_PX + pixels))
    if typical(low) <= MEDIAN_CHI2:
        return [(0.0, weight)]
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if typical(middle) > MEDIAN_CHI2 else (low, middle)
    return [(high, weight)]


def agrees(pair: Pair) -> bool:
    """Whether a pair that was looked at, not searched, shows that both tiles see the same there."""
    return pair.correlation > GUIDED_CORRELATION and pair.noise_px < LEAST_KNOWN_PX
