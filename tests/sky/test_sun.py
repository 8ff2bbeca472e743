"""The ephemeris against published values and sunpy; the map cards against sunpy's map."""

from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from astropy.io import fits
from astropy.utils import iers
from diskmosaic.errors import InputError
from diskmosaic.sky import sun

TEN_DATES = [
    "1975-02-11T05:06:07",
    "1983-07-30T23:59:59",
    "1992-10-13T00:00:00",
    "1999-12-31T12:00:00",
    "2005-04-05T00:00:00",
    "2010-10-10T10:10:10.250",
    "2016-06-30T18:00:00",
    "2019-08-21T06:30:00",
    "2022-01-03T00:00:00",
    "2024-09-08T12:00:00",
]


def wrapped(degrees):
    return (degrees + 180) % 360 - 180


def utc_of_tt(year, month, day, leap_seconds):
    """UTC of 0h TT on a date, with the TAI - UTC of that year (IERS Bulletin C)."""
    return datetime(year, month, day) - timedelta(seconds=32.184 + leap_seconds)


@pytest.mark.parametrize("time", TEN_DATES)
def test_ephemeris_meets_sunpy(time):
    """Outside reference: sunpy.coordinates.sun, an implementation through astropy's frames.

    P: sunpy refers to the mean pole of date, we to the true one: nutation, at most 9.2 arcsec = 0.0026 deg.
    """
    reference = pytest.importorskip("sunpy.coordinates.sun")
    with iers.conf.set_temp("auto_download", False):
        p, b0, l0, radius = (
            reference.P(time).deg,
            reference.B0(time).deg,
            reference.L0(time).deg,
            reference.angular_radius(time).to_value("arcsec"),
        )
    found = sun.ephemeris(time)
    assert abs(found.p_deg - p) < 0.004
    assert abs(found.b0_deg - b0) < 0.001
    assert abs(wrapped(found.l0_deg - l0)) < 0.002
    assert abs(found.radius_arcsec - radius) < 0.001


def test_ephemeris_meets_meeus():
    """Meeus, Astronomical Algorithms, 2nd ed., example 29.a: 1992 October 13.0 TD.

    P = +26.27, B0 = +5.99, L0 = 238.63 deg (B0 as quoted in sunpy's tests; P and L0 from memory). Tolerance:
    the last printed digit, and for L0 the 0.010 deg by which Meeus's rotation rate had parted from the IAU's
    in 1992.
    """
    found = sun.ephemeris(utc_of_tt(1992, 10, 13, 27))
    assert abs(found.p_deg - 26.27) < 0.006
    assert abs(found.b0_deg - 5.99) < 0.006
    assert abs(found.l0_deg - 238.63) < 0.015


@pytest.mark.parametrize(("month", "l0"), [(1, 326.98), (2, 278.78), (3, 270.07)])
def test_carrington_longitude_meets_the_almanac(month, l0):
    """Astronomical Almanac 2013, L0 at 0h TT (values as quoted in sunpy's tests).

    The Almanac includes aberration, which we do not: 20.5 arcsec = 0.0057 deg lower. Tolerance: printed digit
    + 0.003.
    """
    found = sun.ephemeris(utc_of_tt(2013, month, 1, 35))
    assert abs(found.l0_deg - 0.0057 - l0) < 0.008


@pytest.mark.parametrize(("month", "b0"), [(4, -6.54), (12, 0.88)])
def test_latitude_meets_the_almanac(month, b0):
    """Astronomical Almanac 2013, B0 at 0h TT (values as quoted in sunpy's tests), to the printed digit."""
    assert abs(sun.ephemeris(utc_of_tt(2013, month, 1, 35)).b0_deg - b0) < 0.006


def test_radius_meets_the_almanac():
    """Astronomical Almanac 2013, p. C13: 15'44.61" on 2013 June 17, 0h TT, made with 696,000 km."""
    found = sun.ephemeris(utc_of_tt(2013, 6, 17, 35))
    assert abs(found.radius_arcsec - (15 * 60 + 44.61) * 695_700 / 696_000) < 0.01  # two printed digits


@pytest.mark.parametrize("year", [1950, 1961, 2031, 2060])
def test_far_years_are_smooth_and_silent(year):
    """No warning (they are errors here), and a year's step of the geometry stays a year's step."""
    now, later = sun.ephemeris(f"{year}-03-01"), sun.ephemeris(f"{year + 4}-03-01")
    assert abs(now.p_deg - later.p_deg) < 0.1  # the calendar's and the axis' slow drift over four years
    assert abs(now.radius_arcsec - later.radius_arcsec) < 0.2


def test_times_with_and_without_zone_agree():
    east = datetime(2031, 6, 4, 11, 30, tzinfo=timezone(timedelta(hours=2)))
    assert sun.ephemeris(east) == sun.ephemeris("2031-06-04T09:30:00Z") == sun.ephemeris("2031-06-04 09:30")


@pytest.mark.parametrize("bad", ["yesterday", "1066-10-14", "2100-01-01", ""])
def test_bad_times_are_named(bad):
    with pytest.raises(InputError, match=f"found '{bad}', expected an ISO 8601 time"):
        sun.ephemeris(bad)


