"""How the phase of fringes creeps while a session is recorded.

Newton's rings hang on a gap of light's own size: as camera and filter warm up, or the telescope bends, all of them run
slowly through their phase, the same everywhere. Each tile shows the same fringes at its own time; how its phase lies
against the others' is one number a tile. A line in time is believed only where it predicts tiles that had no part in it
better than no change does.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

LEAST_TILES = 5  # a line through fewer leaves next to nothing to judge it by
CHANCE = 3.0  # standard errors that the line's slope has to stand out by
ROUNDS = 6  # a turn's sixth that is missed at first is a hundredth of it after these
REST = 0.05  # of all tiles' weight, below which the others tell nothing of a place


def phase_creep(
    up: Sequence[NDArray[np.complexfloating]], down: Sequence[NDArray[np.floating]], seconds: NDArray[np.floating]
) -> NDArray[np.float64]:
    """Find by how much the fringes' phase lies ahead of its mean in each tile.

    Parameters
    ----------
    up : sequence of complex (h, w)
        Each tile's weighted sums of the demodulated fringes.
    down : sequence of float (h, w)
        The weights' sums: ``up / down`` is a tile's own amplitude.
    seconds : float (n,)
        Times of the tiles, from any epoch.

    Returns
    -------
    float64 (n,)
        Radians, a line in time; zeros where no line is believed.
    """
    none = np.zeros(len(up))
    time = np.asarray(seconds, np.float64)
    if len(up) < LEAST_TILES or not np.ptp(time) > 0:
        return none
    time = (time - time.mean()) / np.ptp(time)
    start = 0.0
    ahead, weight = _against_others(up, down, start * time)
    for _ in range(ROUNDS):
        step, _ = _line(time, ahead, weight)
        start += step
        ahead, weight = _against_others(up, down, start * time)
    # what is left about the line, and the whole of it
    scatter = _line(time, ahead, weight)[1]
    whole = ahead + start * time
    predicted = still = 0.0
    for k in range(len(time)):
        others = np.arange(len(time)) != k
        slope, _ = _line(time[others], whole[others], weight[others])
        level = np.average(whole[others] - slope * time[others], weights=weight[others])
        predicted += weight[k] * (whole[k] - level - slope * time[k]) ** 2
        still += weight[k] * (whole[k] - np.average(whole[others], weights=weight[others])) ** 2
    if not (predicted < still and abs(start) > CHANCE * scatter):
        return none
    return start * (time - np.average(time, weights=weight))


def _against_others(up, down, phases: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Phase of each tile, already turned back by `phases`, against the mean of the others, and how sure it is."""
    back = np.exp(-1j * phases)
    all_up = sum(turn * one for turn, one in zip(back, up, strict=True))
    all_down = sum(down)
    sums = []
    for turn, one, weight in zip(back, up, down, strict=True):
        others = (all_up - turn * one) / np.maximum(all_down - weight, REST * all_down + 1e-12)
        sums.append(np.sum(turn * one * np.conj(others), dtype=np.complex128))
    told = np.array(sums)
    return np.angle(told), np.abs(told) + 1e-300


def _line(time, value, weight) -> tuple[float, float]:
    """Slope of a weighted line and its standard error, from the scatter about it."""
    middle, level = np.average(time, weights=weight), np.average(value, weights=weight)
    power = float(np.sum(weight * (time - middle) ** 2))
    slope = float(np.sum(weight * (time - middle) * (value - level))) / max(power, 1e-300)
    rest = value - level - slope * (time - middle)
    variance = float(np.sum(weight * rest**2)) / max(len(time) - 2, 1)
    return slope, float(np.sqrt(variance / max(power, 1e-300)))
