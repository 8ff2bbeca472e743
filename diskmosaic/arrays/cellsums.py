"""Compiled loops: sums over cells of a warped frame against a reference, and means over blocks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled
from diskmosaic.arrays.kernels import middle_step, row_field, warp_row


@compiled
def _compare(image, field, reference, instruments, scale, top, bottom, left, right, edges_y, edges_x, sums):
    """Sums over cells of each instrument times (scale * image(x + u) - reference), within a rectangle."""
    height, width = image.shape
    flat = image.reshape(-1)
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole, rows, node = np.empty(width, np.int32), np.empty((4, width), np.float32), -1
    middle, work = middle_step(field), np.empty((2, width), np.float32)
    count = instruments.shape[0]
    # column by column down a row of cells: neighbouring pixels in step, in an order that never changes
    part = np.empty((count, width), np.float32)
    for i in range(sums.shape[1]):
        part[:] = 0
        for y in range(max(edges_y[i], top), min(edges_y[i + 1], bottom)):
            node = row_field(field, y, height, node, rows, uy, ux)
            warp_row(flat, height, 0, y, uy, ux, middle, whole, work, row)
            own, off = reference[y, left:right], row[left:right]
            for x in range(len(own)):
                off[x] = scale * off[x] - own[x]
            for k in range(count):
                tool, target = instruments[k, y, left:right], part[k, left:right]
                for x in range(len(own)):
                    target[x] += tool[x] * off[x]
        for k in range(count):
            for j in range(sums.shape[2]):
                cell = 0.0
                for x in range(max(edges_x[j], left), min(edges_x[j + 1], right)):
                    cell += part[k, x]
                sums[k, i, j] = cell


@compiled
def _block_sums(raw, factor, scale, out):
    width = out.shape[1] * factor
    column = np.empty(width, np.float32)
    for i in range(out.shape[0]):
        column[:] = 0
        for k in range(factor):
            row = raw[i * factor + k]
            for x in range(width):
                column[x] += np.float32(row[x])
        target = out[i]
        if factor == 2:
            for j in range(out.shape[1]):
                target[j] = scale * (column[2 * j] + column[2 * j + 1])
        elif factor == 4:
            for j in range(out.shape[1]):
                target[j] = scale * (column[4 * j] + column[4 * j + 1] + column[4 * j + 2] + column[4 * j + 3])
        else:
            for j in range(out.shape[1]):
                total = np.float32(0)
                for k in range(factor):
                    total += column[j * factor + k]
                target[j] = scale * total


def compare(
    image: NDArray[np.float32],
    field: NDArray[np.float32],
    reference: NDArray[np.float32],
    instruments: NDArray[np.float32],
    scale: float,
    window: tuple[slice, slice],
    edges: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> NDArray[np.float64]:
    """Hold a warped image against a reference: sums of ``instrument * (scale * image(x + u) - reference)`` over cells.

    Parameters
    ----------
    image, reference : float32 (h, w), C-contiguous
    field : float32 (rows, columns, 2)
        As for `warp`.
    instruments : float32 (n, h, w)
    scale : float
    window : two slices
        What lies outside does not count.
    edges : two int64 arrays
        Borders of the cells along y and x.

    Returns
    -------
    float64 (n, cells along y, cells along x)
    """
    sums = np.zeros((len(instruments), len(edges[0]) - 1, len(edges[1]) - 1))
    rows, columns = window
    limits = (rows.start, rows.stop, columns.start, columns.stop)
    field = np.ascontiguousarray(field, np.float32)
    _compare(image, field, reference, instruments, np.float32(scale), *limits, *edges, sums)
    return sums


def block_means(raw: NDArray, factor: int) -> NDArray[np.float32]:
    """Average blocks of ``factor x factor`` pixels of any real type; rows and columns left over are dropped.

    Sums of up to 16 values of 16 bits are exact in single precision.
    """
    out = np.empty((raw.shape[0] // factor, raw.shape[1] // factor), np.float32)
    _block_sums(raw, factor, np.float32(1 / factor**2), out)
    return out
