"""What a flat leaves in a stacked tile, put right without the frames.

A tile is the weighted mean of frames that were divided by a flat F on the sensor and then moved by their shifts s_k. If
a better flat G is right, frame k shows ``Sun * G/F``, so that the tile carries the mean of ``(G/F)(x - s_k)`` over the
frames, and dividing by just this gives the tile that G would have given, to first order in G's own errors. (Multiplying
by the mean of F/G instead leaves the variance of F/G over the shifts: a per cent at the rims of dust that has moved.)
That mean is a convolution with a kernel of the frames' displacements, the interpolation's own kernel included: place by
place where the tile keeps its frames' fields, else one for the whole (the seeing's warps have mean 0 over the frames).

Where a tile has no such history, the flat's fine structure is looked for in it, and taken out as it is found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.correlation import even_fast_size
from diskmosaic.arrays.resample import shift_fraction
from diskmosaic.arrays.stacks import Mender
from diskmosaic.arrays.warped import shift_kernels, warped_mean
from diskmosaic.masters.calibration import Calibration
from diskmosaic.records.image import FloatImage
from diskmosaic.records.tile import Tile
from diskmosaic.remainder.remainder import high_pass
from diskmosaic.tiles.dropping import Dropped
from diskmosaic.tiles.finer import enlarged

LEAST_COVER = 1e-3  # share of the weights below which a pixel has no frames to speak of
SEARCH_PX = 20  # a tile that was stacked elsewhere may lie this far off the sensor's grid, on each axis
SMEARS_PX = np.arange(0.0, 5.01, 1.0)  # Gaussian sigma tried
SEARCH_SMEARS_PX = (0.5, 1.5, 3.0)  # of the pattern that is looked for
SIGNIFICANCE = 6.0  # chance reached 4.4 over 60 flats of other sensors
LEAST_RESPONSE = 0.02  # a flat is never taken for less
BORDER_PX = 15.0  # over which a tile's and a flat's borders fade
RINGS = 128  # of the spectrum, in which a tile's power is averaged
CLIP = 5.0  # robust deviations at which a tile's structure is cut, against spots and plage


@dataclass(frozen=True)
class Imprint:
    """A flat's fine structure as it was found in a tile.

    Attributes
    ----------
    shift_yx : (float, float)
        px by which the tile's pattern lies off the flat's.
    smear_px : float
        Gaussian sigma of the smear.
    strength : float
        1: the whole pattern is there, 0: nothing.
    significance : float
        Of the correlation's peak, in robust deviations of the correlation elsewhere.
    pattern : float32 (h, w)
        Logarithm of the imprint, strength included.
    """

    shift_yx: tuple[float, float]
    smear_px: float
    strength: float
    significance: float
    pattern: FloatImage

    @property
    def found(self) -> bool:
        """Whether it stands out from chance."""
        return self.significance >= SIGNIFICANCE and self.strength > 0


class Smear:
    """Averages of images on the sensor over a tile's frames.

    Parameters
    ----------
    tile : Tile
        With the frames' fields where they are known: without them each frame is taken to be moved as a whole. The
        images have the frames' pixels, the averages the tile's own.
    """

    def __init__(self, tile: Tile) -> None:
        shifts, weights = tile.moves()
        self._weights = weights / weights.sum()
        self._levels = tile.frames["level"][tile.frames["weight"] > 0].astype(np.float64)
        self._finer, self._fine_shape = tile.finer, tile.image.shape
        self._local = None
        if tile.fields is not None:
            self._local, weights = tile.local_moves()
            self._weights = weights / weights.sum(axis=0)
            return
        self._shifts = shifts
        self._reach = int(np.ceil(np.abs(shifts).max())) + 2
        self._shape = tile.frame_shape
        self._padded = tuple(even_fast_size(n + 2 * self._reach) for n in self._shape)
        self._spectrum = self._transform(self._weights)
        # near the border only some of the frames see the sensor
        self._cover = np.maximum(self._convolved(np.ones(self._shape, np.float32), self._spectrum), LEAST_COVER)

    @property
    def brightening(self) -> float | FloatImage:
        """Mean factor by which the frames were scaled to the tile's level: one, or one a pixel."""
        factor = np.tensordot(1 / self._levels, self._weights, 1)
        if factor.ndim == 0:
            return float(factor)
        return cv2.resize(factor.astype(np.float32), self._fine_shape[::-1], interpolation=cv2.INTER_LINEAR)

    def ratio(self, image: FloatImage) -> FloatImage:
        """Return the frames' mean of an image that is about 1."""
        if self._local is None:
            return self._on_tile(1 + self._convolved(image - 1, self._spectrum) / self._cover)
        mean, cover = warped_mean(image - 1, self._local, self._weights)
        return self._on_tile(1 + mean / np.maximum(cover, LEAST_COVER))

    def light(self, image: FloatImage) -> FloatImage:
        """Return the frames' mean of an image in ADU, each scaled to the tile's level as its frame was."""
        weights = self._weights / self._levels.reshape(-1, *[1] * (self._weights.ndim - 1))
        if self._local is None:
            return self._on_tile(self._convolved(image, self._transform(weights)) / self._cover)
        mean, cover = warped_mean(image, self._local, weights)
        return self._on_tile(np.float32(self.brightening) * mean / np.maximum(cover, LEAST_COVER))

    def _on_tile(self, image: FloatImage) -> FloatImage:
        return enlarged(image, self._finer, self._fine_shape)

    def _transform(self, weights: NDArray[np.float64]) -> NDArray[np.complex64]:
        kernel = shift_kernels(self._shifts[:, None], weights, self._reach)[0]
        padded = np.zeros(self._padded, np.float32)
        padded[: kernel.shape[0], : kernel.shape[1]] = kernel
        return fft.rfft2(np.roll(padded, (-self._reach, -self._reach), (0, 1)))

    def _convolved(self, image: FloatImage, spectrum: NDArray[np.complex64]) -> FloatImage:
        product = fft.rfft2(image, self._padded)
        product *= spectrum
        return fft.irfft2(product, self._padded, overwrite_x=True)[: self._shape[0], : self._shape[1]]


