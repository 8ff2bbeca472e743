"""Heliographic places on a picture: where a latitude and longitude lie, and back.

Longitudes are counted from the central meridian, west positive (Stonyhurst as seen from the Earth).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.pictures.frame import Frame
from diskmosaic.sky.sun import ARCSEC_PER_RADIAN, AU_KM, SOLAR_RADIUS_KM


def is_oriented(frame: Frame) -> bool:
    """Tell whether heliographic places can be told on a picture."""
    return frame.limb is not None and frame.north_deg is not None and frame.b0_deg is not None


def place_on_picture(frame: Frame, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> NDArray[np.float64]:
    """Return where heliographic places lie on a picture.

    Parameters
    ----------
    frame : Frame
        Oriented (see `is_oriented`).
    latitude_deg, longitude_deg : float or array
        Longitude from the central meridian, west positive.

    Returns
    -------
    (..., 2) array
        (y, x) in px; NaN on the far side.

    References
    ----------
    Thompson 2006, A&A 449, 791, equations 11 and 4: heliographic to heliocentric, and that seen from a finite distance
    (which moves a place by up to 0.3 % of the radius).
    """
    latitude, longitude = np.deg2rad(np.broadcast_arrays(latitude_deg, longitude_deg))
    tilt, q = np.deg2rad(frame.b0_deg), _radius_over_distance(frame)
    west = np.cos(latitude) * np.sin(longitude)
    north = np.sin(latitude) * np.cos(tilt) - np.cos(latitude) * np.cos(longitude) * np.sin(tilt)
    near = np.sin(latitude) * np.sin(tilt) + np.cos(latitude) * np.cos(longitude) * np.cos(tilt)
    seen = np.sqrt(1 - q**2) / (1 - q * near)
    seen = np.where(near > q, seen, np.nan)
    plane = np.stack([seen * north, seen * west], axis=-1)
    return frame.sun_px * plane @ _axes(frame) + frame.limb.centre_yx


def place_on_sun(frame: Frame, points: ArrayLike) -> NDArray[np.float64]:
    """Return the heliographic latitude and longitude (..., 2), degrees, at (..., 2) points of a picture.

    NaN off the disk. The inverse of `place_on_picture`.
    """
    q, tilt = _radius_over_distance(frame), np.deg2rad(frame.b0_deg)
    plane = (np.asarray(points, float) - frame.limb.centre_yx) @ _axes(frame).T
    plane /= frame.sun_px * np.sqrt(1 - q**2)
    far = np.sum(plane**2, axis=-1)
    # the nearer crossing of the line of sight with the unit sphere
    root = (far * q) ** 2 - (1 + far * q**2) * (far - 1)
    near = (far * q + np.sqrt(np.where(root >= 0, root, np.nan))) / (1 + far * q**2)
    north, west = plane[..., 0] * (1 - q * near), plane[..., 1] * (1 - q * near)
    latitude = np.arcsin(np.clip(north * np.cos(tilt) + near * np.sin(tilt), -1, 1))
    longitude = np.arctan2(west, near * np.cos(tilt) - north * np.sin(tilt))
    return np.rad2deg(np.stack([latitude, longitude], axis=-1))


def _axes(frame: Frame) -> NDArray[np.float64]:
    """Rows: solar north and solar west as (y, x) on the picture."""
    angle = np.deg2rad(frame.north_deg)
    west = np.array([np.sin(angle), np.cos(angle)])
    return np.stack([[-np.cos(angle), np.sin(angle)], -west if frame.mirrored else west])


def _radius_over_distance(frame: Frame) -> float:
    """Sine of the Sun's angular radius; at 1 au where the scale is not known."""
    if frame.arcsec_per_px is None:
        return SOLAR_RADIUS_KM / AU_KM
    return float(np.sin(frame.sun_px * frame.arcsec_per_px / ARCSEC_PER_RADIAN))
