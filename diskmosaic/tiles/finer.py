"""Tiles with more pixels than their frames: between the one grid and the other.

Finer pixel i lies at ``(i + 1/2) / factor - 1/2`` px of the frames. What is fixed to the sensor (flats, remainders, the
mean of the frames at rest) stays on the frames' pixels, where it was measured; what is found of it there is enlarged
for the tile, in which the frames' motion has smoothed it.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.resample import sample_spline, spline_coefficients
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import SensorGrid, Tile


def finer_shape(shape: tuple[int, int], factor: float) -> tuple[int, int]:
    """Return the size of the grid that lies wholly on frames of a size."""
    return int(shape[0] * factor + 1e-6), int(shape[1] * factor + 1e-6)


def finer_grid(grid: SensorGrid | None, shape: tuple[int, int], factor: float) -> SensorGrid | None:
    """Return how a finer grid's pixels lie on the sensor.

    Parameters
    ----------
    grid : SensorGrid or None
        How the frames' pixels lie on it; None: they are its own.
    shape : (int, int)
        Of the frames, px.
    factor : float
    """
    if factor == 1:
        return grid
    if grid is None:
        grid = SensorGrid(1.0, (0.0, 0.0), shape)
    first = 0.5 / factor - 0.5
    return replace(
        grid,
        step=grid.step / factor,
        first_yx=(grid.first_yx[0] + grid.step * first, grid.first_yx[1] + grid.step * first),
    )


def on_frames(image: FloatImage, factor: float, shape: tuple[int, int]) -> FloatImage:
    """Sample an image on the finer grid at the frames' pixels (h, w); NaN where it is not known."""
    if factor == 1:
        return image
    known = np.isfinite(image)
    start = 0.5 * factor - 0.5
    matrix = np.array([[factor, 0.0, start], [0.0, factor, start]])

    def sampled(part: NDArray[np.float32], kind: int) -> NDArray[np.float32]:
        flags, size = kind | cv2.WARP_INVERSE_MAP, (shape[1], shape[0])
        return cv2.warpAffine(part, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)

    values = sampled(np.where(known, image, np.float32(0)), cv2.INTER_CUBIC)
    values[sampled(known.astype(np.float32), cv2.INTER_LINEAR) < 0.999] = np.nan
    return values


def enlarged(image: FloatImage, factor: float, shape: tuple[int, int]) -> FloatImage:
    """Return an image on the frames' pixels at those of a finer grid (H, W), by a cubic spline."""
    if factor == 1:
        return image
    coefficients = spline_coefficients(image)
    rows, columns = ((np.arange(size) + 0.5) / factor - 0.5 for size in shape)
    out = np.empty(shape, np.float32)
    for start in range(0, shape[0], 256):  # bands: the places of all pixels would take more memory than the image
        part = rows[start : start + 256]
        out[start : start + 256] = sample_spline(coefficients, *np.meshgrid(part, columns, indexing="ij"))
    return out


def tile_on_frames(tile: Tile) -> Tile:
    """Return a tile as its frames' pixels see it, for what is fixed to the sensor."""
    if tile.finer == 1:
        return tile
    image, weight = (on_frames(part, tile.finer, tile.frame_shape) for part in (tile.image, tile.weight))
    return replace(tile, image=image, weight=weight, finer=1.0, grid=None)


def corrected(tile: Tile, logarithm: FloatImage) -> Tile:
    """Divide a tile by a pattern given as its logarithm on the frames' pixels."""
    return replace(tile, image=tile.image * np.exp(-enlarged(logarithm, tile.finer, tile.image.shape)))


def placement_on_frames(placement: Placement, factor: float) -> Placement:
    """Return a placement of tiles as one of the same tiles on their frames' pixels."""
    if factor == 1:
        return placement
    limb = placement.limb
    if limb is not None:
        centre = (limb.centre_yx[0] / factor, limb.centre_yx[1] / factor)
        limb = replace(limb, centre_yx=centre, radius_px=limb.radius_px / factor)
    turns = np.eye(2) if placement.turns is None else placement.turns
    # the first pixel of the frame does not lie on that of the tile
    start = turns @ np.full(2, 0.5 - 0.5 / factor)
    return replace(
        placement,
        positions=placement.positions / factor + start,
        limb=limb,
        drift_yx=(placement.drift_yx[0] / factor, placement.drift_yx[1] / factor),
    )
