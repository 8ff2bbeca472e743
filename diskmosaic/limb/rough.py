"""Where sky meets the disk, and the rough circle through it: what is needed before edges can be looked for."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.circles import CircleFit, centre_of_radius, consensus_circle
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Circle

MIN_ARC_POINTS = 24  # rough border points that a tile must show to be looked at by its limb


def sky_mask(image: FloatImage, disk_level: float, *, share: float = 0.2) -> NDArray[np.bool_]:
    """Return True on sky: dark regions that reach the border (spots do not).

    Parameters
    ----------
    image : float32 (h, w)
        NaN counts as neither.
    disk_level : float
        Typical brightness of the disk, same unit.
    share : float
        Of `disk_level` that parts sky from disk.
    """
    known = np.isfinite(image)
    whole = bool(known.all())
    filled = np.asarray(image, np.float32) if whole else np.where(known, image, np.float32(disk_level))
    dark = (cv2.GaussianBlur(filled, (0, 0), 2.0) < share * disk_level) & known
    if not dark.any():
        return dark
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=4)
    border = np.zeros(dark.shape, bool) if whole else ndimage.binary_dilation(~known)
    border[0] = border[-1] = border[:, 0] = border[:, -1] = True
    at_border = np.bincount(labels[border & dark], minlength=count) > 0
    large = stats[:, cv2.CC_STAT_AREA] > 0.001 * image.size
    return (at_border & large & (np.arange(count) > 0))[labels]


def border_points(sky: NDArray[np.bool_], known: NDArray[np.bool_], *, step: int = 4) -> NDArray[np.float64]:
    """Return (n, 2) rough points where sky meets disk, thinned by `step`; not where what is `known` ends."""
    if not sky.any():
        return np.zeros((0, 2))
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    # OpenCV takes what lies beyond the image for True here
    inner = cv2.erode(known.astype(np.uint8), cross, iterations=3)
    edge = sky & (cv2.erode((sky | (inner == 0)).astype(np.uint8), cross) == 0)
    edge[:3] = edge[-3:] = False
    edge[:, :3] = edge[:, -3:] = False
    points = np.argwhere(edge).astype(float)
    # every so-manieth in reading order would take one flank of the disk and leave the other
    picks = np.random.default_rng(4).permutation(len(points))[: -(-len(points) // step)]
    return points[np.sort(picks)]


def find_circle(image: FloatImage) -> CircleFit | None:
    """Find the limb roughly, from nothing: where sky that reaches the border meets the disk."""
    factor = max(1, int(max(image.shape) // 1000))
    small = image[::factor, ::factor]
    if not np.isfinite(small).any():
        return None
    level = float(np.nanpercentile(small, 90))
    small = np.ascontiguousarray(small)
    points = border_points(sky_mask(small, level), np.isfinite(small)) * factor
    return rough_limb(points, tolerance=3.0 * factor)


def rough_limb(points: NDArray[np.float64], *, tolerance: float = 3.0) -> CircleFit | None:
    """Return a circle through rough border points, seeded and robust; None where there is none."""
    return consensus_circle(points, np.random.default_rng(20), tolerance=tolerance)


def place_by_limb(
    sky: NDArray[np.bool_], seen: NDArray[np.bool_], circle: Circle, *, tolerance: float = 3.0, share: float = 0.7
) -> NDArray[np.float64] | None:
    """Return where a tile's origin lies by its piece of the limb alone, the limb's circle being known.

    Parameters
    ----------
    sky, seen : bool (h, w)
        Of the tile (see `diskmosaic.tiles.regions`).
    circle : Circle
        Of the mosaic.
    tolerance : float
        Scatter of rough border points, px.
    share : float
        Of the border points that must lie on the circle.

    Returns
    -------
    (y, x) or None
        Right to a few px; None where the tile shows too short an arc.
    """
    points = border_points(sky, seen, step=1)
    disk = seen & ~sky
    if len(points) < MIN_ARC_POINTS or not disk.any() or not sky.any():
        return None
    inwards = np.argwhere(disk).mean(axis=0) - np.argwhere(sky).mean(axis=0)
    found = centre_of_radius(points, circle.radius_px, inwards, np.random.default_rng(21), tolerance=tolerance)
    if found is None or found[1] < share * len(points):
        return None
    return np.array(circle.centre_yx) - found[0]
