"""The disk on another map's grid: its pixels, its time, its observer.

Every pixel of the map is a place on the Sun. It is carried to the disk's time and observer (`rotation.carry`) and read
there, in one interpolation. Beyond the limb the sky is laid on by its distance in solar radii.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.resample import sample_spline, spline_coefficients
from diskmosaic.files.solarmap import MapGrid
from diskmosaic.progress import Progress, silent
from diskmosaic.sky.rotation import carry, limb_tangent
from diskmosaic.sky.sun import read_time

BAND_PX = 1 << 18  # pixels of the map at a time
MOST_HOURS = 72.0  # features live and move on their own: what is further apart is no comparison


def seconds_between(first: MapGrid, second: MapGrid) -> float:
    """Return the time from the first to the second, s."""
    return (read_time(second.time_utc) - read_time(first.time_utc)) / timedelta(seconds=1)


def places_on(target: MapGrid, source: MapGrid, rows: NDArray[np.float64], columns: NDArray[np.float64]):
    """Tell where the source shows what pixels of the target show.

    Parameters
    ----------
    target, source : MapGrid
    rows, columns : float arrays
        Of the target.

    Returns
    -------
    rows, columns : float arrays
        Of the source; NaN where what is seen on the one is hidden from the other.
    """
    west, north = target.sight(rows, columns)
    here, there = limb_tangent(target.view), limb_tangent(source.view)
    west, north = west / here, north / here
    on_disk = np.hypot(west, north) <= 1
    new_west, new_north, depth = carry(west, north, target.view, source.view, seconds_between(target, source))
    hidden = on_disk & (depth < there)  # the limb lies by the tangent's share before the middle
    west = np.where(on_disk, new_west, west)
    north = np.where(on_disk, new_north, north)
    west[hidden] = np.nan
    return source.place(west * there, north * there)


def put_onto(
    target: MapGrid,
    source: MapGrid,
    layers: Sequence[NDArray[np.float32]],
    *,
    linear: Sequence[bool] | None = None,
    progress: Progress = silent,
) -> list[NDArray[np.float32]]:
    """Put images of the source's grid onto the target's.

    Parameters
    ----------
    target, source : MapGrid
    layers : sequence of float32 (h, w)
        NaN where unknown.
    linear : sequence of bool, optional
        Layers that are interpolated linearly (weights), not by a cubic spline.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    list of float32 arrays
        In the target's shape; NaN where nothing is known.

    Notes
    -----
    Where the target's pixels are coarser, the mean of n x n places within each is taken, n the ratio of the scales.
    """
    linear = [False] * len(layers) if linear is None else linear
    known = [np.isfinite(layer) for layer in layers]
    filled = []
    for layer, good, plainly in zip(layers, known, linear, strict=True):
        whole = np.where(good, layer, np.float32(0))
        if not good.all() and good.any() and not plainly:
            nearest = ndimage.distance_transform_edt(~good, return_distances=False, return_indices=True)
            whole = layer[tuple(nearest)]
        filled.append(whole if plainly else spline_coefficients(whole))
    count = max(1, round(target.arcsec_per_px / source.arcsec_per_px))
    within = (np.arange(count) + 0.5) / count - 0.5
    height, width = target.shape
    out = [np.full(target.shape, np.nan, np.float32) for _ in layers]
    step = max(1, BAND_PX // (width * count))
    starts = range(0, height, step)
    for start in progress(starts, "map rows", len(starts), "bands"):
        stop = min(start + step, height)
        rows = (np.arange(start, stop)[:, None] + within).reshape(-1)
        columns = (np.arange(width)[:, None] + within).reshape(-1)
        at = places_on(target, source, *(grid.astype(float) for grid in np.meshgrid(rows, columns, indexing="ij")))
        shape = source.shape
        # rounding must not lose the outermost rows of a grid that is the disk's own
        inside = (np.abs(at[0] - (shape[0] - 1) / 2) <= shape[0] / 2) & (
            np.abs(at[1] - (shape[1] - 1) / 2) <= shape[1] / 2
        )
        y, x = (np.where(inside, np.clip(v, 0, side - 1), 0) for v, side in zip(at, shape, strict=True))
        nearest = np.rint(y).astype(int), np.rint(x).astype(int)
        for image, good, values, plainly in zip(out, known, filled, linear, strict=True):
            if plainly:
                read = ndimage.map_coordinates(values, [y, x], order=1, mode="nearest", output=np.float32)
            else:
                read = sample_spline(values, y, x)
            read[~(inside & good[nearest])] = np.nan
            blocks = read.reshape(stop - start, count, width, count)
            image[start:stop] = blocks.mean(axis=(1, 3))
    return out
