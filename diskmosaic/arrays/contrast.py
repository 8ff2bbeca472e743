"""Contrast of fine structure, scale by scale, only where it stands out of the noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.limb_profile import Edge, robust_spread
from diskmosaic.parallel import ordered_map

_ROWS = 512  # worked at a time; whole cells, as these are powers of 2
_STRONG = 6.0  # spreads of a scale from which on its structure is lifted less: spots must not get halos
_REACH = 4  # standard deviations that OpenCV follows a Gaussian
_COARSE = 3.0  # cells: a Gaussian as wide is straight between them to 1 % of its height, and their grid hides nothing


def shrink(values: NDArray[np.float32], least: NDArray[np.float32] | float) -> NDArray[np.float32]:
    """Take what does not stand out for nothing: ``x - least^2 / x`` beyond `least`, 0 within.

    The non-negative garrote (Gao 1998, Journal of Computational and Graphical Statistics 7, 469): continuous, and what
    stands out far is kept whole.
    """
    size = np.abs(values)
    return np.where(size > least, values - np.square(least) / np.where(size > least, values, 1), 0)


def scales(finest_px: float, coarsest_px: float) -> list[float]:
    """Return standard deviations of the Gaussians between which bands lie, each twice the one before."""
    count = max(2, int(np.floor(np.log2(coarsest_px / finest_px))) + 1)
    return [finest_px * 2.0**k for k in range(count)]


def lift_scales(
    image: NDArray[np.float32],
    weight: NDArray[np.float32],
    edge: Edge,
    *,
    noise: float,
    typical: float,
    amount: float,
    finest_px: float,
    coarsest_px: float,
    sigma: float,
    jobs: int = 1,
) -> NDArray[np.float32]:
    """Add structure between two scales once more.

    Parameters
    ----------
    image, weight : float32 (h, w)
        Light (NaN where unknown) and frames averaged.
    edge : Edge
        Its mean profile is left alone: the limb cannot ring.
    noise, typical : float
        Standard deviation of a pixel of the weight `typical`.
    amount : float
        1 doubles.
    finest_px, coarsest_px : float
        Standard deviations of the Gaussians between which structure is lifted.
    sigma : float
        Structure below that many deviations of its own scale's noise is left as it is.
    jobs : int

    Returns
    -------
    float32 (h, w)

    Notes
    -----
    The bands lie between Gaussians. From the second on they hold nothing fine and are made on the means of cells of
    pixels, so that the work does not grow with the square of the scale.
    """
    widths = scales(finest_px, coarsest_px)
    share = [_noise_share(a, b) for a, b in zip([0.0, *widths[:-1]], widths, strict=True)]
    least = [np.float32(sigma * part) for part in share]
    spreads = _spreads(image, edge, widths)
    cell = _cell(widths[0])
    rest, around = _on_cells(image, weight, edge, cell, jobs)
    low = _blurred(rest, _still_to_blur(widths[0], 0.0, 1, cell), jobs)
    added = _coarser(low, around, cell, widths, least, spreads, noise, typical, jobs)
    del rest, around
    result = np.empty(image.shape, np.float32)

    def work(y0: int) -> tuple[int, NDArray[np.float32]]:
        rows = slice(y0, min(y0 + _ROWS, image.shape[0]))
        light = np.array(image[rows], np.float32)
        rest = _less_edge(light, edge, rows)
        after, coarse = (_on_pixels(part, cell, rows, image.shape[1]) for part in (low, added))
        local = _local_noise(weight[rows], noise, typical)
        light += amount * (_less_of_the_strong(shrink(rest - after, least[0] * local), spreads[0]) + coarse)
        return y0, light

    for y0, part in ordered_map(work, range(0, image.shape[0], _ROWS), jobs=jobs):
        result[y0 : y0 + len(part)] = part
    return result


def _cell(width: float) -> int:
    """Side of the cells on which a Gaussian is made: the largest power of 2 that leaves it `_COARSE` cells wide."""
    return 2 ** max(0, int(np.floor(np.log2(width / _COARSE))))


def _still_to_blur(width: float, before: float, cell_before: int, cell: int) -> float:
    """Gaussian, in cells, that takes a blur of `before` px on the means of cells to one of `width` px.

    Means over n points a distance d apart have a variance of ``d^2 (n^2 - 1) / 12``.
    """
    means = (cell**2 - cell_before**2) / 12
    return float(np.sqrt(width**2 - before**2 - means)) / cell


def _less_edge(light: NDArray[np.float32], edge: Edge, rows: slice) -> NDArray[np.float32]:
    """Light less the edge's mean profile; 0 where unknown."""
    rest = light - edge.base(edge.offsets(rows, slice(0, light.shape[1])))
    rest[~np.isfinite(rest)] = 0
    return rest


def _local_noise(weight: NDArray[np.float32], noise: float, typical: float) -> NDArray[np.float32]:
    with np.errstate(divide="ignore"):
        return np.float32(noise) * np.sqrt(np.float32(typical) / np.maximum(weight, np.float32(typical * 1e-6)))


def _less_of_the_strong(band: NDArray[np.float32], spread: float) -> NDArray[np.float32]:
    return band / (1 + np.abs(band) / np.float32(_STRONG * spread))


