"""The mean of an image over displacements that change slowly from place to place.

``mean(x) = sum_k w_k image(x - s_k(x)) / sum_k w_k``: the displacements s_k are given on a grid of cells. Around each
cell's centre they are taken for constant, so that the mean is one convolution with the kernel of all s_k there; the
cells' results are blended linearly from centre to centre.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

CUBIC = -0.5  # parameter of the cubic kernel that frames are moved with (`diskmosaic.arrays.kernels`)


def cubic_taps(fraction: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return the four weights with which a point at `fraction` (...) is spread over places -1 ... 2 (Keys 1981)."""
    distance = np.abs(np.asarray(fraction, np.float32)[..., None] - np.arange(-1, 3, dtype=np.float32))
    near = (CUBIC + 2) * distance**3 - (CUBIC + 3) * distance**2 + 1
    far = CUBIC * (distance**3 - 5 * distance**2 + 8 * distance - 4)
    return np.where(distance <= 1, near, np.where(distance < 2, far, 0)).astype(np.float32)


def shift_kernels(shifts: NDArray[np.floating], weights: NDArray[np.floating], reach: int) -> NDArray[np.float32]:
    """Return the kernels that average an image over shifts, as cubic interpolation moves frames.

    Parameters
    ----------
    shifts : (n, cells, 2)
        px (y, x), less than `reach` - 1.
    weights : (n,) or (n, cells)
        Each kernel's sum is theirs.
    reach : int

    Returns
    -------
    float32 (cells, 2 reach + 1, 2 reach + 1)
        The middle is the shift 0.
    """
    side, cells = 2 * reach + 1, shifts.shape[1]
    whole = np.floor(shifts).astype(np.int64)
    taps = cubic_taps(shifts - whole)  # (n, cells, 2, 4)
    values = taps[:, :, 0, :, None] * taps[:, :, 1, None, :] * _each_cell(weights, cells)[..., None, None]
    corner = whole + (reach - 1)
    start = (np.arange(cells) * side + corner[..., 0]) * side + corner[..., 1]
    step = np.arange(4)
    index = start[:, :, None, None] + step[:, None] * side + step
    kernels = np.bincount(index.ravel(), values.ravel(), cells * side * side)
    return kernels.reshape(cells, side, side).astype(np.float32)


def _each_cell(weights: NDArray[np.floating], cells: int) -> NDArray[np.float32]:
    weights = np.asarray(weights, np.float32)
    return weights if weights.ndim == 2 else np.broadcast_to(weights[:, None], (len(weights), cells))


def warped_mean(
    image: NDArray[np.float32], shifts: NDArray[np.floating], weights: NDArray[np.floating]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Average an image over displacements given on a grid.

    Parameters
    ----------
    image : float32 (h, w)
        Counts as 0 outside.
    shifts : (n, rows, columns, 2)
        px (y, x) by which each of n copies is moved, at the centres of the grid's cells.
    weights : (n,) or (n, rows, columns)
        Their sum, at each cell, counts as 1.

    Returns
    -------
    mean : float32 (h, w)
        Not made up for copies that do not reach a pixel.
    cover : float32 (h, w)
        Sum of the weights that do.
    """
    weights = weights / np.sum(weights, axis=0)
    weights = np.broadcast_to(weights.reshape(*weights.shape, *[1] * (3 - weights.ndim)), shifts.shape[:3])
    reach = int(np.ceil(np.abs(shifts).max())) + 2
    hats, starts, size = zip(
        *(_hats(n, cells) for n, cells in zip(image.shape, shifts.shape[1:3], strict=True)), strict=True
    )
    padded_size = tuple(fft.next_fast_len(n + 2 * reach, real=True) for n in size)
    margin = [(reach + n, reach + full) for n, full in zip(size, padded_size, strict=True)]
    layers = np.pad(np.stack([image, np.ones_like(image)]), [(0, 0), *margin])
    results = np.zeros((2, image.shape[0] + 2 * size[0], image.shape[1] + 2 * size[1]), np.float32)
    for i, top in enumerate(starts[0]):
        kernels = np.zeros((len(starts[1]), *padded_size), np.float32)
        kernels[:, : 2 * reach + 1, : 2 * reach + 1] = shift_kernels(shifts[:, i], weights[:, i], reach)
        spectrum = fft.rfft2(kernels)
        rows = slice(top + size[0], top + size[0] + padded_size[0])
        for layer, result in zip(layers, results, strict=True):
            patches = np.stack([layer[rows, left + size[1] : left + size[1] + padded_size[1]] for left in starts[1]])
            product = fft.rfft2(patches)
            product *= spectrum
            # patches begin `reach` before their window, kernels have their middle at `reach`
            told = fft.irfft2(product, padded_size)[:, 2 * reach : 2 * reach + size[0], 2 * reach : 2 * reach + size[1]]
            for j, left in enumerate(starts[1]):
                window = (slice(top + size[0], top + 2 * size[0]), slice(left + size[1], left + 2 * size[1]))
                result[window] += hats[0][i][:, None] * hats[1][j] * told[j]
    mean, cover = results[:, size[0] : size[0] + image.shape[0], size[1] : size[1] + image.shape[1]]
    return mean, cover


def covered(field: NDArray[np.float32], shape: tuple[int, int]) -> tuple[slice, slice]:
    """The rectangle that a frame sampled along a field covers."""
    slices = []
    for axis in (0, 1):
        size = shape[axis]
        start = min(size, max(0, int(np.ceil(-float(field[..., axis].min())))))
        stop = min(size, size - int(np.ceil(float(field[..., axis].max()))))
        slices.append(slice(start, max(stop, start)))
    return slices[0], slices[1]


def _hats(size: int, cells: int) -> tuple[list[NDArray[np.float32]], list[int], int]:
    """Weights of the cells along one axis, where each one's window starts, and the windows' size."""
    centres = (np.arange(cells) + 0.5) * size / cells - 0.5
    width = 2 * int(np.ceil(size / cells)) + 2
    hats, starts = [], []
    for k, centre in enumerate(centres):
        start = int(np.floor(centre - width / 2)) + 1
        at = np.arange(start, start + width)
        hat = np.clip(1 - np.abs(at - centre) * cells / size, 0, 1)
        if k == 0:
            hat[at < centre] = 1
        if k == cells - 1:
            hat[at > centre] = 1
        hats.append(np.where((at >= 0) & (at < size), hat, 0).astype(np.float32))
        starts.append(start)
    return hats, starts, width
