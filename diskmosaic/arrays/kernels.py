"""Compiled loops for what every frame goes through: warping along a smooth field, and sums over cells.

The compiler makes vector code of the inner loops only where neighbouring pixels read neighbouring pixels. A smooth
field moves long runs of a row by the same whole pixels, so each row is cut into such runs; within one, only the
interpolation's weights change. The kernel is Keys' cubic convolution with a = -1/2 (Keys 1981, IEEE Trans. ASSP 29,
1153): exact on quadratics, hence without the shift error of OpenCV's a = -3/4.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled

ONE, TWO, HALF = np.float32(1), np.float32(2), np.float32(0.5)
FIVE, FOUR, THREE = np.float32(5), np.float32(4), np.float32(3)
NEXT = np.uintp(1)


@compiled
def _node_weights(position, step, count):
    """Cell centres lie at (i + 1/2) step - 1/2: lower node and share of the upper one; ends are held."""
    at = (position + HALF) / step - HALF
    low = int(np.floor(at))
    share = np.float32(at - low)
    if low < 0:
        return 0, np.float32(0)
    if low >= count - 1:
        return count - 1, np.float32(0)
    return low, share


@compiled
def _row_field(field, axis, y, step_y, step_x, width, out):
    """Fill `out` with one component of the field along row y, linear between the cells' centres."""
    rows, columns = field.shape[0], field.shape[1]
    low, share = _node_weights(np.float32(y), step_y, rows)
    high = min(low + 1, rows - 1)
    first = HALF * step_x - HALF
    for x in range(min(width, int(np.ceil(first)))):
        out[x] = field[low, 0, axis] * (ONE - share) + field[high, 0, axis] * share
    for cell in range(columns - 1):
        left = field[low, cell, axis] * (ONE - share) + field[high, cell, axis] * share
        right = field[low, cell + 1, axis] * (ONE - share) + field[high, cell + 1, axis] * share
        begin = (np.float32(cell) + HALF) * step_x - HALF
        slope = (right - left) / step_x
        start = max(0, int(np.ceil(begin)))
        stop = min(width, int(np.ceil(begin + step_x)))
        for x in range(start, stop):
            out[x] = left + slope * (np.float32(x) - begin)
    last = (np.float32(columns - 1) + HALF) * step_x - HALF
    end = field[low, columns - 1, axis] * (ONE - share) + field[high, columns - 1, axis] * share
    for x in range(max(0, int(np.ceil(last))), width):
        out[x] = end


@compiled
def _run(flat, row0, row1, row2, row3, uy, ux, foy, fox, start, count, out):
    """Interpolate a run whose pixels all read the same whole pixels away."""
    for k in range(count):
        at = np.uintp(k)
        t, s = uy[start + at] - foy, ux[start + at] - fox
        a0, a1, a2, a3 = _tap(0, t), _tap(1, t), _tap(2, t), _tap(3, t)
        b0, b1, b2, b3 = _tap(0, s), _tap(1, s), _tap(2, s), _tap(3, s)
        i0, i1, i2, i3 = row0 + at, row1 + at, row2 + at, row3 + at
        c0 = a0 * flat[i0] + a1 * flat[i1] + a2 * flat[i2] + a3 * flat[i3]
        i0, i1, i2, i3 = i0 + NEXT, i1 + NEXT, i2 + NEXT, i3 + NEXT
        c1 = a0 * flat[i0] + a1 * flat[i1] + a2 * flat[i2] + a3 * flat[i3]
        i0, i1, i2, i3 = i0 + NEXT, i1 + NEXT, i2 + NEXT, i3 + NEXT
        c2 = a0 * flat[i0] + a1 * flat[i1] + a2 * flat[i2] + a3 * flat[i3]
        i0, i1, i2, i3 = i0 + NEXT, i1 + NEXT, i2 + NEXT, i3 + NEXT
        c3 = a0 * flat[i0] + a1 * flat[i1] + a2 * flat[i2] + a3 * flat[i3]
        out[start + at] = b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3


@compiled
def _tap(k, t):
    """Weight of sample k of 4 at the fraction t between samples 1 and 2."""
    if k == 0:
        return HALF * t * (-ONE + t * (TWO - t))
    if k == 1:
        return HALF * (TWO + t * t * (-FIVE + THREE * t))
    if k == 2:
        return HALF * t * (ONE + t * (FOUR - THREE * t))
    return HALF * t * t * (t - ONE)


@compiled
def _at_border(image, y, x, t, s):
    """Interpolate where some of the 16 samples lie beyond the border: the border's value stands for them."""
    height, width = image.shape
    total = np.float32(0)
    for j in range(4):
        row = min(max(y + j - 1, 0), height - 1)
        for k in range(4):
            column = min(max(x + k - 1, 0), width - 1)
            total += _tap(j, t) * _tap(k, s) * image[row, column]
    return total


