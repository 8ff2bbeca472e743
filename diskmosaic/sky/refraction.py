"""A low Sun is flattened: where it stands in the sky, and by how much the air presses it together.

Refraction lifts the lower limb more than the upper one, so that a disk is seen pressed together vertically; it also
draws verticals together towards the zenith, so that it is narrower by 0.028 % at any altitude. What counts for a
mosaic is the ratio, the *flattening* of the ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.sky.sun import ephemeris, read_time, terrestrial_time

LOWEST_DEG = 5.0  # below, air is too uneven for any formula
PRESSURE_HPA, TEMPERATURE_C = 1010.0, 10.0  # those of the formulas


@dataclass(frozen=True)
class SkyPlace:
    """Where the Sun stands.

    Attributes
    ----------
    altitude_deg : float
        Of its centre, without refraction.
    azimuth_deg : float
        From north over east.
    parallactic_deg : float
        Position angle of the zenith, seen from the Sun: from celestial north over celestial east; negative before noon
        (north of the tropics).
    """

    altitude_deg: float
    azimuth_deg: float
    parallactic_deg: float


def sky_place(time_utc: str | datetime, latitude_deg: float, longitude_deg: float) -> SkyPlace:
    """Compute where the Sun stands.

    Parameters
    ----------
    time_utc : str or datetime
    latitude_deg, longitude_deg : float
        North and east positive.

    Notes
    -----
    UT1 is taken for UTC (0.9 s, 0.004 deg); parallax (9 arcsec) and diurnal aberration are left out: 0.01 deg in all,
    1e-5 of the flattening's own size.

    References
    ----------
    Meeus, *Astronomical Algorithms*, 2nd ed., chapters 13 and 14; the Earth's place, precession and sidereal time from
    ERFA.
    """
    time = read_time(time_utc)
    tt1, tt2 = terrestrial_time(time)
    earth = erfa.epv00(tt1, tt2)
    sight = -earth[0]["p"] / np.linalg.norm(earth[0]["p"])
    sight = sight + earth[1]["v"] / 173.144_632_7  # the Earth's velocity over light's, au/day: aberration
    of_date = erfa.pnm06a(tt1, tt2) @ (sight / np.linalg.norm(sight))
    ascension, declination = np.arctan2(of_date[1], of_date[0]), np.arcsin(of_date[2])
    days = datetime(time.year, time.month, time.day).toordinal() + 1_721_424.5
    fraction = (time - datetime(time.year, time.month, time.day)).total_seconds() / 86_400
    sidereal = erfa.gst06a(days, fraction, tt1, tt2)
    hour, latitude = sidereal + np.deg2rad(longitude_deg) - ascension, np.deg2rad(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour)
    azimuth = np.arctan2(
        -np.sin(hour) * np.cos(declination),
        np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(hour),
    )
    parallactic = np.arctan2(np.sin(hour), np.tan(latitude) * np.cos(declination) - np.sin(declination) * np.cos(hour))
    degrees = np.rad2deg([np.arcsin(np.clip(sine, -1, 1)), azimuth % (2 * np.pi), parallactic])
    return SkyPlace(*(float(value) for value in degrees))


def refraction_deg(
    altitude_deg: ArrayLike, *, pressure_hpa: float = PRESSURE_HPA, temperature_c: float = TEMPERATURE_C
) -> NDArray[np.float64]:
    """Return by how much air lifts what stands at a *true* altitude, degrees.

    References
    ----------
    Saemundsson 1986, Sky & Telescope 72, 70, as in Meeus, *Astronomical Algorithms*, 2nd ed., chapter 16 (from
    memory), 0.07 arcmin; at other pressures and temperatures scaled as there.
    """
    true = np.asarray(altitude_deg, np.float64)
    air = pressure_hpa / PRESSURE_HPA * (273 + TEMPERATURE_C) / (273 + temperature_c)
    return 1.02 / np.tan(np.deg2rad(true + 10.3 / (true + 5.11))) / 60 * air


def squeeze(altitude_deg: float, radius_deg: float, **air: float) -> tuple[float, float]:
    """Return by which factors a disk looks higher and wider through the air than it is.

    Parameters
    ----------
    altitude_deg : float
        True altitude of the centre, at least 5 deg.
    radius_deg : float
    **air
        ``pressure_hpa``, ``temperature_c`` of `refraction_deg`.

    Raises
    ------
    ValueError
        If the Sun stands lower.
    """
    if not LOWEST_DEG <= altitude_deg <= 90:
        raise ValueError(f"altitude_deg must lie in 5 ... 90, got {altitude_deg:g}")
    ends = np.array([altitude_deg - radius_deg, altitude_deg + radius_deg])
    low, high = ends + refraction_deg(ends, **air)
    # verticals meet in the zenith: what stands higher spans less of the sky
    seen = np.deg2rad(altitude_deg + refraction_deg(altitude_deg, **air))
    width = np.cos(seen) / np.cos(np.deg2rad(altitude_deg)) if altitude_deg < 89.9 else 1 - 2.83e-4
    return float((high - low) / (2 * radius_deg)), float(width)


def flattening_at(altitude_deg: float, radius_deg: float = 0.2666, **air: float) -> float:
    """Return the flattening (1 - minor / major axis) of the Sun's disk at a true altitude."""
    height, width = squeeze(altitude_deg, radius_deg, **air)
    return 1 - height / width


def squeezed_matrix(along_yx: ArrayLike, height: float, width: float) -> NDArray[np.float64]:
    """Return the matrix on (y, x) that presses by `height` along a direction and by `width` across it."""
    unit = np.asarray(along_yx, np.float64) / np.linalg.norm(along_yx)
    return width * np.eye(2) + (height - width) * np.outer(unit, unit)


def zenith_yx(axes: NDArray[np.float64], p_deg: float, parallactic_deg: float) -> NDArray[np.float64]:
    """Return the direction of the zenith on a plane whose solar axes are known, a unit vector (y, x).

    Parameters
    ----------
    axes : (2, 2)
        Matrix on (y, x) that brings solar north to the first and solar west to the second axis.
    p_deg : float
        Position angle of the solar north pole.
    parallactic_deg : float
        Of the zenith, likewise from celestial north over east.
    """
    angle = np.deg2rad(parallactic_deg - p_deg)  # from solar north over solar east
    return np.linalg.inv(axes) @ np.array([np.cos(angle), -np.sin(angle)])


def rounding_matrix(
    time_utc: str | datetime, latitude_deg: float, longitude_deg: float, axes: NDArray[np.float64]
) -> tuple[NDArray[np.float64], SkyPlace]:
    """Return the matrix that makes the disk round again, from place and time.

    Parameters
    ----------
    time_utc, latitude_deg, longitude_deg : see `sky_place`
    axes : (2, 2)
        See `zenith_yx`.

    Returns
    -------
    matrix : (2, 2)
        On (y, x), from the sensor as it saw the Sun to the Sun as it is; its radius becomes the true one.
    place : SkyPlace

    Raises
    ------
    ValueError
        If the Sun stands below 5 deg.
    """
    place, sun = sky_place(time_utc, latitude_deg, longitude_deg), ephemeris(time_utc)
    height, width = squeeze(place.altitude_deg, sun.radius_arcsec / 3600)
    along = zenith_yx(axes, sun.p_deg, place.parallactic_deg)
    return squeezed_matrix(along, 1 / height, 1 / width), place
