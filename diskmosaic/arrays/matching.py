"""Sub-pixel shifts of overlaps: least squares on the structure, cell by cell where tiles are warped.

A shift ``(dy, dx)`` is the place of the moving image's origin in the fixed image's frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import Texture, overlap_windows
from diskmosaic.arrays.resample import shift_fraction

EDGE_PX = 12  # the band's coarse width: used up to an image's edge, strips of 70 px came out 0.19 px off
BORDER_PX = 4  # the reach of the interpolation, and a pixel
CELL_PX = 48  # within a cell the air's warps displace all alike
ALIKE = 9.0  # neighbouring cells are warped alike, over some 20,000 px (`search.WARP_AREA_PX`): so many count as one
CELLS = 5  # from so many on their scatter tells the warps
CELL_KNOWN_PX = 0.5  # standard error of a cell's own displacement up to which it tells of warps
# Noise smoothed by the band's fine width s = 1.5 against the gradient of structure that is wider than that: pixels to
# one independent value. The integral of both autocorrelations (of Gaussians) is pi s^2 = 7 for structure as fine as the
# noise, and 4 pi s^2 = 28 for much wider one
NOISE_GRAIN_PX = 14.0
# The mean of two images has a quarter of their difference's variance v; noise smoothed by s has a gradient of
# v / (4 2 s^2) per axis, over grain * v
NOISE_TELLS = 1 / (18 * NOISE_GRAIN_PX)
WORST_PX = 10.0  # standard error of what is not known
MEDIAN_CHI2 = 1.386  # of two numbers: 2 ln 2


@dataclass(frozen=True)
class Match:
    """A sub-pixel match of two windows.

    Attributes
    ----------
    shift : (float, float)
        Of the moving image's origin, px, at `centre`.
    correlation : float
    sigma_px : float
        Standard error of the shift by noise alone.
    warp_px : float
        Scatter of the cells' own displacements beyond their noise, rms per axis; NaN where too few cells tell.
    pixels : int
        Used.
    centre : (float, float)
        Where the structure that was compared lies, in the fixed image.
    turn_rad, stretch : float
        How the moving image is to be turned (+x towards +y) and magnified to lie on the fixed one; small.
    turn_sigma : float
        Standard error of both.
    """

    shift: tuple[float, float]
    correlation: float
    sigma_px: float
    warp_px: float
    pixels: int
    centre: tuple[float, float]
    turn_rad: float
    stretch: float
    turn_sigma: float


def refine(
    fixed: Texture,
    moving: Texture,
    shift: tuple[int, int],
    *,
    rounds: int = 6,
    reach_px: float = 4.0,
    rigid: bool = False,
    masks_alike: bool = False,
) -> Match | None:
    """Refine an integer shift to a fraction of a pixel by least squares on the overlap (Gauss-Newton).

    The moving texture is compared with the fixed one; the gradient is the mean of both images', which halves
    the bias that noise in a gradient gives (Lucas & Kanade 1981). A free gain makes it a correlation.

    Parameters
    ----------
    fixed, moving : Texture
    shift : (int, int)
        Start, right to about 2 px at the scale of the textures.
    rounds : int
        Iterations.
    reach_px : float
        The answer is refused when it walks further than this from the start.
    rigid : bool
        Nothing is warped and noise is white: the overlap is taken as one.
    masks_alike : bool
        Both bands were made of the same piece of the scene under one mask: where they are one-sided, they are so
        alike. Only the piece's own border, which interpolation reaches, is kept off.

    Returns
    -------
    Match or None
        Shift of the moving image's origin in the fixed image's frame; None where it does not converge.
    """
    total = np.array(shift, float)
    for _ in range(rounds):
        whole = np.rint(total).astype(int)
        windows = overlap_windows(fixed.values.shape, moving.values.shape, (int(whole[0]), int(whole[1])))
        if windows is None:
            return None
        a, good = fixed.values[windows[0]], fixed.good[windows[0]] & moving.good[windows[1]]
        b = moving.values[windows[1]]
        if min(a.shape) < 8 or good.sum() < 64:
            return None
        part = total - whole
        # bring the moving window onto the fixed grid; one step of at most half a pixel
        b = shift_fraction(b, (part[0], part[1]))
        # near the edge of either image the band was made from one side only: what it shows is not the Sun's
        margin = int(np.clip(min(a.shape) // 6, 2, BORDER_PX if masks_alike else EDGE_PX))
        if masks_alike:
            weight = np.zeros(good.shape, bool)
            inner = (slice(margin, -margin),) * 2
            weight[inner] = good[inner]
        else:
            kernel = np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)
            weight = cv2.erode(good.astype(np.uint8), kernel, borderValue=0).astype(bool)
        if weight.sum() < 64:
            return None
        both = 0.5 * (a + b)
        grad_y, grad_x = np.gradient(both)
        columns = np.stack([grad_y[weight], grad_x[weight], both[weight], np.ones(int(weight.sum()))], axis=1).astype(
            float
        )
        difference = (b - a)[weight].astype(float)
        try:
            answer = np.linalg.solve(columns.T @ columns, columns.T @ difference)
        except np.linalg.LinAlgError:
            return None
        # a(x) = b(x - e) with e the shift still missing, so b - a = e . gradient
        step = answer[:2]
        total = total + np.clip(step, -1.5, 1.5)
        if np.abs(total - shift).max() > reach_px:
            return None
        if np.abs(step).max() < 2e-3:
            break
    centred_a, centred_b = a[weight] - a[weight].mean(), b[weight] - b[weight].mean()
    correlation = float(np.sum(centred_a * centred_b) / np.sqrt(np.sum(centred_a**2) * np.sum(centred_b**2) + 1e-30))
    places = np.stack(np.nonzero(weight))
    gradient, left = columns[:, :2], difference - columns[:, 2:] @ answer[2:]
    noise = float(np.mean(np.square(left - gradient @ step)))
    side = max(fixed.values.shape) if rigid else CELL_PX
    grain, own = (1.0, 0.0) if rigid else (NOISE_GRAIN_PX, NOISE_TELLS)
    cells = _Cells(places, gradient, left, grain * noise, side, own)
    start = (windows[0][0].start, windows[0][1].start)
    middle, move, turn, stretch, turn_sigma = cells.together()
    # what was measured about the last round's place, whose own step is taken already
    total = total + np.clip(move - step, -1.5, 1.5)
    return Match(
        (float(total[0]), float(total[1])),
        correlation,
        cells.noise_px,
        cells.warp_px,
        int(weight.sum()),
        (float(middle[0] + start[0]), float(middle[1] + start[1])),
        turn,
        stretch,
        turn_sigma,
    )


class _Cells:
    """The displacements that cells of an overlap show, and how far they scatter beyond their noise.

    Parameters
    ----------
    places : (2, n)
        Rows and columns of the pixels used.
    gradient : (n, 2)
    left : (n,)
        Difference of the images: displacement times gradient.
    noise : float
        Variance of what no displacement explains, per independent value.
    side : int
        Of a cell, px.
    own : float
        Information per pixel that the gradient of noise alone seems to hold, px^-2.
    """

    def __init__(self, places, gradient, left, noise: float, side: int, own: float):
        across = int(places[1].max()) // side + 1
        number = (places[0] // side) * across + places[1] // side
        number = (np.cumsum(np.bincount(number) > 0) - 1)[number]  # without empty cells

        def sums(values):
            return np.bincount(number, values)

        pixels = sums(np.ones(len(number)))
        self.share = pixels / side**2
        self.at = np.stack([sums(index) / pixels for index in places.astype(float)], axis=1)
        noise = max(noise, 1e-30)
        y, x = gradient.T
        normal = np.array([[sums(y * y), sums(y * x)], [sums(y * x), sums(x * x)]]) / noise
        self.normal = np.moveaxis(normal, -1, 0)  # inverse of the covariance of a cell's displacement
        self.right = np.stack([sums(y * left), sums(x * left)], axis=1) / noise
        self.power = np.trace(self.normal, axis1=1, axis2=2)
        # what the noise's own gradient seems to tell is no knowledge: along a smooth edge there is nothing else
        known = np.linalg.eigvalsh(self.normal.sum(axis=0)) - own * len(left)
        self.noise_px = float(np.sqrt(np.mean(1 / np.maximum(known, WORST_PX**-2))))
        self.warp_px = self._scatter()

    def _scatter(self) -> float:
        """Return the deviation per axis by which cells differ beyond noise: half lie within the median of chi²."""
        worst = np.linalg.eigvalsh(self.normal)[:, 0]
        known = (worst > CELL_KNOWN_PX**-2) & (self.share > 0.5)
        if known.sum() < CELLS:
            return np.nan
        covariance = np.linalg.inv(self.normal[known])
        moved = np.einsum("nij,nj->ni", covariance, self.right[known])
        # a turn or another scale is no warp; four numbers are fitted to twice as many as there are cells
        design = _similar(self.at[known] - self.at[known].mean(axis=0)).reshape(-1, 4)
        off = (moved.ravel() - design @ np.linalg.lstsq(design, moved.ravel(), rcond=None)[0]).reshape(-1, 2)

        def typical(warp: float) -> float:
            inverse = np.linalg.inv(covariance + warp**2 * np.eye(2))
            return float(np.median(np.einsum("ni,nij,nj->n", off, inverse, off)))

        wanted = MEDIAN_CHI2 * (1 - 2 / known.sum())
        low, high = 0.0, 4.0
        if typical(low) <= wanted:
            return 0.0
        for _ in range(20):
            middle = (low + high) / 2
            low, high = (middle, high) if typical(middle) > wanted else (low, middle)
        return high

    def together(self):
        """Return the middle, the displacement there, turn, stretch and their error; cells by noise and warps."""
        warp = np.nan_to_num(self.warp_px) ** 2 / self.share
        # (C + w I)^-1 = N (I + w N)^-1 with N = C^-1, which need not be invertible
        damp = np.linalg.inv(np.eye(2) + warp[:, None, None] * self.normal)
        weight, right = self.normal @ damp, np.einsum("nji,nj->ni", damp, self.right)
        total = weight.sum(axis=0)
        middle = np.average(self.at, axis=0, weights=np.trace(weight, axis1=1, axis2=2) + 1e-30)
        move = np.linalg.pinv(total) @ right.sum(axis=0)
        design = _similar(self.at - middle)
        normal = np.einsum("nki,nkl,nlj->ij", design, weight, design)
        answer = np.linalg.pinv(normal) @ np.einsum("nki,nk->i", design, right)
        unsure = self.normal @ np.linalg.inv(np.eye(2) + ALIKE * warp[:, None, None] * self.normal)
        inverse = np.linalg.pinv(np.einsum("nki,nkl,nlj->ij", design, unsure, design))
        error = np.sqrt(max(np.trace(inverse[2:, 2:]) / 2, 0.0))
        if len(design) < 2:
            return middle, move, np.nan, np.nan, np.nan
        return middle, move, float(answer[2]), float(answer[3]), float(error)


def _similar(lever: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (n, 2, 4): displacements at `lever` by a shift (two numbers), a turn and a stretch."""
    design = np.zeros((len(lever), 2, 4))
    design[:, 0, 0] = design[:, 1, 1] = 1
    design[:, :, 2] = np.stack([lever[:, 1], -lever[:, 0]], axis=1)
    design[:, :, 3] = lever
    return design