# Values of the polynomials of Neckel & Labs 1994, Solar Physics 153, 91, Table I, at mu = 0.9, 0.5, 0.1, and
# the table's own last column, the mean over the disk F/I0.
TABLE = [
    (390.915, 0.9190, 0.5800, 0.2212, 0.7204),
    (559.950, 0.9473, 0.7131, 0.3892, 0.8061),
    (640.970, 0.9538, 0.7476, 0.4514, 0.8290),
    (669.400, 0.9567, 0.7577, 0.4665, 0.8360),
]


@pytest.mark.parametrize("row", TABLE)
def test_limb_darkening_meets_the_table(row):
    np.testing.assert_allclose(sun.limb_darkening([0.9, 0.5, 0.1], row[0]), row[1:4], atol=6e-5)  # printed digits


@pytest.mark.parametrize("row", TABLE)
def test_limb_darkening_has_the_tables_mean(row):
    mu = (np.arange(2000) + 0.5) / 2000
    mean = 2 * np.mean(mu * sun.limb_darkening(mu, row[0]))
    assert abs(mean - row[4]) < 1e-4  # printed digit and the midpoint rule


def test_limb_darkening_in_the_red_is_allens():
    """Cox (ed.) 2000, Allen's Astrophysical Quantities, by its degree-5 fit; 1 - u - v + u mu + v mu^2.

    Against Neckel & Labs's last row, just below: 0.004 at mu 0.5.
    """
    red = sun.limb_darkening([1.0, 0.5], 669.41)
    assert red[0] == pytest.approx(1, abs=1e-12)
    assert red[1] == pytest.approx(1 - 0.784 + 0.195 + 0.784 * 0.5 - 0.195 * 0.25, abs=1e-3)  # u, v at 669.4 nm
    assert abs(red[1] - 0.7577) < 0.006


def test_limb_darkening_falls_from_blue_to_red():
    """Between the rows, too: the limb is darkest in the blue (checked where the shape is wanted: mu 0.2 and
    up)."""
    mu = np.linspace(0.2, 0.9, 8)
    curves = np.array([sun.limb_darkening(mu, nm) for nm in (395, 430, 486, 540, 600, 656)])
    assert (np.diff(curves, axis=0) > 0).all()
    assert (np.diff(curves, axis=1) > 0).all()


@pytest.mark.parametrize(("mu", "nm", "word"), [(1.01, 500, "mu"), (np.nan, 500, "mu"), (0.5, 300, "300")])
def test_limb_darkening_refuses(mu, nm, word):
    with pytest.raises(ValueError, match=word):
        sun.limb_darkening(mu, nm)


def test_plate_scale():
    """206.265 p/f: 5.86 um at 2000 mm gives 0.6044 arcsec/px (small-angle definition)."""
    assert sun.plate_scale(5.86, 2000) == pytest.approx(0.60436, abs=1e-5)
    assert sun.plate_scale(5.86, 500, 4.0) == pytest.approx(sun.plate_scale(5.86, 2000))
    with pytest.raises(ValueError, match="focal_mm must be > 0, got 0"):
        sun.plate_scale(5.86, 0)


@pytest.fixture
def no_downloads():
    with iers.conf.set_temp("auto_download", False):
        yield


@pytest.mark.usefixtures("no_downloads")
@pytest.mark.parametrize("rotation_deg", [0.0, 30.0])
def test_sunpy_opens_the_map_silently(tmp_path, rotation_deg):
    """The centre, the poles and the limb come out where they should (0.001 px: rounding in the header)."""
    sunpy_map = pytest.importorskip("sunpy.map")
    time, scale, centre = "2024-04-07T12:00:00", 2.5, (190.25, 212.5)
    seen = sun.ephemeris(time)
    cards = sun.helioprojective_cards(
        time_utc=time, centre_yx=centre, arcsec_per_px=scale, ephemeris=seen, rotation_deg=rotation_deg
    )
    header = fits.Header()
    header.update(cards)
    path = tmp_path / "disk.fits"
    fits.PrimaryHDU(np.ones((400, 430), np.float32), header).writeto(path)
    opened = sunpy_map.Map(path)  # warnings are errors here
    disk_centre = opened.wcs.world_to_pixel_values(0, 0)
    np.testing.assert_allclose(disk_centre, centre[::-1], atol=1e-3)
    assert opened.rsun_obs.to_value("arcsec") == pytest.approx(seen.radius_arcsec, abs=1e-6)
    assert opened.carrington_longitude.deg == pytest.approx(seen.l0_deg, abs=0.002)
    limb = seen.radius_arcsec / 3600
    turn = np.deg2rad(rotation_deg)
    for west, north in ((1, 0), (0, 1)):
        x, y = opened.wcs.world_to_pixel_values(west * limb, north * limb)
        direction = np.array([west * np.sin(turn) + north * np.cos(turn), west * np.cos(turn) - north * np.sin(turn)])
        np.testing.assert_allclose((y, x), centre + direction * seen.radius_arcsec / scale, atol=0.01)


def test_cards_fit_fits():
    cards = sun.helioprojective_cards(
        time_utc="2031-06-04T09:30:00.1234567",
        centre_yx=(1, 2),
        arcsec_per_px=0.5,
        ephemeris=sun.ephemeris("2031-06-04T09:30"),
    )
    header = fits.Header()
    header.update(cards)  # warns of what does not fit
    assert all(len(card.image) == 80 for card in header.cards)
    assert header["DATE-OBS"] == "2031-06-04T09:30:00.123"
    assert "CROTA2" not in header
