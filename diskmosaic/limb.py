"""The limb: sub-pixel edge points along rays, and the circle through them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.circles import CircleFit, centre_of_radius, consensus_circle, fit_circle, flattening
from diskmosaic.records import Circle, FloatImage
from diskmosaic.settings import LimbSettings

STEP_PX = 0.5  # along a ray
SMOOTH_PX = 0.6  # Gaussian along a ray; more would pull the edge inwards, where limb darkening adds to its fall
CENTROID_PX = 1.5  # half width over which the edge's gradient is centred
MIN_ARC_POINTS = 60  # rough border points that a tile must show to be placed by its limb alone
MIN_EDGE = 0.25  # an edge must fall by this share of the typical edge to count


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
    smooth = cv2.GaussianBlur(np.where(known, image, np.float32(disk_level)), (0, 0), 2.0)
    dark = (smooth < share * disk_level) & known
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=4)
    border = ndimage.binary_dilation(~known)
    border[0] = border[-1] = border[:, 0] = border[:, -1] = True
    at_border = np.bincount(labels[border & dark], minlength=count) > 0
    large = stats[:, cv2.CC_STAT_AREA] > 0.001 * image.size
    return (at_border & large & (np.arange(count) > 0))[labels]


def border_points(sky: NDArray[np.bool_], known: NDArray[np.bool_], *, step: int = 4) -> NDArray[np.float64]:
    """Return (n, 2) rough points where sky meets disk, thinned by `step`; not where what is `known` ends."""
    edge = sky & ~ndimage.binary_erosion(
        sky | ~ndimage.binary_erosion(known, iterations=3, border_value=1), border_value=1
    )
    edge[:3] = edge[-3:] = False
    edge[:, :3] = edge[:, -3:] = False
    points = np.argwhere(edge).astype(float)
    # every so-manieth in reading order would take one flank of the disk and leave the other
    picks = np.random.default_rng(4).permutation(len(points))[: -(-len(points) // step)]
    return points[np.sort(picks)]


def edge_points(
    image: FloatImage,
    centre: tuple[float, float],
    radius: float,
    *,
    rays: int = 1440,
    reach_px: float = 12.0,
) -> NDArray[np.float64]:
    """Find the steepest fall of brightness along rays through a nearly known limb.

    Parameters
    ----------
    image : float32 (h, w)
        Natural brightness; NaN where unknown.
    centre, radius : (y, x) and px
        Right to about `reach_px`/2.
    rays : int
        Over the full circle. Brightness is averaged along the limb over the arc between neighbouring rays.
    reach_px : float
        Searched to both sides.

    Returns
    -------
    (n, 3) float
        y, x and the strength of the edge (brightness lost across it).
    """
    per_ray = max(1, min(8, round(2 * np.pi * radius / rays)))
    angles = (np.arange(rays * per_ray) + 0.5) / (rays * per_ray) * 2 * np.pi
    offsets = np.arange(-reach_px, reach_px + STEP_PX / 2, STEP_PX)
    sines, cosines = np.sin(angles), np.cos(angles)
    height, width = image.shape
    ends_y, ends_x = centre[0] + radius * sines, centre[1] + radius * cosines
    near = (ends_y > -reach_px) & (ends_y < height + reach_px) & (ends_x > -reach_px) & (ends_x < width + reach_px)
    near = near.reshape(rays, per_ray).any(axis=1)
    if not near.any():
        return np.zeros((0, 3))
    pick = np.repeat(near, per_ray)
    distance = radius + offsets
    rows = (centre[0] + np.outer(sines[pick], distance)).astype(np.float32)
    columns = (centre[1] + np.outer(cosines[pick], distance)).astype(np.float32)
    profile = _sample(image, rows, columns)
    profile = profile.reshape(-1, per_ray, len(offsets)).mean(axis=1)
    smooth = ndimage.gaussian_filter1d(profile, SMOOTH_PX / STEP_PX, axis=1, mode="nearest")
    fall = -np.gradient(smooth, STEP_PX, axis=1)
    whole = np.isfinite(fall).all(axis=1)
    fall = np.where(np.isfinite(fall), fall, 0)
    margin = round(CENTROID_PX / STEP_PX)
    best = margin + np.argmax(fall[:, margin:-margin], axis=1)
    window = best[:, None] + np.arange(-margin, margin + 1)
    index = np.arange(len(best))
    around = fall[index[:, None], window]
    peak = fall[index, best]
    # only the edge's own gradient counts: what is below half its height is limb darkening, sky and noise
    lifted = np.maximum(around - 0.5 * peak[:, None], 0)
    at = np.sum(lifted * offsets[window], axis=1) / np.maximum(lifted.sum(axis=1), 1e-30)
    inner = (best > margin) & (best < len(offsets) - 1 - margin)
    strong = whole & inner & (peak > 0)
    if not strong.any():
        return np.zeros((0, 3))
    strong &= peak > MIN_EDGE * np.percentile(peak[strong], 75)
    middle = (np.flatnonzero(near)[strong] + 0.5) / rays * 2 * np.pi
    length = radius + at[strong]
    return np.column_stack([centre[0] + length * np.sin(middle), centre[1] + length * np.cos(middle), peak[strong]])


def _sample(image: FloatImage, rows: FloatImage, columns: FloatImage) -> FloatImage:
    # cv2.remap refuses more than 32766 rows or columns
    parts = [
        cv2.remap(
            image, columns[i : i + 8192], rows[i : i + 8192], cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"),
        )
        for i in range(0, len(rows), 8192)
    ]  # fmt: skip
    return np.concatenate(parts)


def rough_limb(points: NDArray[np.float64], *, tolerance: float = 3.0) -> CircleFit | None:
    """Return a circle through rough border points, seeded and robust; None where there is none."""
    return consensus_circle(points, np.random.default_rng(20), tolerance=tolerance)


def place_by_limb(
    sky: NDArray[np.bool_], seen: NDArray[np.bool_], circle: Circle, *, tolerance: float = 3.0
) -> NDArray[np.float64] | None:
    """Return where a tile's origin lies by its piece of the limb alone, the limb's circle being known.

    Parameters
    ----------
    sky, seen : bool (h, w)
        Of the tile (see `diskmosaic.regions`).
    circle : Circle
        Of the mosaic.
    tolerance : float
        Scatter of rough border points, px.

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
    if found is None or found[1] < 0.7 * len(points):
        return None
    return np.array(circle.centre_yx) - found[0]


