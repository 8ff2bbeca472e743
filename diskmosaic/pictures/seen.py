"""What stands out on the disk, and the words for those who cannot see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.arrays.radial import radius_map
from diskmosaic.pictures.frame import Frame
from diskmosaic.records.places import Circle

LOOK_PX = 600  # the disk is looked at with about this many pixels across: plage and spots show, grain does not
_LOOK_SIGMA = 1.5  # px of that view: what is finer does not make a region
_THRESHOLD = 5.0  # robust deviations of the quiet Sun; common practice, no source
_LEAST_CONTRAST = 0.03  # of the quiet Sun: on a calm disk five deviations are nothing to look at
_RIM = 0.96  # radii: nearer the limb the uniform disk is not flat enough
_JOIN_RADII = 0.05  # spots and plage nearer than this are one region
_LEAST_AREA = 2e-4  # of the disk: 400 millionths of a hemisphere, a region that a small telescope shows


@dataclass(frozen=True)
class Region:
    """A place that stands out from the quiet Sun.

    Attributes
    ----------
    centre_yx : tuple of float
        On ``disk.fits``, weighted by contrast.
    area : float
        Share of the disk's area as seen.
    bright : bool
        Whether what is brighter than the quiet Sun outweighs what is darker.
    strength : float
        Sum of the contrast over its area, in shares of the disk.
    """

    centre_yx: tuple[float, float]
    area: float
    bright: bool
    strength: float


def find_regions(uniform: NDArray[np.float32], limb: Circle | None) -> list[Region]:
    """Find what stands out on the disk: active regions, spots, filaments.

    Parameters
    ----------
    uniform : float (h, w)
        NaN where uncovered.
    limb : Circle or None
        Without one nothing is found.

    Returns
    -------
    list of Region
        Strongest first.
    """
    if limb is None:
        return []
    factor = max(1, round(2 * limb.radius_px / LOOK_PX))
    small = _block_means(uniform, factor)
    centre = tuple((c - (factor - 1) / 2) / factor for c in limb.centre_yx)
    radius = limb.radius_px / factor
    on_disk = (radius_map(small.shape, centre, radius) < _RIM) & np.isfinite(small)
    if not on_disk.any():
        return []
    quiet = np.median(small[on_disk])
    contrast = np.where(on_disk, small / quiet - 1, 0).astype(np.float32)
    smooth = ndimage.gaussian_filter(contrast, _LOOK_SIGMA)
    spread = 1.4826 * np.median(np.abs(smooth[on_disk]))
    stands_out = on_disk & (np.abs(smooth) > max(_THRESHOLD * spread, _LEAST_CONTRAST))
    reach = max(1, round(_JOIN_RADII * radius / 2))
    joined = ndimage.binary_dilation(stands_out, iterations=reach)
    labels, _ = ndimage.label(joined)
    disk_area = np.pi * radius**2
    regions = []
    for label, where in enumerate(ndimage.find_objects(labels), 1):
        part = stands_out[where] & (labels[where] == label)
        area = part.sum() / disk_area
        if area < _LEAST_AREA:
            continue
        excess = np.where(part, smooth[where], 0)
        weight = np.abs(excess)
        y, x = np.nonzero(part)
        middle = [float(np.average(at + where[k].start, weights=weight[part])) for k, at in enumerate((y, x))]
        full = tuple(c * factor + (factor - 1) / 2 for c in middle)
        regions.append(Region(full, float(area), bool(excess.sum() > 0), float(weight.sum() / disk_area)))
    return sorted(regions, key=lambda region: -region.strength)


def _block_means(image: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Means of the known values of whole blocks; NaN where there are none."""
    height, width = (side // factor for side in image.shape)
    out = np.empty((height, width), np.float32)
    for row in range(height):
        band = np.asarray(image[row * factor : (row + 1) * factor, : width * factor], np.float32)
        known = np.isfinite(band)
        total = np.where(known, band, 0).reshape(factor, width, factor).sum((0, 2))
        number = known.reshape(factor, width, factor).sum((0, 2))
        out[row] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return out


def alternative_text(regions: Sequence[Region], frame: Frame, wavelength_nm: float | None) -> str:
    """Say in two or three sentences what the picture shows, for those who cannot see it.

    Everything in it was measured or is known; places are those on the picture.
    """
    whole = frame.limb is not None and _holds(frame, frame.limb)
    light = "" if wavelength_nm is None else f" in light of {wavelength_nm:g} nm"
    text = f"{'The whole disk' if whole else 'A part'} of the Sun{light}"
    if frame.limb is not None and frame.north_deg is not None and abs(frame.north_deg) < 0.5:
        text += f", north up and east on the {'right' if frame.mirrored else 'left'}"
    text += "."
    if frame.limb is None:
        return text
    seen = [region for region in regions if is_on(frame.to_picture(region.centre_yx), frame.shape)]
    if not seen:
        return f"{text} Nothing stands out from its even surface."
    first = seen[0]
    what = "bright" if first.bright else "dark"
    where = _whereabouts(frame, frame.to_picture(first.centre_yx))
    if len(seen) == 1:
        return f"{text} One {what} region stands out from the quiet surface, {where}."
    count = _number(len(seen))
    return f"{text} {count} regions stand out from the quiet surface; the strongest, a {what} one, lies {where}."


def _number(count: int) -> str:
    words = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")
    return words[count] if count < len(words) else str(count)


def _whereabouts(frame: Frame, point: NDArray[np.float64]) -> str:
    """Where on the disk, as seen on the picture: thirds of the radius up and across."""
    dy, dx = (point - frame.limb.centre_yx) / frame.limb.radius_px
    if np.hypot(dy, dx) < 0.25:
        return "near the middle of the disk"
    up = "upper" if dy < -0.2 else "lower" if dy > 0.2 else ""
    side = "left" if dx < -0.2 else "right" if dx > 0.2 else ""
    place = f"at the {up} {side}".strip() if up and side else f"in the {up or side} part"
    return f"{place.replace('  ', ' ')}{', near the edge' if np.hypot(dy, dx) > 0.8 else ''}"


def _holds(frame: Frame, limb: Circle) -> bool:
    (y, x), r = limb.centre_yx, limb.radius_px
    return min(y, x) >= r - 1 and y + r <= frame.shape[0] and x + r <= frame.shape[1]


def is_on(point: NDArray[np.float64], shape: tuple[int, int]) -> bool:
    """Tell whether a point (y, x) lies on a picture."""
    return bool(0 <= point[0] < shape[0] and 0 <= point[1] < shape[1])
