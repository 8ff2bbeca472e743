"""The network of tiles: one robust least-squares solution of pair shifts, limb points and the Sun's turning.

Unknowns are the tiles' positions p, the circle (centre c, radius R) and the surface's velocity v at the disk centre.
A feature on the surface moves by ``v * z * t`` with ``z = sqrt(1 - r^2/R^2)`` (the depth factor of a rigidly turning
sphere seen from afar); the limb stays. A pair that is measured at mosaic place o with times t_a, t_b gives

    m = p_b - p_a - (t_b - t_a) * z(o) * v

and every limb point e of tile k gives ``|p_k + e - c| = R``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.circles import fit_circle, flattening
from diskmosaic.arrays.radial import depth_factor
from diskmosaic.records import Circle, Pair

PAIR_FLOOR_PX = 0.01  # no pair is better than this, however small its formal error
LOOP_PX = 5.0  # a loop of three closes when it misses by less: the Sun turns meanwhile
TUKEY = 4.685
L1_ROUNDS = 12  # rounds of least absolute values before false pairs are dropped
LIMB_POINTS = 20  # per tile at most that count as independent: the seeing bends a limb over long arcs
TURN_RATE = 2.7e-6  # rad/s: synodic rotation seen from the Earth (27.3 d, Carrington's mean)
DRIFT_SIGNIFICANCE = 4.0


@dataclass(frozen=True)
class Solution:
    """Positions (n, 2) of all tiles (NaN where not tied), pairs with residuals, circle, drift in px/s."""

    positions: NDArray[np.float64]
    pairs: list[Pair]
    circle: Circle | None
    drift: tuple[float, float]
    sigma: NDArray[np.float64]


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
    rounds: int = 40,
) -> Solution:
    """Solve positions, circle and drift together.

    Parameters
    ----------
    start : (n, 2)
        Rough positions; NaN for tiles that take no part.
    pairs : sequence of Pair
    circle : Circle or None
        Rough limb on the mosaic; None solves pairs alone.
    limb_points : mapping of tile -> (m, 2)
        Edge points (y, x) in the tile's own pixels.
    times : (n,) seconds or None
        None leaves the drift out.

    Returns
    -------
    Solution
    """
    fitted = _solve(start, pairs, circle, limb_points, times, rounds)
    if times is not None and fitted.drift != (0.0, 0.0) and not _believable(fitted):
        fitted = _solve(start, pairs, circle, limb_points, None, rounds)
    return fitted


def _believable(solution: Solution) -> bool:
    """A drift counts when it stands out of its error and is no faster than the Sun turns (twice, for its error)."""
    speed, sigma = np.hypot(*solution.drift), solution.sigma[-2:].max()
    return speed > DRIFT_SIGNIFICANCE * sigma and speed < 2 * TURN_RATE * solution.circle.radius_px


def _solve(start, pairs, circle, limb_points, times, rounds) -> Solution:
    active = np.flatnonzero(np.isfinite(start[:, 0]))
    slot = {int(k): i for i, k in enumerate(active)}
    count = len(active)
    positions = start.copy()
    pairs = [p for p in pairs if p.a in slot and p.b in slot]
    with_limb = circle is not None and bool(limb_points)
    with_drift = with_limb and times is not None and np.ptp(times[active]) > 30 and len(pairs) > count
    size = 2 * count + 3 * with_limb + 2 * with_drift
    limb = np.array([*circle.centre_yx, circle.radius_px]) if with_limb else np.zeros(3)
    drift = np.zeros(2)
    if with_limb:
        owner = np.concatenate([np.full(len(points), slot[k]) for k, points in limb_points.items()])
        edges = np.concatenate(list(limb_points.values()))
        thin = np.concatenate([np.full(len(q), min(1.0, LIMB_POINTS / len(q))) for q in limb_points.values()])
    a = np.array([slot[p.a] for p in pairs], int)
    b = np.array([slot[p.b] for p in pairs], int)
    measured = np.array([p.shift_yx for p in pairs]).reshape(-1, 2)
    formal = np.hypot(np.array([p.sigma_px for p in pairs]), PAIR_FLOOR_PX)
    trust = np.ones(len(pairs))
    for turn in range(rounds):
        here = positions[active]
        normal, right = np.zeros((size, size)), np.zeros(size)
        residual = measured - (here[b] - here[a])
        lag = depth = np.zeros(len(pairs))
        if with_drift:
            lag = times[active][b] - times[active][a]
            places = here[a] + [p.centre_yx for p in pairs]
            depth = depth_factor(places[:, 0], places[:, 1], limb[:2], limb[2])
            residual += (lag * depth)[:, None] * drift
        length = np.hypot(residual[:, 0], residual[:, 1])
        # two measured axes: the median length of a 2-D Gaussian is 1.177 of its deviation
        spread = max(float(np.median(length / formal)) / 1.177, 1.0) if len(pairs) else 1.0
        trust = _trust(length / (formal * spread), 1.5 * TUKEY, turn)
        weight = trust / formal**2
        for axis in (0, 1):
            rows = np.zeros((len(pairs), size))
            index = np.arange(len(pairs))
            rows[index, 2 * b + axis] += 1
            rows[index, 2 * a + axis] -= 1
            if with_drift:
                rows[index, size - 2 + axis] = -lag * depth
            normal += rows.T @ (weight[:, None] * rows)
            right += rows.T @ (weight * residual[:, axis])
        if with_limb:
            offset = here[owner] + edges - limb[:2]
            distance = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-9)
            miss = limb[2] - distance
            spread = max(1.4826 * float(np.median(np.abs(miss - np.median(miss)))), 0.02)
            weight = thin * _trust(np.abs(miss) / spread, TUKEY, turn) / spread**2
            rows = np.zeros((len(edges), size))
            index = np.arange(len(edges))
            unit = offset / distance[:, None]
            rows[index, 2 * owner], rows[index, 2 * owner + 1] = unit[:, 0], unit[:, 1]
            rows[:, 2 * count : 2 * count + 2] = -unit
            rows[:, 2 * count + 2] = -1
            normal += rows.T @ (weight[:, None] * rows)
            right += rows.T @ (weight * miss)
        # the whole may lie anywhere: hold the mean position
        for axis in (0, 1):
            hold = np.zeros(size)
            hold[axis : 2 * count : 2] = 1.0 / count
            normal += np.outer(hold, hold) * 1e4
        step = np.linalg.lstsq(normal, right, rcond=1e-13)[0]
        positions[active] += step[: 2 * count].reshape(-1, 2)
        if with_limb:
            limb = limb + step[2 * count : 2 * count + 3]
        if with_drift:
            drift = drift + step[-2:]
        if turn > L1_ROUNDS and np.abs(step[: 2 * count]).max() < 1e-6:
            break
    covariance = np.linalg.pinv(normal)
    solved = [replace(p, residual_px=float(r), used=bool(t > 0)) for p, r, t in zip(pairs, length, trust, strict=True)]
    final = None
    if with_limb:
        points = positions[active][owner] + edges
        fit = fit_circle(points, start=(limb[0], limb[1], limb[2]), weights=thin)
        sigma = np.sqrt(np.maximum(np.diag(covariance)[2 * count : 2 * count + 3], 0))
        final = Circle(
            (float(limb[0]), float(limb[1])),
            float(limb[2]),
            fit.rms,
            int(fit.used.sum()),
            (float(sigma[0]), float(sigma[1]), float(sigma[2])),
            flattening(points, fit),
        )
    return Solution(
        positions,
        solved,
        final,
        (float(drift[0]), float(drift[1])),
        np.sqrt(np.maximum(np.diag(covariance), 0)),
    )


def _trust(scaled: NDArray[np.float64], cut: float, turn: int) -> NDArray[np.float64]:
    """Weights that start as least absolute values and end as Tukey's, so that false values lose all say.

    Parameters
    ----------
    scaled : (n,)
        Absolute residuals over their deviation.
    cut : float
        Beyond which Tukey's weight is 0.
    turn : int
        Of the iteration.
    """
    if turn < L1_ROUNDS:
        return 1 / np.maximum(scaled, 1)
    return np.where(scaled < cut, (1 - np.square(scaled / cut)) ** 2, 0)
