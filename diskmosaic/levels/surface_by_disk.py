"""What the disk itself tells of the sensor's surface.

Overlaps compare two places of the sensor a step of the grid apart: what repeats itself with that step they hardly see,
and what changes along an axis on which no tile was displaced not at all. But the quiet Sun is a function of the
distance from its centre, and the same surface lies on all tiles. So what the tiles show beyond that function, place by
place of the sensor, is the surface too; its error is the Sun's own structure, which a smooth white-light disk has
little of and a chromosphere much. It is heard where it is so sure that it halves the error.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from diskmosaic.levels.blocks import DiskBlocks
from diskmosaic.levels.solver import Answer, basis
from diskmosaic.levels.tilt import RINGS, SUNS_OWN, quiet_rings, ring_of

CURVE = 4  # degree, in the cosine of the heliocentric angle, of a first centre-to-limb curve
CUTS = 1.3  # cuts that follow the fit make it so much less sure than the formula says (40 draws of white noise)
CELL = 0.1  # of the radius: the Sun's structures in a cell are taken to err alike
GROUP_ROUNDS = 8  # in which the means of tiles and rings leave by turns
ROUNDS = 15
UNSURE = 0.005  # of brightness, rms over the sensor
AT_BEST = 0.5  # of the overlaps' error may be left, or the disk is not heard: one Sun's structure would be all it adds
AT_ODDS = 4.0  # variance by which disk and overlaps may contradict each other


def hear_disk(answer: Answer, blocks: DiskBlocks, value: NDArray[np.float64], powers: list[tuple[int, int]]) -> Answer:
    """Correct gains, surface and offsets by what the disk says, as far as it knows better.

    Parameters
    ----------
    answer : Answer
        Of the overlaps.
    blocks : DiskBlocks
    value : (n,)
        Log brightness of the blocks, levelled by `answer`.
    powers : list of (y, x)
        Degrees of the surface.

    Returns
    -------
    Answer

    Notes
    -----
    The best linear combination of two measurements (generalised least squares). Where they contradict each other by
    more than their errors, the disk's is made as large as that asks for (Birge 1932, Phys. Rev. 40, 207; from memory).
    """
    told = surface_of_disk(blocks, value, powers) if powers else None
    if told is None:
        return answer
    change, error = told
    first = len(answer.gains)
    surface = slice(first, first + len(powers))
    known = answer.covariance[surface, surface]

    def at_odds(factor: float) -> float:
        return float(change @ np.linalg.solve(known + factor * error, change)) / len(change) - 1

    factor = 1.0 if at_odds(1.0) <= 0 else np.inf if at_odds(AT_ODDS) > 0 else optimize.brentq(at_odds, 1.0, AT_ODDS)
    if not np.isfinite(factor):
        return answer
    gain = answer.covariance[:, surface] @ np.linalg.inv(known + factor * error)
    covariance = answer.covariance - gain @ answer.covariance[surface]
    if surface_rms(covariance[surface, surface], powers) > AT_BEST * surface_rms(known, powers):
        return answer
    return replace(_moved(answer, gain @ change), covariance=covariance)


def less_unsure(answer: Answer, powers: list[tuple[int, int]]) -> Answer:
    """Take bends of the surface for none, as far as they neither are told well nor stand out of their errors.

    Of a bend c whose error s is larger than UNSURE, ``c (1 - (2 s / c)^2)`` is kept, or nothing: noise would make the
    disk uneven that a flat has made even.
    """
    first = len(answer.gains)
    surface = slice(first, first + len(powers))
    known = answer.covariance[surface, surface]
    size = np.sqrt(_mean_squares(powers))
    values, bends = np.linalg.eigh(known * np.outer(size, size))
    height = bends.T @ (size * answer.surface)
    kept = np.where(values > UNSURE**2, np.maximum(0, 1 - 4 * values / np.maximum(height**2, 1e-12)), 1)
    if kept.min(initial=1) == 1:
        return answer
    change = (bends @ ((kept - 1) * height)) / size
    return _moved(answer, answer.covariance[:, surface] @ np.linalg.solve(known, change))


def _moved(answer: Answer, step: NDArray[np.float64]) -> Answer:
    count, degrees = len(answer.gains), len(answer.surface)
    gains, surface, offsets, _ = np.split(step, np.cumsum((count, degrees, count)))
    return replace(
        answer, gains=answer.gains + gains, surface=answer.surface + surface, offsets=answer.offsets + offsets
    )


def surface_rms(covariance: NDArray[np.float64], powers: list[tuple[int, int]]) -> float:
    """Return the standard error of the surface, rms over the sensor, of its coefficients' covariance."""
    return float(np.sqrt(max(_mean_squares(powers) @ np.diag(covariance), 0))) if powers else 0.0