@compiled
def _warp_row(image, flat, y, uy, ux, whole, out):
    """Sample ``image(y + uy, x + ux)`` along one row; edge values are held beyond the border."""
    height, width = image.shape
    for x in range(width):
        # both whole steps in one number: a run is where it stays the same
        whole[x] = np.int32(np.floor(uy[x])) * np.int32(65536) + np.int32(np.floor(ux[x]))
    start = 0
    while start < width:
        code = whole[start]
        stop = start + 1
        while stop < width and whole[stop] == code:
            stop += 1
        oy = np.int64(np.floor(uy[start]))
        ox = np.int64(np.floor(ux[start]))
        top = y + oy - 1
        # the part of the run whose 16 samples all lie inside; both ends stay within the run
        inner_start = inner_stop = start
        if top >= 0 and top + 3 < height:
            inner_start = min(max(start, 1 - ox), stop)
            inner_stop = max(min(stop, width - 2 - ox), inner_start)
        foy, fox = np.float32(oy), np.float32(ox)
        if inner_stop > inner_start:
            # unsigned places: the compiler need not think of indices from the end
            row0 = np.uintp(top * width + inner_start + ox - 1)
            row1, row2, row3 = row0 + np.uintp(width), row0 + np.uintp(2 * width), row0 + np.uintp(3 * width)
            _run(flat, row0, row1, row2, row3, uy, ux, foy, fox, np.uintp(inner_start), inner_stop - inner_start, out)
        for x in range(start, inner_start):
            out[x] = _at_border(image, y + oy, x + ox, uy[x] - foy, ux[x] - fox)
        for x in range(inner_stop, stop):
            out[x] = _at_border(image, y + oy, x + ox, uy[x] - foy, ux[x] - fox)
        start = stop


@compiled
def _warp(image, field, out):
    height, width = image.shape
    flat = image.reshape(-1)
    step_y = np.float32(height) / np.float32(field.shape[0])
    step_x = np.float32(width) / np.float32(field.shape[1])
    uy, ux = np.empty(width, np.float32), np.empty(width, np.float32)
    whole = np.empty(width, np.int32)
    for y in range(height):
        _row_field(field, 0, y, step_y, step_x, width, uy)
        _row_field(field, 1, y, step_y, step_x, width, ux)
        _warp_row(image, flat, y, uy, ux, whole, out[y])


@compiled
def _warp_add(image, field, weight, light, top, bottom, left, right):
    height, width = image.shape
    flat = image.reshape(-1)
    step_y = np.float32(height) / np.float32(field.shape[0])
    step_x = np.float32(width) / np.float32(field.shape[1])
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole = np.empty(width, np.int32)
    for y in range(top, bottom):
        _row_field(field, 0, y, step_y, step_x, width, uy)
        _row_field(field, 1, y, step_y, step_x, width, ux)
        _warp_row(image, flat, y, uy, ux, whole, row)
        target = light[y]
        for x in range(left, right):
            target[x] += weight * row[x]


@compiled
def _compare(image, field, reference, instruments, scale, top, bottom, left, right, edges_y, edges_x, sums):
    """Sums over cells of each instrument times (scale * image(x + u) - reference), within a rectangle."""
    height, width = image.shape
    flat = image.reshape(-1)
    step_y = np.float32(height) / np.float32(field.shape[0])
    step_x = np.float32(width) / np.float32(field.shape[1])
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole = np.empty(width, np.int32)
    count = instruments.shape[0]
    # column by column down a row of cells: neighbouring pixels in step, in an order that never changes
    part = np.empty((count, width), np.float32)
    for i in range(sums.shape[1]):
        part[:] = 0
        for y in range(max(edges_y[i], top), min(edges_y[i + 1], bottom)):
            _row_field(field, 0, y, step_y, step_x, width, uy)
            _row_field(field, 1, y, step_y, step_x, width, ux)
            _warp_row(image, flat, y, uy, ux, whole, row)
            own = reference[y]
            for x in range(left, right):
                row[x] = scale * row[x] - own[x]
            for k in range(count):
                tool, target = instruments[k, y], part[k]
                for x in range(left, right):
                    target[x] += tool[x] * row[x]
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


def warp(image: NDArray[np.float32], field: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return ``image(x + u(x))``.

    Parameters
    ----------
    image : float32 (h, w), C-contiguous
    field : float32 (rows, columns, 2)
        Sampling displacement (y, x), px, at the centres of a grid of cells over the image; below 32,000 px.
    """
    out = np.empty_like(image)
    _warp(image, np.ascontiguousarray(field, np.float32), out)
    return out


def warp_add(
    image: NDArray[np.float32],
    field: NDArray[np.float32],
    weight: float,
    light: NDArray[np.float32],
    window: tuple[slice, slice],
) -> None:
    """Add ``weight * image(x + u(x))`` to `light` in place, inside a window of it; parameters as for `warp`."""
    rows, columns = window
    field = np.ascontiguousarray(field, np.float32)
    _warp_add(image, field, np.float32(weight), light, rows.start, rows.stop, columns.start, columns.stop)


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
