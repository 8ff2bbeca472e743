"""The uniform disk: the quiet centre-to-limb curve divided out, stray light taken off the sky around it."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from diskmosaic.arrays.radial import BAND_ROWS, RING, QuietProfile, radius_map, ring_quiet, sky_curve
from diskmosaic.records.places import Circle
from diskmosaic.settings import DiskSettings
from diskmosaic.sky.sun import limb_darkening

EDGE_PX, EDGE_BLURS = 3.0, 1.5  # the quiet curve ends this far inside the circle, the larger of the two
SKY_FROM, SKY_TO, SKY_RING = 1.03, 1.6, 0.01  # radii: where stray light is measured; nearer, spicules stand
EVEN_TO = 0.97  # radii within which unevenness is measured
EVEN_CELLS = 60  # across a radius
LAW_OFF = 0.05  # a measured curve that parts further from the law is no continuum's (rms, mu > 0.2)


def flatten(
    image: NDArray[np.float32],
    limb: Circle,
    *,
    settings: DiskSettings | None = None,
    wavelength_nm: float | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.float64], list[str]]:
    """Divide the quiet centre-to-limb curve out of the disk, and take the stray light off the sky around it.

    Parameters
    ----------
    image : float32 (h, w)
        Natural disk.
    limb : Circle
    settings : DiskSettings, optional
    wavelength_nm : float, optional
        For a published law.

    Returns
    -------
    uniform : float32 (h, w)
        Quiet Sun 1. Outside: light over the stray light, in units of the curve's level at the limb.
    profile : (n, 2)
        r/R and quiet level of the rings measured.
    warnings : list of str

    Notes
    -----
    ``uniform = (natural - w sky(r)) / curve(r)``; w rises from 0 to 1 as the blurred edge falls, so that the disk is
    divided only and the sky has its stray light taken off, with no step between.
    """
    settings = settings or DiskSettings()
    warnings: list[str] = []
    disk = (limb.centre_yx, limb.radius_px)
    centre, level, count = ring_quiet(image, *disk, np.arange(0, 1 + RING, RING), oval=limb.oval)
    blur = limb.blur_px if np.isfinite(limb.blur_px) else 1.5
    law = None
    if settings.curve == "law":
        if wavelength_nm is None or not 390 <= wavelength_nm <= 1500:
            warnings.append(
                'the published limb darkening (disk.curve = "law") needs observation.wavelength_nm, 390 to 1500: '
                "the measured curve was used"
            )
        else:
            law = _law(wavelength_nm)
    try:
        curve = QuietProfile(centre, level, count, last=1 - max(EDGE_PX, EDGE_BLURS * blur) / limb.radius_px, law=law)
    except ValueError:
        trouble = "too little of the disk was seen to measure its centre-to-limb curve: UNIFORM is the natural image"
        return image, np.zeros((0, 2)), [*warnings, trouble]
    if law is not None:
        off = law_departure(np.column_stack([centre, level]), wavelength_nm)
        if off > LAW_OFF:
            warnings.append(
                f"the measured centre-to-limb curve parts from the published law by {100 * off:.1f} % rms: is this "
                "white light?"
            )
    sky = sky_curve(*ring_quiet(image, *disk, np.arange(SKY_FROM, SKY_TO, SKY_RING), oval=limb.oval))
    uniform = np.empty_like(image)
    for start in range(0, image.shape[0], BAND_ROWS):
        band = slice(start, min(start + BAND_ROWS, image.shape[0]))
        r = radius_map(image.shape, *disk, oval=limb.oval, rows=band)
        share = ndtr((r - 1) * np.float32(limb.radius_px / blur)).astype(np.float32)
        uniform[band] = (image[band] - share * sky(r)) / curve(r)
    if settings.even_order:
        _make_even(uniform, limb, settings.even_order)
    known = np.isfinite(level)
    return uniform, np.column_stack([centre[known], level[known]]), warnings


def _law(wavelength_nm: float) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    return lambda r: limb_darkening(np.sqrt(np.clip(1 - np.square(r), 0, 1)), wavelength_nm)


def law_departure(profile: NDArray[np.float64], wavelength_nm: float) -> float:
    """Return how far a measured curve is from the published continuum's, rms for mu > 0.2, levels fitted.

    Parameters
    ----------
    profile : (n, 2)
        r/R and level.
    wavelength_nm : float
        390 to 1500.
    """
    mu = np.sqrt(np.clip(1 - profile[:, 0] ** 2, 0, 1))
    use = (mu > 0.2) & np.isfinite(profile[:, 1])
    ratio = profile[use, 1] / limb_darkening(mu[use], wavelength_nm)
    return float(np.std(ratio) / np.mean(ratio)) if use.any() else np.nan


def _make_even(uniform: NDArray[np.float32], limb: Circle, order: int) -> None:
    """Divide slow unevenness around the disk out, in place; what has no azimuth stays the curve's.

    The terms are the Zernike polynomials' up to `order` without the round ones (Shen, Diercke & Denker 2018, Astron.
    Nachr. 339, 661), fitted to the logarithm of the means of small cells, in which what sticks out (active regions,
    filaments, spots) is left out: structure is kept.
    """
    step = max(1, round(limb.radius_px / EVEN_CELLS))
    shape = (uniform.shape[0] // step, uniform.shape[1] // step)
    cells = np.full(shape, np.nan, np.float32)
    for row in range(shape[0]):
        cells[row] = cv2.resize(uniform[row * step : (row + 1) * step, : shape[1] * step], (shape[1], 1),
                                interpolation=cv2.INTER_AREA)[0]  # fmt: skip
    y = (np.arange(shape[0]) * step + (step - 1) / 2 - limb.centre_yx[0]) / limb.radius_px
    x = (np.arange(shape[1]) * step + (step - 1) / 2 - limb.centre_yx[1]) / limb.radius_px
    r = np.hypot(y[:, None], x[None])
    use = np.isfinite(cells) & (cells > 0) & (r < EVEN_TO)
    terms = [(n, m) for n in range(1, order + 1) for m in range(n, 0, -2)]
    if use.sum() < 20 * len(terms):
        return

    def columns(y: NDArray[np.floating], x: NDArray[np.floating]) -> NDArray[np.floating]:
        radius, angle = np.minimum(np.hypot(y, x), 1), np.arctan2(y, x)
        return np.stack([radius**n * wave(m * angle) for n, m in terms for wave in (np.cos, np.sin)], -1)

    grid_y, grid_x = np.broadcast_arrays(y[:, None], x[None])
    design, light = columns(grid_y[use], grid_x[use]), np.log(cells[use].astype(np.float64))
    good = np.ones(len(light), bool)
    answer = np.zeros(design.shape[1])
    for _ in range(8):
        middle = np.median((light - design @ answer)[good])
        answer = np.linalg.lstsq(design[good], light[good] - middle, rcond=None)[0]
        left = light - design @ answer
        left -= np.median(left[good])
        good = np.abs(left) < 2.5 * 1.4826 * np.median(np.abs(left[good]))
    columns_x = (np.arange(uniform.shape[1]) - limb.centre_yx[1]) / limb.radius_px
    for row in range(uniform.shape[0]):
        across = np.full_like(columns_x, (row - limb.centre_yx[0]) / limb.radius_px)
        uniform[row] /= np.exp(columns(across, columns_x) @ answer).astype(np.float32)
