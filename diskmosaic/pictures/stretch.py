"""The canvas and the tone curve: linear light becomes the values of a picture, on a black sky."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.tone import Tone, apply_tone, fit_tone
from diskmosaic.records.places import Circle

CANVAS_RADII = 1.08  # half the side of the usual canvas, in disk radii
_FADE_RADII = 0.04  # over which the sky fades to black at the canvas' edge
_EDGE_RADII, _EDGE_PX = 0.002, 1.5  # half-width of the change from disk to sky, the larger of the two
_ROWS = 256  # rows worked at a time
_SAMPLES = 4_000_000  # pixels that the statistics are made from


def is_north_up(header: Mapping[str, object]) -> bool:
    """Tell whether a disk with these cards was turned to have solar north towards +y (see `diskmosaic.disk.disk`)."""
    card = header.get("NORTHUP", False)
    return bool(card[0] if isinstance(card, tuple) else card)


@dataclass(frozen=True)
class Canvas:
    """The part of the plane that a picture shows, in the disk's pixels; it may reach beyond the array.

    Attributes
    ----------
    top, left, height, width : int
    radii : float
        Half its side in disk radii, where it is centred on a limb.
    """

    top: int
    left: int
    height: int
    width: int
    radii: float = CANVAS_RADII

    def window(self, shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of an array of that shape which lie on the canvas."""
        return (
            slice(max(self.top, 0), min(self.top + self.height, shape[0])),
            slice(max(self.left, 0), min(self.left + self.width, shape[1])),
        )


def lay_canvas(natural: NDArray[np.floating], limb: Circle | None, radii: float = CANVAS_RADII) -> Canvas:
    """Choose the canvas: a square centred on the limb where the whole disk is in the frame, else the covered part."""
    if limb is not None:
        (y, x), r = limb.centre_yx, limb.radius_px
        slack = 0.01 * r  # a limb that is cut by less than this still counts as there
        height, width = natural.shape
        if min(y, x) - r > -slack and y + r < height - 1 + slack and x + r < width - 1 + slack:
            side = 2 * int(np.ceil(radii * r)) + 1
            return Canvas(round(y - (side - 1) / 2), round(x - (side - 1) / 2), side, side, radii)
    covered = np.array([np.isfinite(row).any() for row in natural])
    columns = np.zeros(natural.shape[1], dtype=bool)
    for row in natural:
        columns |= np.isfinite(row)
    y_at, x_at = np.flatnonzero(covered), np.flatnonzero(columns)
    return Canvas(int(y_at[0]), int(x_at[0]), int(np.ptp(y_at)) + 1, int(np.ptp(x_at)) + 1, np.inf)


def lay_light(
    natural: NDArray[np.floating], uniform: NDArray[np.floating], limb: Circle | None, kind: str
) -> NDArray[np.float32]:
    """Return the linear light of one kind of disk with its sky in the same unit, the dark sky taken off.

    Parameters
    ----------
    natural, uniform : float (h, w)
        NaN where uncovered. Any byte order.
    limb : Circle or None
    kind : {'natural', 'uniform'}

    Returns
    -------
    float32 (h, w)
        NaN where uncovered.
    """
    image = np.array(uniform if kind == "uniform" else natural, dtype=np.float32)
    if limb is None:
        return image
    step = max(1, int(np.sqrt(natural.size / _SAMPLES)))
    sparse = (slice(None, None, step), slice(None, None, step))
    flat, light = image[sparse], np.asarray(natural[sparse], np.float32)
    radius = radius_of(limb, np.arange(natural.shape[0])[::step], np.arange(natural.shape[1])[::step])
    ring = (radius > 0.9) & (radius < 0.97) & np.isfinite(flat) & np.isfinite(light)
    beyond = light[(radius > 1.02) & np.isfinite(light)]
    level = float(np.median(light[ring]) / np.median(flat[ring])) if ring.any() else 1.0
    sky = float(np.median(beyond)) if beyond.size else 0.0
    half = max(_EDGE_RADII, _EDGE_PX / limb.radius_px)
    for y0 in range(0, image.shape[0], _ROWS):
        rows = slice(y0, min(y0 + _ROWS, image.shape[0]))
        radius = radius_of(limb, np.arange(rows.start, rows.stop), np.arange(image.shape[1]))
        inside = smooth_step((1 + half - radius) / (2 * half))
        light = (np.asarray(natural[rows], np.float32) - np.float32(sky)) / np.float32(level)
        band = np.where((inside > 0) & np.isfinite(image[rows]), image[rows], light)
        image[rows] = np.where(inside < 1, inside * band + (1 - inside) * light, band)
    return image


