"""The Sun's place against astropy; flattening against published formulas and ERFA's own model of the air."""

import erfa
import numpy as np
import pytest
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
from astropy.time import Time
from astropy.utils import iers
from diskmosaic.disk.disk import orientation
from diskmosaic.observation import Observation
from diskmosaic.sky import refraction
from diskmosaic.sky.sun import ephemeris

RADIUS_DEG = 16 / 60
PLACES = [("2024-03-01T07:30:00", 48.0, 11.0), ("2019-08-21T20:30:00", -33.0, -70.5), ("2023-06-04T16:00:00", 5.0, 0.0)]


@pytest.mark.parametrize(("time", "latitude", "longitude"), PLACES)
def test_the_suns_place_meets_astropy(time, latitude, longitude):
    """Outside reference: astropy's AltAz without air. 0.01 deg: UT1 - UTC and the parallax, which we leave out."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "ignore"):
        when = Time(time)
        where = EarthLocation(lat=latitude * units.deg, lon=longitude * units.deg)
        frame = AltAz(obstime=when, location=where)
        sun = get_sun(when)
        seen = sun.transform_to(frame)
        north = sun.directional_offset_by(0 * units.deg, 1 * units.arcmin)
        north = SkyCoord(north.ra, north.dec, sun.distance, frame=sun.frame).transform_to(frame)
        to_north = seen.position_angle(north).deg  # of celestial north, from the vertical
    found = refraction.sky_place(time, latitude, longitude)
    assert found.altitude_deg == pytest.approx(seen.alt.deg, abs=0.01)
    assert found.azimuth_deg == pytest.approx(seen.az.deg, abs=0.02)
    # azimuth runs the other way round than right ascension; celestial north of J2000 is up to 0.2 deg off that of date
    assert abs((found.parallactic_deg - to_north + 180) % 360 - 180) < 0.25


def bennett(apparent_deg):
    """Bennett 1982, J. Navigation 35, 255, as in Meeus, ch. 16 (from memory): arcmin from the apparent altitude."""
    return 1 / np.tan(np.deg2rad(apparent_deg + 7.31 / (apparent_deg + 4.4)))


@pytest.mark.parametrize("true", [5.0, 10.0, 15.0, 30.0, 60.0, 85.0])
def test_refraction_meets_bennetts_formula(true):
    """The two formulas are made to be inverse to each other within 4 arcsec (Meeus, ch. 16)."""
    lifted = float(refraction.refraction_deg(true))
    assert lifted * 60 == pytest.approx(bennett(true + lifted), abs=0.07)


# percent by which the vertical diameter shrinks; Bennett and ERFA (1010 hPa, 10 C, 0.656 um), +-16' about the altitude
@pytest.mark.parametrize("altitude", [15.0, 20.0, 30.0, 60.0])
def test_flattening_meets_published_formulas(altitude):
    """Bennett's formula by differences over the disk, and ERFA's two-term model (refco: A tan z + B tan^3 z)."""
    height, width = refraction.squeeze(altitude, RADIUS_DEG)

    def true_of(apparent):
        return apparent - bennett(apparent) / 60

    lifted = altitude + float(refraction.refraction_deg(altitude))
    half = np.array([-RADIUS_DEG, RADIUS_DEG]) * height
    low, high = true_of(lifted + half)
    assert height == pytest.approx(2 * height * RADIUS_DEG / (high - low), abs=0.02e-2)
    a, b = erfa.refco(1010, 10, 0.5, 0.656)
    zenith = np.deg2rad(90 - lifted)
    slope = (a + 3 * b * np.tan(zenith) ** 2) / np.cos(zenith) ** 2  # d(refraction)/d(apparent zenith distance)
    assert height == pytest.approx(1 / (1 + slope), rel=0.02e-2)
    assert 1 - width == pytest.approx(0.028e-2, abs=0.002e-2)  # at all altitudes: R tan h, R = 58" cot h


def test_flattening_by_altitude():
    """R = R0 cot h, R0 = 58.3" (first-order refraction of the almanacs, from memory): flattening R0 (1/sin^2 h - 1)."""
    for altitude in (15, 30, 60):
        rule = 58.3 / 206_265 * (1 / np.sin(np.deg2rad(altitude)) ** 2 - 1)
        assert refraction.flattening_at(altitude) == pytest.approx(rule, abs=0.0002)  # 5 % of it at 15 deg: tan^3 z


def test_a_squeezed_disk_comes_back_round():
    """The limb of a disk, lifted point by point through the air, against the one matrix: round to 0.02 %."""
    for time, latitude, longitude in PLACES:
        place, sun = refraction.sky_place(time, latitude, longitude), ephemeris(time)
        radius = sun.radius_arcsec / 3600
        axes = orientation(Observation(north_deg=33.0, mirrored=True))
        angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        up, across = radius * np.cos(angle), radius * np.sin(angle)
        altitude = place.altitude_deg + up
        azimuth = across / np.cos(np.deg2rad(altitude))
        lifted = altitude + refraction.refraction_deg(altitude)
        centre = place.altitude_deg + float(refraction.refraction_deg(place.altitude_deg))
        seen_up, seen_across = lifted - centre, azimuth * np.cos(np.deg2rad(lifted))
        zenith = refraction.zenith_yx(axes, sun.p_deg, place.parallactic_deg)
        aside = np.array([-zenith[1], zenith[0]])
        points = seen_up[:, None] * zenith + seen_across[:, None] * aside
        matrix, _ = refraction.rounding_matrix(time, latitude, longitude, axes)
        back = points @ matrix.T
        back -= (back.max(axis=0) + back.min(axis=0)) / 2
        length = np.hypot(*back.T) / radius
        assert np.ptp(np.hypot(*points.T)) / radius > 4 * np.ptp(length) or place.altitude_deg > 60
        assert np.ptp(length) < 0.0002
        assert length.mean() == pytest.approx(1, abs=0.0002)


def test_the_zenith_lies_where_the_sky_says():
    """At noon north of the tropics the zenith is celestial north: then it lies P west of solar north."""
    north, west = orientation(Observation(north_deg=0.0, mirrored=False))
    zenith = refraction.zenith_yx(np.stack([north, west]), 20.0, 0.0)
    # solar north is 20 deg east of celestial north: celestial north is 20 deg west of solar north
    assert zenith @ west == pytest.approx(np.sin(np.deg2rad(20)))
    assert zenith @ north == pytest.approx(np.cos(np.deg2rad(20)))


def test_a_sun_at_the_horizon_is_refused():
    with pytest.raises(ValueError, match=r"altitude_deg must lie in 5 \.\.\. 90, got 3"):
        refraction.squeeze(3.0, RADIUS_DEG)
