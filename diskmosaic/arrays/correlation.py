"""Shifts between images: masked normalised correlation at every shift.

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

from diskmosaic.arrays.resample import smooth_wide

COARSE = 4  # pixels to a block on which overlaps are counted
SAMPLE = 20_000  # values that tell a spread: 1 % of it
CELLS = 2.5  # blocks to the width of a band's coarse Gaussian


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
    whole = bool(good.all())
    filled = np.ascontiguousarray(image, np.float32) if whole else np.where(good, image, np.float32(0))
    fine, coarse = _gaussian(filled, fine_px), smooth_wide(filled, coarse_px, cells=CELLS)
    if not whole:
        # normalised smoothing keeps the mask's edge out of the band
        mask = good.astype(np.float32)
        fine /= np.maximum(_gaussian(mask, fine_px), np.float32(1e-6))
        coarse /= np.maximum(smooth_wide(mask, coarse_px, cells=CELLS), np.float32(1e-6))
    safe = good & (coarse > 0)
    values = fine / np.where(safe, coarse, np.float32(1)) - 1
    # the spread needs no more than a sample: every so-manieth of its pixels
    sample = values[safe][:: max(1, safe.size // SAMPLE)]
    spread = 1.4826 * float(np.median(np.abs(sample))) if sample.size else 0.0
    values = np.clip(values, -clip * spread, clip * spread)
    values[~safe] = 0
    return Texture(values, safe)


def _gaussian(image: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    return cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT)


@dataclass(frozen=True)
class Spectra:
    """Transforms of one texture for correlation with any other of the same padded shape.

    What the normalisation needs (`mask`, `square`, `smooth`) is known well enough on blocks of `COARSE` pixels: sums
    over overlaps change slowly from shift to shift.
    """

    texture: Texture
    padded: tuple[int, int]
    value: NDArray[np.complex64]
    mask: NDArray[np.complex64]
    square: NDArray[np.complex64]
    smooth: NDArray[np.complex64]


def padded_shape(fixed: tuple[int, int], moving: tuple[int, int]) -> tuple[int, int]:
    """Return the shape, fast to transform, in which two images can be correlated at every shift."""
    height, width = (COARSE * even_fast_size(-(-(a + b) // COARSE)) for a, b in zip(fixed, moving, strict=True))
    return height, width


def spectra(of: Texture, padded: tuple[int, int]) -> Spectra:
    """Transform a texture, zero-padded to `padded` (see `padded_shape`)."""
    mask, square = of.good.astype(np.float32), np.square(of.values)
    small = (padded[0] // COARSE, padded[1] // COARSE)
    mask, square, smooth = (fft.rfft2(_block_sums(image), small) for image in (mask, square, of.values))
    return Spectra(of, padded, fft.rfft2(of.values, padded), mask, square, smooth)


def _block_sums(image: NDArray[np.float32]) -> NDArray[np.float32]:
    height, width = image.shape
    whole = np.zeros((-(-height // COARSE) * COARSE, -(-width // COARSE) * COARSE), np.float32)
    whole[:height, :width] = image
    return whole.reshape(whole.shape[0] // COARSE, COARSE, -1, COARSE).sum(axis=(1, 3))


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


def best_shifts(
    fixed: Spectra,
    moving: Spectra,
    *,
    min_pixels: float,
    peaks: int = 1,
    near: tuple[NDArray[np.float64], float] | None = None,
) -> list[Peak]:
    """Return the most significant integer shifts, best first.

    Parameters
    ----------
    fixed, moving : Spectra
        Of the same padded shape.
    min_pixels : float
        Least number of good pixels that both must share.
    peaks : int
        Number of separate peaks wanted.
    near : ((2,), float), optional
        A shift, and how far from it along each axis the peaks may lie.
    """
    padded, small = fixed.padded, (fixed.padded[0] // COARSE, fixed.padded[1] // COARSE)

    def coarse(a: NDArray, b: NDArray) -> NDArray[np.float32]:
        return fft.irfft2(a * np.conj(b), small) / COARSE**2

    count = coarse(fixed.mask, moving.mask)
    valid = count >= min_pixels
    if not valid.any():
        return []
    safe = np.maximum(count, 1)
    sum_fixed, sum_moving = coarse(fixed.smooth, moving.mask), coarse(fixed.mask, moving.smooth)
    var_fixed = coarse(fixed.square, moving.mask) - sum_fixed**2 / safe
    var_moving = coarse(fixed.mask, moving.square) - sum_moving**2 / safe
    floor = 1e-3 * safe * max(float(np.median(var_fixed[valid] / safe[valid])), 1e-20)
    # r sqrt(n) = (cross - sums / n) sqrt(n / variances)
    factor = np.sqrt(safe / (np.maximum(var_fixed, floor) * np.maximum(var_moving, floor)))
    score = fft.irfft2(fixed.value * np.conj(moving.value), padded)
    score -= _enlarged(sum_fixed * sum_moving / safe, padded)
    score *= _enlarged(factor, padded)
    shared = _enlarged(count, padded) >= min_pixels
    score *= shared
    known = score[shared]
    if not known.size:
        return []
    spread = max(1.4826 * float(np.median(np.abs(known[:: max(1, known.size // SAMPLE)]))), 1e-12)
    found = []
    shape = fixed.texture.values.shape
    if near is not None:
        for axis in (0, 1):
            shifts = np.array([_signed(i, shape[axis], padded[axis]) for i in range(padded[axis])])
            away = np.abs(shifts - near[0][axis]) > near[1]
            score[away if axis == 0 else (slice(None), away)] = 0
    for _ in range(peaks):
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[row, column] <= 0:
            break
        shift = (_signed(row, shape[0], padded[0]), _signed(column, shape[1], padded[1]))
        correlation, pixels = correlation_at(fixed.texture, moving.texture, shift)
        found.append(Peak(shift, correlation, float(score[row, column]) / spread, pixels))
        near_rows = np.arange(row - 4, row + 5) % padded[0]
        near_columns = np.arange(column - 4, column + 5) % padded[1]
        score[np.ix_(near_rows, near_columns)] = 0
    return found


def _enlarged(small: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Interpolate values at every `COARSE`-th shift to all shifts, linearly; shifts go round."""
    around = np.pad(small, ((0, 1), (0, 1)), mode="wrap").astype(np.float32)
    step = 1 / COARSE
    matrix = np.array([[step, 0.0, 0.0], [0.0, step, 0.0]])
    return cv2.warpAffine(around, matrix, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def _signed(index: int, extent: int, period: int) -> int:
    return int(index) if index < extent else int(index) - period


def correlation_at(fixed: Texture, moving: Texture, shift: tuple[int, int]) -> tuple[float, int]:
    """Return the correlation of what both see at a whole shift, and the number of pixels."""
    windows = overlap_windows(fixed.values.shape, moving.values.shape, shift)
    if windows is None:
        return 0.0, 0
    good = fixed.good[windows[0]] & moving.good[windows[1]]
    a, b = fixed.values[windows[0]][good], moving.values[windows[1]][good]
    if len(a) < 2:
        return 0.0, len(a)
    a, b = a - a.mean(dtype=float), b - b.mean(dtype=float)
    return float(np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b) + 1e-30)), len(a)


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
