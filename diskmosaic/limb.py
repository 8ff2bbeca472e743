"""The limb: sub-pixel edge points along rays, and the circle through them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.circles import CircleFit, centre_of_radius, consensus_circle, fit_circle, flattening
from diskmosaic.arrays.edge import REACH_PX, Edge, fit_edge
from diskmosaic.records import Circle, FloatImage
from diskmosaic.settings import LimbSettings

STEP_PX = 0.5  # along a ray
SMOOTH_PX = 0.6  # Gaussian along a ray; more would pull the edge inwards, where limb darkening adds to its fall
CENTROID_PX = 1.5  # half width over which an edge's gradient is centred at first
TEMPLATE_ROUNDS = 3  # edges laid on their common shape: each halves what is left, and more
MIN_ARC_POINTS = 60  # rough border points that a tile must show to be placed by its limb alone
MIN_ELLIPSE = 0.5  # of the limb must be seen for an ellipse, or to tell the flattening
WANDER_PX = 0.05  # error of a tile's place, and of the seeing's slow bends, on simulated sessions
EDGE_GROUPS = 8  # parts of the limb whose own edges tell how sure the common edge is
EDGE_MODEL_PX = 0.003  # what the common edge misses on drawn disks without noise
MAX_BEYOND_PX = 0.5  # what blur can draw the edge inwards, at most
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
    seen = _rays(image, centre, radius, rays=rays, reach_px=reach_px)
    if seen is None:
        return np.zeros((0, 3))
    index, offsets, profile = seen
    smooth = ndimage.gaussian_filter1d(profile, SMOOTH_PX / STEP_PX, axis=1, mode="nearest")
    fall = -np.gradient(smooth, STEP_PX, axis=1)
    whole = np.isfinite(fall).all(axis=1)
    fall = np.where(np.isfinite(fall), fall, 0)
    margin = round(CENTROID_PX / STEP_PX)
    best = margin + np.argmax(fall[:, margin:-margin], axis=1)
    peak = fall[np.arange(len(best)), best]
    inner = (best > margin) & (best < len(offsets) - 1 - margin)
    strong = whole & inner & (peak > 0)
    if not strong.any():
        return np.zeros((0, 3))
    strong &= peak > MIN_EDGE * np.percentile(peak[strong], 75)
    at = _on_common_shape(fall[strong], best[strong], offsets)
    middle = (index[strong] + 0.5) / rays * 2 * np.pi
    length = radius + at
    return np.column_stack([centre[0] + length * np.sin(middle), centre[1] + length * np.cos(middle), peak[strong]])


def _rays(image: FloatImage, centre: tuple[float, float], radius: float, *, rays: int, reach_px: float):
    """Brightness along the rays that come near the image: their indices, offsets (px), profiles; None: none does."""
    per_ray = max(1, min(8, round(2 * np.pi * radius / rays)))
    angles = (np.arange(rays * per_ray) + 0.5) / (rays * per_ray) * 2 * np.pi
    offsets = np.arange(-reach_px, reach_px + STEP_PX / 2, STEP_PX)
    sines, cosines = np.sin(angles), np.cos(angles)
    height, width = image.shape
    ends_y, ends_x = centre[0] + radius * sines, centre[1] + radius * cosines
    near = (ends_y > -reach_px) & (ends_y < height + reach_px) & (ends_x > -reach_px) & (ends_x < width + reach_px)
    near = near.reshape(rays, per_ray).any(axis=1)
    if not near.any():
        return None
    pick = np.repeat(near, per_ray)
    distance = radius + offsets
    rows = (centre[0] + np.outer(sines[pick], distance)).astype(np.float32)
    columns = (centre[1] + np.outer(cosines[pick], distance)).astype(np.float32)
    profile = _sample(image, rows, columns).reshape(-1, per_ray, len(offsets)).mean(axis=1)
    return np.flatnonzero(near), offsets, profile


def _on_common_shape(
    fall: NDArray[np.floating], best: NDArray[np.int_], offsets: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Lay every edge on the shape that most of them have; where that is centred above half its height, they lie.

    Parameters
    ----------
    fall : (n, m)
        Brightness lost per px.
    best : (n,)
        Index of the steepest place.
    offsets : (m,)
        px.

    Returns
    -------
    (n,) float
        Offsets of the edges.
    """
    at = offsets[best].astype(float)
    window = np.arange(-round(2 * CENTROID_PX / STEP_PX), round(2 * CENTROID_PX / STEP_PX) + 1) * STEP_PX
    for _ in range(TEMPLATE_ROUNDS):
        seen = _along(fall, offsets, at[:, None] + window)
        shape = np.median(seen, axis=0)
        wide = max(CENTROID_PX, float(np.sum(shape > 0.5 * shape.max())) * STEP_PX)
        window = np.arange(-round(wide / STEP_PX), round(wide / STEP_PX) + 1) * STEP_PX
        seen = _along(fall, offsets, at[:, None] + window)
        shape = np.median(seen, axis=0)
        lifted = np.maximum(shape - 0.5 * shape.max(), 0)
        middle = float(lifted @ window / max(lifted.sum(), 1e-30))
        slope = np.gradient(shape, STEP_PX)
        height = seen @ shape / max(float(shape @ shape), 1e-30)
        # seen = height * shape(window - miss), to first order
        misfit = seen - height[:, None] * shape
        miss = -(misfit @ slope) / np.maximum(height * float(slope @ slope), 1e-30)
        at = np.clip(at + middle + np.clip(miss, -1, 1), offsets[0], offsets[-1])
    return at


