"""An invented Sun as a narrow filter shows it: limb darkening, network, plage, filaments, spots,
prominences."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

ROTATION_ARCSEC_PER_H = 10.0
"""Apparent motion of the surface at disk centre. Common practice for the equator seen from Earth (synodic
27.3 d)."""

RADIUS_ARCSEC = 959.63
"""Angular radius of the photosphere at 1 au (almanac convention), used to turn arcseconds into pixels."""


@dataclass(frozen=True)
class Sun:
    """A full-disk image with its disk known.

    Attributes
    ----------
    image : float32 (h, w)
        Brightness > 0, quiet disk centre about 1. Solar north points to smaller y, west to larger x.
    centre_yx : tuple of float
        Disk centre, px.
    radius_px : float
        Where the edge is steepest.
    """

    image: NDArray[np.float32]
    centre_yx: tuple[float, float]
    radius_px: float


def invented_sun(
    radius_px: float,
    rng: np.random.Generator,
    *,
    contrast: float = 1.0,
    limb_darkening: float = 0.5,
    spots: int = 3,
    filaments: int = 7,
    prominences: int = 6,
    plages: int = 5,
    sky: float = 0.004,
    margin: float = 0.12,
) -> Sun:
    """Draw a Sun that never was.

    Parameters
    ----------
    radius_px : float
        Disk radius.
    rng : numpy.random.Generator
    contrast : float
        1 gives a fine structure of about 5 % rms as in a chromospheric line; 0.3 is near white light.
    limb_darkening : float
        u in I(mu) = 1 - u (1 - mu).
    spots, filaments, prominences, plages : int
        How many of each.
    sky : float
        Glow of the sky at the limb, in units of the disk centre.
    margin : float
        Sky around the disk, in radii.

    Returns
    -------
    Sun
        The centre lies off the middle of the array by a fraction of a pixel, so that nothing falls on whole
        pixels.
    """
    size_y = int(np.ceil(2 * radius_px * (1 + margin))) + 9
    size_x = size_y + 14
    centre = (size_y / 2 - 0.5 + rng.uniform(-0.5, 0.5), size_x / 2 - 0.5 + rng.uniform(-0.5, 0.5))
    y, x = np.mgrid[:size_y, :size_x].astype(np.float32)
    y -= centre[0]
    x -= centre[1]
    r = np.hypot(y, x) / radius_px
    mu = np.sqrt(np.clip(1 - r * r, 0, 1))

    log_light = _network(r.shape, radius_px, rng)
    log_light += _plage(r, y / radius_px, radius_px, plages, rng)
    log_light += _filaments(r.shape, centre, radius_px, filaments, rng)
    disk = np.exp(contrast * log_light * (0.35 + 0.65 * mu)) * (1 - limb_darkening * (1 - mu))
    disk *= _spots(y, x, radius_px, spots, rng)

    height = np.clip(r - 1, 0, None)
    outside = sky * (0.4 + 0.6 * np.exp(-height / 0.15))
    outside += _prominences(y, x, r, radius_px, prominences, rng)
    # one pixel of linear ramp is the share of the pixel that the disk covers, so the edge is steepest at the
    # radius
    covered = np.clip((1 - r) * radius_px + 0.5, 0, 1)
    image = disk * covered + outside * (1 - covered)
    return Sun(image.astype(np.float32), centre, float(radius_px))


def drift_px_per_s(sun: Sun, y: NDArray[np.floating], x: NDArray[np.floating], *, north_deg: float = 0.0):
    """Give how fast the surface at image points (y, x) moves by the Sun's rotation, in px/s, as (vy, vx).

    A rigid rotation about an axis in the plane of the sky: the speed falls with depth, as sqrt(1 - r^2) of
    the speed at disk centre; 0 off the disk. `north_deg` turns solar north from -y towards -x
    (counter-clockwise when y runs down).
    """
    depth = 1 - ((y - sun.centre_yx[0]) ** 2 + (x - sun.centre_yx[1]) ** 2) / sun.radius_px**2
    speed = ROTATION_ARCSEC_PER_H / 3600 * sun.radius_px / RADIUS_ARCSEC * np.sqrt(np.clip(depth, 0, None))
    turn = np.deg2rad(north_deg)
    return -speed * np.sin(turn), speed * np.cos(turn)


def _noise(shape: tuple[int, int], scale_px: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """White noise smoothed with a Gaussian of `scale_px`, mean 0 and standard deviation 1."""
    # coarse scales are drawn on a coarse grid: same statistics, far less work
    step = max(1, int(scale_px / 3))
    small = (shape[0] // step + 2, shape[1] // step + 2)
    fast = tuple(fft.next_fast_len(n, real=True) for n in small)
    grid = rng.standard_normal(fast, dtype=np.float32)
    fy = fft.fftfreq(fast[0]).astype(np.float32)[:, None]
    fx = fft.rfftfreq(fast[1]).astype(np.float32)[None]
    spectrum = fft.rfft2(grid) * np.exp(-2 * (np.pi * scale_px / step) ** 2 * (fy * fy + fx * fx))
    smooth = fft.irfft2(spectrum, s=fast).astype(np.float32)
    smooth = (smooth - smooth.mean()) / smooth.std()
    if step == 1:
        return smooth[: shape[0], : shape[1]]
    big = cv2.resize(smooth[: small[0], : small[1]], None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
    return big[: shape[0], : shape[1]]


def _network(shape: tuple[int, int], radius_px: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Granulation-like grain, network lanes and slow mottling, as log brightness."""
    coarse = radius_px / 900
    log_light = 0.022 * _noise(shape, 1.3, rng) + 0.022 * _noise(shape, 2.6, rng)
    log_light += 0.018 * _noise(shape, max(4.0, 6 * coarse), rng)
    lanes = np.exp(-np.abs(_noise(shape, max(5.0, 9 * coarse), rng)) / 0.25)
    log_light += 0.06 * (lanes - lanes.mean()) * np.clip(1 + 0.5 * _noise(shape, 40 * coarse + 4, rng), 0, 3)
    log_light += 0.014 * _noise(shape, 30 * coarse + 4, rng) + 0.01 * _noise(shape, 90 * coarse + 6, rng)
    return log_light


