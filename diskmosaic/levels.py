"""What makes tiles equally bright: a gain per tile and one surface fixed to the sensor, from the overlaps.

Where two tiles see the same place of the Sun, the logarithm of their ratio is

    log T_a - log T_b = g_a - g_b + S(x_a) - S(x_b)

with the gains g and a surface S on the sensor common to all tiles: what the flat got wrong at large scale, above all
the centre-to-limb slope of the defocused Sun. A linear S with free gains is exactly an overall tilt of the disk, which
no overlap can see; the roundness of the disk's own centre-to-limb curve fixes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import overlap_windows, shrink
from diskmosaic.records import Circle, FloatImage, Levels, Placement, Tile
from diskmosaic.regions import well_seen
from diskmosaic.settings import LevelSettings

BLOCK_PX = 16  # brightness is compared on blocks of this size
LIMB_KEEP_OUT = 0.985  # of the radius: beyond, a fraction of a pixel changes the brightness
DISK_SHARE = 0.3  # where no limb is known: blocks darker than this share of the tile's brightest are left out
SURFACE_PRIOR = 0.05  # expected size of a surface coefficient; matters only where the overlaps say nothing
TUKEY = 4.685


@dataclass(frozen=True)
class _Samples:
    """Log ratios of two tiles on blocks, and where on the sensor (in [-1, 1]) each tile saw them."""

    a: NDArray[np.intp]
    b: NDArray[np.intp]
    ratio: NDArray[np.float64]
    at_a: NDArray[np.float64]
    at_b: NDArray[np.float64]


def solve_levels(tiles: Sequence[Tile], placement: Placement, settings: LevelSettings) -> Levels:
    """Solve the gains of all placed tiles and the sensor surface.

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
    samples = _compare(tiles, placement, placed)
    powers = surface_powers(settings.surface_order)
    warnings: list[str] = []
    if not len(samples.ratio):
        if len(placed) > 1:
            warnings.append("no overlap shows enough of the disk to compare the tiles' brightness")
        ones = np.ones(count)
        return Levels(
            ones, np.zeros(count), np.ones(shape, np.float32), np.full(count, np.nan), np.nan, tuple(warnings)
        )
    gains, coefficients, sigma, left = _solve(samples, count, placed, powers)
    linear = np.zeros(2)
    if placement.limb is not None and len(placed) > 2:
        linear, tilt_sigma = _tilt(tiles, placement, placed, gains, coefficients, powers)
        half = (np.array(shape) - 1) / 2
        centres = placement.positions + half
        gains[placed] += (centres[placed] - placement.limb.centre_yx) @ (linear / placement.limb.radius_px)
        gains[placed] -= gains[placed].mean()
        warnings.append(
            f"a slope of {100 * np.hypot(*linear):.1f} % per disk radius across every tile, which overlaps cannot "
            "tell from gains (a flat pointed off the disk's centre leaves one), was taken out by the roundness of the "
            f"disk; it is uncertain by {100 * tilt_sigma:.1f} %"
        )
        linear = linear * half / placement.limb.radius_px
    surface = np.exp(
        evaluate_surface(coefficients, powers, shape)
        + linear[0] * np.linspace(-1, 1, shape[0])[:, None]
        + linear[1] * np.linspace(-1, 1, shape[1])[None, :]
    )
    all_gains = np.ones(count)
    all_gains[placed] = np.exp(gains[placed])
    return Levels(
        gain=all_gains,
        offset=np.zeros(count),
        surface=(surface / surface.mean()).astype(np.float32),
        gain_sigma=sigma,
        seam_rms=left,
        warnings=tuple(warnings),
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


def _basis(at: NDArray[np.float64], powers: list[tuple[int, int]]) -> NDArray[np.float64]:
    degree = max((max(p) for p in powers), default=0)
    y = np.polynomial.legendre.legvander(at[:, 0], degree)
    x = np.polynomial.legendre.legvander(at[:, 1], degree)
    return np.stack([y[:, i] * x[:, j] for i, j in powers], axis=1) if powers else np.zeros((len(at), 0))


def _compare(tiles: Sequence[Tile], placement: Placement, placed: NDArray[np.intp]) -> _Samples:
    """Compare all overlapping pairs on blocks of the disk."""
    shape = tiles[0].image.shape
    half = (np.array(shape) - 1) / 2
    known = {k: well_seen(tiles[k]) for k in placed}
    rows: list[tuple] = []
    for i, a in enumerate(placed):
        for b in placed[i + 1 :]:
            shift = placement.positions[b] - placement.positions[a]
            whole = (int(np.rint(shift[0])), int(np.rint(shift[1])))
            windows = overlap_windows(shape, shape, whole)
            if windows is None or min(w.stop - w.start for w in windows[0]) < 2 * BLOCK_PX:
                continue
            means = []
            good = True
            for k, window in ((a, windows[0]), (b, windows[1])):
                mean, whole_block = _block_means(tiles[k].image[window], known[k][window])
                means.append(mean)
                good = good & whole_block
            grid = np.indices(means[0].shape).reshape(2, -1).T * BLOCK_PX + (BLOCK_PX - 1) / 2
            at_a = grid + np.array([windows[0][0].start, windows[0][1].start])
            good = good & _on_disk(means, tiles, (a, b), at_a + placement.positions[a], placement.limb)
            take = good.reshape(-1)
            if take.sum() < 4:
                continue
            ratio = np.log(means[0].reshape(-1)[take] / means[1].reshape(-1)[take])
            rows.append((a, b, ratio, (at_a[take] - half) / half, (at_a[take] - whole - half) / half))
    if not rows:
        empty = np.zeros(0)
        return _Samples(empty.astype(int), empty.astype(int), empty, np.zeros((0, 2)), np.zeros((0, 2)))
    return _Samples(
        np.concatenate([np.full(len(r[2]), r[0]) for r in rows]),
        np.concatenate([np.full(len(r[2]), r[1]) for r in rows]),
        np.concatenate([r[2] for r in rows]).astype(float),
        np.concatenate([r[3] for r in rows]),
        np.concatenate([r[4] for r in rows]),
    )


def _block_means(image: FloatImage, known: NDArray[np.bool_]) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Return the means of blocks, and which blocks are known whole."""
    mean = shrink(np.where(known, image, np.float32(0)), BLOCK_PX)
    return mean, shrink(known.astype(np.float32), BLOCK_PX) > 0.999


def _on_disk(means, tiles, pair, at: NDArray[np.float64], limb: Circle | None) -> NDArray[np.bool_]:
    bright = np.ones(means[0].shape, bool)
    for mean, k in zip(means, pair, strict=True):
        ceiling = float(np.nanpercentile(tiles[k].image[::8, ::8], 99))
        bright &= mean > DISK_SHARE * ceiling if limb is None else mean > 0.05 * ceiling
    if limb is not None:
        radius = np.hypot(*(at - limb.centre_yx).T).reshape(means[0].shape)
        bright &= radius + BLOCK_PX < LIMB_KEEP_OUT * limb.radius_px
    return bright


def _solve(samples: _Samples, count: int, placed: NDArray[np.intp], powers: list[tuple[int, int]]):
    """Robust least squares of gains (mean 0 over the placed tiles) and surface coefficients."""
    difference = _basis(samples.at_a, powers) - _basis(samples.at_b, powers)
    size = count + len(powers)
    weight = np.ones(len(samples.ratio))
    answer = np.zeros(size)
    for _ in range(12):
        normal, right = np.zeros((size, size)), np.zeros(size)
        weighted = difference * weight[:, None]
        normal[count:, count:] = difference.T @ weighted
        right[count:] = weighted.T @ samples.ratio
        for sign, index in ((1.0, samples.a), (-1.0, samples.b)):
            np.add.at(normal, (index, index), weight)
            np.add.at(right, index, sign * weight * samples.ratio)
            for j in range(len(powers)):
                np.add.at(normal[:, count + j], index, sign * weighted[:, j])
        np.add.at(normal, (samples.a, samples.b), -weight)
        np.add.at(normal, (samples.b, samples.a), -weight)
        normal[count:, :count] = normal[:count, count:].T
        residual = samples.ratio - answer[samples.a] + answer[samples.b] - difference @ answer[count:]
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        prior = normal.copy()
        prior[np.arange(count, size), np.arange(count, size)] += (spread / SURFACE_PRIOR) ** 2
        prior[np.ix_(placed, placed)] += 1.0
        answer = np.linalg.lstsq(prior, right, rcond=1e-12)[0]
        residual = samples.ratio - answer[samples.a] + answer[samples.b] - difference @ answer[count:]
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        ratio = residual / (TUKEY * spread)
        weight = np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 0)
    covariance = np.linalg.pinv(prior) * spread**2
    return answer[:count].copy(), answer[count:], np.sqrt(np.maximum(np.diag(covariance)[:count], 0)), spread


def _tilt(tiles, placement: Placement, placed, gains, coefficients, powers) -> tuple[NDArray[np.float64], float]:
    """Fit log brightness = f(r) + tilt . (y, x)/R over the disk; returns the tilt and its standard error."""
    shape = tiles[0].image.shape
    limb = placement.limb
    blocks, places = [], []
    surface = cv2.resize(
        evaluate_surface(coefficients, powers, shape).astype(np.float32),
        (shape[1] // BLOCK_PX, shape[0] // BLOCK_PX),
        interpolation=cv2.INTER_AREA,
    )
    for k in placed:
        mean, whole = _block_means(tiles[k].image, well_seen(tiles[k]))
        at = np.indices(mean.shape).reshape(2, -1).T * BLOCK_PX + (BLOCK_PX - 1) / 2 + placement.positions[k]
        at = (at - limb.centre_yx) / limb.radius_px
        take = whole.reshape(-1) & (np.hypot(*at.T) < 0.95) & (mean.reshape(-1) > 0)
        blocks.append(np.log(mean.reshape(-1)[take]) - gains[k] - surface.reshape(-1)[take])
        places.append(at[take])
    value, at = np.concatenate(blocks), np.concatenate(places)
    radius = np.hypot(*at.T)
    ring = np.minimum((radius / 0.95 * 24).astype(int), 23)
    tilt = np.zeros(2)
    weight = np.ones(len(value))
    for _ in range(15):
        rest = value - at @ tilt
        level = np.array([np.median(rest[ring == i]) if np.any(ring == i) else 0.0 for i in range(24)])
        left = rest - level[ring]
        spread = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        ratio = left / (TUKEY * spread)
        weight = np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 0)
        # rings' mean places leave with their levels: only what goes round the disk counts
        mean_at = np.stack(
            [
                np.bincount(ring, weight * at[:, i], 24) / np.maximum(np.bincount(ring, weight, 24), 1e-9)
                for i in (0, 1)
            ],
            1,
        )
        free = at - mean_at[ring]
        normal = free.T @ (weight[:, None] * free)
        tilt = tilt + np.linalg.solve(normal + 1e-9 * np.eye(2), free.T @ (weight * left))
    # Active belts lie unevenly round the disk: on simulated Suns without a tilt the fit scatters 2.5 times as far as
    # blocks with one independent value in nine would.
    sigma = 2.5 * spread * 3 / np.sqrt(max(np.linalg.eigvalsh(normal)[0], 1e-9))
    # a tilt within its error is as likely the Sun's own
    return tilt * max(0.0, 1 - float(sigma**2 / max(tilt @ tilt, 1e-12))), float(sigma)
