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

from diskmosaic.at_limb import look_at_limb, tile_edges
from diskmosaic.network import components, loops_of, positions_from_pairs, solve
from diskmosaic.orient import find_turned
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Circle, Given, Pair, Placement, Tile, tile_times
from diskmosaic.scene import Scene
from diskmosaic.search import guided, less_contradicted, look_up, pinned, search_pairs, weigh
from diskmosaic.settings import PlacementSettings
from diskmosaic.stragglers import find_lost, rough_circle
from diskmosaic.turning import settle_turns

ONLY_SKY = "it shows nothing but sky: there is nothing to place"
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
    pairs = pinned(scene, pairs, given)
    groups = components(len(tiles), pairs)
    turning = {"jobs": jobs, "progress": progress}
    if given.turns is None:
        # single tiles may find their place by their limb: they are looked at later
        several = [group for group in groups[1:] if len(group) > 1]
        pairs, _, told = find_turned(scene, groups[0], several, pairs, settings, given, **turning)
        warnings += told
        pairs = pinned(scene, pairs, given)
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
    if given.pins:
        alone = [pair for pair in pairs if not pair.firm]
        free = solve(positions_from_pairs(len(tiles), alone), alone, None, {}, None, half=scene.half)
        pairs, against = less_contradicted(pairs, free.positions)
        warnings += [f"{tiles[k].name}: {n} of its overlaps contradict its pin" for k, n in against.items()]
    start = positions_from_pairs(len(tiles), pairs)

    def edges(positions: NDArray[np.float64], circle: Circle | None) -> dict[int, NDArray[np.float64]]:
        return {} if circle is None else tile_edges(scene, positions, main, circle)

    circle = rough_circle(scene, start, main)
    solution = solve(start, pairs, circle, edges(start, circle), clock, **more)
    if given.turns is None:
        turned = settle_turns(scene, solution, edges, times, clock, given, jobs=jobs)
        if turned.any:
            pairs = pinned(scene, turned.pairs, given)
            points = edges(turned.positions, solution.circle)
            solution = solve(turned.positions, pairs, solution.circle, points, clock, **more)
            warnings += turned.told([tile.name for tile in tiles])
    if solution.circle is None:
        warnings.append("no limb was found: the scale and the disk's centre are not determined")
    lost = find_lost(scene, solution, main, groups[1:], others, best, times, settings, given, **turning)
    warnings += lost.warnings
    main += sorted(lost.places)
    positions = solution.positions.copy()
    for k, place in lost.places.items():
        positions[k] = place
    if solution.circle is not None or lost.places:
        # edge points found along rays of a better circle, once more
        pairs = weigh([*pairs, *lost.pairs])
        solution = solve(positions, pairs, solution.circle, edges(positions, solution.circle), clock, **more)
    if solution.circle is not None:
        pairs = weigh(look_at_limb(scene, solution, given))
        points = edges(solution.positions, solution.circle)
        solution = solve(solution.positions, pairs, solution.circle, points, clock, **more)
    left_out = {}
    blank = [k for group in groups[1:] for k in group if k not in main and scene.regions[k].only_sky]
    if blank:
        names = ", ".join(tiles[k].name for k in blank)
        warnings.append(f"{names}: nothing but sky, and nothing to place")
        left_out |= {k: (ONLY_SKY, float(best[k])) for k in blank}
    for group in groups[1:]:
        rest = [k for k in group if k not in main and k not in blank]
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
    lost = guided(scene, solution.positions, sorted(left_out.keys() - blank), given, jobs=jobs)
    if lost:
        positions, pairs = solution.positions.copy(), list(solution.pairs)
        for k, (place, ties) in lost.items():
            positions[k], pairs = place, pairs + ties
            del left_out[k]
            main.append(k)
            warnings = [text for text in warnings if not text.startswith(f"tile {tiles[k].name} was left out")]
            warnings.append(
                f"{tiles[k].name}: found near the place that was given for it, by {len(ties)} overlaps that agree"
            )
        points = edges(positions, solution.circle)
        solution = solve(positions, weigh(pairs), solution.circle, points, clock, **more)
    dropped = sum(not pair.used for pair in solution.pairs)
    if dropped:
        warnings.append(f"{dropped} of {len(solution.pairs)} pair shifts contradict the others and were not used")
    warnings += _seen_twice(tiles, solution.positions)
    turned = not np.array_equal(scene.turns, np.broadcast_to(np.eye(2), scene.turns.shape))
    return Placement(
        positions=solution.positions + scene.half - scene.turns @ scene.half,
        pairs=tuple(pair for pair in solution.pairs if not pair.firm),
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
