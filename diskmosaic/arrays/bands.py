"""Compiled loop: raw frames calibrated, warped and added, a band of rows at a time.

While a band is worked on, its masters, sums and the rows that are read stay in the processor's cache, and no frame is
ever calibrated as a whole. Frames are added in their order, so that a sum does not depend on how rows are shared out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled
from diskmosaic.arrays.kernels import middle_step, row_field, warp_row

KERNEL_BEFORE, KERNEL_AFTER = 1, 2  # rows that the kernel reads before and after a place


@compiled
def _rows_read(field, first, last, height, width):
    """Rows of a frame that some rows of its warped image are made from, begin and end."""
    least, most = field[0, 0, 0], field[0, 0, 0]
    left, right = field[0, 0, 1], field[0, 0, 1]
    slope = np.float32(0)
    for i in range(field.shape[0]):
        for j in range(field.shape[1]):
            least, most = min(least, field[i, j, 0]), max(most, field[i, j, 0])
            left, right = min(left, field[i, j, 1]), max(right, field[i, j, 1])
            if j > 0:
                slope = max(slope, abs(field[i, j, 0] - field[i, j - 1, 0]))
    # a column is moved by the field where its pixel goes to, to first order (`kernels`): so much further at most
    beside = (right - left + 1) * slope * np.float32(field.shape[1]) / np.float32(width)
    begin = first + int(np.floor(least - beside)) - KERNEL_BEFORE
    end = last - 1 + int(np.floor(most + beside)) + KERNEL_AFTER + 1
    begin = min(max(begin, 0), height - 1)
    return begin, min(max(end, begin + 1), height)


@compiled
def _calibrate(raw, dark, gain, bad, mended, begin, end, out):
    """Fill `out` with the calibrated rows from `begin` on."""
    width = raw.shape[1]
    for row in range(begin, end):
        source, offset, factor, target = raw[row], dark[row], gain[min(row, len(gain) - 1)], out[row - begin]
        for x in range(width):
            target[x] = (np.float32(source[x]) - offset[x]) * factor[x]
    k = np.searchsorted(bad, begin * width)
    while k < len(bad) and bad[k] < end * width:
        out[bad[k] // width - begin, bad[k] % width] = mended[k]
        k += 1


@compiled
def _add_band(raws, dark, gain, bad, mended, fields, windows, weights, scales, first, last, light, weight, sensor):
    height, width = dark.shape
    most = 0
    for n in range(len(raws)):
        begin, end = _rows_read(fields[n], first, last, height, width)
        most = max(most, end - begin)
    frame = np.empty((most, width), np.float32)
    flat = frame.reshape(-1)
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole, rows, work = np.empty(width, np.int32), np.empty((4, width), np.float32), np.empty((2, width), np.float32)
    for n in range(len(raws)):
        raw, field, scale, one = raws[n], fields[n], scales[n], weights[n]
        for y in range(first, last):
            source, target = raw[y], sensor[y]
            for x in range(width):
                target[x] += scale * np.float32(source[x])
        top, bottom, left, right = windows[n, 0], windows[n, 1], windows[n, 2], windows[n, 3]
        if top >= last or bottom <= first or left >= right:
            continue
        begin, end = _rows_read(field, first, last, height, width)
        _calibrate(raw, dark, gain, bad, mended[n], begin, end, frame)
        node, middle = -1, middle_step(field)
        for y in range(max(first, top), min(last, bottom)):
            node = row_field(field, y, height, node, rows, uy, ux)
            warp_row(flat, height, begin, y, uy, ux, middle, whole, work, row)
            target, share, part = light[y, left:right], weight[y, left:right], row[left:right]
            for x in range(len(target)):
                target[x] += scale * part[x]
                share[x] += one


@compiled
def _add_band_by_place(
    raws, dark, gain, bad, mended, fields, windows, weights, levels, first, last, light, weight, sensor, squares
):
    """As `_add_band`, but weights (n, rows, columns, 2) differ from place to place, linear between cells' centres."""
    height, width = dark.shape
    most = 0
    for n in range(len(raws)):
        begin, end = _rows_read(fields[n], first, last, height, width)
        most = max(most, end - begin)
    frame = np.empty((most, width), np.float32)
    flat = frame.reshape(-1)
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole, rows, work = np.empty(width, np.int32), np.empty((4, width), np.float32), np.empty((2, width), np.float32)
    share, again, grid = np.empty(width, np.float32), np.empty(width, np.float32), np.empty((4, width), np.float32)
    for n in range(len(raws)):
        raw, field, level = raws[n], fields[n], levels[n]
        top, bottom, left, right = windows[n, 0], windows[n, 1], windows[n, 2], windows[n, 3]
        begin, end = _rows_read(field, first, last, height, width)
        _calibrate(raw, dark, gain, bad, mended[n], begin, end, frame)
        node, held, middle = -1, -1, middle_step(field)
        for y in range(first, last):
            held = row_field(weights[n], y, height, held, grid, share, again)
            source, target = raw[y], sensor[y]
            for x in range(width):
                target[x] += share[x] / level * np.float32(source[x])
            if y < top or y >= bottom:
                continue
            node = row_field(field, y, height, node, rows, uy, ux)
            warp_row(flat, height, begin, y, uy, ux, middle, whole, work, row)
            lit, sums, square = light[y], weight[y], squares[y]
            for x in range(left, right):
                lit[x] += share[x] / level * row[x]
                sums[x] += share[x]
                square[x] += share[x] * share[x]


def add_band(
    raws: NDArray,
    masters: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.int64], NDArray[np.float32]],
    fields: NDArray[np.float32],
    windows: NDArray[np.int64],
    weights: NDArray[np.float32],
    levels: NDArray[np.float32],
    band: range,
    sums: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
    squares: NDArray[np.float32] | None = None,
) -> None:
    """Add frames to some rows of sums, in place: ``weight / level * calibrated(x + u(x))``.

    Parameters
    ----------
    raws : uint8, uint16 or float32 (n, h, w)
    masters : dark (h, w), gain (h or 1, w), bad pixels (m,) and their mended values (n, m)
        Bad pixels are places in the flattened frame, ascending.
    fields : float32 (n, rows, columns, 2)
        As for `kernels.warp`.
    windows : int64 (n, 4)
        First and last row and column (one past it) of the canvas that a frame shows.
    weights : float32 (n,) or (n, rows, columns)
        Of the frames, or of each at the centres of a grid of cells over the canvas, linear between.
    levels : float32 (n,)
    band : range
        Rows of the sums.
    sums : three float32 (h, w)
        Light, weight, and ``weight / level * raw`` as it lies on the sensor.
    squares : float32 (h, w), optional
        Sum of the squares of the weights that differ from place to place.
    """
    dark, gain, bad, mended = masters
    fields = np.ascontiguousarray(fields, np.float32)
    if weights.ndim == 3:
        pairs = np.stack([weights, weights], axis=-1).astype(np.float32)
        places = (fields, windows, pairs, levels)
        _add_band_by_place(raws, dark, gain, bad, mended, *places, band.start, band.stop, *sums, squares)
        return
    scales = (weights / levels).astype(np.float32)
    _add_band(raws, dark, gain, bad, mended, fields, windows, weights, scales, band.start, band.stop, *sums)
