"""Smooth bends of images that overlap, from how their structure lies against one another.

Images a, b show the same scene S displaced by smooth fields, ``a(x) = S(x + m_a(x))``. Where they overlap their
difference tells ``m_a - m_b``; that the fields are smooth, zero on average and independent from image to image tells
the rest: the most probable ones share a difference between both images and fade out where nothing is overlapped
(linear least-mean-square prediction; Cressie 1993, *Statistics for Spatial Data*, chapter 3, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.flow import structure

UNMODELLED_PX = 0.03  # displacement that changes within a cell: no pixel tells better; some half of a usual bend
NEIGHBOURS = 2  # pixels of noise, smoothed by two interpolations, that go together as one
REACH_PX = 12  # of the structure band: so far from what one of the images does not see nothing is compared
DERIVATIVE = np.array([1, -8, 0, 8, -1], np.float32) / 12  # of fourth order: exact to 1 % up to 0.12 cycles a px
STEPS = 60  # of conjugate gradients, at most
ACCURACY = 1e-4  # of their residual, relative


@dataclass(frozen=True)
class Difference:
    """What two images tell about the difference of their bends, cell by cell.

    With the true difference e of a cell, `right` is ``normal @ e`` give or take an error of covariance `normal`.

    Attributes
    ----------
    first, second : int
        The images.
    corner : (int, int)
        Row and column of the first cell on the common grid.
    normal : float64 (rows, columns, 2, 2)
        1 / px^2.
    right : float64 (rows, columns, 2)
        1 / px.
    """

    first: int
    second: int
    corner: tuple[int, int]
    normal: NDArray[np.float64]
    right: NDArray[np.float64]


def compare(
    a: NDArray[np.float32], b: NDArray[np.float32], seen: NDArray[np.bool_], cell: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Compare two images that lie on the same pixels.

    Parameters
    ----------
    a, b : float32 (h, w)
        Sides are multiples of `cell`.
    seen : bool (h, w)
        Where both are known.
    cell : int
        Side of a cell, px.

    Returns
    -------
    normal, right
        As in `Difference`; zero where nothing is told.
    """
    rows, columns = a.shape[0] // cell, a.shape[1] // cell
    kernel = np.ones((2 * REACH_PX + 1,) * 2, np.uint8)
    inside = cv2.erode(seen.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
    if not inside.any():
        return np.zeros((rows, columns, 2, 2)), np.zeros((rows, columns, 2))
    mean = structure(0.5 * (a + b))
    slopes = [cv2.filter2D(mean, -1, tap) for tap in (DERIVATIVE[:, None], DERIVATIVE[None, :])]
    off = structure(a - b)
    noise = 1.4826 * float(np.median(np.abs(off[inside])))
    steep = cv2.GaussianBlur(slopes[0] ** 2 + slopes[1] ** 2, (0, 0), 4.0)
    variance = noise**2 + UNMODELLED_PX**2 * steep
    weight = np.where(inside & (variance > 0), 1 / np.maximum(NEIGHBOURS * variance, 1e-30), 0)

    def cells(values: NDArray) -> NDArray[np.float64]:
        return values.astype(np.float64).reshape(rows, cell, columns, cell).sum(axis=(1, 3))

    normal = np.stack([np.stack([cells(weight * one * two) for two in slopes], -1) for one in slopes], -2)
    right = np.stack([cells(weight * one * off) for one in slopes], -1)
    told = np.trace(normal, axis1=-2, axis2=-1) > 0
    answer = np.zeros_like(right)
    damped = normal[told] + 1e-6 * np.trace(normal[told], axis1=-2, axis2=-1)[:, None, None] * np.eye(2)
    answer[told] = np.linalg.solve(damped, right[told][..., None])[..., 0]
    # what changed is no displacement: where the difference is not explained by one, it says the less
    count = np.maximum(cells(weight > 0), 1) / NEIGHBOURS
    left = (cells(weight * off**2) - np.sum(answer * right, axis=-1)) / count
    typical = float(np.median(left[told])) if told.any() else 0.0
    trust = np.where(left > typical, typical / np.maximum(left, 1e-30), 1) ** 2
    return normal * trust[..., None, None], right * trust[..., None]


def typical_bend(differences: Sequence[Difference]) -> float:
    """Return the bends' standard deviation per axis, px, as their differences tell it beyond their own errors.

    ``E |right|^2 = 2 s^2 tr(normal^2) + tr(normal)``, summed over all cells.
    """
    told = excess = 0.0
    for one in differences:
        excess += float(np.sum(one.right**2) - np.sum(np.trace(one.normal, axis1=-2, axis2=-1)))
        told += 2 * float(np.sum(one.normal**2))
    return float(np.sqrt(max(excess, 0.0) / told)) if told > 0 else 0.0


def solve_bends(
    differences: Sequence[Difference],
    corners: Sequence[tuple[int, int]],
    shapes: Sequence[tuple[int, int]],
    *,
    deviation_px: float,
    width: float,
) -> list[NDArray[np.float64]]:
    """Find each image's most probable bend.

    Parameters
    ----------
    differences : sequence of Difference
    corners, shapes : sequences of (int, int)
        Of each image on the common grid of cells: its first cell, and its rows and columns.
    deviation_px : float
        The bends' standard deviation per axis.
    width : float
        Cells; their covariance falls as the Gaussian ``exp(-d^2 / (2 width^2))``.

    Returns
    -------
    list of float64 (rows, columns, 2)

    Notes
    -----
    A bend is white noise z smoothed by a Gaussian of ``width / sqrt(2)``; minimised by conjugate gradients is
    ``sum (normal e - 2 right) e + sum z^2``. The smoothing is its own adjoint: it takes zeros for what is outside, and
    the grids are widened by as much as it reaches.
    """
    sigma = width / np.sqrt(2)
    room = int(np.ceil(2 * width))
    scale = deviation_px * np.sqrt(4 * np.pi) * sigma  # white noise smoothed so keeps 1 / (4 pi sigma^2)
    starts = np.cumsum([0, *(2 * (rows + 2 * room) * (columns + 2 * room) for rows, columns in shapes)])

    def smooth(white: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        fields = []
        for k, (rows, columns) in enumerate(shapes):
            part = white[starts[k] : starts[k + 1]].reshape(2, rows + 2 * room, columns + 2 * room)
            fields.append(scale * ndimage.gaussian_filter(part, (0, sigma, sigma), mode="constant"))
        return fields

    def part_of(k: int, one: Difference) -> tuple[slice, ...]:
        rows, columns = one.right.shape[:2]
        top, left = (room + a - b for a, b in zip(one.corner, corners[k], strict=True))
        return (slice(None), slice(top, top + rows), slice(left, left + columns))

    def gather(told: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
        """The adjoint: what cells of differences say, as white noise."""
        fields = [np.zeros((2, rows + 2 * room, columns + 2 * room)) for rows, columns in shapes]
        for one, value in zip(differences, told, strict=True):
            fields[one.first][part_of(one.first, one)] += np.moveaxis(value, -1, 0)
            fields[one.second][part_of(one.second, one)] -= np.moveaxis(value, -1, 0)
        smoothed = (scale * ndimage.gaussian_filter(field, (0, sigma, sigma), mode="constant") for field in fields)
        return np.concatenate([field.ravel() for field in smoothed])

    def matrix(white: NDArray[np.float64]) -> NDArray[np.float64]:
        fields = smooth(white)
        told = []
        for one in differences:
            between = fields[one.first][part_of(one.first, one)] - fields[one.second][part_of(one.second, one)]
            told.append(np.einsum("...ij,j...->...i", one.normal, between))
        return white + gather(told)

    right = gather([one.right for one in differences])
    white = np.zeros_like(right)
    rest, step = right.copy(), right.copy()
    power = first = float(rest @ rest)
    for _ in range(STEPS):
        if power <= ACCURACY**2 * first or power == 0:
            break
        image = matrix(step)
        share = power / float(step @ image)
        white += share * step
        rest -= share * image
        new = float(rest @ rest)
        step = rest + new / power * step
        power = new
    inner = slice(room, -room)
    return [np.moveaxis(field[:, inner, inner], 0, -1) for field in smooth(white)]
