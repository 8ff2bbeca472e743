"""Light beyond the limb from a second, longer-exposed image, joined to the first."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.limb_profile import Edge

_ROWS = 256
_FEATHER_PX = 7  # over which one image gives way to the other
_REACH = 0.15  # radii beyond the limb in which their light is compared


def fit_light(image: NDArray[np.float32], longer: NDArray[np.float32], edge: Edge) -> tuple[float, float] | None:
    """Ratio and offset of the second set's light: ``longer = ratio * image + offset`` beyond the limb.

    Parameters
    ----------
    image, longer : float32 (h, w)
        Light of either set on one grid; NaN where unknown.
    edge : Edge
        Of `image`.

    Returns
    -------
    (ratio, offset) or None
        None where the two have no light in common.
    """
    ours, theirs = [], []
    for y0 in range(0, image.shape[0], _ROWS):
        rows = slice(y0, min(y0 + _ROWS, image.shape[0]))
        u = edge.offsets(rows, slice(0, image.shape[1]))
        one, other = (np.asarray(part[rows], np.float32) for part in (image, longer))
        both = (u > 2 * (edge.blur_px or 2.0) + 1) & (u < _REACH * edge.radius) & np.isfinite(one) & np.isfinite(other)
        # means over boxes of both; what depends on which is chosen so that the noise of the first set does not bias it
        count = cv2.blur(both.astype(np.float32), (9, 9))
        means = [cv2.blur(np.where(both, part, 0).astype(np.float32), (9, 9)) for part in (one, other)]
        there = both & (count > 0.5)
        ours.append((means[0] / np.maximum(count, 0.1))[there][::7])
        theirs.append((means[1] / np.maximum(count, 0.1))[there][::7])
    x, y = (np.concatenate(part).astype(float) for part in (ours, theirs))
    use = np.ones(x.size, bool)
    ratio = offset = 0.0
    for _ in range(6):
        if use.sum() < 50:
            break
        share, level = np.polyfit(y[use], x[use], 1)
        left = x - (share * y + level)
        use = np.abs(left) < 4 * 1.4826 * np.median(np.abs(left[use])) + 1e-9
        ratio, offset = (1 / share, -level / share) if share > 0 else (0.0, 0.0)
    return (float(ratio), float(offset)) if ratio > 0 else None


def join(
    image: NDArray[np.float32], longer: NDArray[np.float32], edge: Edge
) -> tuple[NDArray[np.float32], float] | None:
    """Put the second image's light in the place of the first's beyond the limb.

    Parameters
    ----------
    image : float32 (h, w)
        Light of the first; NaN where unknown.
    longer : float32 (h, w)
        Of the second, in a unit of its own; NaN where it is unknown or saturated.
    edge : Edge
        Of `image`.

    Returns
    -------
    (float32 (h, w), float) or None
        In the unit of `image`, and how many times as much light the second has; None where the two do not fit.
    """
    found = fit_light(image, longer, edge)
    if found is None:
        return None
    ratio, offset = found
    joined = np.array(image, np.float32)
    pad = _FEATHER_PX
    for y0 in range(0, image.shape[0], _ROWS):
        y1 = min(y0 + _ROWS, image.shape[0])
        rows = slice(max(y0 - pad, 0), min(y1 + pad, image.shape[0]))
        u = edge.offsets(rows, slice(0, image.shape[1]))
        # the edge of either is its own: only beyond it the two show the same
        there = (u > 2 * (edge.blur_px or 2.0) + 1) & np.isfinite(longer[rows])
        inner = cv2.erode(there.astype(np.uint8), np.ones((pad, pad), np.uint8)).astype(np.float32)
        share = cv2.blur(inner, (pad, pad))
        share[~there] = 0
        light = (np.nan_to_num(longer[rows]) - np.float32(offset)) / np.float32(ratio)
        mixed = np.where(share > 0, share * light + (1 - share) * np.nan_to_num(image[rows]), image[rows])
        joined[y0:y1] = mixed[y0 - rows.start : y1 - rows.start]
    return joined, ratio