def reflat_tile(tile: Tile, old: Calibration, new: Calibration) -> Tile:
    """Return the tile that the frames would have given with other masters.

    Parameters
    ----------
    tile : Tile
        With the history of its frames.
    old : Calibration
        Of its frames, the tile's remainder aside.
    new : Calibration

    Returns
    -------
    Tile
        Without a remainder: what the new flat leaves behind has to be looked for anew.
    """
    ratio = np.ones(tile.frame_shape, np.float32)
    if old.gain is not None:
        ratio *= old.gain
    if new.gain is not None:
        ratio /= new.gain
    if tile.remainder is not None:
        ratio *= np.exp(-tile.remainder)
    mender = Mender(old.good)  # the frames show their neighbours' mean at bad pixels
    mender.mend(ratio)
    smear = Smear(tile) if tile.finer == 1 else Dropped(tile)
    image = tile.image / smear.ratio(ratio)
    still = None if tile.sensor_mean is None else tile.sensor_mean / ratio
    darkness = old.dark - new.dark
    if darkness.any():
        light = darkness if new.gain is None else darkness * new.gain
        mender.mend(light)
        image += smear.light(light)
        if still is not None:
            still += np.float32(smear.brightening) * light
    return replace(tile, image=image.astype(np.float32), remainder=None, sensor_mean=still)


def find_imprint(image: FloatImage, mask: NDArray[np.bool_], flat: FloatImage) -> Imprint:
    """Look for a flat's fine structure in a stacked image of which nothing is known.

    Parameters
    ----------
    image : float32 (h, w)
        The tile.
    mask : bool (h, w)
        True on the disk.
    flat : float32 (h, w)
        Relative response.

    Returns
    -------
    Imprint
        The best there is; see its `found`.
    """
    use = mask & np.isfinite(image) & (image > 0)
    log = high_pass(np.log(np.where(use, image, np.float32(1))), use)
    limit = CLIP * 1.4826 * float(np.median(np.abs(log[use]))) if use.any() else 0.0
    pattern = high_pass(np.log(np.maximum(flat, np.float32(LEAST_RESPONSE))), np.ones(flat.shape, bool))
    # borders look alike in the tile and in the flat: at them the high-pass is one-sided
    inside, edge = _faded(use), _faded(np.ones(flat.shape, bool))
    clipped = np.clip(log, -limit, limit) * inside
    whiten = _whitening(clipped)
    search = _Search(whiten(clipped), inside, lambda smear: whiten(_blurred(pattern * edge, smear)))
    peak, significance = search.peak()
    smear = search.smear(peak, SMEARS_PX)
    shift = search.refined(peak, smear)
    # with the smear known the peak may lie a pixel aside
    peak = (round(shift[0]), round(shift[1]))
    smear = search.smear(peak, smear + np.linspace(-0.8, 0.8, 5))
    shift = search.refined(peak, smear)
    whole = _moved(_blurred(pattern, smear), shift)
    template = whiten(whole * inside)
    strength, power = 0.0, float(np.vdot(template, template))
    for _ in range(4):  # the Sun's own structure is cut only after the pattern is taken out
        left = np.clip(log - np.float32(strength) * whole, -limit, limit) * inside
        strength += float(np.vdot(whiten(left), template)) / max(power, 1e-12)
    return Imprint(shift, smear, strength, significance, np.float32(strength) * whole)


def _faded(mask: NDArray[np.bool_]) -> FloatImage:
    """Fall from 1 to 0 over BORDER_PX within a mask's borders."""
    padded = np.pad(mask.astype(np.uint8), 1)
    distance = cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.clip((distance - BORDER_PX / 3) / BORDER_PX, 0, 1).astype(np.float32)