def fit_limb(
    image: FloatImage, settings: LimbSettings, *, start: tuple[float, float, float] | None = None
) -> Circle | None:
    """Fit the limb circle of a mosaic's natural image.

    Parameters
    ----------
    image : float32 (h, w)
        NaN where uncovered.
    settings : LimbSettings
    start : (y, x, radius), optional
        A nearly right circle; else it is found from where sky meets disk.

    Returns
    -------
    Circle or None
        None where no limb is seen.
    """
    if start is None:
        found = find_circle(image)
        if found is None:
            return None
        start = (*found.centre, found.radius)
    centre, radius = (start[0], start[1]), start[2]
    fit = None
    for reach in (16.0, 8.0, 8.0):
        points = edge_points(image, centre, radius, rays=settings.rays, reach_px=reach)
        if len(points) < 12:
            return None
        fit = fit_circle(points[:, :2])
        centre, radius = fit.centre, fit.radius
    return as_circle(points[:, :2], fit)


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


def as_circle(points: NDArray[np.float64], fit: CircleFit) -> Circle:
    """Return the record of a fit."""
    return Circle(
        centre_yx=fit.centre,
        radius_px=fit.radius,
        rms_px=fit.rms,
        points=int(fit.used.sum()),
        sigma=fit.sigma,
        flattening=flattening(points, fit),
    )
