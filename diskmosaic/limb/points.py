"""Sub-pixel points of the limb's edge along rays."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.records.image import FloatImage

STEP_PX = 0.5  # along a ray
SMOOTH_PX = 0.6  # Gaussian along a ray; more would pull the edge inwards, where limb darkening adds to its fall
CENTROID_PX = 1.5  # half width over which an edge's gradient is centred at first
TEMPLATE_ROUNDS = 3  # edges laid on their common shape: each halves what is left, and more
MIN_EDGE = 0.25  # an edge must fall by this share of the typical edge to count


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
    seen = light_along_rays(image, centre, radius, rays=rays, reach_px=reach_px)
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


def light_along_rays(image: FloatImage, centre: tuple[float, float], radius: float, *, rays: int, reach_px: float):
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
        seen = along(fall, offsets, at[:, None] + window)
        shape = np.median(seen, axis=0)
        wide = max(CENTROID_PX, float(np.sum(shape > 0.5 * shape.max())) * STEP_PX)
        window = np.arange(-round(wide / STEP_PX), round(wide / STEP_PX) + 1) * STEP_PX
        seen = along(fall, offsets, at[:, None] + window)
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


def along(rows: NDArray[np.floating], offsets: NDArray[np.float64], where: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each row at its own places, linearly between its samples, held beyond its ends."""
    place = np.clip((where - offsets[0]) / STEP_PX, 0, len(offsets) - 1.001)
    low = place.astype(int)
    part = place - low
    index = np.arange(len(rows))[:, None]
    return rows[index, low] * (1 - part) + rows[index, low + 1] * part


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
