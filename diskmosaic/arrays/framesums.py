"""Compiled sums over frames: clipped, trimmed, and of squares by level.

Frames are read where they stand, each for itself scaled and compared, so that memory is passed once. Clipped sums take
four frames at a time: what stands in a pixel's accumulators is then loaded and stored a quarter as often, which is what
the loop spends its time on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled

TOGETHER = 4  # frames
ZERO, ONE = np.float32(0), np.float32(1)


@compiled
def _near(raw, scale, base, centre, limit):
    difference = (np.float32(raw) - base) * scale - centre
    # false for NaN too
    return (difference, ONE) if abs(difference) <= limit else (ZERO, ZERO)


@compiled
def _clip_add(frames, scales, base, centre, limit, top, bottom, total, squares, count):
    last = frames.shape[0] - 1
    for y in range(top, bottom):
        own_base, own_centre, own_limit = base[y], centre[y], limit[y]
        own_total, own_squares, own_count = total[y], squares[y], count[y]
        for k in range(0, scales.shape[0], TOGETHER):
            row_0, row_1 = frames[min(k, last), y], frames[min(k + 1, last), y]
            row_2, row_3 = frames[min(k + 2, last), y], frames[min(k + 3, last), y]
            scale_0, scale_1, scale_2, scale_3 = scales[k], scales[k + 1], scales[k + 2], scales[k + 3]
            for x in range(frames.shape[2]):
                d_0, n_0 = _near(row_0[x], scale_0, own_base[x], own_centre[x], own_limit[x])
                d_1, n_1 = _near(row_1[x], scale_1, own_base[x], own_centre[x], own_limit[x])
                d_2, n_2 = _near(row_2[x], scale_2, own_base[x], own_centre[x], own_limit[x])
                d_3, n_3 = _near(row_3[x], scale_3, own_base[x], own_centre[x], own_limit[x])
                own_total[x] += np.float64((d_0 + d_1) + (d_2 + d_3))
                own_squares[x] += np.float64((d_0 * d_0 + d_1 * d_1) + (d_2 * d_2 + d_3 * d_3))
                own_count[x] += (n_0 + n_1) + (n_2 + n_3)


@compiled
def _trim_add(frames, scales, base, centre, top, bottom, total, squares, low, high):
    for y in range(top, bottom):
        own_base, own_centre = base[y], centre[y]
        own_total, own_squares, own_low, own_high = total[y], squares[y], low[y], high[y]
        for k in range(frames.shape[0]):
            row, scale = frames[k, y], scales[k]
            for x in range(frames.shape[2]):
                difference = (np.float32(row[x]) - own_base[x]) * scale - own_centre[x]
                own_total[x] += np.float64(difference)
                own_squares[x] += np.float64(difference) * np.float64(difference)
                own_low[x] = difference if difference < own_low[x] else own_low[x]
                own_high[x] = difference if difference > own_high[x] else own_high[x]


@compiled
def _bin_sums(values, level, bins, limits, count, squares, levels):
    for y in range(bins.shape[0]):
        for x in range(bins.shape[1]):
            k = bins[y, x]
            if k >= 0 and abs(values[y, x]) <= limits[k]:
                count[k] += 1.0
                squares[k] += np.float64(values[y, x]) * np.float64(values[y, x])
                levels[k] += level[y, x]


def clip_add(
    frames: NDArray,
    scales: NDArray[np.float32],
    base: NDArray[np.float32],
    centre: NDArray[np.float32],
    limit: NDArray[np.float32],
    rows: range,
    sums: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32]],
) -> None:
    """Add frames' clipped differences from a centre, ``(raw - base) * scale - centre``, in place.

    Parameters
    ----------
    frames : (n, h, w), any real dtype in native byte order
    scales : float32 (n,)
    base, centre, limit : float32 (h, w)
        Differences beyond `limit` are left out.
    rows : range
        That are summed.
    sums : float64, float64, float32 (h, w)
        Sum of the differences, of their squares, and their number.
    """
    # a frame that is not there has no scale, so that none of its values is near
    full = np.full(-(-len(frames) // TOGETHER) * TOGETHER, np.float32(np.nan))
    full[: len(frames)] = scales
    _clip_add(frames, full, base, centre, limit, rows.start, rows.stop, *sums)


def trim_add(
    frames: NDArray,
    scales: NDArray[np.float32],
    base: NDArray[np.float32],
    centre: NDArray[np.float32],
    rows: range,
    sums: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]],
) -> None:
    """Add frames' differences from a centre, in place; parameters as for `clip_add`.

    `sums` are those of the differences, of their squares, the least and the largest difference.
    """
    _trim_add(frames, scales, base, centre, rows.start, rows.stop, *sums)


def bin_sums(
    values: NDArray[np.float32], level: NDArray[np.float32], bins: NDArray[np.int32], limits: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Sum squares by bin, those of values within their bin's limit.

    Parameters
    ----------
    values, level : float32 (h, w)
    bins : int32 (h, w)
        Less than len(limits); negative: left out.
    limits : float32 (n,)

    Returns
    -------
    count, squares, levels : float64 (n,)
        Number of values, sum of their squares, and of `level` where they stand.
    """
    sums = tuple(np.zeros(len(limits)) for _ in range(3))
    _bin_sums(values, level, bins, limits, *sums)
    return sums
