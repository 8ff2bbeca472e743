"""How a frame lies against a reference: whole shift, local displacements, sharpness and level.

All of it is measured on half-resolution images (2x2 block means): the air's warps are smooth, and block means cost a
quarter. Displacements are *sampling* displacements: ``reference(x) ~ frame(x + u(x))``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.correlation import even_fast_size
from diskmosaic.arrays.kernels import cell_sums, warp

COARSE_BOX = 11  # px (half resolution) of the box, run twice, that takes slow brightness out
PRIOR_PX = 0.6  # expected size of what a finer look adds to a displacement, px at half resolution
LEVELS = (4.0, 0.9)  # widths, in grid cells, over which displacements are solved in turn


@dataclass(frozen=True)
class Look:
    """What was measured of one frame.

    Attributes
    ----------
    field : float32 (rows, columns, 2)
        Sampling displacement (y, x) at the centres of the grid's cells, px at half resolution.
    quality : float
        Slope of the frame's finest structure on the reference's: 1 is as sharp; noise does not bias it.
    level : float
        Brightness relative to the reference over what both see.
    correlation : float
        Of the structures after alignment.
    """

    field: NDArray[np.float32]
    quality: float
    level: float
    correlation: float


def structure(half: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return an image's structure without its slow brightness (a narrow Gaussian less a wide double box)."""
    coarse = cv2.blur(half, (COARSE_BOX, COARSE_BOX), borderType=cv2.BORDER_REFLECT)
    coarse = cv2.blur(coarse, (COARSE_BOX, COARSE_BOX), dst=coarse, borderType=cv2.BORDER_REFLECT)
    return cv2.subtract(cv2.GaussianBlur(half, (5, 5), 0.8, borderType=cv2.BORDER_REFLECT), coarse)


