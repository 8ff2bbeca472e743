"""Shifts between images: masked normalised correlation at every shift, and sub-pixel refinement.

A shift ``(dy, dx)`` is the place of the moving image's origin in the fixed image's frame: it moves the moving
image onto the fixed one. Library correlations alone fail on small overlaps (wrap-around, windows that hide
the overlap, no measure of chance), hence the masked form of Padfield (2012, IEEE Trans. Image Process. 21,
2706).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.resample import shift_fraction

EDGE_PX = 12  # the band's coarse width: used up to an image's edge, strips of 70 px came out 0.19 px off


@dataclass(frozen=True)
class Texture:
    """Fine structure of an image relative to its own smooth brightness, and where it can be trusted."""

    values: NDArray[np.float32]  # 0 outside `good`
    good: NDArray[np.bool_]


def even_fast_size(size: int) -> int:
    """Return the next size >= `size` that is even and fast to transform."""
    fast = fft.next_fast_len(size, real=True)
    while fast % 2:
        fast = fft.next_fast_len(fast + 1, real=True)
    return fast


def shrink(image: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Average blocks of ``factor x factor`` pixels; rows and columns left over are dropped."""
    if factor == 1:
        return image
    height, width = image.shape[0] // factor, image.shape[1] // factor
    return cv2.resize(image[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)


def texture(
    image: NDArray[np.float32],
    good: NDArray[np.bool_],
    *,
    fine_px: float,
    coarse_px: float,
    clip: float = 4.0,
) -> Texture:
    """Return the image's structure between two scales, relative to its local brightness.

    Parameters
    ----------
    image : float32 (h, w)
        Finite everywhere that `good` is True.
    good : bool (h, w)
        Pixels on the disk, away from the limb.
    fine_px, coarse_px : float
        Gaussian widths of the band.
    clip : float
        Structure is clipped at this many robust deviations: a spot must not decide alone.
    """
    mask = good.astype(np.float32)
    filled = np.where(good, image, np.float32(0)).astype(np.float32)
    # normalised smoothing keeps the mask's edge out of the band
    coarse_weight = cv2.GaussianBlur(mask, (0, 0), coarse_px, borderType=cv2.BORDER_CONSTANT)
    coarse = cv2.GaussianBlur(filled, (0, 0), coarse_px, borderType=cv2.BORDER_CONSTANT)
    fine_weight = cv2.GaussianBlur(mask, (0, 0), fine_px, borderType=cv2.BORDER_CONSTANT)
    fine = cv2.GaussianBlur(filled, (0, 0), fine_px, borderType=cv2.BORDER_CONSTANT)
    safe = good & (coarse > 0)
    values = np.zeros(image.shape, np.float32)
    ratio = fine[safe] / np.maximum(fine_weight[safe], 1e-6) * coarse_weight[safe] / coarse[safe] - 1
    spread = 1.4826 * float(np.median(np.abs(ratio))) if ratio.size else 0.0
    values[safe] = np.clip(ratio, -clip * spread, clip * spread)
    return Texture(values, safe)


@dataclass(frozen=True)
class Spectra:
    """Transforms of one texture for correlation with any other of the same padded shape."""

    shape: tuple[int, int]
    padded: tuple[int, int]
    value: NDArray[np.complex64]
    mask: NDArray[np.complex64]
    square: NDArray[np.complex64]
    pixels: int


def spectra(of: Texture, padded: tuple[int, int]) -> Spectra:
    """Transform a texture, zero-padded to `padded` (at least the sum of both shapes less one)."""
    mask = of.good.astype(np.float32)
    value, square = of.values, np.square(of.values)
    return Spectra(
        of.values.shape,
        padded,
        fft.rfft2(value, padded),
        fft.rfft2(mask, padded),
        fft.rfft2(square, padded),
        int(of.good.sum()),
    )


@dataclass(frozen=True)
class Peak:
    """The best shift of a moving texture onto a fixed one.

    ``significance`` is the peak of r*sqrt(n) over the robust deviation of r*sqrt(n) at all shifts: r alone is
    high by chance where few pixels overlap.
    """

    shift: tuple[int, int]
    correlation: float
    significance: float
    pixels: int


def best_shifts(fixed: Spectra, moving: Spectra, *, min_pixels: float, peaks: int = 1) -> list[Peak]:
    """Return the most significant integer shifts, best first.

    Parameters
    ----------
    fixed, moving : Spectra
        Of the same padded shape.
    min_pixels : float
        Least number of good pixels that both must share.
    peaks : int
        Number of separate peaks wanted.
    """
    padded = fixed.padded

    def correlate(a: NDArray, b: NDArray) -> NDArray[np.float32]:
        return fft.irfft2(a * np.conj(b), padded)

    count = np.rint(correlate(fixed.mask, moving.mask))
    valid = count >= min_pixels
    if not valid.any():
        return []
    safe = np.maximum(count, 1)
    sum_fixed = correlate(fixed.value, moving.mask)
    sum_moving = correlate(fixed.mask, moving.value)
    cross = correlate(fixed.value, moving.value) - sum_fixed * sum_moving / safe
    var_fixed = correlate(fixed.square, moving.mask) - sum_fixed**2 / safe
    var_moving = correlate(fixed.mask, moving.square) - sum_moving**2 / safe
    floor = 1e-3 * safe * max(float(np.median(var_fixed[valid] / safe[valid])), 1e-20)
    power = np.sqrt(np.maximum(var_fixed, floor) * np.maximum(var_moving, floor))
    correlation = np.where(valid, np.clip(cross / power, -1, 1), 0)
    score = correlation * np.sqrt(safe)
    spread = 1.4826 * float(np.median(np.abs(score[valid])))
    score /= max(spread, 1e-12)
    found = []
    for _ in range(peaks):
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[row, column] <= 0:
            break
        shift = (_signed(row, fixed.shape[0], padded[0]), _signed(column, fixed.shape[1], padded[1]))
        found.append(Peak(shift, float(correlation[row, column]), float(score[row, column]), int(count[row, column])))
        near_rows = np.arange(row - 4, row + 5) % padded[0]
        near_columns = np.arange(column - 4, column + 5) % padded[1]
        score[np.ix_(near_rows, near_columns)] = 0
    return found


def _signed(index: int, extent: int, period: int) -> int:
    return int(index) if index < extent else int(index) - period


def overlap_windows(
    shape_fixed: tuple[int, int], shape_moving: tuple[int, int], shift: tuple[int, int]
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    """Return the windows of both images that see the same pixels at a whole `shift`; None without overlap."""
    windows = []
    for axis in (0, 1):
        start = max(0, shift[axis])
        stop = min(shape_fixed[axis], shift[axis] + shape_moving[axis])
        if stop <= start:
            return None
        windows.append((slice(start, stop), slice(start - shift[axis], stop - shift[axis])))
    return (windows[0][0], windows[1][0]), (windows[0][1], windows[1][1])


@dataclass(frozen=True)
class Match:
    """A sub-pixel match of two windows.

    Attributes
    ----------
    shift : (float, float)
        Of the moving image's origin, px, at `centre`.
    correlation : float
    sigma_px : float
        Standard error of the shift.
    pixels : int
        Used.
    centre : (float, float)
        Where the structure that was compared lies, in the fixed image.
    turn_rad, stretch : float
        How the moving image is turned (+x towards +y) and magnified against the fixed one; small.
    turn_sigma : float
        Standard error of both.
    """

    shift: tuple[float, float]
    correlation: float
    sigma_px: float
    pixels: int
    centre: tuple[float, float]
    turn_rad: float
    stretch: float
    turn_sigma: float


def refine(
    fixed: Texture, moving: Texture, shift: tuple[int, int], *, rounds: int = 6, reach_px: float = 4.0
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

    Returns
    -------
    Match or None
        Shift of the moving image's origin in the fixed image's frame; None where it does not converge.
    """
    total = np.array(shift, float)
    result = None
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
        margin = int(np.clip(min(a.shape) // 6, 2, EDGE_PX))
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
        normal = columns.T @ columns
        try:
            answer = np.linalg.solve(normal, columns.T @ difference)
        except np.linalg.LinAlgError:
            return None
        # a(x) = b(x - e) with e the shift still missing, so b - a = e . gradient
        step = answer[:2]
        total = total + np.clip(step, -1.5, 1.5)
        if np.abs(total - shift).max() > reach_px:
            return None
        residual = difference - columns @ answer
        centred_a, centred_b = a[weight] - a[weight].mean(), b[weight] - b[weight].mean()
        correlation = float(
            np.sum(centred_a * centred_b) / np.sqrt(np.sum(centred_a**2) * np.sum(centred_b**2) + 1e-30)
        )
        error = np.sqrt(np.mean(residual**2) * np.linalg.inv(normal)[[0, 1], [0, 1]].sum() / 2)
        result = (correlation, float(error), weight, grad_y, grad_x, columns, difference, windows)
        if np.abs(step).max() < 2e-3:
            break
    return _match(total, *result)


def _match(total, correlation, error, weight, grad_y, grad_x, columns, difference, windows) -> Match:
    """Tell the match of the last round, with turn and stretch about the middle of the structure compared."""
    rows, cols = (index.astype(float) for index in np.nonzero(weight))
    power = np.square(grad_y[weight]) + np.square(grad_x[weight])
    middle = np.average(np.stack([rows, cols]), axis=1, weights=power + 1e-30)
    y, x = rows - middle[0], cols - middle[1]
    extra = np.stack([grad_y[weight] * x - grad_x[weight] * y, grad_y[weight] * y + grad_x[weight] * x], axis=1)
    design = np.column_stack([columns, extra])
    normal = design.T @ design
    answer = np.linalg.lstsq(normal, design.T @ difference, rcond=1e-12)[0]
    residual = difference - design @ answer
    inverse = np.linalg.pinv(normal)
    start = (windows[0][0].start, windows[0][1].start)
    return Match(
        (float(total[0]), float(total[1])),
        correlation,
        error,
        int(weight.sum()),
        (float(middle[0] + start[0]), float(middle[1] + start[1])),
        float(answer[4]),
        float(answer[5]),
        float(np.sqrt(np.mean(residual**2) * (inverse[4, 4] + inverse[5, 5]) / 2)),
    )
