"""The equations of overlaps: gains, offsets and slopes of tiles, and one surface on the sensor, solved robustly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from diskmosaic.levels.blocks import Blocks

TUKEY = 4.685  # robust deviations (Beaton & Tukey 1974)
SURFACE_PRIOR = 0.05  # expected size of a surface coefficient; matters only where the overlaps say nothing
SLOPE_PRIOR = 0.01  # expected slope that cloud leaves across a tile, middle to edge
SLOPE_UNSEEN = 0.001  # slope, middle to edge, that thin cloud leaves without being seen
SLOPE_SIGMA = 4.0  # a tile's own slope counts from so many standard errors on
ROUNDS, SETTLED = 12, 1e-6  # rounds at most; a change, of log brightness, that no longer matters
FOLDS = 5  # parts of the overlaps, each left out once to tell how many degrees the surface needs
LEAST_CELLS = 20  # of each part: with fewer, the surface has FEW_CELLS_ORDER degrees
FEW_CELLS_ORDER = 4


@dataclass(frozen=True)
class Answer:
    """Logarithmic gains (n,), surface coefficients, offsets (n,), slopes (n, 2), and their covariance."""

    gains: NDArray[np.float64]
    surface: NDArray[np.float64]
    offsets: NDArray[np.float64]
    slopes: NDArray[np.float64]
    covariance: NDArray[np.float64]
    spread: float

    def sigma(self, first: int) -> NDArray[np.float64]:
        """Standard errors of n unknowns from `first` on."""
        return np.sqrt(np.maximum(np.diag(self.covariance)[first : first + len(self.gains)], 0))


def surface_powers(order: int) -> list[tuple[int, int]]:
    """Return the degrees (y, x) of the surface's Legendre products: total degree 2 ... `order`."""
    return [(i, total - i) for total in range(2, order + 1) for i in range(total + 1)]


def evaluate_surface(
    coefficients: NDArray[np.float64], powers: list[tuple[int, int]], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the surface (logarithm) on the sensor's grid."""
    grid = np.zeros((max((p[0] for p in powers), default=0) + 1, max((p[1] for p in powers), default=0) + 1))
    for (i, j), value in zip(powers, coefficients, strict=True):
        grid[i, j] = value
    return np.polynomial.legendre.leggrid2d(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), grid)


def basis(at: NDArray[np.float64], powers: list[tuple[int, int]]) -> NDArray[np.float64]:
    """Return the surface's terms (n, m) at places (n, 2) of the sensor."""
    degree = max((max(p) for p in powers), default=0)
    y = np.polynomial.legendre.legvander(at[:, 0], degree)
    x = np.polynomial.legendre.legvander(at[:, 1], degree)
    return np.stack([y[:, i] * x[:, j] for i, j in powers], axis=1) if powers else np.zeros((len(at), 0))


def surface_terms(blocks: Blocks, powers: list[tuple[int, int]]) -> sparse.csr_matrix:
    """Return what each term of the surface adds to the log ratios of the overlaps (n, m)."""
    return sparse.csr_matrix(basis(blocks.at_a, powers) - basis(blocks.at_b, powers))


