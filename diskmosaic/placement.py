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
    best_shifts,
    even_fast_size,
    overlap_windows,
    refine,
    spectra,
)
from diskmosaic.limb import border_points, edge_points, place_by_limb, rough_limb
from diskmosaic.network import Solution, components, positions_from_pairs, solve
from diskmosaic.parallel import ordered_map
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Circle, Pair, Placement, Tile
from diskmosaic.scene import Scene
from diskmosaic.settings import PlacementSettings

WARP_PX = 0.12  # what averaged seeing leaves of warps in a tile, rms ...
WARP_AREA_PX = 20000  # ... over patches of this size (a correlation length of 80 px): small overlaps average few
MIN_CORRELATION = 0.1  # after refinement
LIMB_RAYS = 1440
MIN_LIMB_RAYS = 24  # edge points that a tile must show to be placed by its limb alone
GUIDED_PIXELS = 3000  # of the disk, shared, from which on an overlap is looked at where a place is known already
GUIDED_CORRELATION = 0.3  # chance stays below where the shift is known to a few px


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
    scene = Scene(tiles)
    pairs, best = _find_pairs(scene, settings, jobs=jobs, progress=progress)
    warnings: list[str] = []
    groups = components(len(tiles), pairs)
    main = list(groups[0])
    others = [pair for pair in pairs if pair.a not in main]
    pairs = [pair for pair in pairs if pair.a in main]
    start = positions_from_pairs(len(tiles), pairs)
    circle, limb_points = _limb(scene, start, main)
    times = tile_times(tiles)
    solution = solve(start, pairs, circle, limb_points, times if settings.fit_drift else None)
    if solution.circle is None:
        warnings.append("no limb was found: the scale and the disk's centre are not determined")
    else:
        added, ties = _add_by_limb(scene, solution, main, groups[1:], others)
        main += sorted(added)
        pairs += ties
        for group in groups[1:]:
            names = ", ".join(tiles[k].name for k in group if k in added)
            if names:
                tied = sum((pair.a in group) != (pair.b in group) for pair in ties)
                warnings.append(
                    f"{names}: no structure in common with the other tiles was found by itself (best score "
                    f"{max(best[k] for k in group):.1f}); placed by the limb, "
                    + (f"and tied by {tied} overlap(s) looked at there" if tied else "which alone tells the place")
                )
        positions = solution.positions.copy()
        for k, position in added.items():
            positions[k] = position
        # edge points found along rays of a better circle, once more
        limb_points = _tile_edges(scene, positions, main, solution.circle)
        solution = solve(positions, pairs, solution.circle, limb_points, times if settings.fit_drift else None)
    left_out = {}
    for group in groups[1:]:
        rest = [k for k in group if k not in main]
        if len(rest) > 1:
            names = ", ".join(tiles[k].name for k in rest)
            warnings.append(f"tiles {names} hang together but not with the rest: they were left out")
        for k in rest:
            reason = (
                f"no other placed tile shows the same structure (best score {best[k]:.1f}, needed "
                f"{settings.significance:.1f}), and its limb does not place it"
            )
            left_out[k] = (reason, float(best[k]))
            if len(rest) == 1:
                warnings.append(f"tile {tiles[k].name} was left out: {reason}")
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


