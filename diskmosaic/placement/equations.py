"""The equations of a network of tiles: unknowns in a row, and what each kind of observation says of them.

`placement.network` tells what the equations are; here they are set up and solved, round by round, with robust weights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.circles import fit_circle, flattening
from diskmosaic.arrays.radial import depth_factor
from diskmosaic.records.places import Circle, Pair

PAIR_FLOOR_PX = 0.004  # no pair is better than this, however small its formal error: a tenth of `search.SETTLED_PX`
FREE_PAIRS = 8.0  # pairs beyond what the places need, from which on their agreement tells errors to a quarter
LEAST_SCATTER = 0.5  # of the stated errors: limb points, which hold places too, agree no better for it
TUKEY = 4.685
L1_ROUNDS = 12  # rounds of least absolute values before false pairs are dropped
LEAST_LAG_S = 30.0  # in which the Sun turns by 8e-5 of its radius
LIMB_POINTS = 20  # per tile at most that count as independent: the seeing bends a limb over long arcs
SPOTS = 9  # a side: where the Sun's motion is looked at in an overlap, over which its shift is a mean
SIDEWAYS = np.array([[0.0, 1.0], [-1.0, 0.0]])  # (y, x) -> (x, -y): +x turns towards +y


@dataclass(frozen=True)
class Solution:
    """What was solved.

    Attributes
    ----------
    positions : (n, 2)
        Of all tiles; NaN where not tied.
    pairs : list of Pair
        With residuals.
    circle : Circle or None
    drift : (float, float)
        px/s.
    drift_sigma : float
        Of its worse component.
    sigma : (n, 2)
        Standard errors of the tiles' places against the mean of all.
    angles, stretches : (n,)
        Rotation (rad, +x towards +y) and relative scale of each tile about its centre; 0 where no model was given.
    cost : float
        Sum of the squared scaled residuals of pairs, each cut where it loses its say.
    observations : int
        Numbers that `cost` sums over.
    spread : float
        Of pair residuals in units of their errors.
    """

    positions: NDArray[np.float64]
    pairs: list[Pair]
    circle: Circle | None
    drift: tuple[float, float]
    drift_sigma: float
    sigma: NDArray[np.float64]
    angles: NDArray[np.float64]
    stretches: NDArray[np.float64]
    cost: float
    observations: int
    spread: float


def turns_between(times: NDArray[np.float64] | None) -> bool:
    """Whether the Sun may have turned between tiles of such times, s; None: nothing is to be fitted."""
    return times is not None and bool(np.ptp(times) > LEAST_LAG_S)


class Equations:
    """One solution under way; the arguments are those of `network.solve`."""

    def __init__(self, start, pairs, circle, limb_points, times, anchors, half, angle_model, stretch_model, spread):
        self.active = np.flatnonzero(np.isfinite(start[:, 0]))
        slot = {int(k): i for i, k in enumerate(self.active)}
        self.start, self.count = start, len(self.active)
        self.half = np.zeros(2) if half is None else np.asarray(half, float)
        self.here = start[self.active] + self.half  # where the tiles' centres lie
        self.pairs = [p for p in pairs if p.a in slot and p.b in slot]
        limb_points = {k: points for k, points in limb_points.items() if k in slot}
        self.anchors = [anchor for anchor in anchors if anchor.tile in slot]
        self.with_limb = circle is not None and bool(limb_points)
        if not self.with_limb:
            self.anchors = [anchor for anchor in self.anchors if anchor.origin != "limb"]
        self.times = None if times is None else times[self.active]
        self.with_drift = self.with_limb and turns_between(self.times) and len(self.pairs) > self.count
        self.fixed_spread = spread
        none = np.zeros((self.count, 0))
        self.angle_model = none if angle_model is None else angle_model[self.active]
        self.stretch_model = none if stretch_model is None else stretch_model[self.active]
        sizes = (2 * self.count, 3 * self.with_limb, 2 * self.with_drift, 2 * bool(self.anchors))
        sizes += (self.angle_model.shape[1], self.stretch_model.shape[1])
        ends = np.cumsum(sizes)
        self.size = int(ends[-1])
        names = ("places", "limb", "drift", "origin", "angle", "stretch")
        self.at = {name: slice(int(e - n), int(e)) for name, e, n in zip(names, ends, sizes, strict=True)}
        self.angle, self.stretch = np.zeros(sizes[4]), np.zeros(sizes[5])
        self.limb = np.array([*circle.centre_yx, circle.radius_px]) if self.with_limb else np.zeros(3)
        self.drift, self.more = np.zeros(2), 0
        self.owner = np.concatenate([np.full(len(q), slot[k]) for k, q in limb_points.items()] or [np.zeros(0, int)])
        self.edges = np.concatenate(list(limb_points.values()) or [np.zeros((0, 2))]) - self.half
        self.thin = np.concatenate(
            [np.full(len(q), min(1.0, LIMB_POINTS / len(q))) for q in limb_points.values()] or [np.zeros(0)]
        )
        self.a = np.array([slot[p.a] for p in self.pairs], int)
        self.b = np.array([slot[p.b] for p in self.pairs], int)
        self.measured = np.array([p.shift_yx for p in self.pairs]).reshape(-1, 2)
        self.formal = np.hypot(np.array([p.sigma_px for p in self.pairs]), PAIR_FLOOR_PX)
        self.on_a = np.array([p.centre_yx for p in self.pairs]).reshape(-1, 2) - self.half
        self.on_b = self.on_a - self.measured
        self.spots = np.array([self._spots(*pair) for pair in zip(self.on_a, self.measured, strict=True)])
        self.turned = np.array([(p.turn_rad, p.stretch) for p in self.pairs]).reshape(-1, 2)
        self.firm = np.array([p.firm for p in self.pairs], bool)
        self.turn_sigma = np.array([p.turn_sigma for p in self.pairs])
        self.anchored = np.array([slot[anchor.tile] for anchor in self.anchors], int)
        self.anchor_at = np.array([anchor.centre_yx for anchor in self.anchors]).reshape(-1, 2)
        self.free = np.array([anchor.origin != "limb" for anchor in self.anchors], bool)
        self.origin = np.zeros(2)
        if self.free.any():
            self.origin = np.median((self.here[self.anchored] - self.anchor_at)[self.free], axis=0)

    def run(self, rounds: int) -> Solution:
        """Iterate to the solution."""
        spread = 1.0
        for turn in range(rounds):
            self.normal, self.right = np.zeros((self.size, self.size)), np.zeros(self.size)
            spread = self._pairs(turn)
            if self.with_limb:
                self._edges(turn)
            if self.anchors:
                self._anchors(turn)
            # the whole may lie anywhere, turned and magnified: hold the means; what nothing tells stays where it is
            for axis in (0, 1):
                hold = np.zeros(self.size)
                hold[self.at["places"]][axis::2] = 1.0 / self.count
                self.normal += np.outer(hold, hold) * 1e4
            step = np.linalg.lstsq(self.normal, self.right, rcond=1e-13)[0]
            self.here = self.here + step[self.at["places"]].reshape(-1, 2)
            if self.with_limb:
                self.limb = self.limb + step[self.at["limb"]]
            if self.with_drift:
                self.drift = self.drift + step[self.at["drift"]]
            if self.anchors:
                self.origin = self.origin + step[self.at["origin"]]
            self.angle = self.angle + step[self.at["angle"]]
            self.stretch = self.stretch + step[self.at["stretch"]]
            if turn > L1_ROUNDS and np.abs(step[self.at["places"]]).max(initial=0) < 1e-6:
                break
        return self._solution(spread)

    def _pairs(self, turn: int) -> float:
        index = np.arange(len(self.pairs))
        angles, stretches = self.angle_model @ self.angle, self.stretch_model @ self.stretch
        self.residual = self.measured - (self.here[self.b] - self.here[self.a])
        sides = ((self.a, self.on_a, -1.0), (self.b, self.on_b, 1.0))
        for side, lever, sign in sides:
            self.residual -= sign * (angles[side, None] * (lever @ SIDEWAYS.T) + stretches[side, None] * lever)
        lag = mean = np.zeros(len(self.pairs))
        if self.with_drift:
            # a pin holds tiles, not features
            lag = np.where(self.firm, 0.0, self.times[self.b] - self.times[self.a])
            depth, mean = self._depths()
            self.residual += (lag * mean)[:, None] * self.drift
        self.length = np.hypot(self.residual[:, 0], self.residual[:, 1])
        # two measured axes: the median length of a 2-D Gaussian is 1.177 of its deviation
        spread = max(float(np.median(self.length / self.formal)) / 1.177, 1.0) if len(self.pairs) else 1.0
        spread = self.fixed_spread or spread
        cut = 1.5 * TUKEY
        self.trust = np.where(self.firm, 1.0, _trust(self.length / (self.formal * spread), cut, turn))
        self.cost = float(np.sum(np.minimum(self.length / (self.formal * spread), cut) ** 2))
        weight = self.trust / self.formal**2
        for axis in (0, 1):
            rows = np.zeros((len(self.pairs), self.size))
            rows[index, 2 * self.b + axis] += 1
            rows[index, 2 * self.a + axis] -= 1
            if self.with_drift:
                rows[index, self.at["drift"].start + axis] = -lag * mean
            for side, lever, sign in sides:
                rows[:, self.at["angle"]] += sign * (lever @ SIDEWAYS.T)[:, axis, None] * self.angle_model[side]
                rows[:, self.at["stretch"]] += sign * lever[:, axis, None] * self.stretch_model[side]
            self._add(rows, weight, self.residual[:, axis])
        if self.angle.size or self.stretch.size:
            moved = self._turned_by_drift(lag, depth, mean) if self.with_drift else np.zeros((len(self.pairs), 2))
            self._turns(angles, stretches, moved, spread)
        return spread

    def _turns(self, angles, stretches, moved, spread) -> None:
        """Add how pairs are turned and magnified against each other, as far as it was measured."""
        known = np.isfinite(self.turned).all(axis=1) & np.isfinite(self.turn_sigma)
        self.more = 2 * int(known.sum())
        a, b, sigma = self.a[known], self.b[known], self.turn_sigma[known] * spread
        for column, values, model, name in (
            (0, angles, self.angle_model, "angle"),
            (1, stretches, self.stretch_model, "stretch"),
        ):
            left = (self.turned - moved)[known, column] - (values[b] - values[a])
            ratio = np.abs(left) / sigma
            self.cost += float(np.sum(np.minimum(ratio, TUKEY) ** 2))
            weight = self.trust[known] * np.where(ratio < TUKEY, (1 - (ratio / TUKEY) ** 2) ** 2, 0)
            rows = np.zeros((int(known.sum()), self.size))
            rows[:, self.at[name]] = model[b] - model[a]
            self._add(rows, weight * (spread / sigma) ** 2, left)

    def _turned_by_drift(self, lag, depth, mean) -> NDArray[np.float64]:
        """Return the turn and stretch (n, 2) that each overlap shows as the Sun's sphere turned between its tiles."""
        known = (depth > 0)[..., None]
        lever = np.where(known, self.spots - np.mean(self.spots, axis=1, where=known, keepdims=True), 0)
        # the turn and stretch that fit -lag * v * depth best over the overlap: of a strip, what runs along it
        share = -lag[:, None] * (depth - mean[:, None]) / np.maximum(np.sum(lever**2, axis=(1, 2)), 1)[:, None]
        turn = np.sum(share * (lever @ SIDEWAYS.T @ self.drift), axis=1)
        return np.stack([turn, np.sum(share * (lever @ self.drift), axis=1)], axis=1)

    def _spots(self, on_a: NDArray[np.float64], shift: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return places (SPOTS**2, 2) spread over the overlap of a pair, from the centre of tile a."""
        low, high = np.maximum(-self.half, shift - self.half), np.minimum(self.half, shift + self.half)
        if (high <= low).any():
            return np.repeat(on_a[None], SPOTS**2, axis=0)
        share = (np.arange(SPOTS) + 0.5) / SPOTS
        y, x = np.meshgrid(*(a + share * (b - a) for a, b in zip(low, high, strict=True)), indexing="ij")
        return np.stack([y.ravel(), x.ravel()], axis=1)

    def _depths(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the depth factor at each pair's spots (0 off the disk), and its mean over those on the disk."""
        places = self.here[self.a][:, None] + self.spots
        seen = depth_factor(places[..., 0], places[..., 1], self.limb[:2], self.limb[2])
        # what was measured lies about its own centre, not that of the rectangle
        middle = (
            np.sum(places, axis=1, where=seen[..., None] > 0) / np.maximum(np.count_nonzero(seen, axis=1), 1)[:, None]
        )
        places += (self.here[self.a] + self.on_a - middle)[:, None]
        depth = np.where(seen > 0, depth_factor(places[..., 0], places[..., 1], self.limb[:2], self.limb[2]), 0)
        return depth, depth.sum(axis=1) / np.maximum(np.count_nonzero(depth, axis=1), 1)

    def _edges(self, turn: int) -> None:
        angles, stretches = self.angle_model @ self.angle, self.stretch_model @ self.stretch
        sideways = self.edges @ SIDEWAYS.T
        moved = self.edges * (1 + stretches[self.owner, None]) + sideways * angles[self.owner, None]
        self.points = self.here[self.owner] + moved
        offset = self.points - self.limb[:2]
        distance = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-9)
        miss = self.limb[2] - distance
        spread = max(1.4826 * float(np.median(np.abs(miss - np.median(miss)))), 0.02)
        weight = self.thin * _trust(np.abs(miss) / spread, TUKEY, turn) / spread**2
        rows = np.zeros((len(self.edges), self.size))
        index = np.arange(len(self.edges))
        unit = offset / distance[:, None]
        rows[index, 2 * self.owner], rows[index, 2 * self.owner + 1] = unit[:, 0], unit[:, 1]
        first = self.at["limb"].start
        rows[:, first : first + 2] = -unit
        rows[:, first + 2] = -1
        rows[:, self.at["angle"]] = np.sum(unit * sideways, axis=1)[:, None] * self.angle_model[self.owner]
        rows[:, self.at["stretch"]] = np.sum(unit * self.edges, axis=1)[:, None] * self.stretch_model[self.owner]
        self._add(rows, weight, miss)

    def _anchors(self, turn: int) -> None:
        sigma = np.array([anchor.sigma_px for anchor in self.anchors])
        firm = np.array([anchor.firm for anchor in self.anchors])
        origin = np.where(self.free[:, None], self.origin, self.limb[:2])
        left = self.anchor_at + origin - self.here[self.anchored]
        trust = np.where(firm, 1.0, _trust(np.hypot(*left.T) / sigma, 1.5 * TUKEY, turn))
        index = np.arange(len(self.anchors))
        for axis in (0, 1):
            rows = np.zeros((len(self.anchors), self.size))
            rows[index, 2 * self.anchored + axis] = 1
            rows[self.free, self.at["origin"].start + axis] = -1
            if self.with_limb:
                rows[~self.free, self.at["limb"].start + axis] = -1
            self._add(rows, trust / sigma**2, left[:, axis])

    def _add(self, rows, weight, left) -> None:
        self.normal += rows.T @ (weight[:, None] * rows)
        self.right += rows.T @ (weight * left)

    def _solution(self, spread: float) -> Solution:
        error = np.sqrt(np.maximum(np.diag(np.linalg.pinv(self.normal)), 0))
        positions, sigma = self.start.copy(), np.full(self.start.shape, np.nan)
        angles, stretches = np.zeros(len(self.start)), np.zeros(len(self.start))
        angles[self.active], stretches[self.active] = self.angle_model @ self.angle, self.stretch_model @ self.stretch
        positions[self.active] = self.here - self.half
        sigma[self.active] = error[self.at["places"]].reshape(-1, 2) * self._scatter(spread)
        final = None
        if self.with_limb:
            fit = fit_circle(self.points, start=(self.limb[0], self.limb[1], self.limb[2]), weights=self.thin)
            final = Circle(
                (float(self.limb[0]), float(self.limb[1])),
                float(self.limb[2]),
                fit.rms,
                int(fit.used.sum()),
                tuple(float(value) for value in error[self.at["limb"]]),
                flattening(self.points, fit),
            )
        return Solution(
            positions,
            [
                replace(p, residual_px=float(r), used=bool(t > 0))
                for p, r, t in zip(self.pairs, self.length, self.trust, strict=True)
            ],
            final,
            (float(self.drift[0]), float(self.drift[1])),
            float(error[self.at["drift"]].max(initial=0)),
            sigma,
            angles,
            stretches,
            self.cost,
            2 * len(self.pairs) + self.more,
            spread,
        )

    def _scatter(self, spread: float) -> float:
        """Return by what the stated errors are to be scaled: less than 1 where pairs agree better than they said."""
        free = 1 - (self.count - 1) / max(len(self.pairs), 1)
        if self.fixed_spread or free * len(self.pairs) < FREE_PAIRS:
            return spread
        # what the solution has fitted away is no agreement
        scatter = float(np.median(self.length / self.formal)) / 1.177 / np.sqrt(free)
        return max(scatter, LEAST_SCATTER)


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
