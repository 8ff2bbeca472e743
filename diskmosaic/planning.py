"""What a session at the telescope will need: tiles, overlap, sampling, time, room."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diskmosaic.sky.rotation import SurfaceMotion
from diskmosaic.sky.sun import ARCSEC_PER_RADIAN, ephemeris, plate_scale

SMEAR_PX = 1.0  # the surface may move against the limb by this within one recording
FLAT_SHARE = 0.5  # flat frames for each tile frame: common practice, no source


@dataclass(frozen=True)
class Equipment:
    """What is recorded with; every number > 0.

    Attributes
    ----------
    focal_mm : float
        Of the telescope alone.
    pixel_um : float
        Size of a recorded (binned) pixel.
    size_px : (height, width)
        Of a frame.
    extender : float
        Factor by which the focal length grows; 1 without one.
    aperture_mm : float or None
        None: nothing is said of sampling.
    wavelength_nm : float
    """

    focal_mm: float
    pixel_um: float
    size_px: tuple[int, int]
    extender: float = 1.0
    aperture_mm: float | None = None
    wavelength_nm: float = 656.28


@dataclass(frozen=True)
class Schedule:
    """How it is recorded.

    Attributes
    ----------
    time_utc : str
        Of the session: tells the size of the Sun and how fast it turns.
    overlap : float
        Least share of a tile's side that neighbours have in common.
    margin : float
        Sky beyond the limb on every side, in solar radii.
    frames : int
        Of a tile.
    frames_per_s : float
    pause_s : float
        From the end of a tile to the start of the next.
    bits : int
        Of a stored value: 8 or 16.
    """

    time_utc: str
    overlap: float = 0.25
    margin: float = 0.05
    frames: int = 1000
    frames_per_s: float = 60.0
    pause_s: float = 15.0
    bits: int = 8


@dataclass(frozen=True)
class Axis:
    """Tiles along one axis: their number, and the overlap when they are spread evenly (None: one tile)."""

    tiles: int
    overlap: float | None


@dataclass(frozen=True)
class Sampling:
    """How pixels compare with the aperture's own sharpness.

    Attributes
    ----------
    rayleigh_arcsec : float
        First dark ring, ``1.22 wavelength / aperture``.
    critical_arcsec : float
        Pixel that takes all the aperture passes: two pixels in the finest period, ``wavelength / aperture``.
    ratio : float
        Critical pixel over the pixel: below 1 detail is lost, above 1 light is spread for nothing.
    critical_focal_ratio : float
        f-number at which these pixels are critical, ``2 pixel / wavelength``.
    """

    rayleigh_arcsec: float
    critical_arcsec: float
    ratio: float
    critical_focal_ratio: float


@dataclass(frozen=True)
class SessionNeeds:
    """What comes out; arcsec, px, seconds and bytes as named."""

    focal_mm: float
    arcsec_per_px: float
    field_arcsec: tuple[float, float]
    disk_arcsec: float
    disk_px: float
    area_arcsec: float
    down: Axis
    across: Axis
    sampling: Sampling | None
    focal_ratio: float | None
    tile_s: float
    session_s: float
    flat_frames: int
    flat_s: float
    tile_bytes: int
    session_bytes: int
    drift_arcsec_per_h: float
    tile_drift_px: float
    session_drift_px: float
    longest_tile_s: float

    @property
    def tiles(self) -> int:
        """Tiles of the whole grid."""
        return self.down.tiles * self.across.tiles


def tiles_along(field: float, area: float, overlap: float) -> Axis:
    """Return how many tiles of a `field` cover an `area`, any unit.

    Parameters
    ----------
    field, area : float
    overlap : float
        Least share of the field that neighbours have in common, 0 to below 1.
    """
    # the last tile may end exactly at the border: rounding must not ask for one more
    count = max(1, math.ceil((area - field * overlap) / (field * (1 - overlap)) - 1e-9))
    return Axis(count, None if count == 1 else (count * field - area) / ((count - 1) * field))


def sampling_of(equipment: Equipment) -> Sampling | None:
    """Compare pixels and aperture; None where the aperture is not known."""
    if equipment.aperture_mm is None:
        return None
    finest = equipment.wavelength_nm * 1e-6 / equipment.aperture_mm * ARCSEC_PER_RADIAN
    pixel = plate_scale(equipment.pixel_um, equipment.focal_mm, equipment.extender)
    return Sampling(
        rayleigh_arcsec=1.22 * finest,
        critical_arcsec=finest / 2,
        ratio=finest / 2 / pixel,
        critical_focal_ratio=2 * equipment.pixel_um * 1000 / equipment.wavelength_nm,
    )


def plan_session(equipment: Equipment, schedule: Schedule) -> SessionNeeds:
    """Compute grid, sampling, time and room.

    Parameters
    ----------
    equipment : Equipment
    schedule : Schedule

    Returns
    -------
    SessionNeeds

    Raises
    ------
    ValueError
        If a number of the equipment is not > 0.
    InputError
        If the time cannot be read.
    """
    height, width = equipment.size_px
    scale = plate_scale(equipment.pixel_um, equipment.focal_mm, equipment.extender)
    sun = ephemeris(schedule.time_utc)
    area = 2 * sun.radius_arcsec * (1 + schedule.margin)
    down, across = (tiles_along(side * scale, area, schedule.overlap) for side in (height, width))
    tiles = down.tiles * across.tiles
    tile_s = schedule.frames / schedule.frames_per_s
    session_s = tiles * tile_s + (tiles - 1) * schedule.pause_s
    flat_frames = round(schedule.frames * FLAT_SHARE)
    motion = SurfaceMotion(schedule.time_utc, np.eye(2)).shift(0.0, 0.0, (0.0, 0.0), sun.radius_arcsec, 3600.0)
    drift = float(np.hypot(*motion))
    frame_bytes = height * width * schedule.bits // 8
    return SessionNeeds(
        focal_mm=equipment.focal_mm * equipment.extender,
        arcsec_per_px=scale,
        field_arcsec=(height * scale, width * scale),
        disk_arcsec=2 * sun.radius_arcsec,
        disk_px=2 * sun.radius_arcsec / scale,
        area_arcsec=area,
        down=down,
        across=across,
        sampling=sampling_of(equipment),
        focal_ratio=(
            None if equipment.aperture_mm is None else equipment.focal_mm * equipment.extender / equipment.aperture_mm
        ),
        tile_s=tile_s,
        session_s=session_s,
        flat_frames=flat_frames,
        flat_s=flat_frames / schedule.frames_per_s,
        tile_bytes=schedule.frames * frame_bytes,
        session_bytes=(tiles * schedule.frames + flat_frames) * frame_bytes,
        drift_arcsec_per_h=drift,
        tile_drift_px=drift / scale * tile_s / 3600,
        session_drift_px=drift / scale * session_s / 3600,
        longest_tile_s=SMEAR_PX * scale / drift * 3600,
    )