def tone_of(light: NDArray[np.float32], limb: Circle | None, gamma: float) -> Tone:
    """Choose the tone curve for a disk."""
    step = max(1, int(np.sqrt(light.size / _SAMPLES)))
    sparse = light[::step, ::step]
    if limb is not None:
        at = radius_of(limb, np.arange(light.shape[0])[::step], np.arange(light.shape[1])[::step])
        if (np.isfinite(sparse) & (at < 0.98)).any():
            sparse = sparse[at < 0.98]
    return fit_tone(sparse, gamma=gamma)


def to_values(
    light: NDArray[np.float32],
    limb: Circle | None,
    canvas: Canvas,
    tone: Tone,
    *,
    brightness: float = 1.0,
    shown: NDArray[np.uint16] | None = None,
    negative: str = "",
) -> NDArray[np.uint16]:
    """Lay light on its canvas through a tone curve.

    Parameters
    ----------
    light : float32 (h, w)
        NaN where uncovered.
    limb : Circle or None
    canvas : Canvas
    tone : Tone
    brightness : float
        Factor on the disk's values.
    shown : uint16 (h, w), optional
        Values of what stands beyond the limb: they are laid over the disk's as light on a screen,
        ``1 - (1 - a)(1 - b)``, so that the two curves join smoothly wherever the limb lies.
    negative : {'', 'all', 'disk'}
        What is turned dark for light.

    Returns
    -------
    uint16 (canvas height, canvas width)
        Rows in the order of `light`; 0 (or white) where uncovered.
    """
    picture = np.zeros((canvas.height, canvas.width), dtype=np.uint16)
    rows, columns = canvas.window(light.shape)
    for y0 in range(rows.start, rows.stop, _ROWS):
        band = slice(y0, min(y0 + _ROWS, rows.stop))
        value = apply_tone(light[band, columns], tone)
        if negative == "disk" and limb is not None:
            value = np.where(np.isfinite(light[band, columns]), 1 - value, 0)
        value *= np.float32(brightness)
        if limb is not None:
            at = radius_of(limb, np.arange(band.start, band.stop), np.arange(columns.start, columns.stop))
            if negative == "disk":
                half = max(_EDGE_RADII, _EDGE_PX / limb.radius_px)
                value *= smooth_step((1 + half - at) / (2 * half))
            if shown is not None:
                beyond = shown[band, columns].astype(np.float32) / 65535
                value = 1 - (1 - value) * (1 - beyond ** np.float32(tone.gamma))
            if np.isfinite(canvas.radii):
                value *= smooth_step((canvas.radii - at) / _FADE_RADII)
        picture[band.start - canvas.top : band.stop - canvas.top, columns.start - canvas.left :][
            :, : value.shape[1]
        ] = np.rint(value * 65535)
    if negative == "all":
        np.subtract(65535, picture, out=picture)
    return picture


def render(
    natural: NDArray[np.floating],
    uniform: NDArray[np.floating],
    limb: Circle | None,
    *,
    gamma: float,
    north_up: bool,
) -> NDArray[np.uint16]:
    """Return the plainly stretched uniform disk on the usual canvas.

    Parameters
    ----------
    natural, uniform : float (h, w)
        Linear light; NaN where uncovered. Any byte order.
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
    light = lay_light(natural, uniform, limb, "uniform")
    picture = to_values(light, limb, lay_canvas(natural, limb), tone_of(light, limb, gamma))
    return picture[::-1] if north_up else picture


def radius_of(limb: Circle, y: NDArray[np.int_], x: NDArray[np.int_]) -> NDArray[np.float32]:
    """Distance from the limb's centre in radii, for every crossing of the rows `y` and columns `x`."""
    dy = ((y - limb.centre_yx[0]) / limb.radius_px).astype(np.float32)
    dx = ((x - limb.centre_yx[1]) / limb.radius_px).astype(np.float32)
    return np.hypot(dy[:, None], dx[None, :])


def smooth_step(t: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rise from 0 to 1 over [0, 1], flat at both ends."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)