def _plage(r, y, radius_px: float, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Bright patches in two belts of latitude, broken up like the network."""
    out = np.zeros_like(r)
    ragged = np.clip(1 + 0.7 * _noise(r.shape, max(2.0, radius_px / 180), rng), 0, 2.2)
    shape = _noise(r.shape, radius_px / 25, rng)
    for _ in range(count):
        latitude = rng.choice([-1, 1]) * rng.uniform(0.12, 0.45)
        longitude = rng.uniform(-0.75, 0.75)
        x0 = longitude * np.sqrt(1 - latitude**2)
        size = rng.uniform(0.04, 0.09)
        column = np.arange(r.shape[1], dtype=np.float32) - r.shape[1] / 2
        distance = ((y - latitude) / size) ** 2 + ((column[None] / radius_px - x0) / (1.6 * size)) ** 2
        out += rng.uniform(0.18, 0.35) * np.exp(-0.5 * distance) * np.clip(0.8 + 0.5 * shape, 0, 1.5)
    return out * ragged


def _filaments(shape, centre, radius_px: float, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Dark threads along smooth curves, as log brightness."""
    canvas = np.zeros(shape, np.float32)
    for _ in range(count):
        angle = rng.uniform(0, 2 * np.pi)
        distance = 0.8 * radius_px * np.sqrt(rng.uniform(0, 1))
        point = np.array([distance * np.sin(angle), distance * np.cos(angle)])
        heading = rng.uniform(0, 2 * np.pi)
        bend = rng.normal(0, 0.08)
        steps = int(rng.integers(12, 40))
        width = max(1.0, radius_px * rng.uniform(0.002, 0.005))
        for k in range(steps):
            end = point + 0.011 * radius_px * np.array([np.sin(heading), np.cos(heading)])
            if np.hypot(*end) > 0.97 * radius_px:
                break
            # thick in the middle, thin at the ends; 1/16 px steps through the shift argument
            taper = np.sin(np.pi * (k + 0.5) / steps)
            points = [tuple(round(16 * v) for v in (q + centre)[::-1]) for q in (point, end)]
            thick = max(1, round(2 * width * taper))
            cv2.line(canvas, points[0], points[1], float(taper), thick, cv2.LINE_8, 4)
            point = end
            bend = 0.9 * bend + rng.normal(0, 0.04)
            heading += bend
    canvas = cv2.GaussianBlur(canvas, (0, 0), max(0.8, radius_px / 700))
    return -0.32 * canvas * np.clip(1 + 0.25 * _noise(shape, max(1.5, radius_px / 350), rng), 0.3, 1.6)


def _spots(y, x, radius_px: float, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Umbra and ragged penumbra, foreshortened, as a factor on the light."""
    factor = np.ones_like(y)
    ragged = _noise(y.shape, max(1.5, radius_px / 250), rng)
    for _ in range(count):
        latitude = rng.choice([-1, 1]) * rng.uniform(0.12, 0.35)
        x0 = rng.uniform(-0.7, 0.7)
        squeeze = np.sqrt(max(0.15, 1 - latitude**2 - x0**2))
        size = rng.uniform(0.012, 0.024) * radius_px
        distance = np.hypot((y - latitude * radius_px) / size, (x - x0 * radius_px) / (size * squeeze))
        distance += 0.07 * ragged
        umbra = _step(0.45 - distance, 0.09)
        penumbra = _step(1 - distance, 0.12)
        factor *= 1 - 0.3 * penumbra - 0.45 * umbra
    return factor


def _step(value, width: float):
    """Rise smoothly from 0 to 1 around 0."""
    return 0.5 * (1 + np.tanh(value / width))


def _prominences(y, x, r, radius_px: float, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Ragged tongues of light above the limb, a few per cent of the disk."""
    out = np.zeros_like(r)
    angle = np.arctan2(y, x)
    height = (r - 1).astype(np.float32)
    ragged = np.clip(1 + 0.8 * _noise(r.shape, max(1.5, radius_px / 200), rng), 0, 3)
    for _ in range(count):
        where = rng.uniform(-np.pi, np.pi)
        width = rng.uniform(0.015, 0.06)
        tall = rng.uniform(0.02, 0.07)
        away = np.angle(np.exp(1j * (angle - where))).astype(np.float32)
        arch = np.exp(-0.5 * (away / width) ** 2) * np.exp(-((np.clip(height, 0, None) / tall) ** 2))
        out += rng.uniform(0.02, 0.06) * arch
    return out * ragged
