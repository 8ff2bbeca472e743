"""Frames of an invented camera: the Sun through moving air, on an uneven sensor, with noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.synthetic.plan import SessionPlan, rotation
from diskmosaic.synthetic.sun import Sun, drift_px_per_s

PAD_PX = 8
"""Frames are drawn wider by this and cropped, so that their blur knows what lies beyond the edge."""

FINE = 2
"""The Sun is refined by a cubic spline to this sampling once a tile; frames then take it linearly, which is
exact enough there (the added blur has a variance of 0.04 px^2) and ten times faster."""


class TileView:
    """The Sun as one tile's sensor sees it, ready to be drawn with any shift, warp and blur.

    Parameters
    ----------
    sun : Sun
        At the reference time.
    plan : SessionPlan
    position_yx : tuple of float
        Where on the Sun's image the sensor's centre looks.
    seconds : float
        After the reference time; turns the surface where the plan has a rotation.
    angle_deg : float, optional
        Of the sensor (`SessionPlan.angle_deg`); by default the plan's for all tiles.
    """

    def __init__(
        self,
        sun: Sun,
        plan: SessionPlan,
        position_yx: tuple[float, float],
        seconds: float,
        angle_deg: float | None = None,
    ):
        h, w = plan.tile_shape
        y, x = np.mgrid[-PAD_PX : h + PAD_PX, -PAD_PX : w + PAD_PX].astype(np.float64)
        y -= (h - 1) / 2
        x -= (w - 1) / 2
        self._turn = rotation(plan.camera_angle_deg if angle_deg is None else angle_deg)
        sun_y = position_yx[0] + self._turn[0, 0] * y + self._turn[0, 1] * x
        sun_x = position_yx[1] + self._turn[1, 0] * y + self._turn[1, 1] * x
        if plan.minutes_between_tiles > 0 and seconds != 0:
            velocity = drift_px_per_s(sun, sun_y, sun_x, north_deg=plan.solar_north_deg)
            # what stood at S - v t at the reference time stands at S now
            sun_y -= velocity[0] * seconds
            sun_x -= velocity[1] * seconds
        room = 6 + int(4 * plan.jitter_px + 5 * plan.seeing_px)
        low = np.array([sun_y.min(), sun_x.min()]).astype(int) - room
        size = np.array([sun_y.max(), sun_x.max()]).astype(int) + room + 1 - low
        self._fine = _refined(sun.image, low, size)
        self._map_y = ((sun_y - low[0]) * FINE).astype(np.float32)
        self._map_x = ((sun_x - low[1]) * FINE).astype(np.float32)

    def draw(self, shift: NDArray[np.float64], warp: NDArray[np.float32] | None, blur_px: float) -> NDArray[np.float32]:
        """Draw a frame without noise: float32 (h, w).

        `shift` (sensor px) moves the frame onto the tile's position; `warp` (2, h + 2 PAD, w + 2 PAD) adds
        to it.
        """
        dy, dx = shift if warp is None else (warp[0] + np.float32(shift[0]), warp[1] + np.float32(shift[1]))
        turn = (FINE * self._turn).astype(np.float32)
        map_y = self._map_y + (turn[0, 0] * dy + turn[0, 1] * dx)
        map_x = self._map_x + (turn[1, 0] * dy + turn[1, 1] * dx)
        frame = cv2.remap(
            self._fine,
            map_x.astype(np.float32),
            map_y.astype(np.float32),
            cv2.INTER_LINEAR,
            None,
            cv2.BORDER_REPLICATE,
        )
        if blur_px > 0:
            frame = cv2.GaussianBlur(frame, (0, 0), blur_px)
        return frame[PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]


class Warps:
    """Smooth random fields of displacement: `rms_px` per axis, `scale_px` wide, mean 0 over the sensor."""

    def __init__(self, shape: tuple[int, int], rms_px: float, scale_px: float):
        self._size = (shape[0] + 2 * PAD_PX, shape[1] + 2 * PAD_PX)
        self._nodes = tuple(int(np.ceil(n / scale_px)) + 4 for n in self._size)
        self._rms, self._scale = rms_px, scale_px
        impulse = np.zeros(self._nodes, np.float32)
        impulse[self._nodes[0] // 2, self._nodes[1] // 2] = 1
        # interpolating between white nodes loses variance; the response to one node tells how much
        self._factor = rms_px / np.sqrt((self._enlarge(impulse) ** 2).sum() / scale_px**2)

    def _enlarge(self, nodes: NDArray[np.float32], offset=(1.0, 1.0)) -> NDArray[np.float32]:
        scale = 1 / self._scale
        matrix = np.array([[scale, 0, offset[1]], [0, scale, offset[0]]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(nodes, matrix, self._size[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT)

    def draw(self, rng: np.random.Generator) -> NDArray[np.float32] | None:
        """Draw one field, float32 (2, h + 2 PAD, w + 2 PAD), or None where there is no seeing."""
        if self._rms == 0:
            return None
        # a random offset of the nodes, or the variance would depend on the place on the sensor
        offset = rng.uniform(0.5, 1.5, 2)
        field = np.stack([self._enlarge(rng.standard_normal(self._nodes, dtype=np.float32), offset) for _ in range(2)])
        inside = field[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
        return self._factor * (field - inside.mean((1, 2), keepdims=True))


class Detector:
    """Turns light into counts: full scale, bias, photon and read noise, rounding."""

    def __init__(self, plan: SessionPlan):
        self.full_scale = 2**plan.bit_depth - 1
        self.electrons_per_adu = plan.full_well_e / self.full_scale
        self.offset_adu = plan.offset * self.full_scale
        self._read_adu = plan.read_noise_e / self.electrons_per_adu
        self._dtype = np.uint8 if plan.bit_depth <= 8 else np.uint16

    def expose(
        self, light_adu: NDArray[np.float32], dark_adu: NDArray[np.float32], rng: np.random.Generator
    ) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Give a frame of raw counts for the expected `light_adu` on top of `dark_adu`."""
        # Gaussian for Poisson: even the sky has tens of electrons
        sigma = np.sqrt(light_adu / np.float32(self.electrons_per_adu) + np.float32(self._read_adu**2))
        counts = rng.standard_normal(light_adu.shape, dtype=np.float32)
        counts *= sigma
        counts += light_adu
        counts += dark_adu
        np.rint(counts, out=counts)
        np.clip(counts, 0, self.full_scale, out=counts)
        return counts.astype(self._dtype)


