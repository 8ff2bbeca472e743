"""The limb: the circle through its edge points, and the edge that they have in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.circles import CircleFit, fit_circle, flattening
from diskmosaic.arrays.edge import REACH_PX, Edge, fit_edge
from diskmosaic.limb.points import STEP_PX, along, edge_points, light_along_rays
from diskmosaic.limb.rough import find_circle
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Circle
from diskmosaic.settings import LimbSettings

MIN_ELLIPSE = 0.5  # of the limb must be seen for an ellipse, or to tell the flattening
WANDER_PX = 0.05  # error of a tile's place, and of the seeing's slow bends, on simulated sessions
EDGE_GROUPS = 8  # parts of the limb whose own edges tell how sure the common edge is
EDGE_MODEL_PX = 0.003  # what the common edge misses on drawn disks without noise
MAX_BEYOND_PX = 0.5  # what blur can draw the edge inwards, at most


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
    seen = light_along_rays(image, fit.centre, fit.radius, rays=rays, reach_px=2 * REACH_PX)
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
    stack = along(profile[place[use]], offsets, length[use, None] + window)
    stack = stack[np.isfinite(stack).all(axis=1)]
    edge = fit_edge(window, np.median(stack, axis=0), fit.radius) if len(stack) else None
    if edge is None:
        return None
    parts = [part for part in np.array_split(stack, EDGE_GROUPS) if len(part)]
    others = [fit_edge(window, np.median(part, axis=0), fit.radius) for part in parts]
    places = [other.steepest_px for other in others if other is not None]
    scatter = float(np.std(places, ddof=1) / np.sqrt(len(places))) if len(places) > 2 else abs(edge.steepest_px)
    return edge, float(np.hypot(scatter, EDGE_MODEL_PX))


def _wander(points: NDArray[np.float64], fit: CircleFit, tile_px: float, rays: int) -> NDArray[np.float64]:
    """Standard errors of y, x and radius by what all points of a tile share."""
    unit = (points - fit.centre) / np.hypot(*(points - fit.centre).T)[:, None]
    design = np.column_stack([unit, np.ones(len(unit))])
    together = min(len(points), max(1.0, tile_px * rays / (2 * np.pi * fit.radius)))
    return WANDER_PX * np.sqrt(together * np.diag(np.linalg.pinv(design.T @ design)))


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
