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
def _cell_sums(grad_y, grad_x, reference, moved, top, bottom, left, right, edges_y, edges_x, sums_y, sums_x):
    """Sums over cells of gradient times (reference - moved) within a rectangle; returns the sum of squares."""
    width = reference.shape[1]
    # column by column down a row of cells: neighbouring pixels in step, in an order that never changes
    part_y, part_x = np.empty(width, np.float32), np.empty(width, np.float32)
    square = np.empty(width, np.float32)
    total = 0.0
    for i in range(sums_y.shape[0]):
        part_y[:] = 0
        part_x[:] = 0
        square[:] = 0
        for y in range(max(edges_y[i], top), min(edges_y[i + 1], bottom)):
            gy, gx, a, b = grad_y[y], grad_x[y], reference[y], moved[y]
            for x in range(left, right):
                d = a[x] - b[x]
                part_y[x] += gy[x] * d
                part_x[x] += gx[x] * d
                square[x] += d * d
        for j in range(sums_y.shape[1]):
            cell_y, cell_x = 0.0, 0.0
            for x in range(max(edges_x[j], left), min(edges_x[j + 1], right)):
                cell_y += part_y[x]
                cell_x += part_x[x]
                total += square[x]
            sums_y[i, j] += np.float32(cell_y)
            sums_x[i, j] += np.float32(cell_x)
    return total


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


def cell_sums(
    gradients: tuple[NDArray[np.float32], NDArray[np.float32]],
    reference: NDArray[np.float32],
    moved: NDArray[np.float32],
    window: tuple[slice, slice],
    edges: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Sum gradient times (reference - moved) over the cells of a grid, inside a window.

    Parameters
    ----------
    gradients : two float32 (h, w)
        Along y and x.
    reference, moved : float32 (h, w)
    window : two slices
    edges : two int64 arrays
        Borders of the cells along y and x.

    Returns
    -------
    along_y, along_x : float32 (rows, columns)
    squares : float
        Sum of (reference - moved)^2.
    """
    shape = (len(edges[0]) - 1, len(edges[1]) - 1)
    along_y, along_x = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    (rows, columns), (grad_y, grad_x) = window, gradients
    squares = _cell_sums(
        grad_y, grad_x, reference, moved, rows.start, rows.stop, columns.start, columns.stop, *edges, along_y, along_x
    )
    return along_y, along_x, squares
