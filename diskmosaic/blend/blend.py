"""All tiles on one canvas: one interpolation, two bands, and which tile made each pixel.

Two bands (after Burt & Adelson 1983, ACM Trans. Graphics 2, 217): each tile's slow difference from the wide, feathered
blend of all is taken off it; what is left, fine structure, goes over from tile to tile within a few pixels, so that it
never doubles. Tiles that agree come out as they are, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.radial import depth_factor
from diskmosaic.arrays.resample import sample_spline, spline_coefficients
from diskmosaic.blend.bends import CELL_PX, find_bends
from diskmosaic.blend.seams import COARSE, Laid, changed_places, coarse_of, narrow_weight, owners, slow_differences
from diskmosaic.records.image import FloatImage
from diskmosaic.records.light import Levels, Mosaic
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import Tile

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
        frames weighted w; ``tile`` is the index into `tiles` of the tile that fine structure is taken from.
    """
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    worth = _worth(tiles, levels, placed)
    padded = tuple(-(-n // COARSE) * COARSE for n in layout.shape)
    coarse = tuple(n // COARSE for n in padded)
    lay = partial(_lay, placement=placement, levels=levels, layout=layout, padded=padded)
    bends = find_bends([lay(tiles[k], k, worth[k], quick=True) for k in placed], [tiles[k] for k in placed])
    bends = [None] * len(placed) if bends is None else bends
    laid = [lay(tiles[k], k, worth[k], bend=bend) for k, bend in zip(placed, bends, strict=True)]
    slow = [coarse_of(one) for one in laid]
    taken = changed_places(laid, slow, coarse)
    owner = owners(laid, taken, padded)
    light, weight, variance = (np.zeros(padded, np.float32) for _ in range(3))
    for i, (one, off) in enumerate(zip(laid, slow_differences(laid, slow, taken, coarse), strict=True)):
        own = narrow_weight(owner, i, one)
        value = one.value - cv2.resize(off, one.value.shape[::-1], interpolation=cv2.INTER_LINEAR)
        light[one.window] += own * value
        weight[one.window] += own
        variance[one.window] += own**2 / np.maximum(one.frames.astype(np.float32), 1e-3)
    inside = tuple(slice(n) for n in layout.shape)
    light, weight, variance, owner = light[inside], weight[inside], variance[inside], owner[inside]
    covered = weight > 0
    image = np.full(layout.shape, np.nan, np.float32)
    image[covered] = light[covered] / weight[covered]
    counted = np.zeros(layout.shape, np.float32)
    counted[covered] = weight[covered] ** 2 / variance[covered]
    index = np.append(placed, -1).astype(np.int16)  # the last one answers for -1
    return Mosaic(image, counted, np.where(covered, index[owner], -1).astype(np.int16))


def _worth(tiles: Sequence[Tile], levels: Levels, placed: NDArray[np.intp]) -> dict[int, float]:
    """How much a tile is to be preferred where others see the same: inverse noise and sharpness against the median."""
    noise = {k: tiles[k].noise / levels.gain[k] for k in placed}
    worth = {}
    # a tile's own sharpness depends on what it shows; on the same places overlaps tell it better
    sharpness = {k: tiles[k].sharpness if levels.focus is None else levels.focus.sharpness[k] for k in placed}
    for name, values in (("noise", noise), ("sharpness", sharpness)):
        known = [value for value in values.values() if np.isfinite(value) and value > 0]
        typical = float(np.median(known)) if known else 1.0
        for k, value in values.items():
            ratio = value / typical if np.isfinite(value) and value > 0 else 1.0
            ratio = 1 / ratio if name == "noise" else ratio
            # one bad figure must not take a tile off the disk
            worth[k] = worth.get(k, 1.0) * float(np.clip(ratio, 0.5, 2.0))
    return worth


def _lay(
    tile: Tile,
    k: int,
    worth: float,
    *,
    placement: Placement,
    levels: Levels,
    layout: Layout,
    padded: tuple[int, int],
    bend: NDArray[np.float32] | None = None,
    quick: bool = False,
) -> Laid:
    """Level a tile and lay it on the canvas, by the one interpolation that there is.

    `bend` (see `find_bends`) is put right. `quick` interpolates linearly: that softens, but displaces nothing.
    """
    corrected = levels.correct(k, tile.image)
    seen = np.isfinite(corrected) & (tile.weight > MIN_SEEN * tile.weight.max())
    filled = _filled(corrected, seen)
    coefficients = filled if quick else spline_coefficients(filled)
    share = feather(seen) * np.minimum(tile.weight / np.median(tile.weight[seen]), 1)
    if levels.focus is not None and levels.focus.seen is not None:
        share *= levels.focus.weight
    frames = np.where(seen, tile.weight, 1).astype(np.float32)
    matrix = layout.tile_matrix(placement.positions[k], placement.turn(k))
    window = _window(matrix, tile.image.shape, padded)
    shape = tuple(part.stop - part.start for part in window)
    value, own, count = np.empty(shape, np.float32), np.empty(shape, np.float16), np.empty(shape, np.float16)
    for part, rows, columns in _bands(matrix, window):
        rows, columns = _turned(rows, columns, k, placement)
        if bend is not None:
            rows, columns = _straightened(rows, columns, matrix, bend, window, part)
        weight = _linear(share, rows, columns)
        weight[(rows < 0) | (rows > seen.shape[0] - 1) | (columns < 0) | (columns > seen.shape[1] - 1)] = 0
        value[part] = (_linear if quick else sample_spline)(coefficients, rows, columns)
        # what half precision cannot hold is still seen
        own[part] = np.where(weight > 0, np.maximum(weight * worth, 1e-6), 0)
        count[part] = np.minimum(_linear(frames, rows, columns), 6e4)
    return Laid(window, value, own, count)


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


def _window(matrix: NDArray[np.float64], tile_shape: tuple[int, int], padded: tuple[int, int]) -> tuple[slice, slice]:
    """The window of the canvas that a tile touches, its borders on coarse pixels."""
    corners = np.array([(y, x) for y in (0, tile_shape[0] - 1) for x in (0, tile_shape[1] - 1)], float)
    on_canvas = corners @ matrix[:, :2].T + matrix[:, 2]
    # a margin of a few pixels: features that turned with the Sun lie a little off
    low = np.maximum(np.floor(on_canvas.min(axis=0)).astype(int) - 8, 0) // COARSE * COARSE
    high = np.minimum(-(-(np.ceil(on_canvas.max(axis=0)).astype(int) + 9) // COARSE) * COARSE, padded)
    return slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1]))


def _bands(matrix: NDArray[np.float64], window: tuple[slice, slice]):
    """Yield rows of a window, with the tile's (row, column) at each of their pixels."""
    inverse = np.linalg.inv(matrix[:, :2])
    x = np.arange(window[1].start, window[1].stop)[None, :] - matrix[1, 2]
    for start in range(window[0].start, window[0].stop, BAND_ROWS):
        stop = min(start + BAND_ROWS, window[0].stop)
        y = np.arange(start, stop)[:, None] - matrix[0, 2]
        part = slice(start - window[0].start, stop - window[0].start)
        yield part, inverse[0, 0] * y + inverse[0, 1] * x, inverse[1, 0] * y + inverse[1, 1] * x


def _turned(rows, columns, k: int, placement: Placement):
    """Move sampling places to where the surface was when the tile was recorded; the limb stays."""
    drift, times, limb = np.array(placement.drift_yx), placement.times, placement.limb
    if times is None or limb is None or not (drift.any() or placement.motion is not None):
        return rows, columns
    turn = placement.turn(k)
    y = turn[0, 0] * rows + turn[0, 1] * columns + placement.positions[k][0]
    x = turn[1, 0] * rows + turn[1, 1] * columns + placement.positions[k][1]
    if placement.motion is not None:
        dy, dx = placement.motion.shift(y, x, limb.centre_yx, limb.radius_px, float(times[k]))
    else:
        depth = depth_factor(y, x, limb.centre_yx, limb.radius_px) * times[k]
        dy, dx = depth * drift[0], depth * drift[1]
    back = np.linalg.inv(turn)
    return rows + back[0, 0] * dy + back[0, 1] * dx, columns + back[1, 0] * dy + back[1, 1] * dx


def _straightened(rows, columns, matrix, bend, window: tuple[slice, slice], part: slice):
    """Move sampling places (of a band of rows of a window) back by the tile's bend, linear between cells."""
    first = tuple(side.start // CELL_PX for side in window)
    y = np.arange(window[0].start + part.start, window[0].start + part.stop)
    x = np.arange(window[1].start, window[1].stop)
    at_y, at_x = ((at + 0.5) / CELL_PX - 0.5 - cell for at, cell in zip((y, x), first, strict=True))
    at_y, at_x = np.broadcast_arrays(at_y[:, None], at_x[None, :])
    dy, dx = (_linear(np.ascontiguousarray(bend[..., axis]), at_y, at_x) for axis in (0, 1))
    back = np.linalg.inv(matrix[:, :2])
    return rows - (back[0, 0] * dy + back[0, 1] * dx), columns - (back[1, 0] * dy + back[1, 1] * dx)


def _linear(image: NDArray[np.float32], rows: NDArray[np.float64], columns: NDArray[np.float64]) -> NDArray[np.float32]:
    return cv2.remap(
        image,
        columns.astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
