"""The canvas and the tone curve: a plainly stretched disk, centred on its limb, on a black sky.

The pixels are those of the disk: no resampling, no sharpening.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.tone import Tone, apply_tone, fit_tone
from diskmosaic.records import Circle

CANVAS_RADII = 1.08  # half the side of the canvas, in disk radii
_FADE_FROM = 1.04  # from here to the canvas' edge the sky fades to black
_EDGE_RADII, _EDGE_PX = 0.002, 1.5  # half-width of the change from disk to sky, the larger of the two
_ROWS = 256  # rows worked at a time
_SAMPLES = 4_000_000  # pixels that the statistics are made from


def is_north_up(header: Mapping[str, object]) -> bool:
    """Tell whether a disk with these cards was turned to have solar north towards +y (see `diskmosaic.disk`)."""
    card = header.get("NORTHUP", False)
    return bool(card[0] if isinstance(card, tuple) else card)


def render(
    natural: NDArray[np.floating],
    uniform: NDArray[np.floating],
    limb: Circle | None,
    *,
    gamma: float,
    north_up: bool,
) -> NDArray[np.uint16]:
    """Lay the stretched disk on its canvas.

    Parameters
    ----------
    natural, uniform : float (h, w)
        Linear light; NaN where uncovered. Any byte order; memory maps are read row by row.
    limb : Circle or None
        Without one the whole covered part counts as disk.
    gamma : float
    north_up : bool
        Array rows run from south to north: they are laid from the bottom upwards.

    Returns
    -------
    uint16 array
        Square and centred on the limb to half a pixel where the whole disk is in the frame, else the covered
        part. 0 where uncovered.
    """
    light = _Light.of(natural, uniform, limb, gamma)
    top, left, height, width = lay_canvas(natural, limb)
    picture = np.zeros((height, width), dtype=np.uint16)
    rows = range(max(top, 0), min(top + height, natural.shape[0]))
    x0, x1 = max(left, 0), min(left + width, natural.shape[1])
    for y0 in range(rows.start, rows.stop, _ROWS):
        y1 = min(y0 + _ROWS, rows.stop)
        band = light.band(natural, uniform, slice(y0, y1), slice(x0, x1))
        picture[y0 - top : y1 - top, x0 - left : x1 - left] = np.rint(band * 65535)
    return picture[::-1] if north_up else picture


@dataclass(frozen=True)
class _Light:
    """How linear light becomes the picture's: the disk's own level inside the limb, the limb's level
    outside."""

    limb: Circle | None
    tone: Tone
    sky: float  # linear light of the dark sky
    limb_level: float  # natural over uniform light just inside the limb

    @classmethod
    def of(
        cls, natural: NDArray[np.floating], uniform: NDArray[np.floating], limb: Circle | None, gamma: float
    ) -> _Light:
        step = max(1, int(np.sqrt(natural.size / _SAMPLES)))
        sparse = (slice(None, None, step), slice(None, None, step))
        flat, light = np.asarray(uniform[sparse], np.float32), np.asarray(natural[sparse], np.float32)
        if limb is None:
            return cls(None, fit_tone(flat, gamma=gamma), 0.0, 1.0)
        radius = _radius(limb, np.arange(natural.shape[0])[::step], np.arange(natural.shape[1])[::step])
        ring = (radius > 0.9) & (radius < 0.97) & np.isfinite(flat) & np.isfinite(light)
        beyond = light[(radius > 1.02) & np.isfinite(light)]
        level = float(np.median(light[ring]) / np.median(flat[ring])) if ring.any() else 1.0
        sky = float(np.median(beyond)) if beyond.size else 0.0
        return cls(limb, fit_tone(flat[radius < 0.98], gamma=gamma), sky, level)

    def band(
        self, natural: NDArray[np.floating], uniform: NDArray[np.floating], rows: slice, columns: slice
    ) -> NDArray[np.float32]:
        """Picture values in [0, 1) of some rows and columns."""
        flat = np.asarray(uniform[rows, columns], np.float32)
        if self.limb is None:
            return apply_tone(flat, self.tone)
        light = np.asarray(natural[rows, columns], np.float32)
        outside = (light - np.float32(self.sky)) / np.float32(self.limb_level)
        radius = _radius(self.limb, np.arange(rows.start, rows.stop), np.arange(columns.start, columns.stop))
        half = max(_EDGE_RADII, _EDGE_PX / self.limb.radius_px)
        inside = _smooth_step((1 + half - radius) / (2 * half))
        fade = _smooth_step((CANVAS_RADII - radius) / (CANVAS_RADII - _FADE_FROM))
        flat = np.where((inside > 0) & np.isfinite(flat), flat, outside)
        mixed = inside * apply_tone(flat, self.tone) + (1 - inside) * apply_tone(outside, self.tone)
        return mixed * fade


def _radius(limb: Circle, y: NDArray[np.int_], x: NDArray[np.int_]) -> NDArray[np.float32]:
    """Distance from the limb's centre in radii, for every crossing of the rows `y` and columns `x`."""
    dy = ((y - limb.centre_yx[0]) / limb.radius_px).astype(np.float32)
    dx = ((x - limb.centre_yx[1]) / limb.radius_px).astype(np.float32)
    return np.hypot(dy[:, None], dx[None, :])


def _smooth_step(t: NDArray[np.float32]) -> NDArray[np.float32]:
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def lay_canvas(natural: NDArray[np.floating], limb: Circle | None) -> tuple[int, int, int, int]:
    """Return top, left, height and width of the canvas in the disk's pixels; it may reach beyond the array."""
    if limb is not None:
        (y, x), r = limb.centre_yx, limb.radius_px
        slack = 0.01 * r  # a limb that is cut by less than this still counts as there
        height, width = natural.shape
        if min(y, x) - r > -slack and y + r < height - 1 + slack and x + r < width - 1 + slack:
            side = 2 * int(np.ceil(CANVAS_RADII * r)) + 1
            return round(y - (side - 1) / 2), round(x - (side - 1) / 2), side, side
    covered = np.array([np.isfinite(row).any() for row in natural])
    columns = np.zeros(natural.shape[1], dtype=bool)
    for row in natural:
        columns |= np.isfinite(row)
    y_at, x_at = np.flatnonzero(covered), np.flatnonzero(columns)
    return int(y_at[0]), int(x_at[0]), int(np.ptp(y_at)) + 1, int(np.ptp(x_at)) + 1
