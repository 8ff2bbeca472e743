"""Compiled loops for warping a frame along a smooth field.

A frame is sampled down its columns first, then along the lines so made (Catmull & Smith 1980, Computer Graphics 14 (3),
279): 8 samples a pixel instead of 16. What a column is moved by is the field where its pixel goes to, to first order:
exact where the field is straight; where it bends as the air bends it, up to 0.008 px rms are missed. The compiler makes
vector code of the inner loops only where neighbouring pixels read neighbouring pixels. A smooth field moves long runs
of a row by the same whole pixels, so each row is cut into such runs; within one, only the fraction changes. The kernel
is Keys' cubic convolution with a = -1/2 (Keys 1981, IEEE Trans. ASSP 29, 1153): exact on quadratics, hence without the
shift error of OpenCV's a = -3/4.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled

TWO, HALF = np.float32(2), np.float32(0.5)
FIVE, FOUR, THREE = np.float32(5), np.float32(4), np.float32(3)
NEXT = np.uintp(1)
STRIDE = 16  # pixels in a vector of the larger processors


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
def _node_row(field, node, axis, step, out):
    """Fill `out` with one component of the field along a row of nodes, linear between the cells' centres."""
    columns, width = field.shape[1], len(out)
    first = HALF * step - HALF
    for x in range(min(width, int(np.ceil(first)))):
        out[x] = field[node, 0, axis]
    for cell in range(columns - 1):
        left = field[node, cell, axis]
        begin = (np.float32(cell) + HALF) * step - HALF
        slope = (field[node, cell + 1, axis] - left) / step
        for x in range(max(0, int(np.ceil(begin))), min(width, int(np.ceil(begin + step)))):
            out[x] = left + slope * (np.float32(x) - begin)
    last = (np.float32(columns - 1) + HALF) * step - HALF
    for x in range(max(0, int(np.ceil(last))), width):
        out[x] = field[node, columns - 1, axis]


@compiled
def row_field(field, y, height, node, rows, uy, ux):
    """Fill uy and ux with the field along row y; returns the node row above, whose values `rows` then holds.

    `rows` (4, w) are the components along the node row above and what they change by to the next one: they serve all
    rows between two nodes. `node` is the one that they hold, -1 at first.
    """
    count = field.shape[0]
    low, share = _node_weights(np.float32(y), np.float32(height) / np.float32(count), count)
    if low != node:
        step = np.float32(len(uy)) / np.float32(field.shape[1])
        high = min(low + 1, count - 1)
        for axis in range(2):
            _node_row(field, low, axis, step, rows[axis])
            _node_row(field, high, axis, step, rows[2 + axis])
            above, change = rows[axis], rows[2 + axis]
            for x in range(len(uy)):
                change[x] -= above[x]
    top, left, down, across = rows[0], rows[1], rows[2], rows[3]
    for x in range(len(uy)):
        uy[x] = top[x] + share * down[x]
        ux[x] = left[x] + share * across[x]
    return low


@compiled
def _cubic(before, at, after, beyond, t):
    """Keys' cubic through four neighbours, at the fraction t between the two in the middle."""
    bend = TWO * before - FIVE * at + FOUR * after - beyond
    return at + HALF * t * ((after - before) + t * (bend + t * (THREE * (at - after) + beyond - before)))


@compiled
def _run_end(whole, start):
    """Where a run of equal whole steps ends."""
    code, stop = whole[start], start + 1
    while stop + STRIDE <= len(whole):
        other, block = np.int32(0), whole[stop : stop + STRIDE]
        for x in range(STRIDE):  # looked at together, which is faster than one by one
            other |= block[x] ^ code
        if other != 0:
            break
        stop += STRIDE
    while stop < len(whole) and whole[stop] == code:
        stop += 1
    return stop


@compiled
def _down_run(flat, row0, row1, row2, row3, uy, whole, start, count, out):
    """Interpolate between rows along a run."""
    for k in range(count):
        at = start + np.uintp(k)
        out[at] = _cubic(flat[row0 + at], flat[row1 + at], flat[row2 + at], flat[row3 + at], uy[at] - whole)


@compiled
def _across_run(line, first, ux, whole, start, count, out):
    """Interpolate along a run of a row, read from `first` on."""
    for k in range(count):
        at = np.uintp(k)
        i0 = first + at
        i1, i2 = i0 + NEXT, i0 + NEXT + NEXT
        out[start + at] = _cubic(line[i0], line[i1], line[i2], line[i2 + NEXT], ux[start + at] - whole)