def defocused(sun: Sun, plan: SessionPlan, rng: np.random.Generator) -> NDArray[np.float32]:
    """Give the light of the flat on the sensor, float32 (h, w), mean 1: the Sun, wholly defocused."""
    step = max(1, int(plan.flat_defocus * sun.radius_px / 6))
    small = cv2.resize(sun.image, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    ratio = np.array(small.shape) / np.array(sun.image.shape)
    small = cv2.GaussianBlur(small, (0, 0), plan.flat_defocus * sun.radius_px * float(ratio.mean()))
    h, w = plan.tile_shape
    centre = np.array(sun.centre_yx) + rng.normal(0, plan.flat_error * sun.radius_px / np.sqrt(2), 2)
    y, x = np.mgrid[:h, :w].astype(np.float64)
    points = np.tensordot(rotation(plan.camera_angle_deg), np.stack([y - (h - 1) / 2, x - (w - 1) / 2]), 1)
    points += centre[:, None, None]
    points = (points + 0.5) * ratio[:, None, None] - 0.5
    light = ndimage.map_coordinates(small, points, order=3, mode="nearest")
    return (light / light.mean()).astype(np.float32)


def _refined(image: NDArray[np.float32], low: NDArray[np.int_], size: NDArray[np.int_]) -> NDArray[np.float32]:
    """Cut [low, low + size) out of `image` (repeating its border) and sample it `FINE` times finer."""
    border = 12  # the spline's prefilter has died away there
    start, stop = low - border, low + size + border
    rows = np.clip(np.arange(start[0], stop[0]), 0, image.shape[0] - 1)
    columns = np.clip(np.arange(start[1], stop[1]), 0, image.shape[1] - 1)
    window = image[rows[:, None], columns[None]]
    return ndimage.affine_transform(
        window,
        [1 / FINE, 1 / FINE],
        offset=border,
        output_shape=tuple(size * FINE),
        order=3,
        output=np.float32,
    )
