"""Tiles that were recorded turned by 180 degrees (after a meridian flip) or mirrored: found by what they show.

What is fixed to the sensor does not turn with the Sun; it is taken out before (`diskmosaic.placement.scene`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.placement.scene import Scene
from diskmosaic.placement.search import search_pairs
from diskmosaic.progress import Progress, silent
from diskmosaic.records.places import Given, Pair
from diskmosaic.settings import PlacementSettings

WAYS = {
    "turned by 180 degrees": np.diag([-1.0, -1.0]),
    "mirrored": np.diag([-1.0, 1.0]),
    "mirrored and turned by 180 degrees": np.diag([1.0, -1.0]),
}


def find_turned(
    scene: Scene,
    main: Sequence[int],
    groups: Sequence[Sequence[int]],
    pairs: Sequence[Pair],
    settings: PlacementSettings,
    given: Given,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> tuple[list[Pair], list[int], list[str]]:
    """Try groups of tiles that nothing ties to the others in other orientations, and turn those that then fit.

    Parameters
    ----------
    scene : Scene
        Its ``turns`` are set.
    main : sequence of int
        Tiles that hang together.
    groups : sequence of sequences of int
        Each hangs together, and not with `main`.
    pairs : sequence of Pair
    settings : PlacementSettings
    given : Given
    jobs : int
    progress : callable
        Wraps an iterable.

    Returns
    -------
    pairs : list of Pair
        With those between tiles turned and others.
    joined : list of int
        Tiles of the groups that were turned.
    warnings : list of str
    """
    pairs, joined, warnings = list(pairs), [], []
    for group in groups:
        both = [(a, b) for a in [*main, *joined] for b in group if not given.forbids(a, b)]
        before = scene.turns[group].copy()
        found: dict[str, list[Pair]] = {}
        for factor in sorted({scene.quick_factor, scene.factor}, reverse=True):
            for way, matrix in WAYS.items():
                scene.turns[group] = matrix @ before
                found[way], _ = search_pairs(scene, both, factor, settings, jobs=jobs, progress=progress)
            if any(found.values()):
                break
        way = max(found, key=lambda name: sum(pair.significance for pair in found[name]))
        if not found[way]:
            scene.turns[group] = before
            continue
        scene.turns[group] = WAYS[way] @ before
        pairs = [_seen_turned(pair, WAYS[way], scene.half) if pair.a in group else pair for pair in pairs]
        pairs += found[way]
        joined += group
        names = ", ".join(scene.tiles[k].name for k in group)
        warnings.append(f"{names}: {way} against the other tiles, and placed so")
    return sorted(pairs, key=lambda pair: (pair.a, pair.b)), joined, warnings


def follow_in_time(
    scene: Scene, lost: Sequence[int], placed: Sequence[int], times: NDArray[np.float64] | None
) -> dict[int, str]:
    """Turn tiles whose structure tells no orientation as those are turned that were recorded next to them.

    Parameters
    ----------
    scene : Scene
        Its ``turns`` are set.
    lost : sequence of int
        Tiles whose limb alone is to place them.
    placed : sequence of int
    times : (n,) seconds or None

    Returns
    -------
    dict
        Tile -> warning, where tiles lie by half a turn or mirrored against each other: a limb alone does not tell that.
    """
    hands = [np.rint(scene.turns[k]) for k in placed]
    several = any(not np.array_equal(hand, hands[0]) for hand in hands)
    told = {}
    for k in lost:
        name = scene.tiles[k].name
        if times is not None:
            nearest = min(placed, key=lambda other: (abs(times[other] - times[k]), other))
            scene.turns[k] = scene.turns[nearest]
            text = f"taken to lie as {scene.tiles[nearest].name} does, recorded next to it"
        else:
            scene.turns[k] = max(hands, key=lambda hand: sum(np.array_equal(hand, other) for other in hands))
            text = "taken to lie as most tiles do, as there are no times"
        if several:
            told[k] = f"{name}: its limb does not tell which way round it was recorded; {text}"
    return told


def _seen_turned(pair: Pair, matrix: NDArray[np.float64], half: NDArray[np.float64]) -> Pair:
    """Return a pair of two tiles that are both turned by the same matrix."""
    shift, centre = matrix @ pair.shift_yx, matrix @ (np.array(pair.centre_yx) - half) + half
    hand = float(np.linalg.det(matrix))
    return replace(
        pair,
        shift_yx=(float(shift[0]), float(shift[1])),
        centre_yx=(float(centre[0]), float(centre[1])),
        turn_rad=pair.turn_rad * np.sign(hand),
    )
