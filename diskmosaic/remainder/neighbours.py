"""What neighbouring tiles saw of the same Sun, taken out of a tile so that its sensor's pattern is heard better."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import overlap_windows
from diskmosaic.arrays.radial import depth_factor
from diskmosaic.arrays.resample import sample_spline, shift_fraction, spline_coefficients
from diskmosaic.blend.blend import feather
from diskmosaic.progress import Progress
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Placement
from diskmosaic.tiles.regions import Regions


def less_neighbours(
    logs: list[FloatImage], regions: list[Regions], placement: Placement, progress: Progress
) -> list[FloatImage]:
    """Subtract from each tile what the others saw of the same Sun, where they saw it."""
    feathers = [feather(region.disk) for region in regions]
    shape = logs[0].shape
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    quieter = list(logs)
    for k in progress(list(placed), "pattern left in the tiles: the Sun from neighbours", unit="tiles"):
        total, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        for other in placed:
            if other == k:
                continue
            if not np.array_equal(placement.turn(k), placement.turn(other)):
                own = _brought_over(feathers[other], placement, k, other)
                if own.any():
                    total += own * _brought_over(logs[other], placement, k, other)
                    weight += own
                continue
            shift = _feature_shift(placement, k, other, shape)
            whole = (int(np.rint(shift[0])), int(np.rint(shift[1])))
            windows = overlap_windows(shape, shape, whole)
            if windows is None or min(w.stop - w.start for w in windows[0]) < 8:
                continue
            part = (float(shift[0] - whole[0]), float(shift[1] - whole[1]))
            own = feathers[other][windows[1]]
            total[windows[0]] += own * shift_fraction(logs[other][windows[1]], part)
            weight[windows[0]] += own
        # weights near 0 belong to the other tiles' very borders
        use = (weight > 0.01) & regions[k].disk
        quieter[k] = np.where(use, logs[k] - total / np.maximum(weight, 0.01), logs[k]).astype(np.float32)
    return quieter


def _brought_over(image: FloatImage, placement: Placement, a: int, b: int) -> FloatImage:
    """Return an image on tile b's pixels as tile a, which is turned against it, sees it; 0 outside."""
    height, width = image.shape
    matrix = placement.between(a, b)
    half = np.array([(height - 1) / 2, (width - 1) / 2])
    matrix[:, 2] += np.linalg.solve(placement.turn(a), _turned_since(placement, a, b, half))
    back = np.linalg.inv(matrix[:, :2])
    y, x = np.arange(height)[:, None] - matrix[0, 2], np.arange(width)[None, :] - matrix[1, 2]
    rows, columns = back[0, 0] * y + back[0, 1] * x, back[1, 0] * y + back[1, 1] * x
    inside = (rows >= 0) & (rows <= height - 1) & (columns >= 0) & (columns <= width - 1)
    if not inside.any():
        return np.zeros(image.shape, np.float32)
    return np.where(inside, sample_spline(spline_coefficients(image), rows, columns), np.float32(0))


def _turned_since(placement: Placement, a: int, b: int, half: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where b's features lie besides its own place, for the Sun turned from a's time to b's; half way between both."""
    if placement.times is None or placement.limb is None:
        return np.zeros(2)
    middle = (placement.to_mosaic(a, half) + placement.to_mosaic(b, half)) / 2
    depth = depth_factor(*middle, placement.limb.centre_yx, placement.limb.radius_px)
    return -(placement.times[b] - placement.times[a]) * depth * np.array(placement.drift_yx)


def _feature_shift(placement: Placement, a: int, b: int, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Where tile b's origin lies in tile a's pixels, for features on the surface at the middle of their overlap."""
    shift = np.linalg.solve(placement.turn(a), placement.positions[b] - placement.positions[a])
    if placement.times is None or placement.limb is None:
        return shift
    low, high = np.maximum(shift, 0), np.minimum(shift, 0) + shape
    middle = placement.to_mosaic(a, (low + high) / 2)
    depth = depth_factor(*middle, placement.limb.centre_yx, placement.limb.radius_px)
    motion = np.linalg.solve(placement.turn(a), np.array(placement.drift_yx))
    return shift - (placement.times[b] - placement.times[a]) * depth * motion
