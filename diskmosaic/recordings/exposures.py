"""Exposures as far as recordings tell them."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence

SAME = 0.05  # relative difference up to which two exposures count as the same


def exposure_of(camera: Mapping[str, str]) -> float | None:
    """Return the exposure in seconds that is known of a recording; None where it is not."""
    try:
        exposure = float(camera.get("exposure_s", "nan"))
    except ValueError:
        return None
    return exposure if math.isfinite(exposure) and exposure > 0 else None


def common_exposure(cameras: Sequence[Mapping[str, str]]) -> float | None:
    """Return the exposure that recordings share; None where one is not known or they differ."""
    known = [exposure_of(camera) for camera in cameras]
    if not known or None in known:
        return None
    return statistics.median(known) if same_exposure(min(known), max(known)) else None


def same_exposure(one: float, other: float) -> bool:
    """Tell whether two exposures count as the same."""
    return max(one, other) <= (1 + SAME) * min(one, other)
