"""The Sun at a time: pole, centre of the disk, size, limb darkening, and the map cards of a disk.

The Earth's place comes from ERFA (through astropy's own dependency), which needs no network and no tables
that age.

Orientation of arrays: a disk is stored with numpy row 0 first, which FITS shows at the *bottom*. A disk that
is turned to the Sun has solar north towards +y (row index rising) and solar west towards +x, as solar maps
have it. A disk whose north is unknown keeps the sensor's first row as row 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.errors import bad_input

SOLAR_RADIUS_KM = 695_700.0  # nominal, IAU 2015 Resolution B3
AU_KM = 149_597_870.7  # IAU 2012 Resolution B2
ARCSEC_PER_RADIAN = 206_264.806_247

# Solar rotation axis (ICRS) and Carrington meridian: IAU WG on Cartographic Coordinates and Rotational
# Elements 2015 (Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22).
_POLE_RA, _POLE_DEC = np.deg2rad([286.13, 63.87])
_MERIDIAN_DEG = 84.176
_ROTATION_DEG_PER_DAY = 14.1844

_J2000 = 2_451_545.0
_TT_MINUS_TAI_DAYS = 32.184 / 86_400
_LIGHT_DAYS_PER_AU = 499.004_783_836 / 86_400

# I(mu)/I(1) = sum A_k mu^k. Neckel & Labs 1994, Solar Physics 153, 91, Table I: nm, A0 ... A5.
_NECKEL_LABS = np.array(
    [
        [390.915, 0.12995, 0.91836, -0.07566, 0.19149, -0.28712, 0.12298],
        [559.950, 0.26892, 1.34319, -1.58427, 1.91271, -1.31350, 0.37295],
        [640.970, 0.33644, 1.30590, -1.79238, 2.45040, -1.89979, 0.59943],
        [669.400, 0.34685, 1.37539, -2.04425, 2.70493, -1.94290, 0.55999],
    ]
)
# Quadratic law of Allen's Astrophysical Quantities (ed. Cox 2000), degree-5 fit to its table: powers of the
# wavelength in angstrom, lowest first; 400-1500 nm.
_ALLEN_U = (-8.9829751, 6.9093916e-3, -1.8144591e-6, 2.2540875e-10, -1.3389747e-14, 3.0453572e-19)
_ALLEN_V = (9.2891180, -6.2212632e-3, 1.5788029e-6, -1.9359644e-10, 1.1444469e-14, -2.599494e-19)
_DARKENING_NM = (390.0, 1500.0)


@dataclass(frozen=True)
class SunEphemeris:
    """The Sun as the Earth's centre sees it.

    Attributes
    ----------
    p_deg : float
        Position angle of the solar north pole from celestial north of date, eastward positive.
    b0_deg, l0_deg : float
        Heliographic latitude and Carrington longitude of the disk's centre; longitude in [0, 360).
    radius_arcsec : float
        Angular radius of the photosphere, ``asin(R / d)`` with the IAU 2015 nominal radius.
    distance_au : float
        From the Earth's centre to the Sun's.
    """

    p_deg: float
    b0_deg: float
    l0_deg: float
    radius_arcsec: float
    distance_au: float


def ephemeris(time_utc: str | datetime) -> SunEphemeris:
    """Compute pole, disk centre and size of the Sun.

    Parameters
    ----------
    time_utc : str or datetime
        ISO 8601; without a zone it is UTC.

    Returns
    -------
    SunEphemeris

    Raises
    ------
    InputError
        If the time cannot be read or lies outside 1900-2100.

    Notes
    -----
    The longitude allows for the light's travel time, not for aberration (which would lower it by
    0.006 deg). Seen from the Earth's surface the radius differs by up to 0.04 arcsec.

    References
    ----------
    The angles are those of Meeus, *Astronomical Algorithms*, 2nd ed., chapter 29, written with vectors.
    """
    tt1, tt2 = terrestrial_time(read_time(time_utc))
    earth = erfa.epv00(tt1, tt2)[0]["p"]  # heliocentric, au, ICRS; TT does for TDB (2 ms)
    distance = float(np.linalg.norm(earth))
    towards_earth = earth / distance

    pole = np.array([np.cos(_POLE_DEC) * np.cos(_POLE_RA), np.cos(_POLE_DEC) * np.sin(_POLE_RA), np.sin(_POLE_DEC)])
    b0 = np.arcsin(pole @ towards_earth)

    node = np.array([-np.sin(_POLE_RA), np.cos(_POLE_RA), 0.0])  # where the solar equator crosses the celestial one
    from_node = np.arctan2(np.cross(pole, node) @ towards_earth, node @ towards_earth)
    days = (tt1 - _J2000) + tt2 - distance * _LIGHT_DAYS_PER_AU
    l0 = (np.rad2deg(from_node) - _MERIDIAN_DEG - _ROTATION_DEG_PER_DAY * days) % 360

    celestial_pole = erfa.pnm06a(tt1, tt2)[2]  # true pole of date in ICRS
    sight = -towards_earth
    east = np.cross(celestial_pole, sight)
    north = np.cross(sight, east)
    p = np.arctan2(pole @ east, pole @ north)

    radius = np.arcsin(SOLAR_RADIUS_KM / (distance * AU_KM)) * ARCSEC_PER_RADIAN
    return SunEphemeris(float(np.rad2deg(p)), float(np.rad2deg(b0)), float(l0), float(radius), distance)


def sky_place(time_utc: str | datetime) -> tuple[float, float, float]:
    """Return where the Sun stands among the stars, and how its pole lies there.

    Parameters
    ----------
    time_utc : str or datetime
        As for `ephemeris`.

    Returns
    -------
    right_ascension_deg, declination_deg : float
        Apparent place of its centre from the Earth's centre (aberration allowed for), axes of the ICRS.
    pole_deg : float
        Position angle of the solar north pole from the ICRS's north, eastward positive.
    """
    heliocentric, barycentric = erfa.epv00(*terrestrial_time(read_time(time_utc)))
    sight = -heliocentric["p"] / np.linalg.norm(heliocentric["p"])
    sight = sight + barycentric["v"] * _LIGHT_DAYS_PER_AU  # aberration to first order: 0.002 arcsec
    sight /= np.linalg.norm(sight)
    pole = np.array([np.cos(_POLE_DEC) * np.cos(_POLE_RA), np.cos(_POLE_DEC) * np.sin(_POLE_RA), np.sin(_POLE_DEC)])
    east = np.cross([0.0, 0.0, 1.0], sight)
    north = np.cross(sight, east)
    right_ascension = np.arctan2(sight[1], sight[0])
    angles = np.rad2deg([right_ascension, np.arcsin(sight[2]), np.arctan2(pole @ east, pole @ north)])
    return float(angles[0] % 360), float(angles[1]), float(angles[2])


def read_time(time_utc: str | datetime) -> datetime:
    """Read a time as a UTC datetime without zone; see `ephemeris` for what is accepted and refused."""
    try:
        time = time_utc if isinstance(time_utc, datetime) else datetime.fromisoformat(time_utc.strip())
    except ValueError:
        time = None
    if time is None or not 1900 <= time.year < 2100:
        raise bad_input(
            "time",
            found=f"'{time_utc}'",
            expected="an ISO 8601 time from 1900 to 2099, such as 2031-06-04T09:30:00",
            todo="correct it in session.toml",
        )
    return time.astimezone(UTC).replace(tzinfo=None) if time.tzinfo is not None else time


def terrestrial_time(time: datetime) -> tuple[float, float]:
    """Two-part Julian date in TT.

    The leap seconds are read from ERFA's table without its conversion, which warns of years far ahead. Before
    1972 the table's steps stand for the then drifting difference, before 1960 none: 30 s at most, 0.005 deg
    of longitude.
    """
    table = erfa.leap_seconds.get()
    begun = (table["year"] < time.year) | ((table["year"] == time.year) & (table["month"] <= time.month))
    tai_minus_utc = table["tai_utc"][begun][-1] if begun.any() else 0.0
    day = datetime(time.year, time.month, time.day)
    jd = day.toordinal() + 1_721_424.5
    return jd, (time - day).total_seconds() / 86_400 + tai_minus_utc / 86_400 + _TT_MINUS_TAI_DAYS


def limb_darkening(mu: ArrayLike, wavelength_nm: float) -> NDArray[np.float64]:
    """Continuum intensity relative to the disk's centre.

    Parameters
    ----------
    mu : array_like
        ``sqrt(1 - (r/R)^2)``, 0 to 1.
    wavelength_nm : float
        390 to 1500.

    Returns
    -------
    float64 array, shape of `mu`
        ``I(mu) / I(1)``.

    Raises
    ------
    ValueError
        If `mu` or the wavelength is out of range.

    Notes
    -----
    Neckel & Labs's polynomials, interpolated in the inverse wavelength between four rows of their
    table (to 0.006 at mu >= 0.3); redwards of the last row Allen's quadratic law, which parts from them by
    0.004 at mu 0.5 and 0.02 at mu 0.1. The real Sun departs by 1 %. The cores of strong lines (H-alpha, Ca II
    K) are flatter than this continuum.
    """
    mu = np.asarray(mu, dtype=np.float64)
    if not ((mu >= 0) & (mu <= 1)).all():
        raise ValueError("mu must lie in 0 ... 1")
    if not _DARKENING_NM[0] <= wavelength_nm <= _DARKENING_NM[1]:
        raise ValueError(f"wavelength_nm must lie in 390 ... 1500, got {wavelength_nm:g}")
    if wavelength_nm > _NECKEL_LABS[-1, 0]:
        u, v = (np.polynomial.polynomial.polyval(10 * wavelength_nm, c) for c in (_ALLEN_U, _ALLEN_V))
        coefficients = [1 - u - v, u, v]
    else:
        # Neckel 2005 (Solar Physics 229, 13) writes the coefficients in 1/nm; its minus rises, as np.interp
        # needs.
        coefficients = [
            np.interp(-1 / wavelength_nm, -1 / _NECKEL_LABS[:, 0], column) for column in _NECKEL_LABS[:, 1:].T
        ]
    return np.polynomial.polynomial.polyval(mu, coefficients)


def plate_scale(pixel_um: float, focal_mm: float, extender: float = 1.0) -> float:
    """Arcsec a pixel of `pixel_um` spans behind `focal_mm` lengthened by the factor `extender`.

    Raises
    ------
    ValueError
        If a number is not > 0.
    """
    for name, value in (("pixel_um", pixel_um), ("focal_mm", focal_mm), ("extender", extender)):
        if not value > 0:
            raise ValueError(f"{name} must be > 0, got {value}")
    return ARCSEC_PER_RADIAN * pixel_um / 1000 / (focal_mm * extender)


def helioprojective_cards(
    *,
    time_utc: str | datetime,
    centre_yx: tuple[float, float],
    arcsec_per_px: float,
    ephemeris: SunEphemeris,
    rotation_deg: float = 0.0,
) -> dict[str, tuple[object, str]]:
    """FITS cards that make a disk a helioprojective map.

    Parameters
    ----------
    time_utc : str or datetime
        Of the picture's geometry.
    centre_yx : tuple of float
        Centre of the disk, 0-based array index.
    arcsec_per_px : float
    ephemeris : SunEphemeris
        At `time_utc`.
    rotation_deg : float
        Turns the array's axes onto solar west and north, +x towards +y; 0 where north is towards +y.

    Returns
    -------
    dict
        Keyword -> (value, comment). The observer is the Earth's centre.

    References
    ----------
    Thompson 2006, A&A 449, 791.
    """
    turn = np.deg2rad(rotation_deg)
    cos, sin = float(np.cos(turn)), float(np.sin(turn))
    return {
        "CTYPE1": ("HPLN-TAN", "helioprojective longitude, west positive"),
        "CTYPE2": ("HPLT-TAN", "helioprojective latitude, north positive"),
        "CUNIT1": ("arcsec", ""),
        "CUNIT2": ("arcsec", ""),
        "CRPIX1": (float(centre_yx[1]) + 1.0, "disk centre, 1-based"),
        "CRPIX2": (float(centre_yx[0]) + 1.0, "disk centre, 1-based"),
        "CRVAL1": (0.0, ""),
        "CRVAL2": (0.0, ""),
        "CDELT1": (float(arcsec_per_px), "arcsec/px"),
        "CDELT2": (float(arcsec_per_px), "arcsec/px"),
        "PC1_1": (cos, ""),
        "PC1_2": (sin, ""),
        "PC2_1": (-sin, ""),
        "PC2_2": (cos, ""),
        "DATE-OBS": (read_time(time_utc).isoformat(timespec="milliseconds"), "UTC"),
        "DSUN_OBS": (ephemeris.distance_au * AU_KM * 1000, "[m] Earth's centre to Sun's"),
        "HGLN_OBS": (0.0, "[deg] Stonyhurst longitude of the observer"),
        "HGLT_OBS": (ephemeris.b0_deg, "[deg] B0"),
        "CRLN_OBS": (ephemeris.l0_deg, "[deg] L0, Carrington"),
        "CRLT_OBS": (ephemeris.b0_deg, "[deg] B0"),
        "SOLAR_P0": (ephemeris.p_deg, "[deg] solar north from celestial, east > 0"),
        "RSUN_REF": (SOLAR_RADIUS_KM * 1000, "[m] IAU 2015 nominal"),
        "RSUN_OBS": (ephemeris.radius_arcsec, "[arcsec] asin(RSUN_REF / DSUN_OBS)"),
    }
