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

from diskmosaic.placement.at_limb import look_at_limb, tile_edges
from diskmosaic.placement.equations import Solution
from diskmosaic.placement.network import components, loops_of, positions_from_pairs, solve
from diskmosaic.placement.orient import find_turned
from diskmosaic.placement.overlap import weigh
from diskmosaic.placement.scene import Scene
from diskmosaic.placement.search import grow_pairs, guided, less_contradicted, look_up, pinned, search_pairs
from diskmosaic.placement.stragglers import find_lost, rough_circle, with_joined
from diskmosaic.placement.turning import settle_turns
from diskmosaic.progress import Progress, silent
from diskmosaic.records.places import Circle, Given, Pair, Placement
from diskmosaic.records.tile import Tile, tile_times
from diskmosaic.settings import PlacementSettings

ONLY_SKY = "it shows nothing but sky: there is nothing to place"
PATIENT_SKY = 0.25  # share of sky from which on a tile is left to its limb at first
MOST_IN_VAIN = 0.1  # overlaps that known places tell and that show nothing, of all pairs
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
    pairs, best, searched = _find_pairs(scene, settings, given, jobs=jobs, progress=progress)
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
    pairs, in_vain = _looked_up(scene, pairs, given, more, jobs)
    if len(in_vain) > MOST_IN_VAIN * len(pairs):
        # a false pair has misplaced some, or they show little: nothing but a search of all tells
        rest = [(a, b) for a, b in combinations(sorted(main), 2) if (a, b) not in searched and not given.forbids(a, b)]
        anew, better = search_pairs(scene, rest, scene.quick_factor, settings, **turning)
        best = np.maximum(best, better)
        found = {(pair.a, pair.b): pair for pair in (*pairs, *anew)}
        pairs, _ = _looked_up(scene, pinned(scene, list(found.values()), given), given, more, jobs)
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
    lost = find_lost(scene, solution, main, groups[1:], others, times, settings, given, **turning)
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
    lost = [k for group in groups[1:] for k in group if k not in main and not scene.regions[k].only_sky]
    rest = [(min(k, o), max(k, o)) for k in lost for o in main if not given.forbids(k, o)]
    rest = [pair for pair in rest if pair not in searched]
    for factor in sorted({scene.quick_factor, scene.factor}, reverse=True) if rest else ():
        anew, better = search_pairs(scene, rest, factor, settings, **turning)
        best = np.maximum(best, better)
        if anew:
            positions = with_joined(solution.positions, anew)
            main += [k for k in lost if np.isfinite(positions[k, 0])]
            points = edges(positions, solution.circle)
            solution = solve(positions, weigh([*solution.pairs, *anew]), solution.circle, points, clock, **more)
            rest = [pair for pair in rest if not set(pair) <= set(main)]
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
    warnings += _by_limb_alone(tiles, solution, best)
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


def _looked_up(scene: Scene, pairs: Sequence[Pair], given: Given, more: dict, jobs: int):
    """Solve by pairs alone; that tells where to look for overlaps not found, and which shifts contradict the others."""
    pairs = weigh(pairs)
    first = solve(positions_from_pairs(len(scene.tiles), pairs), pairs, None, {}, None, **more)
    pairs, in_vain = look_up(scene, first.positions, first.pairs, given, jobs=jobs)
    return weigh(pairs), in_vain


def _other_day(times: NDArray[np.float64] | None, k: int) -> str:
    """Say so where a tile was recorded on another day than most."""
    if times is None:
        return ""
    hours = abs(times[k] - float(np.median(times))) / 3600
    return f"; it was recorded {hours:.0f} hours from the others" if hours > 12 else ""


def _by_limb_alone(tiles: Sequence[Tile], solution: Solution, best: NDArray[np.float64]) -> list[str]:
    """Tell which placed tiles no overlap ties to the rest."""
    groups = components(len(tiles), [pair for pair in solution.pairs if pair.used])
    told = []
    for group in groups[1:]:
        if solution.circle is not None and np.isfinite(solution.positions[group[0], 0]):
            names = ", ".join(tiles[k].name for k in group)
            told.append(
                f"{names}: no structure in common with the other tiles was found (best score "
                f"{max(best[k] for k in group):.1f}); placed by the limb, which alone tells the place"
            )
    return told


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
) -> tuple[list[Pair], NDArray[np.float64], set[tuple[int, int]]]:
    """Search quickly what ties all tiles together; then, more closely, groups that do not hang together yet."""
    count = len(scene.tiles)
    work = {"jobs": jobs, "progress": progress}
    # where a good part is sky, the limb tells soon: such tiles need not be found here ...
    patient = {k for k, region in enumerate(scene.regions) if np.mean(region.sky) > PATIENT_SKY}
    groups, pairs, best, searched = [[k] for k in range(count)], [], np.zeros(count), set()
    for factor in sorted({scene.quick_factor, scene.factor}, reverse=True):
        found, better, asked = grow_pairs(scene, settings, given, groups, factor, patient=patient, **work)
        pairs, best, searched = pairs + found, np.maximum(best, better), searched | asked
        groups = components(count, pairs)
        if patient and not _leads(scene, groups[0]):
            # ... unless there is no main group yet that shows the limb
            patient = set()
            found, better, asked = grow_pairs(scene, settings, given, groups, factor, **work)
            pairs, best, searched = pairs + found, np.maximum(best, better), searched | asked
            groups = components(count, pairs)
    return _in_order(pairs), best, searched


def _leads(scene: Scene, group: Sequence[int]) -> bool:
    """Whether a group is more than half of the tiles that see the disk, and sees its limb."""
    seeing = [not region.only_sky for region in scene.regions]
    return 2 * len(group) > sum(seeing) and any(scene.regions[k].sky.any() for k in group)


def _in_order(pairs: Sequence[Pair]) -> list[Pair]:
    return sorted(pairs, key=lambda pair: (pair.a, pair.b))
