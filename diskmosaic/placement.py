"""Where the tiles lie: pairs, positions, the limb and the Sun's turning, from the tiles alone.

Order and grid are unknown. All pairs are searched at reduced resolution by masked normalised correlation with a
significance against chance, accepted ones are refined to a few hundredths of a pixel, and `solve` puts all of them
(and the limb points of every edge tile, on one circle) into one robust least-squares solution.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import (
    Spectra,
    Texture,
    best_shifts,
    even_fast_size,
    refine,
    shrink,
    spectra,
    texture,
)
from diskmosaic.limb import border_points, edge_points, rough_limb
from diskmosaic.network import components, positions_from_pairs, solve
from diskmosaic.parallel import ordered_map
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Circle, Pair, Placement, Tile
from diskmosaic.regions import find_regions
from diskmosaic.settings import PlacementSettings

SEARCH_PX = 480  # longest side of a tile in the search
BAND_PX = (1.5, 12.0)  # Gaussian widths of the structure that is compared, at the resolution in use
WARP_PX = 0.12  # what averaged seeing leaves of warps in a tile, rms ...
WARP_AREA_PX = 20000  # ... over patches of this size (a correlation length of 80 px): small overlaps average few
MIN_CORRELATION = 0.1  # after refinement
PATTERN_TILES = 6  # from so many tiles on, their median is taken for what is fixed to the sensor
PATTERN_SEEN = 3  # tiles that must see a pixel of the disk there; elsewhere it is not compared
LIMB_RAYS = 1440


def place_tiles(
    tiles: Sequence[Tile], settings: PlacementSettings, *, jobs: int = 1, progress: Progress = silent
) -> Placement:
    """Find the places of all tiles.

    Parameters
    ----------
    tiles : sequence of Tile
        All of one size.
    settings : PlacementSettings
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Placement
        Tiles that could not be tied are in ``left_out`` with the reason and their best score.
    """
    scene = _Scene(tiles)
    pairs, best = _find_pairs(scene, settings, jobs=jobs, progress=progress)
    warnings: list[str] = []
    groups = components(len(tiles), pairs)
    main = groups[0]
    left_out = {}
    for group in groups[1:]:
        names = ", ".join(tiles[k].name for k in group)
        if len(group) > 1:
            warnings.append(f"tiles {names} hang together but not with the rest: they were left out")
        for k in group:
            left_out[k] = (
                f"no other placed tile shows the same structure (best score {best[k]:.1f}, "
                f"needed {settings.significance:.1f})",
                float(best[k]),
            )
            if len(group) == 1:
                warnings.append(f"tile {tiles[k].name} was left out: {left_out[k][0]}")
    pairs = [pair for pair in pairs if pair.a in main]
    start = positions_from_pairs(len(tiles), pairs)
    circle, limb_points = _limb(scene, start, main)
    times = tile_times(tiles)
    solution = solve(start, pairs, circle, limb_points, times if settings.fit_drift else None)
    if solution.circle is not None:
        # edge points found along rays of a better circle, once more
        limb_points = _tile_edges(scene, solution.positions, main, solution.circle)
        solution = solve(solution.positions, pairs, solution.circle, limb_points, times if settings.fit_drift else None)
    else:
        warnings.append("no limb was found: the scale and the disk's centre are not determined")
    if settings.fit_drift and times is None:
        warnings.append("no tile times: the Sun's turning between the tiles was not taken out")
    dropped = sum(not pair.used for pair in solution.pairs)
    if dropped:
        warnings.append(f"{dropped} of {len(solution.pairs)} pair shifts contradict the others and were not used")
    return Placement(
        positions=solution.positions,
        pairs=tuple(solution.pairs),
        left_out=left_out,
        limb=solution.circle,
        drift_yx=solution.drift,
        times=times,
        warnings=tuple(warnings),
    )


def tile_times(tiles: Sequence[Tile]) -> NDArray[np.float64] | None:
    """Return seconds of each tile from the mean of all; None where a tile has no time."""
    if any(tile.time_utc is None for tile in tiles):
        return None
    stamps = np.array([np.datetime64(tile.time_utc, "ms").astype(np.int64) for tile in tiles], float) / 1000
    return stamps - stamps.mean()


class _Scene:
    """The tiles' structure at the resolutions in use, computed once each."""

    def __init__(self, tiles: Sequence[Tile]):
        self.tiles = tiles
        self.images = [np.where(np.isfinite(t.image), t.image, 0).astype(np.float32) for t in tiles]
        self.regions = find_regions(tiles)
        height, width = self.images[0].shape
        self.factor = max(1, round(max(height, width) / SEARCH_PX))
        self._cache: dict[int, list[Texture]] = {}

    def textures(self, factor: int) -> list[Texture]:
        """Structure of all tiles at ``1/factor`` resolution, less what all tiles share on the sensor."""
        if factor not in self._cache:
            made = [
                texture(
                    shrink(image, factor),
                    shrink(region.disk.astype(np.float32), factor) > 0.99,
                    fine_px=BAND_PX[0],
                    coarse_px=BAND_PX[1],
                )
                for image, region in zip(self.images, self.regions, strict=True)
            ]
            self._cache[factor] = _without_pattern(made)
        return self._cache[factor]