def solve(
    blocks: Blocks,
    count: int,
    placed: NDArray[np.intp],
    powers: list[tuple[int, int]],
    offsets: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[Answer, list[tuple[int, int]]]:
    """Solve without slopes of single tiles, then with those that stand out of their errors.

    Parameters
    ----------
    blocks : Blocks
    count : int
        All tiles.
    placed : (m,)
    powers : list of (y, x)
        Degrees of the surface at most.
    offsets : two of (n,)
        Before the overlaps are heard, and their errors (0: held).

    Returns
    -------
    answer : Answer
    powers : list of (y, x)
        Those that the overlaps asked for.
    """
    terms = surface_terms(blocks, powers)
    powers, terms = _enough_powers(blocks, count, placed, powers, terms, offsets)
    plain = robust(blocks, count, placed, terms, offsets, np.zeros(0, int))
    tried = robust(blocks, count, placed, terms, offsets, placed)
    first = 2 * count + terms.shape[1]
    clear = []
    for k in placed:
        part = first + 2 * k + np.arange(2)
        covariance = tried.covariance[np.ix_(part, part)] + 1e-12 * np.eye(2)
        if tried.slopes[k] @ np.linalg.solve(covariance, tried.slopes[k]) > SLOPE_SIGMA**2:
            clear.append(k)
    # slopes of nearly all tiles would be a bend of the whole disk, which the overlaps hardly see
    if not clear or len(clear) > len(placed) // 2:
        return plain, powers
    return robust(blocks, count, placed, terms, offsets, np.array(clear)), powers


def _enough_powers(blocks: Blocks, count: int, placed, powers, terms: sparse.csr_matrix, offsets):
    """Take as many degrees of the surface as overlaps need that were not used to solve it.

    Too few, and what the surface cannot follow bends the disk with the period of the tiles, which overlaps do not see;
    too many, and noise does. The lowest degree counts whose error is within one standard error of the best (Breiman,
    Friedman, Olshen & Stone 1984, Classification and Regression Trees, section 3.4.3).
    """
    if not powers:
        return powers, terms
    degrees = np.array([sum(power) for power in powers])
    cells = blocks.cell.max() + 1
    if cells < FOLDS * LEAST_CELLS:
        kept = np.flatnonzero(degrees <= FEW_CELLS_ORDER)
        return [powers[k] for k in kept], terms[:, kept]
    fold = blocks.cell % FOLDS
    tried: list[tuple[float, float, NDArray[np.intp]]] = []
    for degree in range(2, max(degrees) + 1, 2):
        kept = np.flatnonzero(degrees <= degree)
        some = terms[:, kept]
        left = np.empty(len(fold))
        for k in range(FOLDS):
            out = fold == k
            answer = robust(blocks.part(~out), count, placed, some[~out], offsets, np.zeros(0, int))
            left[out] = misfit(blocks.part(out), some[out], answer)
        error = np.bincount(blocks.cell, np.abs(left)) / np.bincount(blocks.cell)
        tried.append((float(error.mean()), float(error.std() / np.sqrt(cells)), kept))
        # every degree costs time: no higher one is tried where it no longer helps
        if len(tried) > 1 and tried[-1][0] > tried[-2][0] - tried[-2][1]:
            break
    best = min(tried, key=lambda one: one[0])
    kept = next(kept for error, _, kept in tried if error <= best[0] + best[1])
    return [powers[k] for k in kept], terms[:, kept]


def misfit(blocks: Blocks, terms: sparse.csr_matrix, answer: Answer) -> NDArray[np.float64]:
    """What gains, offsets and surface leave of the overlaps' log ratios."""
    light_a, light_b = _light(blocks, answer.offsets)
    return np.log(light_a / light_b) - (answer.gains[blocks.a] - answer.gains[blocks.b]) - terms @ answer.surface


def robust(blocks, count, placed, terms, offset_prior, sloped) -> Answer:
    """Robust least squares by sparse normal equations: gains, surface, offsets, slopes of the tiles `sloped`."""
    rows, n = len(blocks.a), count
    index = np.arange(rows)
    a_of = sparse.csr_matrix((np.ones(rows), (index, blocks.a)), (rows, n))
    b_of = sparse.csr_matrix((np.ones(rows), (index, blocks.b)), (rows, n))
    slopes = _slope_columns(blocks, n)
    in_cell = sparse.csr_matrix((np.ones(rows), (blocks.cell, index)))
    first, sigma = offset_prior
    offsets = first.copy()
    size = 4 * n + terms.shape[1]
    gain, surface, offset, slope = np.split(np.arange(size), [n, n + terms.shape[1], 2 * n + terms.shape[1]])
    fixed = np.ones(size, bool)
    fixed[gain] = fixed[surface] = False
    fixed[offset] = sigma == 0
    fixed[slope] = ~np.isin(np.arange(n), sloped).repeat(2)
    weight, answer, spread = np.ones(rows), np.zeros(size), 1e-6
    for _ in range(ROUNDS):
        light_a, light_b = _light(blocks, offsets)
        ratio = np.log(light_a / light_b)
        by_offset = sparse.diags(1 / light_a) @ a_of - sparse.diags(1 / light_b) @ b_of
        design = sparse.hstack([a_of - b_of, terms, by_offset, slopes], format="csr")
        # a change of the offsets from where they stand now
        now = answer.copy()
        now[offset] = 0
        residual = ratio - design @ now
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        share = residual / (TUKEY * spread)
        weight = np.where(np.abs(share) < 1, (1 - share**2) ** 2, 0) if now.any() else weight
        weighted = design.multiply(weight[:, None]).tocsr()
        normal, right = (design.T @ weighted).toarray(), weighted.T @ ratio
        alike = _alike(in_cell, weight * residual)
        variance = alike * spread**2
        prior = np.zeros(size)
        prior[surface] = variance / SURFACE_PRIOR**2
        free = sigma > 0
        prior[offset[free]] = variance / sigma[free] ** 2
        right[offset] += prior[offset] * (first - offsets)
        prior[slope] = variance / SLOPE_PRIOR**2
        normal[np.arange(size), np.arange(size)] += prior
        normal[np.ix_(placed, placed)] += 1.0
        normal[fixed], normal[:, fixed], right[fixed] = 0, 0, 0
        answer = np.where(fixed, 0, np.linalg.lstsq(normal, right, rcond=1e-12)[0])
        offsets = offsets + answer[offset]
        if np.abs(answer - now).max() < SETTLED:
            break
    residual = ratio - design @ answer
    spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
    # blocks of a cell err alike: the errors come from the cells' sums (Liang & Zeger 1986, the "sandwich")
    scores = (in_cell @ weighted.multiply(residual[:, None]).tocsr()).toarray()
    inverse = np.linalg.pinv(normal, rcond=1e-12)
    # a prior that is believed has the error it states
    meat = scores.T @ scores + np.diag(prior) * variance
    # slopes too small to stand out are no part of the equations, but of their error: as unknowns they took from the
    # surface what neighbours a few px off their row or column tell of it
    unseen = inverse @ (weighted.T @ slopes).toarray()[:, fixed[slope]] * SLOPE_UNSEEN
    unseen[fixed] = 0
    covariance = inverse @ meat @ inverse + unseen @ unseen.T
    return Answer(answer[gain], answer[surface], offsets, answer[slope].reshape(n, 2), covariance, spread)


def _alike(in_cell: sparse.csr_matrix, values: NDArray[np.float64]) -> float:
    """How many blocks of a cell say the same: so much less than they count are they worth against what is known."""
    square = float(np.sum(values**2))
    return max(1.0, float(np.sum((in_cell @ values) ** 2)) / square) if square > 0 else 1.0


def _light(blocks: Blocks, offsets: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """What both tiles of every place show without their offsets; at least 1 % of the disk's level."""
    seen = ((blocks.mean_a, blocks.a), (blocks.mean_b, blocks.b))
    return [np.maximum(mean - offsets[tile], 0.01) for mean, tile in seen]


def _slope_columns(blocks: Blocks, count: int) -> sparse.csr_matrix:
    """Columns (y, x) of every tile's own slope."""
    index = np.arange(len(blocks.a)).repeat(2)
    entries = []
    for sign, tile, at in ((1.0, blocks.a, blocks.at_a), (-1.0, blocks.b, blocks.at_b)):
        column = (2 * tile[:, None] + np.arange(2)).ravel()
        entries.append(sparse.csr_matrix((sign * at.ravel(), (index, column)), (len(blocks.a), 2 * count)))
    return (entries[0] + entries[1]).tocsr()
