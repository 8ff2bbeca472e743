"""Contrast of fine structure, scale by scale, only where it stands out of the noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.limb_profile import Edge, robust_spread
from diskmosaic.parallel import ordered_map

_ROWS = 512
_STRONG = 6.0  # spreads of a scale from which on its structure is lifted less: spots must not get halos
_REACH = 4  # standard deviations that OpenCV follows a Gaussian


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
    """
    widths = scales(finest_px, coarsest_px)
    reach = int(np.ceil(_REACH * widths[-1])) + 1
    share = [_noise_share(a, b) for a, b in zip([0.0, *widths[:-1]], widths, strict=True)]
    spreads = _spreads(image, edge, widths)
    result = np.empty(image.shape, np.float32)

    def work(y0: int) -> tuple[int, NDArray[np.float32]]:
        rows = slice(max(y0 - reach, 0), min(y0 + _ROWS + reach, image.shape[0]))
        light = np.array(image[rows], np.float32)
        rest = light - edge.base(edge.offsets(rows, slice(0, image.shape[1])))
        rest[~np.isfinite(rest)] = 0
        with np.errstate(divide="ignore"):
            local = noise * np.sqrt(typical / np.maximum(weight[rows], typical * 1e-6))
        before = rest
        for width, part, spread in zip(widths, share, spreads, strict=True):
            after = cv2.GaussianBlur(rest, (0, 0), width, borderType=cv2.BORDER_REFLECT)
            band = shrink(before - after, np.float32(sigma * part) * local)
            light += amount * band / (1 + np.abs(band) / np.float32(_STRONG * spread))
            before = after
        return y0, light[y0 - rows.start : y0 - rows.start + _ROWS]

    for y0, part in ordered_map(work, range(0, image.shape[0], _ROWS), jobs=jobs):
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
    y, x = (int(c) for c in edge.centre)
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