def _along(rows: NDArray[np.floating], offsets: NDArray[np.float64], where: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each row at its own places, linearly between its samples, held beyond its ends."""
    place = np.clip((where - offsets[0]) / STEP_PX, 0, len(offsets) - 1.001)
    low = place.astype(int)
    part = place - low
    index = np.arange(len(rows))[:, None]
    return rows[index, low] * (1 - part) + rows[index, low + 1] * part


def common_edge(
    image: FloatImage, points: NDArray[np.float64], fit: CircleFit, *, rays: int
) -> tuple[Edge, float] | None:
    """Fit the edge that most rays show, each laid on its own edge point.

    Parameters
    ----------
    image : float32 (h, w)
    points : (n, 2)
        That `fit` used.
    fit : CircleFit
    rays : int
        Over the full circle.

    Returns
    -------
    edge : Edge
        Its offsets count from the points.
    sigma_px : float
        Standard error of its ``steepest_px``: the scatter between parts of the limb. None instead of both where there
        is no edge.
    """
    seen = _rays(image, fit.centre, fit.radius, rays=rays, reach_px=2 * REACH_PX)
    if seen is None:
        return None
    index, offsets, profile = seen
    angle = np.arctan2(points[:, 0] - fit.centre[0], points[:, 1] - fit.centre[1]) % (2 * np.pi)
    ray = (angle / (2 * np.pi) * rays).astype(int)
    place = np.searchsorted(index, ray)
    use = fit.used & (place < len(index)) & (np.abs(fit.residuals) < REACH_PX)
    use[use] &= index[place[use]] == ray[use]
    if not use.any():
        return None
    window = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    length = np.hypot(points[:, 0] - fit.centre[0], points[:, 1] - fit.centre[1]) - fit.radius
    stack = _along(profile[place[use]], offsets, length[use, None] + window)
    stack = stack[np.isfinite(stack).all(axis=1)]
    edge = fit_edge(window, np.median(stack, axis=0), fit.radius) if len(stack) else None
    if edge is None:
        return None
    parts = [part for part in np.array_split(stack, EDGE_GROUPS) if len(part)]
    others = [fit_edge(window, np.median(part, axis=0), fit.radius) for part in parts]
    places = [other.steepest_px for other in others if other is not None]
    scatter = float(np.std(places, ddof=1) / np.sqrt(len(places))) if len(places) > 2 else abs(edge.steepest_px)
    return edge, float(np.hypot(scatter, EDGE_MODEL_PX))


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
    image: FloatImage,
    settings: LimbSettings,
    *,
    start: tuple[float, float, float] | None = None,
    tile_px: float | None = None,
) -> Circle | None:
    """Fit the limb circle of a mosaic's natural image.

    Parameters
    ----------
    image : float32 (h, w)
        NaN where uncovered.
    settings : LimbSettings
    start : (y, x, radius), optional
        A nearly right circle; else it is found from where sky meets disk.
    tile_px : float, optional
        Length over which edge points err together by `WANDER_PX`, as those of one tile of a mosaic do: the standard
        errors allow for it.

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
        points = edge_points(image, centre, radius, rays=settings.rays, reach_px=reach)[:, :2]
        if len(points) < 12:
            return None
        ellipse = settings.shape == "ellipse" and len(points) > MIN_ELLIPSE * settings.rays
        fit = fit_circle(points, ellipse=ellipse, in_order=True)
        centre, radius = fit.centre, fit.radius
    edge, edge_sigma = common_edge(image, points, fit, rays=settings.rays) or (None, 0.0)
    circle = as_circle(points, fit, edge=edge, arc_deg=360 * len(points) / settings.rays)
    sigma = np.hypot(circle.sigma, (0, 0, edge_sigma))
    if tile_px is not None:
        sigma = np.hypot(sigma, _wander(points[fit.used], fit, tile_px, settings.rays))
    return replace(circle, sigma=(float(sigma[0]), float(sigma[1]), float(sigma[2])))


def _wander(points: NDArray[np.float64], fit: CircleFit, tile_px: float, rays: int) -> NDArray[np.float64]:
    """Standard errors of y, x and radius by what all points of a tile share."""
    unit = (points - fit.centre) / np.hypot(*(points - fit.centre).T)[:, None]
    design = np.column_stack([unit, np.ones(len(unit))])
    together = min(len(points), max(1.0, tile_px * rays / (2 * np.pi * fit.radius)))
    return WANDER_PX * np.sqrt(together * np.diag(np.linalg.pinv(design.T @ design)))


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


def as_circle(
    points: NDArray[np.float64], fit: CircleFit, *, edge: Edge | None = None, arc_deg: float = np.nan
) -> Circle:
    """Return the record of a fit, its radius taken out to where the sharp edge is (see `Edge.steepest_px`)."""
    beyond = 0.0 if edge is None else float(np.clip(edge.steepest_px, -MAX_BEYOND_PX, MAX_BEYOND_PX))
    return Circle(
        centre_yx=fit.centre,
        radius_px=fit.radius + beyond,
        rms_px=fit.rms,
        points=int(fit.used.sum()),
        sigma=fit.sigma,
        # on a shorter arc an ellipse and a displaced circle are alike
        flattening=np.nan if arc_deg < 360 * MIN_ELLIPSE else flattening(points, fit),
        blur_px=np.nan if edge is None else edge.blur_px,
        edge_px=beyond,
        arc_deg=arc_deg,
        oval=fit.oval,
    )
