"""What several images of one sensor share, frequency by frequency, each predicted by the others.

In small windows the transforms of high-passed images are ``X_k(f) = K_k(f) P(f) + S_k(f)``: a common pattern P, smeared
by a known transfer function K_k, and each image's own scene S_k. Image k is predicted by the *others*, so that its own
scene cannot be taken for pattern, and the prediction is shrunk by how well left-out images are predicted there:

    H(f) = sum_k Re<X_k, K_k M_-k> / sum_k |K_k M_-k|^2        (0 ... 1)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

WINDOW_PX = 64
STEP_PX = 32
MIN_COVER = 0.85  # of a window, for an image to have a say there
INDEPENDENT = 9.0  # of the 81 windows and frequencies averaged: windows overlap by half, frequencies by the taper
MIN_SIGMA = 4.0  # an agreement below this many times what chance adds up to is none
WEIGHT_RANGE = 20.0  # a quiet image weighs at most this many times the typical one


def transfer(shifts: NDArray[np.floating], weights: NDArray[np.floating]) -> NDArray[np.complex64]:
    """Return the transfer function, on a window's frequencies, of a mean over shifted frames.

    Parameters
    ----------
    shifts : (n, 2)
        (dy, dx) px by which each frame was moved.
    weights : (n,)
    """
    fy = np.fft.fftfreq(WINDOW_PX)
    fx = np.fft.rfftfreq(WINDOW_PX)
    rows = np.exp(-2j * np.pi * np.outer(fy, shifts[:, 0]))
    columns = np.exp(-2j * np.pi * np.outer(fx, shifts[:, 1]))
    return ((rows * weights) @ columns.T / np.sum(weights)).astype(np.complex64)


def predict_shared(
    images: Sequence[NDArray[np.float32]],
    masks: Sequence[NDArray[np.bool_]],
    transfers: NDArray[np.complex64],
    *,
    min_images: int,
) -> list[NDArray[np.float32]]:
    """Return what the others say of each image's share of the common pattern.

    Parameters
    ----------
    images : sequence of float32 (h, w)
        High-passed, 0 where masked.
    masks : sequence of bool (h, w)
        True where an image may be used.
    transfers : complex (n, WINDOW_PX, WINDOW_PX // 2 + 1)
        See `transfer`.
    min_images : int
        Windows that fewer images cover are left at 0.

    Returns
    -------
    list of float32 (h, w)
    """
    shape = images[0].shape
    tops, lefts = _starts(shape[0]), _starts(shape[1])
    ramp = np.sin(np.pi * (np.arange(WINDOW_PX) + 0.5) / WINDOW_PX)
    taper = np.outer(ramp, ramp).astype(np.float32)

    def row(top: int):
        spectrum, weight = _spectra(images, masks, taper, top, lefts)
        return spectrum, weight, _others(spectrum, weight, transfers)

    agreement = np.zeros((len(tops), len(lefts), WINDOW_PX, WINDOW_PX // 2 + 1), np.float32)
    power, chance = np.zeros_like(agreement), np.zeros_like(agreement)
    for i, top in enumerate(tops):
        spectrum, weight, predicted = row(top)
        w = np.where((weight > 0).sum(axis=0) >= min_images, weight, 0)[:, :, None, None]
        product = w * (spectrum * np.conj(predicted)).real
        agreement[i] = np.sum(product, axis=0)
        chance[i] = np.sum(np.square(product), axis=0)
        power[i] = np.sum(w * np.abs(predicted) ** 2, axis=0)
    # neighbouring windows and frequencies share their pattern: together they tell it from chance
    for array in (agreement, power, chance):
        ndimage.uniform_filter(array, size=(3, 3, 3, 3), output=array, mode=("nearest", "nearest", "wrap", "nearest"))
    shrink = np.clip(agreement / np.maximum(power, 1e-30), 0, 1)
    shrink[agreement < MIN_SIGMA * np.sqrt(chance / INDEPENDENT)] = 0
    found = [np.zeros(shape, np.float32) for _ in images]
    norm = np.zeros(shape, np.float32)
    for i, top in enumerate(tops):
        _, _, predicted = row(top)
        patches = fft.irfft2(predicted * shrink[i], (WINDOW_PX, WINDOW_PX)) * taper
        for j, left in enumerate(lefts):
            window = (slice(top, top + WINDOW_PX), slice(left, left + WINDOW_PX))
            norm[window] += np.square(taper)
            for k, one in enumerate(found):
                one[window] += patches[k, j]
    norm = np.maximum(norm, 0.05)  # the sensor's very border, where every window's taper is small
    for one in found:
        one /= norm
    return found


def _starts(size: int) -> NDArray[np.int64]:
    last = max(size - WINDOW_PX, 0)
    return np.rint(np.linspace(0, last, int(np.ceil(last / STEP_PX)) + 1)).astype(int)


def _spectra(images, masks, taper, top: int, lefts):
    """Spectra (images, windows, f, f) of one row of windows, and each image's weight in each."""

    def cut(image):
        return np.stack([image[top : top + WINDOW_PX, left : left + WINDOW_PX] for left in lefts])

    values = np.stack([cut(image) for image in images])
    cover = np.stack([cut(mask).mean(axis=(1, 2)) for mask in masks])
    spectrum = fft.rfft2(values * taper).astype(np.complex64)
    power = np.mean(np.square(values), axis=(2, 3))
    usable = cover > MIN_COVER
    typical = float(np.median(power[usable])) if usable.any() else 1.0
    # quiet scenes tell most about the pattern
    weight = np.where(usable, 1 / np.maximum(power, typical / WEIGHT_RANGE + 1e-20), 0)
    return spectrum, (weight / max(float(weight.max()), 1e-30)).astype(np.float32)


def _others(spectrum, weight, transfers):
    """Prediction of every image by the others, K_k M_-k."""
    w = weight[:, :, None, None]
    k = transfers[:, None]
    up = w * np.conj(k) * spectrum
    down = w * np.abs(k) ** 2
    rest = down.sum(axis=0)[None] - down
    floor = np.maximum(1e-3 * w.sum(axis=0)[None], 1e-12)
    return k * (up.sum(axis=0)[None] - up) / np.maximum(rest, floor)
