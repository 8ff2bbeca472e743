"""Tiles that were recorded turned by 180 degrees (after a meridian flip) or mirrored: found by what they show.

What is fixed to the sensor does not turn with the Sun; it is taken out before (`diskmosaic.scene`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.network import components
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Given, Pair
from diskmosaic.scene import Scene
from diskmosaic.search import search_pairs
from diskmosaic.settings import PlacementSettings

WAYS = {
    "turned by 180 degrees": np.diag([-1.0, -1.0]),
    "mirrored": np.diag([-1.0, 1.0]),
    "mirrored and turned by 180 degrees": np.diag([1.0, -1.0]),
}


def find_turned(
    scene: Scene,
    pairs: Sequence[Pair],
    settings: PlacementSettings,
    given: Given,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> tuple[list[Pair], list[str]]:
    """Try groups of tiles that nothing ties to the largest one in other orientations, and turn those that then fit.

    Parameters
    ----------
    scene : Scene
        Its ``turns`` are set.
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
    warnings : list of str
    """
    pairs, warnings = list(pairs), []
    main, *groups = components(len(scene.tiles), pairs)
    main = list(main)
    for group in groups:
        both = [(a, b) for a in main for b in group if not given.forbids(a, b)]
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
        main += group
        names = ", ".join(scene.tiles[k].name for k in group)
        warnings.append(f"{names}: {way} against the other tiles, and placed so")
    return sorted(pairs, key=lambda pair: (pair.a, pair.b)), warnings


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
