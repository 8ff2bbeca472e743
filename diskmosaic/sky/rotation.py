"""How the Sun's surface moves under the tiles: a published law of rotation, seen from the Earth.

Coordinates on the disk: x towards solar west, y towards solar north, z towards the observer, in solar radii about
the Sun's centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.sky.sun import AU_KM, SOLAR_RADIUS_KM, SunEphemeris, ephemeris, read_time

# Sidereal, rad/s: omega = A + B sin^2(latitude) + C sin^4(latitude). Magnetic features: Howard, Harvey & Forgach
# 1990, Solar Physics 130, 295 (2.894, -0.428, -0.370 microrad/s; as in sunpy.sun.models).
HOWARD_1990 = (2.894e-6, -0.428e-6, -0.370e-6)
CARRINGTON_DEG_PER_DAY = 14.1844  # the meridian to which L0 refers turns sidereally; IAU (Archinal et al. 2018)


def turned_longitude(sin_latitude: ArrayLike, seconds: float) -> NDArray[np.float64]:
    """Return by how much a feature's Carrington longitude grows in `seconds`, rad, by the law."""
    square = np.square(sin_latitude)
    a, b, c = HOWARD_1990
    return (a - np.deg2rad(CARRINGTON_DEG_PER_DAY) / 86_400 + (b + c * square) * square) * seconds


def limb_tangent(view: SunEphemeris) -> float:
    """Return the tangent of the Sun's angular radius as an observer sees it."""
    return 1 / float(np.sqrt((view.distance_au * AU_KM / SOLAR_RADIUS_KM) ** 2 - 1))


def lift(x: ArrayLike, y: ArrayLike, view: SunEphemeris) -> tuple[NDArray[np.float64], ...]:
    """Return the point of the sphere (x, y, z in radii) that is seen where the disk's plane is met.

    Parameters
    ----------
    x, y : array_like
        Tangent of the angle from the disk's centre over that of the limb. Outside the disk the nearest place of
        the limb is taken.
    view : SunEphemeris
        Of the observer: its distance makes the limb lie before the middle (0.27 deg of the sphere are hidden).
    """
    x, y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    distance = view.distance_au * AU_KM / SOLAR_RADIUS_KM
    # tangents of the angles from the line of sight; a sight line that misses the sphere touches it at the limb
    tangent = limb_tangent(view)
    radius = np.hypot(x, y)
    inside = np.where(radius > 1, 1 / np.maximum(radius, 1e-9), 1) * tangent
    u, v = x * inside, y * inside
    slope = u**2 + v**2
    # |(u s, v s, distance - s)| = 1 with the distance s from the observer along z
    s = (distance - np.sqrt(np.maximum(1 - slope * (distance**2 - 1), 0))) / (1 + slope)
    return u * s, v * s, distance - s


def drop(x: ArrayLike, y: ArrayLike, z: ArrayLike, view: SunEphemeris) -> tuple[NDArray[np.float64], ...]:
    """Return where a point of the sphere is seen on the disk; the inverse of `lift`."""
    distance = view.distance_au * AU_KM / SOLAR_RADIUS_KM
    scale = 1 / (limb_tangent(view) * (distance - np.asarray(z)))
    return x * scale, y * scale


def carry(
    x: ArrayLike, y: ArrayLike, seen: SunEphemeris, then: SunEphemeris, seconds: float
) -> tuple[NDArray[np.float64], ...]:
    """Tell where on the disk a feature lies at another time, or for another observer.

    Parameters
    ----------
    x, y : array_like
        West and north on the disk, in its radii, as `seen`.
    seen, then : SunEphemeris
        B0, L0 and distance of the two views.
    seconds : float
        From the first to the second.

    Returns
    -------
    x, y, z
        West, north and depth towards the observer in radii as seen `then`; z < 0: behind the Sun.
    """
    x, y, z = lift(x, y, seen)
    b0, b1 = np.deg2rad(seen.b0_deg), np.deg2rad(then.b0_deg)
    north = y * np.cos(b0) + z * np.sin(b0)  # sine of the latitude
    front = z * np.cos(b0) - y * np.sin(b0)
    turn = turned_longitude(north, seconds) - np.deg2rad((then.l0_deg - seen.l0_deg + 180) % 360 - 180)
    cos, sin = np.cos(turn), np.sin(turn)
    x, front = x * cos + front * sin, front * cos - x * sin
    y, z = north * np.cos(b1) - front * np.sin(b1), front * np.cos(b1) + north * np.sin(b1)
    return (*drop(x, y, z, then), z)


@dataclass(frozen=True)
class SurfaceMotion:
    """How features move on a mosaic whose north is known.

    Attributes
    ----------
    time_utc : str
        Reference time.
    axes : float (2, 2)
        Matrix on (y, x) of the mosaic that brings solar north to the first and solar west to the second axis.

    Notes
    -----
    The camera is taken to keep its angle to solar north. P itself changes by up to 0.45 deg a day: 0.15 px at the limb
    of a disk of 1,200 px radius in 22 minutes, less than what mounts do; fitted turns of tiles take it up.
    """

    time_utc: str
    axes: NDArray[np.float64]

    def shift(
        self, y: ArrayLike, x: ArrayLike, centre_yx: tuple[float, float], radius_px: float, seconds: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return (dy, dx), px, by which features have moved `seconds` after the reference time.

        Parameters
        ----------
        y, x : array_like
            Where they lie at the reference time, on the mosaic. Beyond the limb the limb's own motion is taken.
        centre_yx, radius_px : of the limb
        seconds : float
        """
        start = read_time(self.time_utc)
        seen, then = ephemeris(start), ephemeris(start + timedelta(seconds=float(seconds)))
        down, right = (np.asarray(y) - centre_yx[0]) / radius_px, (np.asarray(x) - centre_yx[1]) / radius_px
        north = self.axes[0, 0] * down + self.axes[0, 1] * right
        west = self.axes[1, 0] * down + self.axes[1, 1] * right
        beyond = np.maximum(np.hypot(west, north), 1)
        west, north = west / beyond, north / beyond
        new_west, new_north, _ = carry(west, north, seen, then, seconds)
        back = np.linalg.inv(self.axes) * radius_px
        west, north = new_west - west, new_north - north
        return back[0, 0] * north + back[0, 1] * west, back[1, 0] * north + back[1, 1] * west