@compiled
def _where_read(uy, ux, middle, out):
    """The vertical displacement at the columns that a row is read from, to first order about `middle` whole steps."""
    width = len(uy)
    first, last = min(max(0, middle), width), max(min(width, width + middle), 0)
    offset, here, there = np.float32(middle), np.uintp(first), np.uintp(max(first - middle, 0))
    for k in range(last - first - 1):
        at = there + np.uintp(k)
        out[here + np.uintp(k)] = uy[at] - (ux[at] - offset) * (uy[at + NEXT] - uy[at])
    for column in range(first):
        out[column] = uy[0]
    for column in range(max(last - 1, 0), width):
        out[column] = uy[width - 1]


@compiled
def warp_row(flat, height, begin, y, uy, ux, middle, whole, work, out):
    """Sample ``image(y + uy, x + ux)`` along one row; edge values are held beyond the border.

    Down the columns first, then along the line so made (Catmull & Smith 1980): 8 samples a pixel instead of 16. `flat`
    are the image's rows one after the other, from row `begin` on as far as they are needed.
    """
    width = len(out)
    down, line = work[0], work[1]
    _where_read(uy, ux, middle, down)
    for x in range(width):
        whole[x] = np.int32(np.floor(down[x]))
    start = 0
    while start < width:
        stop = _run_end(whole, start)
        top = y + np.int64(whole[start]) - 1
        # unsigned places: the compiler need not think of indices from the end
        row0 = np.uintp((min(max(top, 0), height - 1) - begin) * width)
        row1 = np.uintp((min(max(top + 1, 0), height - 1) - begin) * width)
        row2 = np.uintp((min(max(top + 2, 0), height - 1) - begin) * width)
        row3 = np.uintp((min(max(top + 3, 0), height - 1) - begin) * width)
        step = np.float32(whole[start])
        _down_run(flat, row0, row1, row2, row3, down, step, np.uintp(start), stop - start, line)
        start = stop
    for x in range(width):
        whole[x] = np.int32(np.floor(ux[x]))
    start = 0
    while start < width:
        stop = _run_end(whole, start)
        ox = np.int64(whole[start])
        step = np.float32(ox)
        # the part of the run whose samples all lie inside; both ends stay within the run
        inner_start = min(max(start, 1 - ox), stop)
        inner_stop = max(min(stop, width - 2 - ox), inner_start)
        if inner_stop > inner_start:
            first = np.uintp(inner_start + ox - 1)
            _across_run(line, first, ux, step, np.uintp(inner_start), inner_stop - inner_start, out)
        for x in range(start, inner_start):
            out[x] = _at_border(line, x + ox, ux[x] - step)
        for x in range(inner_stop, stop):
            out[x] = _at_border(line, x + ox, ux[x] - step)
        start = stop


@compiled
def _at_border(line, x, t):
    """Interpolate where some samples lie beyond the border: the border's value stands for them."""
    last = len(line) - 1
    before, at = line[min(max(x - 1, 0), last)], line[min(max(x, 0), last)]
    after, beyond = line[min(max(x + 1, 0), last)], line[min(max(x + 2, 0), last)]
    return _cubic(before, at, after, beyond, t)


@compiled
def middle_step(field):
    """Whole steps along x that the field lies about."""
    total = 0.0
    for i in range(field.shape[0]):
        for j in range(field.shape[1]):
            total += field[i, j, 1]
    return int(np.floor(total / (field.shape[0] * field.shape[1]) + 0.5))


@compiled
def _warp(image, field, out):
    height, width = image.shape
    flat = image.reshape(-1)
    uy, ux = np.empty(width, np.float32), np.empty(width, np.float32)
    whole, rows, node = np.empty(width, np.int32), np.empty((4, width), np.float32), -1
    middle, work = middle_step(field), np.empty((2, width), np.float32)
    for y in range(height):
        node = row_field(field, y, height, node, rows, uy, ux)
        warp_row(flat, height, 0, y, uy, ux, middle, whole, work, out[y])


@compiled
def _warp_add(image, field, weight, light, top, bottom, left, right):
    height, width = image.shape
    flat = image.reshape(-1)
    uy, ux, row = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    whole, rows, node = np.empty(width, np.int32), np.empty((4, width), np.float32), -1
    middle, work = middle_step(field), np.empty((2, width), np.float32)
    for y in range(top, bottom):
        node = row_field(field, y, height, node, rows, uy, ux)
        warp_row(flat, height, 0, y, uy, ux, middle, whole, work, row)
        target, part = light[y, left:right], row[left:right]
        for x in range(len(target)):
            target[x] += weight * part[x]


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
