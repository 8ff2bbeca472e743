"""What makes tiles equally bright: a gain and an offset per tile and one surface fixed to the sensor.

Where two tiles see the same place of the Sun, the logarithm of their ratio is

    log (T_a - o_a) - log (T_b - o_b) = g_a - g_b + S(x_a) - S(x_b)

with the gains g, the offsets o (what the sky shows off the limb: scattered light, a dark that does not fit), and a
surface S on the sensor common to all tiles: what the flat got wrong at large scale, above all the centre-to-limb slope
of the defocused Sun. A tile over which thin cloud drifted may have a slope of its own, where its overlaps show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from diskmosaic.level_blocks import Blocks, compare_overlaps, disk_blocks, disk_level, sky_levels
from diskmosaic.records import Levels, Placement, Tile
from diskmosaic.settings import LevelSettings
from diskmosaic.tilt import (
    OUTER,
    TUKEY,
    Tilt,
    combine,
    tilt_by_flat,
    tilt_by_gains,
    tilt_by_roundness,
    tilt_of_bare_sensor,
    with_flat,
)

SURFACE_PRIOR = 0.05  # expected size of a surface coefficient; matters only where the overlaps say nothing
OFFSET_SPREAD = 5e-4  # least difference of offsets between tiles, share of the disk's level
SKY_OWN = 0.003  # share of the disk's level that a clear sky off the limb has of its own: no offset of the camera
SLOPE_PRIOR = 0.01  # expected slope that cloud leaves across a tile, middle to edge
SLOPE_SIGMA = 4.0  # a tile's own slope counts from so many standard errors on
ROUNDS = 12
FOLDS = 5  # parts of the overlaps, each left out once to tell how many degrees the surface needs
LEAST_CELLS = 20  # of each part: with fewer, the surface has FEW_CELLS_ORDER degrees
FEW_CELLS_ORDER = 4
UNSURE = 0.005  # of the overall tilt, per disk radius: from here on a better way to it is told
TURN_ONE = ". One tile recorded once more with the camera turned by 180 degrees would tell it"


@dataclass(frozen=True)
class _Answer:
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


def solve_levels(tiles: Sequence[Tile], placement: Placement, settings: LevelSettings) -> Levels:
    """Solve the gains and offsets of all placed tiles and the sensor surface.

    Parameters
    ----------
    tiles : sequence of Tile
    placement : Placement
    settings : LevelSettings

    Returns
    -------
    Levels
        Gains have geometric mean 1 over the placed tiles; tiles left out keep gain 1.
    """
    count = len(tiles)
    shape = tiles[0].image.shape
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    level = disk_level(tiles, placed) if len(placed) else 1.0
    blocks = compare_overlaps(tiles, placement, placed, level)
    sky = sky_levels(tiles, placement, placed, level)
    powers = surface_powers(settings.surface_order)
    turned = len(placed) > 1 and any(np.abs(placement.turn(k) - placement.turn(placed[0])).max() > 0.1 for k in placed)
    if turned and settings.surface_order:
        # the sensor's slope does not turn with the tiles: then overlaps see it
        powers = [(0, 1), (1, 0), *powers]
    warnings: list[str] = []
    if len(blocks.a):
        solved, powers = _solve(blocks, count, placed, powers, sky)
    else:
        if len(placed) > 1:
            warnings.append("no overlap shows enough of the disk to compare the tiles' brightness")
        offsets, sigma = _offset_prior(count, sky)
        unknown = np.diag(
            np.concatenate([np.full(count, np.nan), np.zeros(len(powers)), sigma**2, np.zeros(2 * count)])
        )
        solved = _Answer(np.zeros(count), np.zeros(len(powers)), offsets, np.zeros((count, 2)), unknown, np.nan)
    offsets = np.where(np.isin(np.arange(count), placed), solved.offsets, 0)
    gains, linear, tilt = solved.gains.copy(), np.zeros(2), None
    if len(blocks.a) and placement.limb is not None and len(placed) > 2 and not turned:
        tilt, said = _tilt(tiles, placement, placed, solved, offsets * level, powers)
        if tilt is not None:
            warnings.append(said)
            half = (np.array(shape) - 1) / 2
            centres = np.array([placement.to_mosaic(k, half) for k in placed]) - placement.limb.centre_yx
            gains[placed] += centres @ (tilt.slope / placement.limb.radius_px)
            gains[placed] -= gains[placed].mean()
            linear = tilt.slope * half / placement.limb.radius_px
    if sky and abs(np.median(offsets[placed])) > 0.003:
        warnings.append(
            f"the sky off the limb has {100 * np.median(offsets[placed]):.1f} % of the disk's brightness (scattered "
            "light, or a dark that does not fit): it was taken off all tiles"
        )
    surface = np.exp(evaluate_surface(solved.surface, powers, shape) + _plane(linear, shape))
    all_gains = np.ones(count)
    all_gains[placed] = np.exp(gains[placed])
    return Levels(
        gain=all_gains,
        offset=offsets * level,
        surface=(surface / surface.mean()).astype(np.float32),
        gain_sigma=solved.sigma(0),
        seam_rms=solved.spread,
        warnings=tuple(warnings),
        offset_sigma=solved.sigma(count + len(powers)) * level if sky else np.full(count, np.nan),
        slope=solved.slopes,
        tilt=None if tilt is None else tuple(tilt.slope),
        tilt_sigma=np.nan if tilt is None else tilt.sigma,
    )


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


def _plane(slope: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    return slope[0] * np.linspace(-1, 1, shape[0])[:, None] + slope[1] * np.linspace(-1, 1, shape[1])[None, :]


def basis(at: NDArray[np.float64], powers: list[tuple[int, int]]) -> NDArray[np.float64]:
    """Return the surface's terms (n, m) at places (n, 2) of the sensor."""
    degree = max((max(p) for p in powers), default=0)
    y = np.polynomial.legendre.legvander(at[:, 0], degree)
    x = np.polynomial.legendre.legvander(at[:, 1], degree)
    return np.stack([y[:, i] * x[:, j] for i, j in powers], axis=1) if powers else np.zeros((len(at), 0))


