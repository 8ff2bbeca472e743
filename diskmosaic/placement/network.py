"""The network of tiles: one robust least-squares solution of pair shifts, limb points and the Sun's turning.

Unknowns are the tiles' positions p, the circle (centre c, radius R) and the surface's velocity v at the disk centre.
A feature on the surface moves by ``v * z * t`` with ``z = sqrt(1 - r^2/R^2)`` (the depth factor of a rigidly turning
sphere seen from afar); the limb stays. A pair that is measured about mosaic place o with times t_a, t_b gives

    m = p_b - p_a - (t_b - t_a) * z(o) * v

with z the mean over the overlap (along one as wide as the disk's radius the motion falls off by a tenth), and every
limb point e of tile k gives ``|p_k + e - c| = R``. Anchors, where there are any, tie a tile's centre to one common
unknown point or to c. Small rotations and scales of the tiles, about their centres, are further unknowns where a model
of them is given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from diskmosaic.placement.equations import Equations, Solution
from diskmosaic.records.places import Anchor, Circle, Pair

LOOP_PX = 5.0  # a loop of three closes when it misses by less: the Sun turns meanwhile
TURN_RATE = 2.7e-6  # rad/s: synodic rotation seen from the Earth (27.3 d, Carrington's mean)
DRIFT_SIGNIFICANCE = 4.0


def components(count: int, pairs: Sequence[Pair]) -> list[list[int]]:
    """Return groups of tiles tied by pairs, largest first (ties by lowest index)."""
    parent = list(range(count))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for pair in pairs:
        parent[root(pair.b)] = root(pair.a)
    groups: dict[int, list[int]] = {}
    for k in range(count):
        groups.setdefault(root(k), []).append(k)
    return sorted(groups.values(), key=lambda group: (-len(group), group[0]))


def positions_from_pairs(count: int, pairs: Sequence[Pair]) -> NDArray[np.float64]:
    """Return rough positions by a tree of the most significant pairs that agree with others; NaN where not tied.

    A pair stands by the loops of three that it closes, then by its significance: a false pair closes hardly any.
    """
    shifts = {}
    for pair in pairs:
        shifts[pair.a, pair.b] = np.array(pair.shift_yx)
        shifts[pair.b, pair.a] = -np.array(pair.shift_yx)
    neighbours: dict[int, set[int]] = {}
    for a, b in shifts:
        neighbours.setdefault(a, set()).add(b)

    def standing(pair: Pair) -> float:
        votes = 0
        for c in neighbours[pair.a] & neighbours[pair.b]:
            loop = shifts[pair.a, c] + shifts[c, pair.b] - shifts[pair.a, pair.b]
            votes += np.abs(loop).max() < LOOP_PX
        return votes * 1000 + pair.significance

    positions = np.full((count, 2), np.nan)
    label = np.arange(count)
    tied: dict[int, list[int]] = {k: [k] for k in range(count)}
    local = np.zeros((count, 2))
    for pair in sorted(pairs, key=lambda p: (-standing(p), p.a, p.b)):
        a, b = label[pair.a], label[pair.b]
        if a == b:
            continue
        move = local[pair.a] + pair.shift_yx - local[pair.b]
        for k in tied.pop(b):
            local[k] += move
            label[k] = a
            tied[a].append(k)
    largest = max(tied.values(), key=lambda group: (len(group), -group[0]))
    positions[largest] = local[largest]
    return positions - np.nanmin(positions, axis=0)


def solve(
    start: NDArray[np.float64],
    pairs: Sequence[Pair],
    circle: Circle | None,
    limb_points: Mapping[int, NDArray[np.float64]],
    times: NDArray[np.float64] | None,
    *,
    anchors: Sequence[Anchor] = (),
    half: NDArray[np.float64] | None = None,
    angle_model: NDArray[np.float64] | None = None,
    stretch_model: NDArray[np.float64] | None = None,
    spread: float | None = None,
    rounds: int = 40,
) -> Solution:
    """Solve positions, circle, drift and the tiles' small turns together.

    Parameters
    ----------
    start : (n, 2)
        Rough positions of the tiles' pixels (0, 0); NaN for tiles that take no part.
    pairs : sequence of Pair
        Of tiles that take part; others are left aside.
    circle : Circle or None
        Rough limb on the mosaic; None solves pairs and anchors alone.
    limb_points : mapping of tile -> (m, 2)
        Edge points (y, x) in the tile's own pixels; those of tiles that take no part are left aside.
    times : (n,) seconds or None
        None leaves the drift out.
    anchors : sequence of Anchor
    half : (2,), optional
        The tiles' centre in their own pixels: what turns go about and anchors mean.
    angle_model, stretch_model : (n, m), optional
        Rotation and relative scale of each tile are these times m unknowns.
    spread : float, optional
        Of pair residuals in units of their error; by default from the residuals themselves.
    rounds : int

    Returns
    -------
    Solution
    """
    work = Equations(start, pairs, circle, limb_points, times, anchors, half, angle_model, stretch_model, spread)
    fitted = work.run(rounds)
    if times is not None and fitted.drift != (0.0, 0.0) and not _believable(fitted):
        work = Equations(start, pairs, circle, limb_points, None, anchors, half, angle_model, stretch_model, spread)
        fitted = work.run(rounds)
    return fitted


def _believable(solution: Solution) -> bool:
    """A drift counts when it stands out of its error and is no faster than the Sun turns (twice, for its error)."""
    speed = np.hypot(*solution.drift)
    return speed > DRIFT_SIGNIFICANCE * solution.drift_sigma and speed < 2 * TURN_RATE * solution.circle.radius_px


def loops_of(pairs: Sequence[Pair]) -> list[tuple[int, int, int, float]]:
    """Return the loops of three that used pairs close, each with the px by which it fails to."""
    shifts = {}
    for pair in pairs:
        if pair.used:
            shifts[pair.a, pair.b], shifts[pair.b, pair.a] = np.array(pair.shift_yx), -np.array(pair.shift_yx)
    neighbours: dict[int, set[int]] = {}
    for a, b in shifts:
        neighbours.setdefault(a, set()).add(b)
    found = []
    for a, near in sorted(neighbours.items()):
        for b in sorted(k for k in near if k > a):
            for c in sorted(k for k in near & neighbours[b] if k > b):
                misfit = shifts[a, b] + shifts[b, c] + shifts[c, a]
                found.append((a, b, c, float(np.hypot(*misfit))))
    return found
