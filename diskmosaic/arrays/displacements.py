"""Displacements out of sums over cells: least squares of the gradient equation, for the whole frame and cell by cell.

With g the reference's gradient and h the instruments made from it, ``e`` solves ``sum(h g^T) e = -sum(h d)`` where d is
the frame less the reference (Lucas & Kanade 1981, Proc. IJCAI, 674).
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

PRIOR_PX = 0.6  # expected size of what a finer look adds to a displacement
LEVELS = (5.0, 0.9)  # widths, in grid cells, over which displacements are solved in turn
MOST_PX = 2.0  # of one step
WINDOWS = 32  # whose sums are kept: frames of a steady recording share theirs


class Displacements:
    """Solves for displacements on a grid of cells.

    Parameters
    ----------
    products : float (2, 2, rows, columns)
        Sums over each cell of instrument (first axis) times gradient (second axis).
    edges : two int arrays
        Borders of the cells along y and x.
    """

    def __init__(self, products: NDArray[np.float64], edges: tuple[NDArray[np.int64], NDArray[np.int64]]):
        self._products, self._edges = products, edges
        self._cover = lru_cache(2 * WINDOWS)(self._share_inside)
        self._smoothed = lru_cache(WINDOWS)(self._normals)

    def cover(self, window: tuple[slice, slice]) -> NDArray[np.float64]:
        """Return the share of each cell that lies in a window."""
        return self._cover(*_borders(window))

    def whole(self, sums: NDArray[np.float64], window: tuple[slice, slice]) -> NDArray[np.float64]:
        """Return the displacement (y, x) that the whole frame is still off by.

        Parameters
        ----------
        sums : float (2, rows, columns)
            Of each instrument times (frame - reference), over cells, inside the window.
        window : two slices
        """
        normal = self._smoothed(*_borders(window))[0]
        right = -np.sum(sums[:2], axis=(1, 2))
        damp = 1e-6 * (normal[0, 0] + normal[1, 1]) + 1e-30
        return np.array(_solve(normal, right, damp, (0.0, 0.0)))

    def local(
        self, sums: NDArray[np.float64], window: tuple[slice, slice], *, twice: bool = False
    ) -> NDArray[np.float32]:
        """Return what each cell is still off by (rows, columns, 2), from wide windows to narrow ones.

        Parameters
        ----------
        sums, window
            As for `whole`.
        twice : bool
            Solve once more for what the answer leaves of the sums (twicing; Tukey 1977, Exploratory Data Analysis, from
            memory): the windows then smooth less of what bends over few cells, for somewhat more noise.
        """
        normal = self._smoothed(*_borders(window))[1]
        right = (-sums[:2]).astype(np.float32)
        found = self._once(right, window)
        if twice:
            right -= np.einsum("abij,ijb->aij", normal, found)
            found = found + self._once(right, window)
        return np.clip(found, -MOST_PX, MOST_PX)

    def _once(self, right: NDArray[np.float32], window: tuple[slice, slice]) -> NDArray[np.float32]:
        # the whole frame first: it has the say where no patch has structure
        whole = self.whole(-right, window)
        prior = (np.float32(whole[0]), np.float32(whole[1]))
        for width, (normal, damp) in zip(LEVELS, self._smoothed(*_borders(window))[2], strict=True):
            prior = _solve(normal, [_spread(part, width) for part in right], damp, prior)
        return np.stack(prior, axis=-1).astype(np.float32)

    def _normals(self, top: int, bottom: int, left: int, right: int):
        """The matrix of the whole frame, that of each cell, and for each width the smoothed one with its damping."""
        normal = self._products * self._cover(top, bottom, left, right)
        whole, normal = np.sum(normal, axis=(2, 3)), normal.astype(np.float32)
        levels = []
        for width in LEVELS:
            smooth = np.stack([[_spread(part, width) for part in row] for row in normal])
            # a window holds 4 pi width^2 cells; a quarter counts: neighbouring pixels are correlated
            damp = np.float32(1 / (np.pi * width**2 * PRIOR_PX**2))
            levels.append((smooth, damp + np.float32(1e-4) * np.mean(smooth[0, 0] + smooth[1, 1])))
        return whole, normal, levels

    def _share_inside(self, top: int, bottom: int, left: int, right: int) -> NDArray[np.float64]:
        parts = []
        for start, stop, edges in ((top, bottom, self._edges[0]), (left, right, self._edges[1])):
            inside = np.minimum(edges[1:], stop) - np.maximum(edges[:-1], start)
            parts.append(np.clip(inside, 0, None) / np.maximum(np.diff(edges), 1))
        return np.outer(*parts)


def _borders(window: tuple[slice, slice]) -> tuple[int, int, int, int]:
    return window[0].start, window[0].stop, window[1].start, window[1].stop


def _spread(cells: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    return cv2.GaussianBlur(cells, (0, 0), width, borderType=cv2.BORDER_REPLICATE)


def _solve(normal, right, damp, prior):
    """Solve ``normal e = right``, drawn to the prior with strength `damp`; the matrix need not be symmetric."""
    (a, b), (c, d) = normal
    a, d = a + damp, d + damp
    first, second = right[0] + damp * prior[0], right[1] + damp * prior[1]
    determinant = a * d - b * c
    determinant = np.where(np.abs(determinant) > 1e-30, determinant, 1e-30)
    return (d * first - b * second) / determinant, (a * second - c * first) / determinant
