"""How a frame lies against a reference: whole shift, local displacements, sharpness and level.

Everything is read off block means of the raw frame, which no filter touches: ``d = frame(x + u) / level - reference``
is summed against images made once from the reference (*instruments*). Filtering those once is the same as filtering
every frame: with B the band of structure and g the reference's gradient, ``sum Bg Bd = sum (BBg) d`` inside. So a
frame costs one interpolation and one sum a step. Displacements are *sampling* displacements:
``reference(x) ~ frame(x + u(x))``, in px of the block means.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.cellsums import compare
from diskmosaic.arrays.correlation import even_fast_size
from diskmosaic.arrays.displacements import MOST_PX, Displacements

COARSE_BOX = 11  # px of the box, run twice, that takes slow brightness out
UNMODELLED_PX = 0.3  # displacement that a smooth field cannot follow: no pixel can tell better than that
MARGIN = 6  # px before what a reference does not know: half the box
GRADED_CELLS = 2.0  # width over which a place is graded: less is noisier, more mixes places of unequal blur
RIDGE = 0.05  # of the typical structure: so much of the whole frame's grade stands in for a place with little of it
AGREES = 0.5  # slope of the structure on the reference's: another place of the Sun has 0, the same place 1
STEPS = 8  # at most, of the whole frame
REST_PX = 0.25  # a smaller step of the whole frame is its last: the cells' own step takes the rest
ROUND_PX = 4  # windows begin and end at multiples of it: what depends on them is then computed for few of them


@dataclass(frozen=True)
class Look:
    """What was measured of one frame.

    Attributes
    ----------
    field : float32 (rows, columns, 2)
        Sampling displacement (y, x) at the centres of the grid's cells, px of the block means.
    quality : float
        Slope of the frame's finest structure on the reference's: 1 is as sharp; noise does not bias it.
    level : float
        Brightness relative to the reference over what both see.
    agreement : float
        Slope of the frame's structure at all scales on the reference's, likewise: 0 where it shows something else.
    grades : float32 (rows, columns) or None
        `quality` place by place, -inf where the frame does not show a cell's centre; None: not asked for.
    """

    field: NDArray[np.float32]
    quality: float
    level: float
    agreement: float
    grades: NDArray[np.float32] | None = None


def structure(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return an image's structure without its slow brightness (a narrow Gaussian less a wide double box)."""
    coarse = cv2.blur(image, (COARSE_BOX, COARSE_BOX), borderType=cv2.BORDER_REFLECT)
    coarse = cv2.blur(coarse, (COARSE_BOX, COARSE_BOX), dst=coarse, borderType=cv2.BORDER_REFLECT)
    return cv2.subtract(cv2.GaussianBlur(image, (5, 5), 0.8, borderType=cv2.BORDER_REFLECT), coarse)


