"""Figures of geometry: placement, local displacement, limb."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.figures.compare import Comparison, fitted_turn, smooth

PATCH_PX = 96
REACH_PX = 5
"""Displacements are looked for up to here."""


def placement(seen: Comparison) -> dict[str, float | None]:
    """Errors of the sensors' centres on the disk: lengths in px, after one translation for all.

    The turn is fitted too where the disk was turned against the sensors; the figures named ``turned`` and
    ``scaled`` always fit it, and the scale.
    """
    off = np.hypot(*(seen.found_yx - seen.ideal_yx).T)
    figures: dict[str, float | None] = {
        "tiles": len(seen.truth.tiles),
        "tiles_placed": len(seen.known),
        "placement_rms_px": _rms(off),
        "placement_max_px": float(off.max()),
        "placement_turned_rms_px": None,
        "placement_scaled_rms_px": None,
        "scale_error": None,
    }
    if len(seen.known) > 1:
        where = (seen.ideal_yx - seen.origin) @ np.linalg.inv(seen.linear).T
        for name, scale in (("turned", False), ("scaled", True)):
            linear = fitted_turn(where, seen.found_yx, seen.linear, scale=scale)
            left = (seen.found_yx - seen.found_yx.mean(0)) - (where - where.mean(0)) @ linear.T
            figures[f"placement_{name}_rms_px"] = _rms(np.hypot(*left.T))
            if scale:
                figures["scale_error"] = float(np.sqrt(abs(np.linalg.det(linear) / np.linalg.det(seen.linear))) - 1)
    return figures


def limb(seen: Comparison) -> dict[str, float | None]:
    """Errors of the limb that the result states, px on the disk."""
    stated = seen.result.assembly.get("limb")
    if not stated:
        return {"limb_centre_px": None, "limb_radius_px": None}
    centre = seen.origin + seen.linear @ np.array(seen.truth.sun.centre_yx)
    radius = seen.truth.sun.radius_px * np.sqrt(abs(np.linalg.det(seen.linear)))
    return {
        "limb_centre_px": float(np.hypot(*(np.array(stated["centre_yx"]) - centre))),
        "limb_radius_px": float(stated["radius_px"] - radius),
    }


def displacement(seen: Comparison, *, patch_px: int = PATCH_PX) -> dict[str, float | None]:
    """Shifts of the disk's fine structure against the true Sun, patch by patch: rms length in px.

    Patches lie wholly on the disk within 0.97 radii; those too plain to tell (correlation under 0.5) do not
    count.
    """
    good = np.isfinite(seen.ratio) & (seen.radius < 0.97)
    found, true = (_fine(np.where(good, image, 1), good) for image in (seen.result.natural, seen.sun))
    reach = REACH_PX
    lengths = []
    for y in range(reach, good.shape[0] - patch_px - reach, patch_px):
        for x in range(reach, good.shape[1] - patch_px - reach, patch_px):
            rows, columns = slice(y - reach, y + patch_px + reach), slice(x - reach, x + patch_px + reach)
            if good[rows, columns].all():
                shift = _shift(true[y : y + patch_px, x : x + patch_px], found[rows, columns])
                if shift is not None:
                    lengths.append(np.hypot(*shift))
    return {
        "local_rms_px": _rms(np.array(lengths)) if lengths else None,
        "local_patches": len(lengths),
    }


def _fine(image: NDArray, good: NDArray[np.bool_]) -> NDArray[np.float32]:
    light = np.log(image)
    fine = np.where(good, light - smooth(light, good, 10), 0)
    # a spot must not outvote the quiet Sun around it
    limit = 4 * np.median(np.abs(fine[good])) / 0.6745
    return np.clip(fine, -limit, limit).astype(np.float32)


def _shift(patch: NDArray[np.float32], area: NDArray[np.float32]) -> NDArray[np.float64] | None:
    """Find where `patch` lies in `area` (wider by the reach on each side), as (y, x) off the middle; None:
    nowhere.

    The best whole shift by correlation, then three Gauss-Newton steps on the squared difference.
    """
    if patch.std() == 0 or area.std() == 0:
        return None
    score = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED)
    best = np.unravel_index(score.argmax(), score.shape)
    if score[best] < 0.5 or not all(0 < b < n - 1 for b, n in zip(best, score.shape, strict=True)):
        return None
    inner = patch[3:-3, 3:-3].astype(np.float64)
    slopes = [np.gradient(patch, axis=axis)[3:-3, 3:-3].ravel() for axis in (0, 1)]
    design = np.stack([*slopes, inner.ravel(), np.ones(inner.size)], 1)
    spline = ndimage.spline_filter(area.astype(np.float64))
    y, x = np.mgrid[3 : patch.shape[0] - 3, 3 : patch.shape[1] - 3]
    at = np.array(best, float)
    for _ in range(3):
        here = ndimage.map_coordinates(spline, [y + at[0], x + at[1]], order=3, prefilter=False)
        # here(p) = contrast * patch(p - d) + level: the slopes' coefficients are -contrast * d
        fit = np.linalg.lstsq(design, here.ravel(), rcond=None)[0]
        at -= fit[:2] / fit[2]
    return at - REACH_PX if np.abs(at - best).max() < 1.5 else None


def _rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