def _on_cells(image, weight, edge: Edge, cell: int, jobs: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Means over cells of the light less its edge, and of the weight."""
    shape = tuple(-(-side // cell) for side in image.shape)
    rest, around = np.empty(shape, np.float32), np.empty(shape, np.float32)

    def work(y0: int):
        rows = slice(y0, min(y0 + _ROWS, image.shape[0]))
        parts = _less_edge(np.array(image[rows], np.float32), edge, rows), np.asarray(weight[rows], np.float32)
        return y0 // cell, [_means(part, cell) for part in parts]

    for y0, (one, other) in ordered_map(work, range(0, image.shape[0], _ROWS), jobs=jobs):
        rest[y0 : y0 + len(one)], around[y0 : y0 + len(other)] = one, other
    return rest, around


def _means(image: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Means of blocks; at a border that cuts blocks the last row or column counts again."""
    if factor == 1:
        return image
    height, width = image.shape
    image = cv2.copyMakeBorder(image, 0, -height % factor, 0, -width % factor, cv2.BORDER_REPLICATE)
    return cv2.resize(image, (-(-width // factor), -(-height // factor)), interpolation=cv2.INTER_AREA)


def _on_pixels(cells: NDArray[np.float32], cell: int, rows: slice, columns: int) -> NDArray[np.float32]:
    """Carry some rows of values on cells to pixels, straight in between."""
    if cell == 1:
        return cells[rows, :columns]
    first, last = max(rows.start // cell - 1, 0), min(-(-rows.stop // cell) + 1, len(cells))
    size = cells.shape[1] * cell, (last - first) * cell
    pixels = cv2.resize(np.ascontiguousarray(cells[first:last]), size, interpolation=cv2.INTER_LINEAR)
    return pixels[rows.start - first * cell : rows.stop - first * cell, :columns]


def _blurred(image: NDArray[np.float32], width: float, jobs: int) -> NDArray[np.float32]:
    """Gaussian blur in bands of rows."""
    reach = int(np.ceil(_REACH * width)) + 1
    result = np.empty(image.shape, np.float32)

    def work(y0: int) -> tuple[int, NDArray[np.float32]]:
        top = max(y0 - reach, 0)
        part = image[top : y0 + _ROWS + reach]
        return y0, cv2.GaussianBlur(part, (0, 0), width, borderType=cv2.BORDER_REFLECT)[y0 - top :][:_ROWS]

    for y0, part in ordered_map(work, range(0, image.shape[0], _ROWS), jobs=jobs):
        result[y0 : y0 + len(part)] = part
    return result


def _coarser(low, around, cell, widths, least, spreads, noise, typical, jobs) -> NDArray[np.float32]:
    """Sum of the lifted bands from the second on, on the cells of `low`, which the first Gaussian left."""
    if len(widths) < 2:
        return np.zeros_like(low)
    larger = _cell(widths[1])
    factor = larger // cell
    lower = _blurred(_means(low, factor), _still_to_blur(widths[1], widths[0], cell, larger), jobs)
    further = _coarser(lower, _means(around, factor), larger, widths[1:], least[1:], spreads[1:], noise, typical, jobs)
    result = np.empty_like(low)

    def work(y0: int) -> tuple[int, NDArray[np.float32]]:
        rows = slice(y0, min(y0 + _ROWS, len(low)))
        after, coarse = (_on_pixels(part, factor, rows, low.shape[1]) for part in (lower, further))
        band = shrink(low[rows] - after, least[1] * _local_noise(around[rows], noise, typical))
        return y0, _less_of_the_strong(band, spreads[1]) + coarse

    for y0, part in ordered_map(work, range(0, len(low), _ROWS), jobs=jobs):
        result[y0 : y0 + len(part)] = part
    return result


def _noise_share(narrow: float, wide: float) -> float:
    """Standard deviation that white noise of 1 has in the band between two Gaussians."""
    size = 2 * int(np.ceil(4 * wide)) + 1
    point = np.zeros((size, size), np.float32)
    point[size // 2, size // 2] = 1
    inner = cv2.GaussianBlur(point, (0, 0), narrow) if narrow else point
    return float(np.sqrt(np.square(inner - cv2.GaussianBlur(point, (0, 0), wide)).sum()))


def _spreads(image: NDArray[np.float32], edge: Edge, widths: list[float]) -> list[float]:
    """Typical strength of the structure of each band, in the middle of the disk."""
    half = int(0.4 * edge.radius)
    # of a part of the disk whose centre is not on it, what lies nearest to the centre
    y, x = (min(max(int(c), 0), side - 1) for c, side in zip(edge.centre, image.shape, strict=True))
    rows = slice(max(y - half, 0), min(y + half, image.shape[0]))
    columns = slice(max(x - half, 0), min(x + half, image.shape[1]))
    part = np.array(image[rows, columns], np.float32)
    known = np.isfinite(part)
    part[~known] = np.median(part[known]) if known.any() else 0
    spreads, before = [], part
    for width in widths:
        after = cv2.GaussianBlur(part, (0, 0), width, borderType=cv2.BORDER_REFLECT)
        spreads.append(max(robust_spread((before - after)[known]), 1e-9) if known.any() else 1e-9)
        before = after
    return spreads