def _offset_prior(count: int, sky: dict[int, tuple[float, float]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offsets before the overlaps are heard, and their errors: the tile's own sky, else that of the others.

    What all have in common counts as far as it stands out of what the sky has of its own.
    """
    if not sky:
        return np.zeros(count), np.zeros(count)
    levels = np.array([value for value, _ in sky.values()])
    common = float(np.median(levels))
    spread = max(1.4826 * float(np.median(np.abs(levels - common))), OFFSET_SPREAD)
    offsets, sigma = np.full(count, common), np.full(count, spread)
    for k, (value, error) in sky.items():
        offsets[k], sigma[k] = value, error
    own = common - common * max(0.0, 1 - (SKY_OWN / max(common, 1e-9)) ** 2)
    return offsets - own, sigma


def _solve(
    blocks: Blocks, count: int, placed: NDArray[np.intp], powers: list[tuple[int, int]], sky: dict
) -> tuple[_Answer, list[tuple[int, int]]]:
    """Solve without slopes of single tiles, then with those that stand out of their errors; and the powers."""
    terms = sparse.csr_matrix(basis(blocks.at_a, powers) - basis(blocks.at_b, powers))
    offsets = _offset_prior(count, sky)
    powers, terms = _enough_powers(blocks, count, placed, powers, terms, offsets)
    plain = _robust(blocks, count, placed, terms, offsets, np.zeros(0, int))
    tried = _robust(blocks, count, placed, terms, offsets, placed)
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
    return _robust(blocks, count, placed, terms, offsets, np.array(clear)), powers


def _enough_powers(blocks: Blocks, count: int, placed, powers, terms: sparse.csr_matrix, offsets):
    """Take as many degrees of the surface as overlaps need that were not used to solve it.

    Too few, and what the surface cannot follow bends the disk with the period of the tiles, which overlaps do not see;
    too many, and noise does. The lowest degree counts whose error is within one standard error of the best (Breiman,
    Friedman, Olshen & Stone 1984, Classification and Regression Trees, section 3.4.3).
    """
    degrees = np.array([sum(power) for power in powers], int)
    if not powers:
        return powers, terms
    cells = blocks.cell.max() + 1
    if cells < FOLDS * LEAST_CELLS:
        degrees[degrees > FEW_CELLS_ORDER] = 0
        kept = np.flatnonzero(degrees)
        return [powers[k] for k in kept], terms[:, kept]
    fold = blocks.cell % FOLDS
    tried: list[tuple[float, float, NDArray[np.intp]]] = []
    for degree in range(2, max(degrees, default=0) + 1, 2):
        kept = np.flatnonzero(degrees <= degree)
        some = terms[:, kept]
        left = np.empty(len(fold))
        for k in range(FOLDS):
            out = fold == k
            answer = _robust(blocks.part(~out), count, placed, some[~out], offsets, np.zeros(0, int))
            left[out] = _misfit(blocks.part(out), some[out], answer)
        error = np.bincount(blocks.cell, np.abs(left)) / np.bincount(blocks.cell)
        tried.append((float(error.mean()), float(error.std() / np.sqrt(cells)), kept))
        # a surface of three more numbers a degree costs time: no higher one is tried where it no longer helps
        if len(tried) > 1 and tried[-1][0] > tried[-2][0] - tried[-2][1]:
            break
    best = min(tried, key=lambda one: one[0])
    kept = next(kept for error, _, kept in tried if error <= best[0] + best[1])
    return [powers[k] for k in kept], terms[:, kept]


def _misfit(blocks: Blocks, terms: sparse.csr_matrix, answer: _Answer) -> NDArray[np.float64]:
    """What gains, offsets and surface leave of the overlaps' log ratios."""
    light_a, light_b = blocks.mean_a - answer.offsets[blocks.a], blocks.mean_b - answer.offsets[blocks.b]
    ratio = np.log(np.maximum(light_a, 0.01) / np.maximum(light_b, 0.01))
    return ratio - (answer.gains[blocks.a] - answer.gains[blocks.b]) - terms @ answer.surface


def _robust(blocks, count, placed, terms, offset_prior, sloped) -> _Answer:
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
        light_a, light_b = blocks.mean_a - offsets[blocks.a], blocks.mean_b - offsets[blocks.b]
        ratio = np.log(np.maximum(light_a, 0.01) / np.maximum(light_b, 0.01))
        by_offset = (
            sparse.diags(1 / np.maximum(light_a, 0.01)) @ a_of - sparse.diags(1 / np.maximum(light_b, 0.01)) @ b_of
        )
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
        prior = np.zeros(size)
        prior[surface] = (spread / SURFACE_PRIOR) ** 2
        free = sigma > 0
        prior[offset[free]] = (spread / sigma[free]) ** 2
        right[offset] += prior[offset] * (first - offsets)
        prior[slope] = (spread / SLOPE_PRIOR) ** 2
        normal[np.arange(size), np.arange(size)] += prior
        normal[np.ix_(placed, placed)] += 1.0
        normal[fixed], normal[:, fixed], right[fixed] = 0, 0, 0
        answer = np.where(fixed, 0, np.linalg.lstsq(normal, right, rcond=1e-12)[0])
        offsets = offsets + answer[offset]
    residual = ratio - design @ answer
    spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
    # blocks of a cell err alike: the errors come from the cells' sums (Liang & Zeger 1986, the "sandwich")
    scores = (in_cell @ weighted.multiply(residual[:, None]).tocsr()).toarray()
    inverse = np.linalg.pinv(normal, rcond=1e-12)
    # a prior that is believed has the error it states
    meat = scores.T @ scores + np.diag(prior) * spread**2
    covariance = inverse @ meat @ inverse
    return _Answer(answer[gain], answer[surface], offsets, answer[slope].reshape(n, 2), covariance, spread)


def _slope_columns(blocks: Blocks, count: int) -> sparse.csr_matrix:
    """Columns (y, x) of every tile's own slope."""
    index = np.arange(len(blocks.a)).repeat(2)
    entries = []
    for sign, tile, at in ((1.0, blocks.a, blocks.at_a), (-1.0, blocks.b, blocks.at_b)):
        column = (2 * tile[:, None] + np.arange(2)).ravel()
        entries.append(sparse.csr_matrix((sign * at.ravel(), (index, column)), (len(blocks.a), 2 * count)))
    return (entries[0] + entries[1]).tocsr()


def _tilt(tiles, placement: Placement, placed, solved: _Answer, offsets, powers) -> tuple[Tilt | None, str]:
    """What roundness, gains and flat say of the overall tilt together, and the sentence that says so."""
    half = (np.array(tiles[0].image.shape) - 1) / 2
    limb = placement.limb
    tile, light, sensor, disk = disk_blocks(tiles, placement, placed, OUTER)
    value = np.log(np.maximum(light - offsets[tile], 1e-6)) - solved.gains[tile]
    value -= basis(sensor, powers) @ solved.surface + np.sum(solved.slopes[tile] * sensor, axis=1)
    roundness = tilt_by_roundness(value, disk)
    if roundness is None:
        return None, ""
    centres = (np.array([placement.to_mosaic(k, half) for k in placed]) - limb.centre_yx) / limb.radius_px
    times = None if placement.times is None else placement.times[placed]
    by_gains = tilt_by_gains(solved.gains[placed], centres, times)
    parts = [("the roundness of the quiet Sun", roundness.tilt), ("the tiles' gains", by_gains)]
    if any("flat" in one.masters for one in tiles):
        parts.append(("the flat", tilt_by_flat(roundness)))
        voices = [with_flat(roundness), by_gains]
    else:
        parts.append(("a sensor without a flat", tilt_of_bare_sensor(half / limb.radius_px)))
        voices = [part for _, part in parts]
    parts = [(name, part) for name, part in parts if part is not None]
    tilt = combine([voice for voice in voices if voice is not None])
    told = ", ".join(f"{name} {100 * part.size:.1f} ± {100 * part.sigma:.1f} %" for name, part in parts)
    return tilt, (
        f"a slope of {100 * tilt.size:.1f} ± {100 * tilt.sigma:.1f} % per disk radius across every tile, which "
        "overlaps cannot tell from gains (a flat pointed off the disk's centre leaves one), was taken out; "
        f"by itself each would say: {told}" + (TURN_ONE if tilt.sigma > UNSURE else "")
    )
