"""Deblurring: a noise-aware inverse of the blur that the limb shows, on what is not the limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from diskmosaic.arrays.limb_profile import Edge, half_width
from diskmosaic.parallel import ordered_map

_PATCH = 128  # px, side of the patches that the spectrum is measured on
_PATCHES = 48
_BLOCK, _MARGIN = 1024, 64  # px: filtered at a time, of which the margin is thrown away
_LEVELS = (-2, -1, 0, 1, 2)  # noise variance in powers of 4 of the typical, where a filter is made
_DOUBT = 0.1  # of the noise: what looks like structure and may be chance
_COVERED = 0.7  # radii: inside, spectra are measured


@dataclass(frozen=True)
class Spectrum:
    """Structure and noise of a disk.

    Attributes
    ----------
    structure : (n,)
        Power of the blurred structure at ``k / 128`` cycles/px, the image's own unit squared; >= 0.
    noise : float
        Variance of a pixel of typical weight, same unit.
    weight : float
        The typical weight.
    """

    structure: NDArray[np.float64]
    noise: float
    weight: float


def measure_spectrum(
    image: NDArray[np.float32], weight: NDArray[np.float32], edge: Edge, seed: int = 5
) -> Spectrum | None:
    """Tell structure from noise on patches well inside the disk.

    Parameters
    ----------
    image : float32 (h, w)
    weight : float32 (h, w)
        Frames averaged; the noise variance goes with its inverse.
    edge : Edge
        Its blur must be told.
    seed : int
        Of the choice of patches.

    Returns
    -------
    Spectrum or None
        None where fewer than 4 whole patches are seen.
    """
    spectra, weights = [], []
    frequency = np.hypot(fft.fftfreq(_PATCH)[:, None], fft.rfftfreq(_PATCH)[None, :])
    ring = np.rint(frequency * _PATCH).astype(int)
    window = np.hanning(_PATCH)[:, None] * np.hanning(_PATCH)[None, :]
    for y, x in _places(image.shape, edge, seed):
        part = np.asarray(image[y : y + _PATCH, x : x + _PATCH], np.float64)
        around = np.asarray(weight[y : y + _PATCH, x : x + _PATCH], np.float64)
        if part.shape != (_PATCH, _PATCH) or not np.isfinite(part).all() or not (around > 0).all():
            continue
        part = (part - part.mean()) * window
        power = np.abs(fft.rfft2(part)) ** 2 / (window**2).sum()
        spectra.append(np.bincount(ring.ravel(), power.ravel()) / np.bincount(ring.ravel()))
        weights.append(1 / np.mean(1 / around))
    if len(spectra) < 4:
        return None
    mean = np.exp(ndimage.gaussian_filter1d(np.log(np.median(spectra, axis=0)[: _PATCH // 2 + 1]), 1.0))
    # where the blur lets no structure through, noise is all there is; where it does, this is too much: the safe side
    noise = float(np.sort(mean[_PATCH // 4 :])[: _PATCH // 16].mean())
    structure = np.maximum(mean - (1 + _DOUBT) * noise, 0)
    structure[3:] = np.minimum.accumulate(structure[3:])
    structure[:3] = np.maximum(structure[:3], structure[3])
    return Spectrum(structure, noise, float(np.median(weights)))


def _places(shape: tuple[int, int], edge: Edge, seed: int) -> list[tuple[int, int]]:
    rng = np.random.default_rng(seed)
    radius = _COVERED * edge.radius * np.sqrt(rng.uniform(size=4 * _PATCHES))
    angle = rng.uniform(0, 2 * np.pi, size=4 * _PATCHES)
    y = np.rint(edge.centre[0] + radius * np.sin(angle) - _PATCH / 2).astype(int)
    x = np.rint(edge.centre[1] + radius * np.cos(angle) - _PATCH / 2).astype(int)
    inside = (y >= 0) & (x >= 0) & (y + _PATCH <= shape[0]) & (x + _PATCH <= shape[1])
    return list(zip(y[inside].tolist(), x[inside].tolist(), strict=True))[:_PATCHES]


def gain_of(
    f: NDArray[np.floating], blur_px: float, spectrum: Spectrum, *, most: float, noise: float = 1.0
) -> NDArray[np.float64]:
    """Return the filter's gain at `f` cycles/px where the noise variance is `noise` times the typical.

    Wiener's: ``H / (H^2 + N/P)``, the least mean square error where power and noise are as measured
    (Wiener 1949, *Extrapolation, Interpolation, and Smoothing of Stationary Time Series*), N/P not below what keeps
    the gain under `most`: no blur is known so well that more could be believed.
    """
    transfer = np.exp(-2 * (np.pi * blur_px * f) ** 2)
    structure = np.interp(f * _PATCH, np.arange(len(spectrum.structure)), spectrum.structure, right=0)
    ratio = noise * spectrum.noise * transfer**2 / np.maximum(structure, 1e-6 * spectrum.noise)
    return transfer / (transfer**2 + np.maximum(ratio, 1 / (2 * most) ** 2))


@dataclass(frozen=True)
class Deblurred:
    """A deblurred image and what can be said of it.

    Attributes
    ----------
    image : float32 (h, w)
        NaN where it was.
    noise_gain : float
        Rms of white noise after over before, at the typical weight.
    half_px : float
        Standard deviation of the blur that is left: of the Gaussian as wide at half height of its transfer.
    """

    image: NDArray[np.float32]
    noise_gain: float
    half_px: float


def deblur(
    image: NDArray[np.float32],
    weight: NDArray[np.float32],
    edge: Edge,
    spectrum: Spectrum,
    *,
    strength: float = 1.0,
    most: float = 3.0,
    jobs: int = 1,
) -> Deblurred:
    """Take the blur back as far as the noise allows.

    Parameters
    ----------
    image : float32 (h, w)
        NaN where unknown.
    weight : float32 (h, w)
        Where fewer frames were averaged, less is taken back.
    edge : Edge
        With `blur_px`.
    spectrum : Spectrum
    strength : float
        Share of the filter's change; 1 is the least expected error.
    most : float
        Largest gain at any scale, > 1.
    jobs : int
        Threads.

    Returns
    -------
    Deblurred

    Notes
    -----
    The filter sees the image less the edge's own mean profile; the edge itself is made anew with the blur that is
    left, as a monotone curve, so that it cannot ring.
    """

    def change(f, noise=1.0):
        return strength * (gain_of(f, edge.blur_px, spectrum, most=most, noise=noise) - 1)

    f = np.linspace(0, 0.5, 513)
    half_px = min(half_width(np.exp(-2 * (np.pi * edge.blur_px * f) ** 2) * (1 + change(f)), f), edge.blur_px)
    sharp = edge.reblurred(half_px)
    noise_gain = float(np.sqrt(np.mean((1 + change(_radial(512))) ** 2)))
    size = _BLOCK
    square = _radial(size)[:, : size // 2 + 1]
    filters = {level: change(square, 4.0**level).astype(np.float32) for level in _LEVELS}
    result = np.empty(image.shape, np.float32)
    inner = size - 2 * _MARGIN
    blocks = [(y, x) for y in range(0, image.shape[0], inner) for x in range(0, image.shape[1], inner)]

    def work(at: tuple[int, int]) -> tuple[tuple[int, int], NDArray[np.float32]]:
        y, x = at
        rows = slice(max(y - _MARGIN, 0), min(y + inner + _MARGIN, image.shape[0]))
        columns = slice(max(x - _MARGIN, 0), min(x + inner + _MARGIN, image.shape[1]))
        light = np.array(image[rows, columns], np.float32)
        u = edge.offsets(rows, columns)
        rest = light - edge.base(u)
        rest[~np.isfinite(rest)] = 0
        # mirrored where the image ends: else the transform would carry one border's light to the other
        pads = tuple(
            (part.start - (first - _MARGIN), first - _MARGIN + size - part.stop)
            for part, first in ((rows, y), (columns, x))
        )
        around = np.asarray(weight[rows, columns], np.float32)
        light += _filtered(np.pad(rest, pads, mode="symmetric"), around, filters, spectrum.weight, pads)
        light += edge.base(u, sharp) - edge.base(u)
        top, start = y - rows.start, x - columns.start
        return at, light[top : top + inner, start : start + inner]

    for (y, x), part in ordered_map(work, blocks, jobs=jobs):
        result[y : y + part.shape[0], x : x + part.shape[1]] = part
    return Deblurred(result, noise_gain, half_px)


def _radial(size: int) -> NDArray[np.float64]:
    """Frequency of each coefficient of a square transform, cycles/px."""
    f = fft.fftfreq(size)
    return np.hypot(f[:, None], f[None, :])


def _filtered(padded, weight, filters, typical, pads) -> NDArray[np.float32]:
    """Filter a block, each pixel by the filter for its own noise, between the two nearest that there are."""
    rows, columns = (slice(start, length - stop) for (start, stop), length in zip(pads, padded.shape, strict=True))
    with np.errstate(divide="ignore"):
        noise = np.log(typical / np.maximum(weight, typical * 1e-6)) / np.log(np.float32(4))
    noise = np.clip(noise, _LEVELS[0], _LEVELS[-1]).astype(np.float32)
    spectrum = fft.rfft2(padded)
    total = np.zeros(weight.shape, np.float32)
    for level in range(int(np.floor(noise.min())), int(np.ceil(noise.max())) + 1):
        share = np.maximum(1 - np.abs(noise - level), 0)
        total += share * fft.irfft2(spectrum * filters[level], s=padded.shape)[rows, columns]
    return total