def fine(band: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the finest part of a structure image, where blur tells most."""
    return cv2.subtract(band, cv2.GaussianBlur(band, (9, 9), 1.7, borderType=cv2.BORDER_REFLECT))


class Reference:
    """A reference image, prepared once, that any number of frames (from any thread) are measured against.

    Parameters
    ----------
    image : float32 (h, w)
        Block means of the reference.
    grid : (int, int)
        Rows and columns of cells of the displacement field.
    noise : float
        Standard deviation of the noise in a frame's block means.
    local : bool
        False measures whole-frame shifts only.
    seen : bool (h, w), optional
        Where the image is known: what lies beyond, and `MARGIN` before it, says nothing. Everywhere by default.
    graded : bool
        Frames that are looked at are graded place by place, too.
    """

    def __init__(
        self,
        image: NDArray[np.float32],
        *,
        grid: tuple[int, int],
        noise: float,
        local: bool = True,
        seen: NDArray[np.bool_] | None = None,
        graded: bool = False,
    ):
        self.image = np.ascontiguousarray(image, np.float32)
        self.local, self.grid, self._graded = local, grid, graded
        self._edges = tuple(
            np.rint(np.linspace(0, size, cells + 1)).astype(np.int64)
            for size, cells in zip(image.shape, grid, strict=True)
        )
        self._integral = cv2.integral(self.image, sdepth=cv2.CV_64F)
        band = structure(self.image)
        gradients, tools = [], []
        for axis in (0, 1):
            gradient = 0.5 * (np.roll(self.image, -1, axis) - np.roll(self.image, 1, axis))
            gradient[[0, -1]] = 0
            gradient[:, [0, -1]] = 0
            gradients.append(gradient)
            tools.append(structure(structure(gradient)))
        # what an ideal weighting gives a pixel: its noise, and the displacement that no smooth field follows; else the
        # limb's great slope would outvote the surface beside it
        slope = structure(gradients[0]) ** 2 + structure(gradients[1]) ** 2
        variance = noise**2 + UNMODELLED_PX**2 * cv2.GaussianBlur(slope, (0, 0), 4.0)
        weight = (1 / (variance + 1e-12 * float(np.mean(self.image)) ** 2 + 1e-30)).astype(np.float32)
        tools = [tool * weight for tool in tools]
        fine_tool = fine(structure(structure(fine(self.image))))
        self._tools = np.stack([*tools, fine_tool, structure(band)]).astype(np.float32)
        if seen is not None and not seen.all():
            kernel = np.ones((2 * MARGIN + 1,) * 2, np.uint8)
            self._tools *= cv2.erode(seen.astype(np.uint8), kernel, borderType=cv2.BORDER_REPLICATE)
        products = np.stack([[self._cells(tool * gradient) for gradient in gradients] for tool in tools])
        self._solver = Displacements(products, self._edges)
        self._own = [self._cells(tool * self.image) for tool in self._tools[2:]]
        trace = products[0, 0] + products[1, 1]
        # cells with next to no structure (sky) have their displacement from neighbours: they do not speak for a frame
        self.trust = np.clip(trace / (0.05 * np.percentile(trace, 75) + 1e-30), 0, 1) + 1e-6
        self.contrast = float(np.sqrt(max(np.sum(self._own[0]), 0) / image.size)) / max(float(np.mean(image)), 1e-6)
        # whole shifts of frames that are far off, tapered 3 %, no window that hides the borders
        self._padded = tuple(even_fast_size(size) for size in image.shape)
        self._taper = _taper(image.shape)
        spectrum = fft.rfft2(band * self._taper, self._padded)
        # half-whitened: the band's own slope no longer broadens the peak, noise is not lifted as by full whitening
        amplitude = np.abs(spectrum)
        self._conjugate = np.conj(spectrum) / np.sqrt(amplitude + 0.05 * amplitude.mean() + 1e-20)

    def look(self, image: NDArray[np.float32], start: tuple[float, float] = (0.0, 0.0)) -> Look:
        """Measure one frame given as block means.

        Parameters
        ----------
        image : float32 (h, w)
        start : (float, float)
            About where the frame is sampled (y, x), px; where the frame does not agree there, it is searched for.
        """
        look, settled = self._measure(image, np.array(start, float))
        if look.agreement < AGREES or not settled:
            other, _ = self._measure(image, np.array(self.whole_shift(image)))
            look = other if other.agreement > look.agreement else look
        return look

    def cover(self, window: tuple[slice, slice]) -> NDArray[np.float64]:
        """Return the share of each cell that lies in a window."""
        return self._solver.cover(window)

    def window(self, field: NDArray[np.float32]) -> tuple[slice, slice]:
        """Return the rectangle that a frame sampled along a field covers wholly, 2 px in."""
        slices = []
        for axis in (0, 1):
            size = self.image.shape[axis]
            start = int(np.ceil(max(0.0, -float(field[..., axis].min())))) + 2
            stop = size - int(np.ceil(max(0.0, float(field[..., axis].max())))) - 2
            start, stop = -(-start // ROUND_PX) * ROUND_PX, stop // ROUND_PX * ROUND_PX
            slices.append(slice(start, stop) if stop > start else slice(0, size))
        return slices[0], slices[1]

    def refine(self, image: NDArray[np.float32], field: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return a field that is right to some tenths of a pixel, one step better."""
        field = np.asarray(field, np.float32)
        sums, window = self._compare(image, field, self._level(image, field.mean((0, 1))), tools=2)
        return field + self._step(sums, window, twice=True)

    def whole_shift(self, image: NDArray[np.float32]) -> tuple[float, float]:
        """Return the sampling displacement of the whole frame by phase correlation (Kuglin & Hines 1975)."""
        spectrum = fft.rfft2(structure(image) * self._taper, self._padded)
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
        return (y - height if y > height / 2 else y), (x - width if x > width / 2 else x)

    def _measure(self, image: NDArray[np.float32], whole: NDArray[np.float64]) -> tuple[Look, bool]:
        """Look at a frame from a first guess of its place; returns too whether the whole frame came to rest."""
        field, near, level = np.empty((*self.grid, 2), np.float32), None, 1.0
        for _ in range(STEPS):
            field[:] = whole
            if near is None or np.abs(whole - near).max() > 1:
                level, near = self._level(image, whole), whole
            sums, window = self._compare(image, field, level, tools=2)
            step = np.clip(self._solver.whole(sums, window), -1.5, 1.5)
            settled = bool(np.abs(step).max() < REST_PX)
            if settled:
                break
            whole = whole + step
        level = self._level(image, whole)
        field = field + self._step(sums, window)
        sums, window = self._compare(image, field, level)
        cover = self._solver.cover(window)
        slopes = [
            1 + float(np.sum(part)) / (float(np.sum(own * cover)) + 1e-30)
            for part, own in zip(sums[2:], self._own, strict=True)
        ]
        field = field + self._step(sums, window)
        grades = self._grades(sums[2], cover, slopes[0], field) if self._graded else None
        return Look(field, slopes[0], level, slopes[1], grades), settled

    def _grades(
        self, part: NDArray[np.float64], cover: NDArray[np.float64], quality: float, field: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """The slope of the finest structure place by place, drawn to the whole frame's where there is little of it."""
        own = np.maximum(_spread(self._own[0] * cover), 0)
        ridge = RIDGE * np.percentile(own, 75) + 1e-30
        grades = 1 + (_spread(part) + ridge * (quality - 1)) / (own + ridge)
        shown = np.ones(self.grid, bool)
        for axis, edges in enumerate(self._edges):
            centres = 0.5 * (edges[1:] + edges[:-1])
            at = field[..., axis] + (centres[:, None] if axis == 0 else centres)
            shown &= (at >= 0) & (at <= edges[-1])
        return np.where(shown, grades, -np.inf).astype(np.float32)

    def _compare(self, image: NDArray[np.float32], field: NDArray[np.float32], level: float, tools: int | None = None):
        """Sums over cells of the first `tools` instruments (two tell displacements), and where both images are seen."""
        window = self.window(field)
        return compare(image, field, self.image, self._tools[:tools], 1 / level, window, self._edges), window

    def _step(
        self, sums: NDArray[np.float64], window: tuple[slice, slice], *, twice: bool = False
    ) -> NDArray[np.float32]:
        """What a field is still off by: the same everywhere where only whole frames are followed."""
        if self.local:
            return self._solver.local(sums, window, twice=twice)
        return np.clip(self._solver.whole(sums, window), -MOST_PX, MOST_PX).astype(np.float32)

    def _level(self, image: NDArray[np.float32], whole: NDArray[np.float64]) -> float:
        dy, dx = round(float(whole[0])), round(float(whole[1]))
        height, width = image.shape
        top, left = max(0, -dy), max(0, -dx)
        bottom, right = min(height, height - dy), min(width, width - dx)
        if bottom - top < 4 or right - left < 4:
            return 1.0
        own = cv2.mean(image[top + dy : bottom + dy, left + dx : right + dx])[0]
        total = self._integral
        theirs = total[bottom, right] - total[top, right] - total[bottom, left] + total[top, left]
        theirs /= (bottom - top) * (right - left)
        ratio = own / theirs if theirs > 0 else 1.0
        return ratio if ratio > 1e-3 else 1.0

    def _cells(self, image: NDArray[np.float32]) -> NDArray[np.float64]:
        rows = np.add.reduceat(image, self._edges[0][:-1], axis=0, dtype=np.float64)
        return np.add.reduceat(rows, self._edges[1][:-1], axis=1)


def _spread(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    return cv2.GaussianBlur(cells, (0, 0), GRADED_CELLS, borderType=cv2.BORDER_REPLICATE)


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