def _without_pattern(textures: list[Texture]) -> list[Texture]:
    """Subtract the median over tiles: remainders of dust and rings would tie any two tiles at shift zero."""
    if len(textures) < PATTERN_TILES:
        return textures
    shape = textures[0].values.shape
    pattern = np.empty(shape, np.float32)
    enough = np.empty(shape, bool)
    rows = 64
    for top in range(0, shape[0], rows):
        block = np.stack([t.values[top : top + rows] for t in textures])
        good = np.stack([t.good[top : top + rows] for t in textures])
        enough[top : top + rows] = good.sum(axis=0) >= PATTERN_SEEN
        block[~good] = np.nan
        block[:, ~enough[top : top + rows]] = 0
        pattern[top : top + rows] = np.nanmedian(block, axis=0)
    cleaned = []
    for one in textures:
        good = one.good & enough
        cleaned.append(Texture(np.where(good, one.values - pattern, 0).astype(np.float32), good))
    return cleaned


def _find_pairs(
    scene: _Scene, settings: PlacementSettings, *, jobs: int, progress: Progress
) -> tuple[list[Pair], NDArray[np.float64]]:
    count = len(scene.tiles)
    coarse = scene.textures(scene.factor)
    shape = coarse[0].values.shape
    padded = (even_fast_size(2 * shape[0]), even_fast_size(2 * shape[1]))
    transforms: list[Spectra] = [spectra(t, padded) for t in coarse]
    min_pixels = settings.min_overlap * shape[0] * shape[1]
    both = list(combinations(range(count), 2))

    def search(pair: tuple[int, int]):
        peaks = best_shifts(transforms[pair[0]], transforms[pair[1]], min_pixels=min_pixels)
        return peaks[0] if peaks else None

    best = np.zeros(count)
    found = []
    for (a, b), peak in zip(
        both,
        progress(ordered_map(search, both, jobs=jobs), "pairs", total=len(both), unit="pairs"),
        strict=True,
    ):
        if peak is None:
            continue
        for k in (a, b):
            best[k] = max(best[k], peak.significance)
        if peak.significance >= settings.significance:
            found.append((a, b, peak))
    pairs = []
    for a, b, peak in found:
        pair = _refine_pair(scene, a, b, peak)
        if pair is not None:
            pairs.append(pair)
    return pairs, best


def _refine_pair(scene: _Scene, a: int, b: int, peak) -> Pair | None:
    """Follow a peak from the search's resolution to the full one."""
    factor = scene.factor
    shift = np.array(peak.shift, float)
    match = None
    while True:
        textures = scene.textures(factor)
        match = refine(textures[a], textures[b], (round(shift[0]), round(shift[1])))
        if match is None or match.correlation < MIN_CORRELATION:
            return None
        shift = np.array(match.shift)
        if factor == 1:
            break
        step = 2 if factor % 2 == 0 else factor
        factor //= step
        shift *= step
    height, width = scene.images[0].shape
    centre = [(max(0.0, s) + min(size, s + size)) / 2 for s, size in zip(shift, (height, width), strict=True)]
    return Pair(
        a=a,
        b=b,
        shift_yx=(float(shift[0]), float(shift[1])),
        correlation=match.correlation,
        significance=peak.significance,
        centre_yx=(float(centre[0]), float(centre[1])),
        sigma_px=float(np.hypot(match.sigma_px, WARP_PX * np.sqrt(min(1.0, WARP_AREA_PX / match.pixels)))),
    )


def _limb(scene: _Scene, positions: NDArray[np.float64], main: Sequence[int]):
    """Find the rough circle from where sky meets disk in all placed tiles, then each tile's edge points."""
    rough = [border_points(scene.regions[k].sky, scene.regions[k].seen) + positions[k] for k in main]
    points = np.concatenate(rough) if rough else np.zeros((0, 2))
    fit = rough_limb(points)
    if fit is None:
        return None, {}
    circle = Circle(fit.centre, fit.radius, fit.rms, len(points), fit.sigma)
    return circle, _tile_edges(scene, positions, main, circle)


def _tile_edges(
    scene: _Scene, positions: NDArray[np.float64], main: Sequence[int], circle: Circle
) -> dict[int, NDArray[np.float64]]:
    """Edge points (y, x) of each tile in its own pixels."""
    edges = {}
    for k in main:
        image = np.where(scene.regions[k].seen, scene.tiles[k].image, np.float32(np.nan))
        centre = (circle.centre_yx[0] - positions[k][0], circle.centre_yx[1] - positions[k][1])
        points = edge_points(image, centre, circle.radius_px, rays=LIMB_RAYS, reach_px=16.0)
        if len(points) >= 8:
            edges[k] = points[:, :2]
    return edges
