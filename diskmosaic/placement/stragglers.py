"""Tiles that no pair ties to the others: placed by their limb, or found to be recorded the other way round.

A limb fits anywhere on the circle. Where a tile so placed overlaps others, at least one must show the same Sun there;
where it overlaps none, other orientations are tried before it is believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.limb.rough import border_points, rough_limb
from diskmosaic.placement.at_limb import LEAST_SHARE, LimbView, limb_place
from diskmosaic.placement.equations import Solution
from diskmosaic.placement.network import positions_from_pairs
from diskmosaic.placement.orient import find_turned, follow_in_time
from diskmosaic.placement.scene import BAND_PX, Scene
from diskmosaic.placement.search import GUIDED_PIXELS
from diskmosaic.progress import Progress, silent
from diskmosaic.records.places import Circle, Given, Pair
from diskmosaic.settings import PlacementSettings

NOISE_TOLD = 4.0  # structure counts from so many times the noise's own power on
MIN_LIMB_RAYS = 24  # edge points that a tile must show to be placed by its limb alone


@dataclass(frozen=True)
class Lost:
    """Tiles that found a place after all: their places, the pairs that tie them, and what is to be said."""

    places: dict[int, NDArray[np.float64]]
    pairs: list[Pair]
    warnings: list[str]


def find_lost(
    scene: Scene,
    solution: Solution,
    main: Sequence[int],
    groups: Sequence[Sequence[int]],
    pairs: Sequence[Pair],
    times: NDArray[np.float64] | None,
    settings: PlacementSettings,
    given: Given,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> Lost:
    """Place groups of tiles that nothing ties to the main one.

    Parameters
    ----------
    scene : Scene
        The ``turns`` of tiles that find a place are set.
    solution : Solution
        Of the main group.
    main : sequence of int
    groups : sequence of sequences of int
    pairs : sequence of Pair
        Within the groups.
    times : (n,) seconds or None
    settings : PlacementSettings
    given : Given
    jobs : int
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Lost
    """
    places: dict[int, NDArray[np.float64]] = {}
    ties: list[Pair] = []
    oriented: dict[int, str] = {}
    turns = scene.turns.copy()
    if solution.circle is not None:
        if given.turns is None:
            oriented = follow_in_time(scene, [group[0] for group in groups if len(group) == 1], main, times)
        places, ties = _add_by_limb(scene, solution, main, groups, pairs)
    tied = {k for pair in ties for k in (pair.a, pair.b)}
    unproved = [group for group in groups if not set(group) <= tied]
    found, joined, warnings = [], [], []
    if given.turns is None and unproved:
        guessed = scene.turns.copy()
        lone = [k for group in unproved for k in group if k not in tied]
        scene.turns[lone] = turns[lone]
        work = {"jobs": jobs, "progress": progress}
        found, joined, warnings = find_turned(scene, [*main, *tied], unproved, pairs, settings, given, **work)
        back = [k for k in lone if k in places and k not in joined]
        scene.turns[back] = guessed[back]
    for k in joined:
        places.pop(k, None)
    ties = [pair for pair in ties if pair.a not in joined and pair.b not in joined]
    by_limb = set(places)
    positions = solution.positions.copy()
    for k, place in places.items():
        positions[k] = place
    ties += [pair for pair in found if pair.a in joined or pair.b in joined]
    positions = with_joined(positions, ties)
    places |= {k: positions[k] for k in joined}
    warnings += [text for k, text in oriented.items() if k in by_limb and k not in tied]
    return Lost(places, ties, warnings)


def with_joined(positions: NDArray[np.float64], pairs: Sequence[Pair]) -> NDArray[np.float64]:
    """Return positions with those of tiles that pairs now tie to placed ones, the most significant pairs first."""
    positions = positions.copy()
    for _ in range(len(positions)):
        for pair in sorted(pairs, key=lambda one: -one.significance):
            here, there = np.isfinite(positions[[pair.a, pair.b], 0])
            if here and not there:
                positions[pair.b] = positions[pair.a] + pair.shift_yx
            elif there and not here:
                positions[pair.a] = positions[pair.b] - pair.shift_yx
    return positions


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
    added, ties, unsure, reach = {}, [], set(), {}
    for group in groups:
        sure = {k: limb_place(scene, k, solution.circle) for k in group}
        by_limb = {k: found for k, found in sure.items() if found is not None and found[2] >= MIN_LIMB_RAYS}
        if not by_limb:
            # a faint, broken or very short border: worth a look, and believed if neighbours show the same
            weak = {k: sure[k] or limb_place(scene, k, solution.circle, share=LEAST_SHARE) for k in group}
            by_limb = {k: found for k, found in weak.items() if found is not None}
            unsure |= set(group)
        if not by_limb:
            continue
        within = [pair for pair in pairs if pair.a in group]
        local = positions_from_pairs(len(scene.tiles), within) if within else np.zeros((len(scene.tiles), 2))
        offset = np.median([found[0] - local[k] for k, found in by_limb.items()], axis=0)
        added |= {k: by_limb[k][0] if k in by_limb else local[k] + offset for k in group}
        reach |= dict.fromkeys(group, min(found[1] for found in by_limb.values()))
        ties += within
    if not added:
        return {}, []
    view = LimbView(scene, solution.positions, solution.circle)
    tied = {(pair.a, pair.b) for pair in ties}
    places = {int(k): solution.positions[k] for k in main} | added
    tried: dict[int, list[int]] = {}
    matched: set[int] = set()
    for k in added:
        for other in places:
            if other == k or (k, other) in tied or (other, k) in tied:
                continue
            pair, pixels = view.tie(other, k, places, reach[k] + reach.get(other, 0.0))
            if pixels >= GUIDED_PIXELS:
                tried.setdefault(k, []).append(other)
            if pair is not None:
                ties.append(pair)
                tied.add((other, k))
                matched |= {k, other}
    # a limb fits anywhere on the circle: where neighbours see the same disk and disagree, it is another Sun's
    for group in groups:
        if matched & set(group):
            continue
        disagree = (tells(scene, k) and any(tells(scene, o) for o in tried[k]) for k in group if k in tried)
        if unsure & set(group) or any(disagree):
            for k in set(group) & set(added):
                del added[k]
    kept = set(main) | set(added)
    return added, [pair for pair in ties if pair.a in kept and pair.b in kept]


def tells(scene: Scene, k: int) -> bool:
    """Whether tile k shows more structure along every direction than its noise makes: a limb's darkening is none."""
    texture, tile = scene.full_texture(k), scene.tiles[k]
    inner = cv2.erode(texture.good.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if not inner.any() or not tile.noise > 0:
        return True
    y, x = (slope[inner] for slope in np.gradient(texture.values))
    least = np.linalg.eigvalsh(np.array([[np.mean(y * y), np.mean(y * x)], [np.mean(y * x), np.mean(x * x)]]))[0]
    # smoothed by s, noise keeps 1 / (4 pi s^2) of its variance; its gradient has 1 / (2 s^2) of that per axis
    relative = np.median(tile.noise / tile.image[texture.good])
    return bool(least > NOISE_TOLD * relative**2 / (8 * np.pi * BAND_PX[0] ** 4))


def rough_circle(scene: Scene, positions: NDArray[np.float64], main: Sequence[int]) -> Circle | None:
    """Find the rough circle from where sky meets disk in all placed tiles."""
    rough = [scene.upright(k, border_points(scene.regions[k].sky, scene.regions[k].seen)) + positions[k] for k in main]
    points = np.concatenate(rough) if rough else np.zeros((0, 2))
    fit = rough_limb(points)
    return None if fit is None else Circle(fit.centre, fit.radius, fit.rms, len(points), fit.sigma)
