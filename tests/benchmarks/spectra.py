"""Spectra of a tile against a known scene, patch by patch."""

from __future__ import annotations

import numpy as np
from scipy import optimize

PATCH = 128
EDGE = 24  # px at the sensor's border that are not judged
BINS = np.linspace(0, 0.5, 26)  # cycles a px
FREQUENCY = 0.5 * (BINS[1:] + BINS[:-1])


def band(low: float, high: float) -> np.ndarray:
    """Return True for the bins between two frequencies."""
    return (low < FREQUENCY) & (high > FREQUENCY)


def patches(mask: np.ndarray):
    """Windows wholly inside a mask, overlapping by half."""
    for y in range(EDGE, mask.shape[0] - PATCH - EDGE, PATCH // 2):
        for x in range(EDGE, mask.shape[1] - PATCH - EDGE, PATCH // 2):
            part = (slice(y, y + PATCH), slice(x, x + PATCH))
            if mask[part].all():
                yield part


def spectra(image: np.ndarray, scene: np.ndarray, mask: np.ndarray, levels: np.ndarray) -> tuple[np.ndarray, int]:
    """Power of image, cross power, power of scene, and what of the image the scene does not explain; patches counted.

    Rows of a value a ring of `BINS`, in units of white noise of the deviation `levels` (expected at each pixel).
    """
    window = np.outer(np.hanning(PATCH), np.hanning(PATCH))
    frequency = np.hypot(np.fft.fftfreq(PATCH)[:, None], np.fft.fftfreq(PATCH)[None])
    ring = np.digitize(frequency, BINS).ravel()
    size = len(BINS) + 1
    total, count = np.zeros((4, size)), 0
    for part in patches(mask):
        a, b = image[part].astype(float), scene[part].astype(float)
        a, b = a - a.mean(), b - b.mean()
        fa, fb = np.fft.fft2(a * window), np.fft.fft2(b * window)
        powers = (np.abs(fa) ** 2, (fa * fb.conj()).real, np.abs(fb) ** 2)
        binned = [np.bincount(ring, power.ravel(), size) for power in powers]
        left = binned[0] - binned[1] ** 2 / np.maximum(binned[2], 1e-12)
        total += np.stack([*binned, left]) / levels[part].mean() ** 2
        count += 1
    total /= np.maximum(np.bincount(ring, minlength=size), 1) * np.sum(window**2) * max(count, 1)
    return total[:, 1:-1], count


def blur_of(total: np.ndarray) -> float:
    """The Gaussian sigma, px, of a transfer up to 0.3 cycles a px, weighted as its own coherence tells."""
    transfer = total[1] / total[2]
    use = band(0.03, 0.3)
    weight = total[2] / np.maximum(total[0] - total[1] ** 2 / total[2], 1e-9)

    def misfit(parameters):
        model = parameters[1] * np.exp(-2 * (np.pi * FREQUENCY * parameters[0]) ** 2)
        return (np.sqrt(np.minimum(weight, 1e4)) * (transfer - model))[use]

    return float(abs(optimize.least_squares(misfit, [1.0, 1.0]).x[0]))
