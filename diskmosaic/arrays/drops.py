"""Compiled loops: frames laid onto a finer grid, each pixel's light kept.

Variable-pixel linear reconstruction (Fruchter & Hook 2002, PASP 114, 144): every pixel of a frame is shrunk about its
centre, taken to where the field says, and its light is shared among the finer pixels by the areas in which it covers
them. So light is neither made nor lost, no kernel has negative lobes, and what the camera's coarse pixels have mixed
up by sampling too seldom is told apart by the many places at which they sampled.

A row of a frame is shared among the finer pixels of a line first, then the line among the rows that it falls on: a
pixel is sheared as the field shears it along x, and the compiler makes vector code of the second step.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled
from diskmosaic.arrays.kernels import row_field

ROUNDS = 4  # of the inverse field; the air bends by 0.03 px a px at most, so that each leaves that much of its error
ZERO, HALF, ONE = np.float32(0), np.float32(0.5), np.float32(1)
LEAST = np.float32(1e-6)


@compiled
def _across(frame_row, uy, ux, factor, side, light, weight, place):
    """Share one row of a frame among the finer pixels of a line: light, weight, and weighted vertical displacement."""
    light[:], weight[:], place[:] = ZERO, ZERO, ZERO
    columns, touched = len(light), int(np.ceil(side)) + 1
    scale, start = np.float32(factor), HALF - HALF * side
    for x in range(len(frame_row)):
        at = (x + 0.5) * factor - 0.5
        whole = int(at)
        low = np.float32(at - whole) + ux[x] * scale + start
        step = int(np.floor(low))
        low -= np.float32(step)
        high, first = low + side, whole + step
        value, up = frame_row[x], uy[x]
        for i in range(max(0, -first), min(touched, columns - first)):
            part = max(min(high, np.float32(i + 1)) - max(low, np.float32(i)), ZERO)
            target = np.uintp(first + i)
            weight[target] += part
            light[target] += part * value
            place[target] += part * up


@compiled
def _down(light, weight, low, side, row, scale, light_out, weight_out):
    """Add what of a line falls into one row of finer pixels."""
    for x in range(len(light)):
        part = scale * max(min(low[x] + side, row + ONE) - max(low[x], row), ZERO)
        light_out[x] += part * light[x]
        weight_out[x] += part * weight[x]


@compiled
def _drop(frame, places, factor, side, gain, scale, light, weight, top, bottom, first_row, last_row):
    width, columns = frame.shape[1], light.shape[1]
    uy, ux = np.empty(width, np.float32), np.empty(width, np.float32)
    rows, node = np.empty((4, width), np.float32), -1
    line, share, low = np.empty(columns, np.float32), np.empty(columns, np.float32), np.empty(columns, np.float32)
    fine = np.float32(factor)
    for y in range(top, bottom):
        node = row_field(places, y, frame.shape[0], node, rows, uy, ux)
        least, most = uy[0], uy[0]
        for x in range(width):
            least, most = min(least, uy[x]), max(most, uy[x])
        _across(frame[y], uy, ux, factor, side, line, share, low)
        at = (y + 0.5) * factor - 0.5
        whole = int(at)
        start = np.float32(at - whole) + HALF - HALF * side
        for x in range(columns):
            line[x] *= gain
            low[x] = start + fine * (low[x] / max(share[x], LEAST))
        above = whole + int(np.floor(start + fine * least)) - 1  # one more: the mean above is rounded
        below = whole + int(np.ceil(start + fine * most + side)) + 1
        for row in range(max(above, first_row), min(below, last_row)):
            _down(line, share, low, side, np.float32(row - whole), scale, light[row], weight[row])


def drop(
    frame: NDArray[np.float32],
    places: NDArray[np.float32],
    factor: float,
    pixel_share: float,
    sums: NDArray[np.float32],
    rows: slice,
    *,
    gain: float = 1.0,
    weight: float = 1.0,
) -> None:
    """Lay a frame onto some rows of a finer grid, in place.

    Parameters
    ----------
    frame : float32 (h, w), C-contiguous
    places : float32 (rows, columns, 2)
        By how much its pixels are moved (y, x), px of the frame, at the centres of a grid of cells over it.
    factor : float
        Finer pixels to a frame's pixel on each axis, 1 to 3; the finer pixel i lies at ``(i + 1/2) / factor - 1/2``.
    pixel_share : float
        Share of its side to which a pixel is shrunk (*pixfrac* in the publication), at most 1.
    sums : float32 (2, H, W)
        Light times weight, and weight, which is 1 a frame on average where all is covered.
    rows : slice
        Of `sums`: others stay as they are, so that threads can share the work and no sum depends on how.
    gain, weight : float
        On the frame's values; on how much it counts.
    """
    side = pixel_share * factor
    # rows of the frame that can reach the wanted ones
    top = int(np.floor((rows.start - side - 1) / factor - float(places[..., 0].max()) - 1))
    bottom = int(np.ceil((rows.stop + side + 1) / factor - float(places[..., 0].min()) + 1))
    places = np.ascontiguousarray(places, np.float32)
    scales = (np.float32(gain), np.float32(weight / pixel_share**2))
    bounds = (max(top, 0), min(bottom, frame.shape[0]), rows.start, rows.stop)
    _drop(frame, places, float(factor), np.float32(side), *scales, sums[0], sums[1], *bounds)


def places_of(field: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return where a frame's pixels go, of the field that it is sampled along: the inverse of ``x -> x + u(x)``.

    Parameters
    ----------
    field : float32 (rows, columns, 2)
        Sampling displacement (y, x), px, at the centres of a grid of cells; held beyond them.
    shape : (int, int)
        Of the frame, px.

    Returns
    -------
    float32 (rows, columns, 2)
        Displacement v of the frame's pixels, at the same places of the frame: ``v(y) = -u(y + v(y))``.
    """
    steps = [size / cells for size, cells in zip(shape, field.shape[:2], strict=True)]
    node_y, node_x = np.indices(field.shape[:2], dtype=np.float32)
    parts = [np.ascontiguousarray(field[..., axis], np.float32) for axis in (0, 1)]
    moved = np.empty(field.shape, np.float32)
    moved[:] = -field.mean(axis=(0, 1))
    for _ in range(ROUNDS):
        at = (node_x + moved[..., 1] / np.float32(steps[1]), node_y + moved[..., 0] / np.float32(steps[0]))
        moved = -np.stack([cv2.remap(p, *at, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE) for p in parts], axis=-1)
    return moved


def noise_of_drops(factor: float, pixel_share: float) -> float:
    """Return the noise of a finer pixel over that of the mean of as many pixels as there are frames.

    The mean over all places at which pixels may lie: on each axis, with p the pixel's and q the finer pixel's side in
    px of the frame, the squares of the overlaps are ``p - q/3`` over ``p^2`` times their mean (p and q change places
    where q is the larger). Neighbours share noise: means over large areas have 1/factor of a frame's noise each, more
    than the pixels let expect, by the ratio R of Fruchter & Hook 2002, equations 9 and 10.
    """
    wide, narrow = max(pixel_share, 1 / factor), min(pixel_share, 1 / factor)
    return (wide - narrow / 3) / wide**2
