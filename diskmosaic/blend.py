"""All tiles on one canvas: one interpolation, feathered seams, and which tiles made each pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.radial import depth_factor
from diskmosaic.arrays.resample import sample_spline, spline_coefficients
from diskmosaic.records import Circle, FloatImage, Levels, Mosaic, Placement, Tile

MIN_SEEN = 0.25  # pixels with a smaller share of the tile's frames are too noisy to use
BAND_ROWS = 512  # rows of the canvas resampled at a time


@dataclass(frozen=True)
class Layout:
    """How the mosaic lies on the canvas: ``canvas = matrix[:, :2] @ mosaic + matrix[:, 2]``, canvas shape (h, w)."""

    matrix: NDArray[np.float64]
    shape: tuple[int, int]

    def tile_matrix(
        self, position: NDArray[np.float64], turn: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Return the 2x3 matrix from a tile's pixels to the canvas; `turn` is the tile's own (2, 2)."""
        linear = self.matrix[:, :2]
        own = linear if turn is None else linear @ turn
        return np.column_stack([own, linear @ position + self.matrix[:, 2]])

    def circle(self, limb: Circle) -> tuple[float, float, float]:
        """Return (y, x, radius) of a circle of the mosaic on the canvas."""
        y, x = self.matrix[:, :2] @ limb.centre_yx + self.matrix[:, 2]
        return float(y), float(x), limb.radius_px


def lay_out(
    positions: NDArray[np.float64],
    tile_shape: tuple[int, int],
    linear: NDArray[np.float64],
    turns: NDArray[np.float64] | None = None,
) -> Layout:
    """Return the smallest canvas that holds all placed tiles, turned (or mirrored) by `linear`.

    Parameters
    ----------
    positions : (n, 2)
        Of the tiles' pixel (0, 0); NaN for tiles left out.
    tile_shape : (h, w)
    linear : (2, 2)
        Orthogonal matrix on (y, x).
    turns : (n, 2, 2), optional
        The tiles' own matrices.
    """
    corners = np.array([(y, x) for y in (0, tile_shape[0] - 1) for x in (0, tile_shape[1] - 1)], float)
    placed = np.isfinite(positions[:, 0])
    turns = np.broadcast_to(np.eye(2), (len(positions), 2, 2)) if turns is None else turns
    on_mosaic = positions[placed][:, None] + np.einsum("nij,cj->nci", turns[placed], corners)
    all_corners = on_mosaic.reshape(-1, 2) @ linear.T
    low, high = np.floor(all_corners.min(axis=0)), np.ceil(all_corners.max(axis=0))
    shape = (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)
    return Layout(np.column_stack([linear, -low]), shape)


def blend_tiles(tiles: Sequence[Tile], placement: Placement, levels: Levels, layout: Layout) -> Mosaic:
    """Blend all placed tiles.

    Parameters
    ----------
    tiles : sequence of Tile
    placement : Placement
    levels : Levels
    layout : Layout

    Returns
    -------
    Mosaic
        ``weight`` is the number of frames averaged, as the noise sees it: ``(sum w)^2 / sum(w^2 / n)`` for tiles of n
        frames weighted w; ``tile`` is the index into `tiles` of the tile that weighs most.
    """
    light = np.zeros(layout.shape, np.float32)
    weight = np.zeros(layout.shape, np.float32)
    variance = np.zeros(layout.shape, np.float32)
    strongest = np.zeros(layout.shape, np.float32)
    owner = np.full(layout.shape, -1, np.int16)
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    for k in placed:
        tile = tiles[k]
        corrected = (tile.image - np.float32(levels.offset[k])) / (np.float32(levels.gain[k]) * levels.surface)
        seen = np.isfinite(corrected) & (tile.weight > MIN_SEEN * tile.weight.max())
        coefficients = spline_coefficients(_filled(corrected, seen))
        share = feather(seen) * np.minimum(tile.weight / np.median(tile.weight[seen]), 1)
        frames = np.where(seen, tile.weight, 1).astype(np.float32)
        matrix = layout.tile_matrix(placement.positions[k], placement.turn(k))
        for window, rows, columns in _bands(matrix, tile.image.shape, layout.shape):
            rows, columns = _turned(rows, columns, window, k, placement, layout)
            own = _linear(share, rows, columns)
            own[(rows < 0) | (rows > seen.shape[0] - 1) | (columns < 0) | (columns > seen.shape[1] - 1)] = 0
            value = sample_spline(coefficients, rows, columns)
            light[window] += own * value
            weight[window] += own
            variance[window] += own**2 / _linear(frames, rows, columns)
            better = own > strongest[window]
            owner[window][better] = k
            strongest[window][better] = own[better]
    covered = weight > 0
    image = np.full(layout.shape, np.nan, np.float32)
    image[covered] = light[covered] / weight[covered]
    weight[covered] = weight[covered] ** 2 / variance[covered]
    return Mosaic(image, weight, owner)


