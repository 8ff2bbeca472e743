"""Where the tiles lie: pairs, positions, the limb and the Sun's turning, from the tiles alone.

Order and grid are unknown. All pairs are searched at reduced resolution by masked normalised correlation with a
significance against chance, accepted ones are refined to a few hundredths of a pixel, and `solve` puts all of them
(and the limb points of every edge tile, on one circle) into one robust least-squares solution. Overlaps that the places
tell are then looked up, those that contradict it too.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.equations import Solution
from diskmosaic.limb import border_points, edge_points, place_by_limb, rough_limb
from diskmosaic.network import components, loops_of, positions_from_pairs, solve
from diskmosaic.orient import find_turned
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Circle, Given, Pair, Placement, Tile, tile_times
from diskmosaic.scene import Scene
from diskmosaic.search import GUIDED_CORRELATION, GUIDED_PIXELS, follow, look_up, search_pairs, shared_disk, weigh
from diskmosaic.settings import PlacementSettings
from diskmosaic.turning import settle_turns

LIMB_RAYS = 1440
MIN_LIMB_RAYS = 24  # edge points that a tile must show to be placed by its limb alone
TWICE_SHARE = 0.2  # tiles whose places differ by less than this share of their size show the same


def place_tiles(
    tiles: Sequence[Tile],
    settings: PlacementSettings,
    *,
    given: Given | None = None,
    jobs: int = 1,
    progress: Progress = silent,
) -> Placement:
    """Find the places of all tiles.

    Parameters
    ----------
    tiles : sequence of Tile
        All of one size.
    settings : PlacementSettings
    given : Given, optional
        What the mount or a person knows.
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Placement
        Tiles that could not be tied are in ``left_out`` with the reason and their best score.
    """
    given = given or Given()
    scene = Scene(tiles, given.turns)
    warnings: list[str] = []
    pairs, best = _find_pairs(scene, settings, given, jobs=jobs, progress=progress)
    if given.turns is None and len(components(len(tiles), pairs)) > 1:
        pairs, told = find_turned(scene, pairs, settings, given, jobs=jobs, progress=progress)
        warnings += told
    groups = components(len(tiles), pairs)
    main = list(groups[0])
    others = [pair for pair in pairs if pair.a not in main]
    pairs = [pair for pair in pairs if pair.a in main]
    times = tile_times(tiles)
    clock = times if settings.fit_drift else None
    more = {"anchors": given.anchors, "half": scene.half}
    start = positions_from_pairs(len(tiles), pairs)
    pairs = weigh(pairs)
    # a first solution by pairs alone tells where to look for overlaps not found, and which shifts contradict the others
    first = solve(start, pairs, None, {}, None, **more)
    pairs = weigh(look_up(scene, first.positions, first.pairs, given, jobs=jobs))
    start = positions_from_pairs(len(tiles), pairs)
    circle, limb_points = _limb(scene, start, main)
    solution = solve(start, pairs, circle, limb_points, clock, **more)
    if given.turns is None:

        def edges(found: Solution) -> dict[int, NDArray[np.float64]]:
            return {} if found.circle is None else _tile_edges(scene, found.positions, main, found.circle)

        turned = settle_turns(scene, solution, edges, times, clock, given, jobs=jobs)
        if turned.any:
            pairs = turned.pairs
            limb_points = {} if solution.circle is None else _tile_edges(scene, turned.positions, main, solution.circle)
            solution = solve(turned.positions, pairs, solution.circle, limb_points, clock, **more)
            warnings += turned.told([tile.name for tile in tiles])
    if solution.circle is None:
        warnings.append("no limb was found: the scale and the disk's centre are not determined")
    else:
        added, ties = _add_by_limb(scene, solution, main, groups[1:], others)
        main += sorted(added)
        pairs = weigh([*pairs, *ties])
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
        solution = solve(positions, pairs, solution.circle, limb_points, clock, **more)
    left_out = {}
    for group in groups[1:]:
        rest = [k for k in group if k not in main]
        if len(rest) > 1:
            names = ", ".join(tiles[k].name for k in rest)
            warnings.append(f"tiles {names} hang together but not with the rest: they were left out")
        for k in rest:
            reason = (
                f"no other placed tile shows the same structure (best score {best[k]:.1f}, needed "
                f"{settings.significance:.1f}), and its limb does not place it" + _other_day(times, k)
            )
            left_out[k] = (reason, float(best[k]))
            if len(rest) == 1:
                warnings.append(f"tile {tiles[k].name} was left out: {reason}")
    if settings.fit_drift and times is None:
        warnings.append("no tile times: the Sun's turning between the tiles was not taken out")
    dropped = sum(not pair.used for pair in solution.pairs)
    if dropped:
        warnings.append(f"{dropped} of {len(solution.pairs)} pair shifts contradict the others and were not used")
    warnings += _seen_twice(tiles, solution.positions)
    turned = not np.array_equal(scene.turns, np.broadcast_to(np.eye(2), scene.turns.shape))
    return Placement(
        positions=solution.positions + scene.half - scene.turns @ scene.half,
        pairs=tuple(solution.pairs),
        left_out=left_out,
        limb=solution.circle,
        drift_yx=solution.drift,
        times=times,
        warnings=tuple(warnings),
        turns=scene.turns if turned else None,
        sigma=solution.sigma,
        loops=tuple(loops_of(solution.pairs)),
    )


def _other_day(times: NDArray[np.float64] | None, k: int) -> str:
    """Say so where a tile was recorded on another day than most."""
    if times is None:
        return ""
    hours = abs(times[k] - float(np.median(times))) / 3600
    return f"; it was recorded {hours:.0f} hours from the others" if hours > 12 else ""


def _seen_twice(tiles: Sequence[Tile], positions: NDArray[np.float64]) -> list[str]:
    """Tell which tiles show the same place."""
    told = []
    limit = TWICE_SHARE * np.array(tiles[0].image.shape)
    for a, b in combinations(np.flatnonzero(np.isfinite(positions[:, 0])), 2):
        if (np.abs(positions[a] - positions[b]) < limit).all():
            same = np.array_equal(tiles[a].image, tiles[b].image, equal_nan=True)
            told.append(
                f"{tiles[a].name} and {tiles[b].name} "
                + ("are the same image: the same recording twice" if same else "show the same place: both are used")
            )
    return told


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
            if shared_disk(scene, other, k, shift) < GUIDED_PIXELS:
                continue
            tried.add(k)
            pair = follow(scene, other, k, shift, 1, significance=0.0)
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


def _limb_position(scene: Scene, k: int, circle: Circle) -> NDArray[np.float64] | None:
    """Return where tile k lies by its limb alone; None where it shows too little of it."""
    region = scene.regions[k]
    turned = np.linalg.inv(scene.turns[k])
    centred = Circle((0.0, 0.0), circle.radius_px * float(np.sqrt(abs(np.linalg.det(turned)))), 0.0, 0)
    position = place_by_limb(region.sky, region.seen, centred)
    if position is None:
        return None
    position = np.array(circle.centre_yx) - scene.upright(k, -position[None])[0]
    edges = _tile_edges(scene, {k: position}, [k], circle).get(k)
    return position if edges is not None and len(edges) >= MIN_LIMB_RAYS else None


def _find_pairs(
    scene: Scene, settings: PlacementSettings, given: Given, *, jobs: int, progress: Progress
) -> tuple[list[Pair], NDArray[np.float64]]:
    """Search all pairs quickly; then, more closely, those between groups that do not hang together yet."""
    count = len(scene.tiles)
    both = [pair for pair in combinations(range(count), 2) if not given.forbids(*pair)]
    pairs, best = search_pairs(scene, both, scene.quick_factor, settings, jobs=jobs, progress=progress)
    groups = components(count, pairs)
    if len(groups) > 1 and scene.factor != scene.quick_factor:
        group_of = {k: number for number, group in enumerate(groups) for k in group}
        rest = [(a, b) for a, b in both if group_of[a] != group_of[b]]
        more, closer = search_pairs(scene, rest, scene.factor, settings, jobs=jobs, progress=progress)
        pairs, best = pairs + more, np.maximum(best, closer)
    return sorted(pairs, key=lambda pair: (pair.a, pair.b)), best


def _limb(scene: Scene, positions: NDArray[np.float64], main: Sequence[int]):
    """Find the rough circle from where sky meets disk in all placed tiles, then each tile's edge points."""
    rough = [scene.upright(k, border_points(scene.regions[k].sky, scene.regions[k].seen)) + positions[k] for k in main]
    points = np.concatenate(rough) if rough else np.zeros((0, 2))
    fit = rough_limb(points)
    if fit is None:
        return None, {}
    circle = Circle(fit.centre, fit.radius, fit.rms, len(points), fit.sigma)
    return circle, _tile_edges(scene, positions, main, circle)


def _tile_edges(
    scene: Scene, positions: NDArray[np.float64], main: Sequence[int], circle: Circle
) -> dict[int, NDArray[np.float64]]:
    """Edge points (y, x) of each tile on its upright canvas."""
    edges = {}
    for k in main:
        image = np.where(scene.regions[k].seen, scene.tiles[k].image, np.float32(np.nan))
        centre = scene.on_sensor(k, np.array(circle.centre_yx) - positions[k])
        points = edge_points(image, (centre[0], centre[1]), circle.radius_px, rays=LIMB_RAYS, reach_px=16.0)
        if len(points) >= 8:
            edges[k] = scene.upright(k, points[:, :2])
    return edges
