"""Small turns and scales of tiles against each other: fitted only where the tiles show them, then taken out.

A mount that follows altitude and azimuth turns the field slowly; a camera may have been touched; a focuser changes
the scale. Pairs show it twice: by their own turn, and by their shifts. What stands out is put into the scene's
matrices, all pairs are measured anew on tiles so brought upright, and what is left is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.parallel import ordered_map
from diskmosaic.placement.equations import Solution, turns_between
from diskmosaic.placement.network import solve
from diskmosaic.placement.overlap import follow, weigh
from diskmosaic.placement.scene import Scene
from diskmosaic.records.places import Circle, Given, Pair

GAIN = 8.0  # by which the cost must fall per number fitted: chance makes it 1, and 8 once in 200
LEAST_PX = 0.05  # by which a turn or scale must move some tile's corner to be worth it
# of the Sun's own motion, which is fitted as a rigid sphere's: the surface lags by a tenth at 45 degrees of latitude
# (Howard, Harvey & Forgach 1990, as in `sky.rotation`)
DOUBT = 0.1
ROUNDS = 4
SETTLED_PX = 0.01  # at a tile's corner


@dataclass(frozen=True)
class Turned:
    """Pairs measured on tiles brought upright, and by how much those were turned.

    Attributes
    ----------
    pairs : list of Pair
    positions : (n, 2)
        Of the tiles as they are now.
    angles : (n,)
        rad, +x towards +y.
    stretches : (n,)
        Relative.
    """

    pairs: list[Pair]
    positions: NDArray[np.float64]
    angles: NDArray[np.float64]
    stretches: NDArray[np.float64]

    @property
    def any(self) -> bool:
        """Whether anything was taken out."""
        return bool(self.angles.any() or self.stretches.any())

    def told(self, names: Sequence[str]) -> list[str]:
        """Return warnings."""
        warnings = []
        if self.angles.any():
            low, high = int(np.argmin(self.angles)), int(np.argmax(self.angles))
            span = np.rad2deg(self.angles[high] - self.angles[low])
            warnings.append(
                f"the tiles are turned against each other by up to {span:.2f} degrees "
                f"({names[low]} and {names[high]}): taken out"
            )
        if self.stretches.any():
            span = 100 * np.ptp(self.stretches)
            warnings.append(f"the tiles differ in scale by up to {span:.2f} %: taken out")
        return warnings


def settle_turns(
    scene: Scene,
    solution: Solution,
    edges: Callable[[NDArray[np.float64], Circle | None], Mapping[int, NDArray[np.float64]]],
    times: NDArray[np.float64] | None,
    clock: NDArray[np.float64] | None,
    given: Given,
    *,
    jobs: int = 1,
) -> Turned:
    """Find the tiles' small turns and scales, if they show any, and put them into the scene.

    Parameters
    ----------
    scene : Scene
        Its ``turns`` are set.
    solution : Solution
        Without turns.
    edges : callable
        Finds the limb's points of all tiles, on their upright canvases, for places and a circle.
    times : (n,) seconds or None
        With them a turn that grows evenly is tried first: one number.
    clock : (n,) seconds or None
        The same, where the Sun's own turning is to be fitted.
    given : Given
    jobs : int

    Returns
    -------
    Turned
    """
    # a pin may be wrong, but no tile is turned for it
    start, pairs = solution.positions, [pair for pair in solution.pairs if not pair.firm]
    count, active = len(start), np.isfinite(start[:, 0])
    result = Turned(pairs, start, np.zeros(count), np.zeros(count))
    if active.sum() < 3 or len(pairs) < 3:
        return result
    moves = clock is not None and turns_between(clock[active])
    if moves and (solution.circle is None or len(pairs) <= active.sum()):
        return result  # the Sun's own turning turns and stretches overlaps too: it must be known first
    corner = float(np.hypot(*scene.half))
    # the whole may be turned and magnified: means are held
    free = (np.eye(count) - 1 / active.sum()) * np.outer(active, active)
    even = None
    if times is not None and np.ptp(times[active]) > 0:
        even = np.where(active, times - times[active].mean(), 0)[:, None] / np.ptp(times[active])
    angle_model = stretch_model = None
    points = edges(solution.positions, solution.circle)
    problem = _Problem(replace(solution, pairs=pairs), points, clock, scene.half, given)
    for kinds in (((even, None), (free, None)), ((None, free),)):
        found = None
        for angle, stretch in kinds:
            models = (angle if angle is not None else angle_model, stretch)
            better = None if angle is None and stretch is None else problem.better(models, (angle_model, stretch_model))
            if better is not None:
                found, (angle_model, stretch_model) = better, models
        for _ in range(ROUNDS if found is not None else 0):
            for k in np.flatnonzero(active):
                cos, sin = np.cos(found.angles[k]), np.sin(found.angles[k])
                turn = np.array([[cos, sin], [-sin, cos]])
                scene.turns[k] = (1 + found.stretches[k]) * turn @ scene.turns[k]
            measured = _measured_anew(scene, found.positions, found.pairs, jobs)
            result = Turned(measured, found.positions, result.angles + found.angles, result.stretches + found.stretches)
            problem = _Problem(
                replace(found, pairs=measured), edges(found.positions, found.circle), clock, scene.half, given
            )
            if corner * max(np.abs(found.angles).max(), np.abs(found.stretches).max()) < SETTLED_PX:
                break
            found = problem.solved((angle_model, stretch_model))
    return result


def _measured_anew(scene: Scene, positions: NDArray[np.float64], pairs: Sequence[Pair], jobs: int) -> list[Pair]:
    """Measure pairs on the scene as it is now; those that then show nothing stay as they were."""

    def again(pair: Pair) -> Pair:
        shift = positions[pair.b] - positions[pair.a]
        found = follow(scene, pair.a, pair.b, shift, 1, significance=pair.significance)
        return pair if found is None else found

    return weigh(list(ordered_map(again, list(pairs), jobs=jobs)))


@dataclass(frozen=True)
class _Problem:
    """What is to be solved with models of angle and stretch, from a solution to start at."""

    start: Solution
    limb_points: Mapping[int, NDArray[np.float64]]
    clock: NDArray[np.float64] | None
    half: NDArray[np.float64]
    given: Given

    def better(self, models, before) -> Solution | None:
        """Return the solution with `models` if it is better than with those `before` by enough for each number more."""
        found = self.solved(models)
        # the same spread, and the same turns and scales of pairs counted, for both
        plain = self.solved(before, like=models, spread=found.spread)
        more = sum(np.linalg.matrix_rank(m) for m in models if m is not None)
        more -= sum(np.linalg.matrix_rank(m) for m in before if m is not None)
        moved = float(np.hypot(*self.half)) * max(float(np.ptp(found.angles)), float(np.ptp(found.stretches))) / 2
        return found if plain.cost - found.cost > GAIN * more and moved > LEAST_PX else None

    def solved(self, models, *, like=(None, None), spread: float | None = None) -> Solution:
        """Solve; where `like` has a model and `models` has none, that is held at 0."""
        nothing = np.zeros((len(self.start.positions), 1))
        held = [other is not None and own is None for own, other in zip(models, like, strict=True)]
        models = [nothing if hold else own for own, hold in zip(models, held, strict=True)]
        return solve(
            self.start.positions,
            self._doubted(),
            self.start.circle,
            self.limb_points,
            self.clock,
            half=self.half,
            anchors=self.given.anchors,
            angle_model=models[0],
            stretch_model=models[1],
            spread=spread,
        )

    def _doubted(self) -> list[Pair]:
        """Return the pairs with what is not known of the Sun's own motion among their errors."""
        if self.clock is None or self.start.circle is None:
            return self.start.pairs
        speed = DOUBT * float(np.hypot(*self.start.drift))

        def doubted(pair: Pair) -> Pair:
            px = speed * abs(float(self.clock[pair.b] - self.clock[pair.a]))
            turn = px / self.start.circle.radius_px
            return replace(
                pair, sigma_px=float(np.hypot(pair.sigma_px, px)), turn_sigma=float(np.hypot(pair.turn_sigma, turn))
            )

        return [doubted(pair) for pair in self.start.pairs]