def feather(seen: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return a smooth weight, 0 at the border of the rows and columns seen and 1 at their middle."""
    ramps = []
    for axis in (1, 0):
        share = seen.mean(axis=axis)
        use = np.flatnonzero(share > 0.5 * share.max())
        ramp = np.zeros(seen.shape[1 - axis])
        if len(use):
            first, last = use[0], use[-1]
            middle, reach = (first + last) / 2, (last - first) / 2 + 1
            ramp[first : last + 1] = 1 - np.abs(np.arange(first, last + 1) - middle) / reach
        ramps.append(ramp)
    # squared: the weight's slope vanishes at the border too, so that no seam starts with a kink
    return (np.outer(*ramps) ** 2 * seen).astype(np.float32)


def _filled(image: FloatImage, seen: NDArray[np.bool_]) -> FloatImage:
    """Return the image with its nearest seen value where nothing was seen: a spline rings at any other step."""
    if seen.all() or not seen.any():
        return np.where(seen, image, np.float32(0))
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    return image[tuple(nearest)]


def _bands(matrix: NDArray[np.float64], tile_shape: tuple[int, int], shape: tuple[int, int]):
    """Yield windows of the canvas that a tile touches, with the tile's (row, column) at each of their pixels."""
    corners = np.array([(y, x) for y in (0, tile_shape[0] - 1) for x in (0, tile_shape[1] - 1)], float)
    on_canvas = corners @ matrix[:, :2].T + matrix[:, 2]
    # a margin of a few pixels: features that turned with the Sun lie a little off
    top, left = np.maximum(np.floor(on_canvas.min(axis=0)).astype(int) - 8, 0)
    bottom, right = np.minimum(np.ceil(on_canvas.max(axis=0)).astype(int) + 9, shape)
    inverse = np.linalg.inv(matrix[:, :2])
    for start in range(top, bottom, BAND_ROWS):
        stop = min(start + BAND_ROWS, bottom)
        y = np.arange(start, stop)[:, None] - matrix[0, 2]
        x = np.arange(left, right)[None, :] - matrix[1, 2]
        window = (slice(start, stop), slice(left, right))
        yield window, inverse[0, 0] * y + inverse[0, 1] * x, inverse[1, 0] * y + inverse[1, 1] * x


def _turned(rows, columns, window, k: int, placement: Placement, layout: Layout):
    """Move sampling places to where the surface was when the tile was recorded; the limb stays."""
    drift, times, limb = np.array(placement.drift_yx), placement.times, placement.limb
    if times is None or limb is None or not drift.any():
        return rows, columns
    turn = placement.turn(k)
    y = turn[0, 0] * rows + turn[0, 1] * columns + placement.positions[k][0]
    x = turn[1, 0] * rows + turn[1, 1] * columns + placement.positions[k][1]
    depth = depth_factor(y, x, limb.centre_yx, limb.radius_px) * times[k]
    drift = np.linalg.solve(turn, drift)
    return rows + depth * drift[0], columns + depth * drift[1]


def _linear(image: NDArray[np.float32], rows: NDArray[np.float64], columns: NDArray[np.float64]) -> NDArray[np.float32]:
    return cv2.remap(
        image,
        columns.astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