def fine(band: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the finest part of a structure image, where blur tells most."""
    return cv2.subtract(band, cv2.GaussianBlur(band, (9, 9), 1.7, borderType=cv2.BORDER_REFLECT))


class Reference:
    """A reference image, prepared once, that any number of frames (from any thread) are measured against.

    Parameters
    ----------
    half : float32 (h, w)
        The reference at half resolution.
    step_px : int
        Cell of the displacement grid, px at half resolution.
    local : bool
        False measures whole-frame shifts only.
    """

    def __init__(self, half: NDArray[np.float32], *, step_px: int, local: bool = True):
        self.half = half
        self.local = local
        self.band = structure(half)
        self.fine = fine(self.band)
        height, width = half.shape
        self.grid = (max(round(height / step_px), 1), max(round(width / step_px), 1))
        self._edges = tuple(
            np.rint(np.linspace(0, size, cells + 1)).astype(np.int64)
            for size, cells in zip(half.shape, self.grid, strict=True)
        )
        self._cell_pixels = height * width / (self.grid[0] * self.grid[1])
        self._gradients = tuple(0.5 * (np.roll(self.band, -1, axis) - np.roll(self.band, 1, axis)) for axis in (0, 1))
        for gradient in self._gradients:
            gradient[0] = gradient[-1] = 0
            gradient[:, 0] = gradient[:, -1] = 0
        grad_y, grad_x = self._gradients
        self._products = [self._cells(grad_y * grad_y), self._cells(grad_y * grad_x), self._cells(grad_x * grad_x)]
        trace = self._products[0] + self._products[2]
        # cells with next to no structure (sky) have their displacement from neighbours: they do not speak for a frame
        self.trust = np.clip(trace / (0.05 * np.percentile(trace, 75) + 1e-30), 0, 1) + 1e-6
        # whole shifts: half of this resolution again, tapered 3 %, no window that hides the borders
        small = self._small(self.band)
        self._padded = (even_fast_size(small.shape[0]), even_fast_size(small.shape[1]))
        self._taper = _taper(small.shape)
        spectrum = fft.rfft2(small * self._taper, self._padded)
        # half-whitened: the band's own slope no longer broadens the peak, noise is not lifted as by full whitening
        amplitude = np.abs(spectrum)
        self._conjugate = np.conj(spectrum) / np.sqrt(amplitude + 0.05 * amplitude.mean() + 1e-20)

    def look(self, half: NDArray[np.float32]) -> Look:
        """Measure one frame given at half resolution."""
        band = structure(half)
        whole = self._whole_shift(band)
        level = _steady(self._level(half, whole))
        band *= np.float32(1 / level)
        # the first step needs no interpolation: whole pixels bring the frame near enough for a linear step
        field = np.empty((*self.grid, 2), np.float32)
        field[:] = np.rint(whole)
        moved, inner = self._shifted(band, (round(whole[0]), round(whole[1])))
        field = field + self._step(moved, inner)
        moved, inner = warp(band, field), self._inside(field)
        own, theirs = fine(moved)[inner], self.fine[inner]
        quality = _dot(own, theirs) / (_dot(theirs, theirs) + 1e-30)
        seen, reference = moved[inner], self.band[inner]
        norm = np.sqrt(_dot(seen, seen) * _dot(reference, reference))
        correlation = _dot(seen, reference) / (norm + 1e-30)
        return Look(field + self._step(moved, inner), _steady(quality), level, _steady(correlation))

    def _small(self, band: NDArray[np.float32]) -> NDArray[np.float32]:
        return cv2.resize(band, (max(band.shape[1] // 2, 8), max(band.shape[0] // 2, 8)), interpolation=cv2.INTER_AREA)

    def _whole_shift(self, band: NDArray[np.float32]) -> tuple[float, float]:
        small = self._small(band)
        spectrum = fft.rfft2(small * self._taper, self._padded)
        spectrum /= np.sqrt(np.abs(spectrum) + 1e-20)
        surface = fft.irfft2(spectrum * self._conjugate, self._padded)
        row, column = np.unravel_index(int(np.argmax(surface)), surface.shape)
        height, width = surface.shape
        y = row + _parabola(
            surface[(row - 1) % height, column], surface[row, column], surface[(row + 1) % height, column]
        )
        x = column + _parabola(
            surface[row, (column - 1) % width], surface[row, column], surface[row, (column + 1) % width]
        )
        y, x = (y - height if y > height / 2 else y), (x - width if x > width / 2 else x)
        return y * band.shape[0] / small.shape[0], x * band.shape[1] / small.shape[1]

    def _level(self, half: NDArray[np.float32], whole: tuple[float, float]) -> float:
        dy, dx = round(whole[0]), round(whole[1])
        height, width = half.shape
        top, left = max(0, -dy), max(0, -dx)
        bottom, right = min(height, height - dy), min(width, width - dx)
        if bottom - top < 4 or right - left < 4:
            return 1.0
        own = float(cv2.mean(half[top + dy : bottom + dy, left + dx : right + dx])[0])
        theirs = float(cv2.mean(self.half[top:bottom, left:right])[0])
        ratio = own / theirs if theirs > 0 else 1.0
        return ratio if ratio > 1e-3 else 1.0

    def _cells(self, image: NDArray[np.float32]) -> NDArray[np.float32]:
        rows = np.add.reduceat(image, self._edges[0][:-1], axis=0, dtype=np.float64)
        sums = np.add.reduceat(rows, self._edges[1][:-1], axis=1)
        return (sums / self._cell_pixels).astype(np.float32)

    def _shifted(self, band: NDArray[np.float32], whole: tuple[int, int]):
        """The band moved by whole pixels, and the rectangle it then covers."""
        (dy, dx), (height, width) = whole, band.shape
        inner = (slice(max(0, -dy), min(height, height - dy)), slice(max(0, -dx), min(width, width - dx)))
        if min(part.stop - part.start for part in inner) < 8:
            return band, (slice(0, height), slice(0, width))
        moved = np.empty_like(band)  # read inside the rectangle alone
        moved[inner] = band[inner[0].start + dy : inner[0].stop + dy, inner[1].start + dx : inner[1].stop + dx]
        return moved, inner

    def _inside(self, field: NDArray[np.float32]) -> tuple[slice, slice]:
        """The rectangle that the frame covers wholly, 3 px in."""
        slices = []
        for axis in (0, 1):
            size = self.band.shape[axis]
            start = int(np.ceil(max(0.0, -float(field[..., axis].min())))) + 3
            stop = size - int(np.ceil(max(0.0, float(field[..., axis].max())))) - 3
            slices.append(slice(start, stop) if stop > start else slice(0, size))
        return slices[0], slices[1]

    def _step(self, moved: NDArray[np.float32], inner: tuple[slice, slice]) -> NDArray[np.float32]:
        """One Gauss-Newton step of the displacements, from wide windows to narrow ones (Lucas & Kanade 1981)."""
        *right, squares = cell_sums(self._gradients, self.band, moved, inner, self._edges)
        noise = squares / max((inner[0].stop - inner[0].start) * (inner[1].stop - inner[1].start), 1)
        right = [part / np.float32(self._cell_pixels) for part in right]
        a, b, c = (float(np.mean(product)) for product in self._products)
        prior = np.zeros((*self.grid, 2), np.float32)
        # the whole frame first: it has the say where no patch has structure
        prior[:] = _solve(a, b, c, float(np.mean(right[0])), float(np.mean(right[1])), 1e-6 * (a + c), 0.0, 0.0)
        if not self.local:
            return prior
        for width in LEVELS:
            pixels = self._cell_pixels * 4 * np.pi * width**2 / 4  # of the window; a quarter: noise is correlated
            damp = noise / (pixels * PRIOR_PX**2) + 1e-4 * (a + c)
            smooth = [
                cv2.GaussianBlur(part, (0, 0), width, borderType=cv2.BORDER_REPLICATE)
                for part in (*self._products, *right)
            ]
            answer = _solve(*smooth, damp, prior[..., 0], prior[..., 1])
            prior = np.stack(answer, axis=-1).astype(np.float32)
        return np.clip(prior, -2, 2)


def _steady(value: float) -> float:
    """Round to single precision: OpenCV's sums differ in their last bits with where an array lies in memory."""
    return float(np.float32(value))


def _dot(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    return float(cv2.sumElems(cv2.multiply(a, b))[0])


def _solve(a, b, c, right_y, right_x, damp, prior_y, prior_x):
    """Solve ``[[a, b], [b, c]] e = right``, drawn to the prior with strength `damp`."""
    a, c = a + damp, c + damp
    right_y, right_x = right_y + damp * prior_y, right_x + damp * prior_x
    determinant = a * c - b * b + 1e-30
    return (c * right_y - b * right_x) / determinant, (a * right_x - b * right_y) / determinant


def _parabola(before: float, at: float, after: float) -> float:
    bend = before - 2 * at + after
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def _taper(shape: tuple[int, int]) -> NDArray[np.float32]:
    ramps = []
    for size in shape:
        width = max(2, round(0.03 * size))
        ramp = np.ones(size, np.float32)
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(width) + 0.5) / width)
        ramp[:width], ramp[-width:] = rise, rise[::-1]
        ramps.append(ramp)
    return np.outer(ramps[0], ramps[1]).astype(np.float32)