def _mean_squares(powers: list[tuple[int, int]]) -> NDArray[np.float64]:
    return np.array([1 / ((2 * i + 1) * (2 * j + 1)) for i, j in powers])  # of Legendre products


def surface_of_disk(
    blocks: DiskBlocks, value: NDArray[np.float64], powers: list[tuple[int, int]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Fit log brightness = f(r) + waves around the disk + a gain per tile + surface, on the quiet Sun.

    Parameters
    ----------
    blocks : DiskBlocks
    value : (n,)
    powers : list of (y, x)

    Returns
    -------
    coefficients (m,), covariance (m, m), or None
        None with too few blocks or tiles. The covariance comes from sums over cells, widened coefficient by coefficient
        to what leaving out one tile at a time changes (the jackknife; Efron & Stein 1981, Ann. Statist. 9, 586).
    """
    names, tile = np.unique(blocks.tile, return_inverse=True)
    count = len(powers)
    if len(value) < 20 * (count + len(names)) or len(names) < 3:
        return None
    radius, ring = ring_of(blocks.disk)
    # within a ring the curve must not run: most of it leaves first
    mu = np.sqrt(1 - radius**2)
    value = value - np.polynomial.Polynomial.fit(mu, value, CURVE)(mu)
    angle = np.arctan2(blocks.disk[:, 0], blocks.disk[:, 1])
    # of the Sun's own unevenness nobody knows how it grows outwards: a row of tiles must not take one for the other
    waves = [r * wave(m * angle) for m in (1, *SUNS_OWN) for wave in (np.sin, np.cos) for r in (radius, radius**2)]
    columns = np.concatenate([basis(blocks.sensor, powers), np.stack(waves, axis=1)], axis=1)
    answer, gains, quiet = np.zeros(columns.shape[1]), np.zeros(len(names)), np.ones(len(value))
    for _ in range(ROUNDS):
        left, weight, quiet = quiet_rings(value - columns @ answer - gains[tile], ring, quiet)
        free = np.column_stack([columns, left])
        for _ in range(GROUP_ROUNDS):
            for group in (tile, ring):
                free = free - _means(free, weight, group)[group]
        target, free = free[:, -1], free[:, :-1]
        normal = free.T @ (weight[:, None] * free)
        normal += 1e-9 * np.trace(normal) / len(normal) * np.eye(len(normal))
        step = np.linalg.solve(normal, free.T @ (weight * target))
        answer = answer + step
        gains = gains + _means((left - columns @ step)[:, None], weight, tile)[:, 0]
        if np.abs(step).max() < 1e-6:
            break
    score = (weight * (target - free @ step))[:, None] * free
    inverse = np.linalg.inv(normal)
    cell = np.unique(np.floor(blocks.disk / CELL).astype(int) @ (1000, 1), return_inverse=True)[1]
    sums = _sums(score, cell)
    # what was fitted has taken its share of the scatter (MacKinnon & White 1985, J. Econometrics 29, 305; from memory)
    fitted = free.shape[1] + len(names) + RINGS
    share = len(sums) / max(len(sums) - fitted, 1)
    covariance = (inverse @ (sums.T @ sums) @ inverse)[:count, :count] * share * CUTS**2
    without = []
    for k, own in enumerate(_sums(score, tile)):
        here = free[tile == k]
        without.append(-np.linalg.solve(normal - here.T @ (weight[tile == k, None] * here), own)[:count])
    spread = np.var(without, axis=0) * (len(names) - 1)
    wider = np.sqrt(np.maximum(1, spread / np.diag(covariance)))
    return answer[:count], covariance * np.outer(wider, wider)


def _sums(values: NDArray[np.float64], group: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.stack([np.bincount(group, column) for column in values.T], axis=1)


def _means(values: NDArray[np.float64], weight: NDArray[np.float64], group: NDArray[np.intp]) -> NDArray[np.float64]:
    total = np.maximum(np.bincount(group, weight), 1e-12)
    return _sums(weight[:, None] * values, group) / total[:, None]
