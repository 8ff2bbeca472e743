"""What stands still in a picture while the rest moves.

A series of frames shows ``P(x) S(x - s_k)``: a pattern P at rest, a scene S that moves by s_k. Its mean as it lies, M,
and its mean along the scene, T, carry both: ``log M = p + B t - B A p`` to first order, where p = log P, t = log T, A
averages over the displacements and B over their opposites. So ``r = log(M / B T) = (1 - B A) p``
knows nothing of the scene, and frequency by frequency (1 - |J|^2, J the transform of the displacements) it gives p
back, down to the scales that the motion reaches: with 2 px rms some 60 px. Several series of one sensor share p; each
has its own motion.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.resample import smooth_wide

NOISE_SHARE = 5e-4  # of the pattern's power: below this squared response a frequency is not raised any more
ROUNDS = 5  # the masks' borders, which a transform knows nothing of, have settled by then
CELLS = 6  # places at which the displacements' transform is taken
SCALES_PX = (1.0, 2.0, 4.0, 8.0, 16.0)  # Gaussians that part the scales whose agreement is judged
REACH = 4.0  # times a scale's Gaussian: where it is judged
BELIEVED = (0.1, 0.3)  # correlation of the halves below which nothing, above which all that agrees is believed


def response(
    shape: tuple[int, int], shifts: NDArray[np.floating], weights: NDArray[np.floating]
) -> NDArray[np.float32]:
    """Return ``1 - |J|^2``, how much of a pattern at rest the difference of the two means shows.

    Parameters
    ----------
    shape : (h, w)
    shifts : (n, rows, columns, 2)
        px (y, x) by which each frame is moved, on a grid of cells.
    weights : (n,) or (n, rows, columns)

    Returns
    -------
    float32 (h, w // 2 + 1)
        On the frequencies of a real transform; mean over places.
    """
    flat = shifts.reshape(len(shifts), -1, 2)
    picks = np.unique(np.linspace(0, flat.shape[1] - 1, CELLS).astype(int))
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    share = np.broadcast_to(weights.reshape(len(flat), -1), flat.shape[:2])
    share = share / np.sum(share, axis=0)
    power = np.zeros((len(fy), len(fx)), np.float32)
    for pick in picks:
        rows = np.exp(-2j * np.pi * np.outer(fy, flat[:, pick, 0])) * share[:, pick]
        columns = np.exp(-2j * np.pi * np.outer(flat[:, pick, 1], fx))
        power += np.square(np.abs(rows.astype(np.complex64) @ columns.astype(np.complex64)))
    return 1 - power / np.float32(len(picks))


def find_standing(
    residuals: Sequence[NDArray[np.float32]],
    masks: Sequence[NDArray[np.bool_]],
    responses: Sequence[NDArray[np.float32]],
    *,
    workers: int = 1,
) -> NDArray[np.float32]:
    """Solve for the pattern that several series share; what their two halves do not agree upon is left out.

    Parameters
    ----------
    residuals : sequence of float32 (h, w)
        ``log(M / B T)`` of each series; at least two.
    masks : sequence of bool (h, w)
        True where a residual may be used.
    responses : sequence of float32 (h, w // 2 + 1)
        See `response`.
    workers : int
        Threads of the transforms.

    Returns
    -------
    float32 (h, w)
        Logarithm of the pattern.
    """
    series = list(zip(residuals, masks, responses, strict=True))
    one, two = (_solve(series[start::2], workers) for start in (0, 1))
    found = np.zeros_like(one)
    for scale in (*SCALES_PX, None):  # None: what is coarser than the last
        coarser = None if scale is None else (smooth_wide(one, scale), smooth_wide(two, scale))
        first, second = (one, two) if coarser is None else (one - coarser[0], two - coarser[1])
        if coarser is not None:
            one, two = coarser
        reach = REACH * (scale or SCALES_PX[-1])
        common = smooth_wide(first * second, reach)
        power = smooth_wide((np.square(first) + np.square(second)) / 2, reach)
        agreement = np.clip(common / np.maximum(power, 1e-30), 0, 1)
        # two halves that agree by rho say together what a whole of 2 rho / (1 + rho) would (Spearman 1910; Brown 1910)
        share = 2 * agreement / (1 + agreement)
        share *= np.clip((agreement - BELIEVED[0]) / (BELIEVED[1] - BELIEVED[0]), 0, 1)
        found += share * (first + second) / 2
    return found


def _solve(series, workers: int) -> NDArray[np.float32]:
    """Least squares over some series, by a preconditioned descent; 0 where none is used."""
    shape = series[0][0].shape
    seen = np.sum([mask for _, mask, _ in series], axis=0, dtype=np.float32)
    pattern = np.zeros(shape, np.float32)
    for _ in range(ROUNDS):
        step = np.zeros(shape, np.float32)
        spectrum = fft.rfft2(pattern, workers=workers)
        for residual, mask, known in series:
            left = np.where(mask, residual - fft.irfft2(spectrum * known, shape, workers=workers), np.float32(0))
            raised = fft.rfft2(left, workers=workers) * (known / (np.square(known) + np.float32(NOISE_SHARE)))
            step += np.where(mask, fft.irfft2(raised, shape, workers=workers), np.float32(0))
        pattern += step / np.maximum(seen, 1)
    return pattern