def _whitening(log: FloatImage) -> Callable[[FloatImage], FloatImage]:
    """Return a filter that makes all scales of a tile equally strong: the slow ones would hide the pattern."""
    padded = tuple(even_fast_size(n) for n in log.shape)
    power = np.square(np.abs(fft.rfft2(log, padded)))
    frequency = np.hypot(np.fft.fftfreq(padded[0])[:, None], np.fft.rfftfreq(padded[1])[None])
    rings = np.minimum((frequency * RINGS).astype(int), RINGS - 1)
    mean = np.bincount(rings.ravel(), power.ravel(), RINGS) / np.maximum(np.bincount(rings.ravel(), minlength=RINGS), 1)
    gain = 1 / np.sqrt(np.maximum(mean, 1e-3 * mean.max() + 1e-20))
    response = (gain / gain.max()).astype(np.float32)[rings]

    def whiten(image: FloatImage) -> FloatImage:
        return fft.irfft2(fft.rfft2(image, padded) * response, padded)[: log.shape[0], : log.shape[1]]

    return whiten


class _Search:
    """Correlation of a tile's structure with a pattern at all shifts."""

    def __init__(self, log: FloatImage, inside: FloatImage, pattern: Callable[[float], FloatImage]) -> None:
        self._image, self._inside, self._pattern = log, inside, pattern
        self._lag = max(min(min(log.shape) // 4, 4 * SEARCH_PX), SEARCH_PX + 2)
        self._padded = tuple(even_fast_size(n + self._lag) for n in log.shape)
        self._log = fft.rfft2(log, self._padded)
        self._mask = fft.rfft2(np.square(inside), self._padded)
        self._power = float(np.vdot(log, log))

    def _lags(self, spectrum: NDArray[np.complex64], image: FloatImage) -> NDArray[np.float32]:
        """Sums of products at lags -lag ... lag on both axes."""
        surface = fft.irfft2(spectrum * np.conj(fft.rfft2(image, self._padded)), self._padded)
        middle = np.roll(surface, (self._lag, self._lag), (0, 1))
        return middle[: 2 * self._lag + 1, : 2 * self._lag + 1]

    def _correlation(self, smear: float) -> NDArray[np.float32]:
        pattern = self._pattern(smear)
        down = np.maximum(self._lags(self._mask, np.square(pattern)), 1e-12)
        return self._lags(self._log, pattern) / np.sqrt(down * max(self._power, 1e-12))

    def peak(self) -> tuple[tuple[int, int], float]:
        """Return the best whole shift within the search, and how far it stands out."""
        best = ((0, 0), -np.inf)
        for smear in SEARCH_SMEARS_PX:
            surface = self._correlation(smear)
            inner = slice(self._lag - SEARCH_PX, self._lag + SEARCH_PX + 1)
            near = surface[inner, inner]
            row, column = np.unravel_index(int(np.argmax(near)), near.shape)
            spread = 1.4826 * float(np.median(np.abs(surface - np.median(surface))))
            significance = float(near[row, column]) / max(spread, 1e-12)
            if significance > best[1]:
                best = ((int(row) - SEARCH_PX, int(column) - SEARCH_PX), significance)
        return best

    def _at(self, peak: tuple[int, int], smear: float) -> float:
        """Correlation at one whole shift."""
        moved = _moved(self._pattern(smear), peak)
        down = float(np.vdot(np.square(self._inside), np.square(moved)))
        return float(np.vdot(self._image, moved)) / np.sqrt(max(down * self._power, 1e-20))

    def smear(self, peak: tuple[int, int], candidates: NDArray[np.float64]) -> float:
        """Return the Gaussian sigma, by a parabola over evenly spaced ones, with which the pattern tells most."""
        candidates = np.maximum(candidates, 0)
        told = [self._at(peak, sigma) for sigma in candidates]
        best = int(np.argmax(told))
        if not 0 < best < len(told) - 1 or candidates[best - 1] == candidates[best]:
            return float(candidates[best])
        return float(candidates[best] + (candidates[1] - candidates[0]) * _vertex(*told[best - 1 : best + 2]))

    def refined(self, peak: tuple[int, int], smear: float) -> tuple[float, float]:
        """Return the shift to a fraction of a pixel (parabolas through the peak)."""
        y, x = peak
        at = self._at(peak, smear)
        return (
            y + _vertex(self._at((y - 1, x), smear), at, self._at((y + 1, x), smear)),
            x + _vertex(self._at((y, x - 1), smear), at, self._at((y, x + 1), smear)),
        )


def _vertex(before: float, at: float, after: float) -> float:
    bend = before - 2 * at + after
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def _blurred(image: FloatImage, sigma: float) -> FloatImage:
    return image if sigma < 0.1 else cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)


def _moved(image: FloatImage, shift: tuple[float, float]) -> FloatImage:
    """Move content by `shift`; 0 where nothing comes from."""
    whole = [round(part) for part in shift]
    moved = np.zeros_like(image)
    target = tuple(slice(max(n, 0), size + min(n, 0)) for n, size in zip(whole, image.shape, strict=True))
    source = tuple(slice(max(-n, 0), size + min(-n, 0)) for n, size in zip(whole, image.shape, strict=True))
    fraction = tuple(part - n for part, n in zip(shift, whole, strict=True))
    moved[target] = shift_fraction(image, fraction)[source] if any(fraction) else image[source]
    return moved