def _add_by_limb(
    scene: Scene, solution: Solution, main: Sequence[int], groups: Sequence[Sequence[int]], pairs: Sequence[Pair]
) -> tuple[dict[int, NDArray[np.float64]], list[Pair]]:
    """Place groups of tiles by their pieces of the limb; then look where they should overlap others for ties.

    Returns
    -------
    added : dict
        Tile -> position.
    ties : list of Pair
        Within the groups added, and between them and the tiles placed before.
    """
    added, ties = {}, []
    for group in groups:
        by_limb = {k: position for k in group if (position := _limb_position(scene, k, solution.circle)) is not None}
        if not by_limb:
            continue
        within = [pair for pair in pairs if pair.a in group]
        local = positions_from_pairs(len(scene.tiles), within) if within else np.zeros((len(scene.tiles), 2))
        offset = np.median([position - local[k] for k, position in by_limb.items()], axis=0)
        added |= {k: by_limb.get(k, local[k] + offset) for k in group}
        ties += within
    tied = {(pair.a, pair.b) for pair in ties}
    places = {int(k): solution.positions[k] for k in main} | added
    tried, matched = set(), set()
    for k in added:
        for other, place in places.items():
            if other == k or (k, other) in tied or (other, k) in tied:
                continue
            shift = places[k] - place
            if _shared_disk(scene, other, k, shift) < GUIDED_PIXELS:
                continue
            tried.add(k)
            pair = _follow(scene, other, k, shift, 1, significance=0.0)
            if pair is not None and pair.correlation > GUIDED_CORRELATION:
                ties.append(pair)
                tied.add((other, k))
                matched |= {k, other}
    # a limb fits anywhere on the circle: where neighbours see the same disk and disagree, it is another Sun's
    for group in groups:
        if tried & set(group) and not matched & set(group):
            for k in set(group) & set(added):
                del added[k]
    kept = set(main) | set(added)
    return added, [pair for pair in ties if pair.a in kept and pair.b in kept]


def _shared_disk(scene: Scene, a: int, b: int, shift: NDArray[np.float64]) -> int:
    """Count the pixels of the disk that both tiles see at a shift."""
    first, second = (scene.textures(1)[k].good for k in (a, b))
    windows = overlap_windows(first.shape, second.shape, (round(shift[0]), round(shift[1])))
    return 0 if windows is None else int(np.count_nonzero(first[windows[0]] & second[windows[1]]))


def _limb_position(scene: Scene, k: int, circle: Circle) -> NDArray[np.float64] | None:
    """Return where tile k lies by its limb alone; None where it shows too little of it."""
    position = place_by_limb(scene.regions[k].sky, scene.regions[k].seen, circle)
    if position is None:
        return None
    edges = _tile_edges(scene, {k: position}, [k], circle).get(k)
    return position if edges is not None and len(edges) >= MIN_LIMB_RAYS else None


def tile_times(tiles: Sequence[Tile]) -> NDArray[np.float64] | None:
    """Return seconds of each tile from the mean of all; None where a tile has no time."""
    if any(tile.time_utc is None for tile in tiles):
        return None
    stamps = np.array([np.datetime64(tile.time_utc, "ms").astype(np.int64) for tile in tiles], float) / 1000
    return stamps - stamps.mean()


def _find_pairs(
    scene: Scene, settings: PlacementSettings, *, jobs: int, progress: Progress
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
        shift = np.array(peak.shift, float)
        pair = _follow(scene, a, b, shift, scene.factor, significance=peak.significance)
        if pair is not None:
            pairs.append(pair)
    return pairs, best


def _follow(
    scene: Scene, a: int, b: int, shift: NDArray[np.float64], factor: int, *, significance: float
) -> Pair | None:
    """Follow a rough shift (px at ``1/factor`` resolution) to the full resolution."""
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
        significance=significance,
        centre_yx=(float(centre[0]), float(centre[1])),
        sigma_px=float(np.hypot(match.sigma_px, WARP_PX * np.sqrt(min(1.0, WARP_AREA_PX / match.pixels)))),
    )


def _limb(scene: Scene, positions: NDArray[np.float64], main: Sequence[int]):
    """Find the rough circle from where sky meets disk in all placed tiles, then each tile's edge points."""
    rough = [border_points(scene.regions[k].sky, scene.regions[k].seen) + positions[k] for k in main]
    points = np.concatenate(rough) if rough else np.zeros((0, 2))
    fit = rough_limb(points)
    if fit is None:
        return None, {}
    circle = Circle(fit.centre, fit.radius, fit.rms, len(points), fit.sigma)
    return circle, _tile_edges(scene, positions, main, circle)


def _tile_edges(
    scene: Scene, positions: NDArray[np.float64], main: Sequence[int], circle: Circle
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
