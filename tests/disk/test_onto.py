"""The disk on another grid: against reproject for the pixels, against sunpy for the turning Sun."""

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.utils import iers
from astropy.wcs import WCS
from diskmosaic import pipeline
from diskmosaic.disk.onto import places_on, put_onto
from diskmosaic.errors import InputError
from diskmosaic.files.solarmap import grid_of, read_grid
from diskmosaic.sky.sun import ephemeris, helioprojective_cards
from scipy import ndimage

TIME = "2024-09-08T12:00:00"
SHAPE, CENTRE, RADIUS = (420, 460), (215.3, 228.8), 180.0


def header(centre=CENTRE, radius=RADIUS, when=TIME, turn=0.0):
    sun = ephemeris(when)
    made = fits.Header()
    made.update(
        helioprojective_cards(
            time_utc=when,
            centre_yx=centre,
            arcsec_per_px=sun.radius_arcsec / radius,
            ephemeris=sun,
            rotation_deg=turn,
        )
    )
    return made


def made_image():
    rng = np.random.default_rng(5)
    return (1 + 0.1 * ndimage.gaussian_filter(rng.normal(size=SHAPE), 3)).astype(np.float32)


SOURCE = grid_of(header(), SHAPE, "disk.fits")


def test_its_own_grid_gives_the_same_image():
    image = made_image()
    image[:40] = np.nan
    (back,) = put_onto(SOURCE, SOURCE, [image])
    np.testing.assert_allclose(back, image, atol=2e-5)  # cubic spline in float32; NaN stays NaN
    (weight,) = put_onto(SOURCE, SOURCE, [image], linear=[True])
    np.testing.assert_allclose(weight, image, atol=1e-5)


@pytest.mark.parametrize("turn", [0.0, 25.0])
def test_pixels_meet_reproject(turn):
    """Outside reference: reproject.reproject_interp, order 3, on a shifted, turned, coarser grid at the same time."""
    reproject = pytest.importorskip("reproject")
    pytest.importorskip("sunpy.coordinates")
    other = header((190.0, 201.5), 165.0, turn=turn)
    with iers.conf.set_temp("auto_download", False):
        expected = reproject.reproject_interp(
            (made_image().astype(float), WCS(header(), fix=False)),
            WCS(other, fix=False),
            shape_out=(380, 410),
            order=3,
            return_footprint=False,
            roundtrip_coords=False,
        )
    (found,) = put_onto(grid_of(other, (380, 410), "map"), SOURCE, [made_image()])
    inside = ndimage.binary_erosion(np.isfinite(expected), iterations=8)  # other rules at the border
    assert inside.sum() > 90_000
    np.testing.assert_allclose(found[inside], expected[inside], atol=2e-4)  # float32, splines with other borders


@pytest.mark.parametrize("hours", [-5, 20])
def test_features_come_from_where_sunpy_has_them(hours):
    """Outside reference: sunpy, propagation with the solar surface; 0.05 px asked, the arithmetic is the same."""
    frames = pytest.importorskip("sunpy.coordinates")
    when = str(np.datetime64(TIME) + np.timedelta64(hours, "h"))
    target = grid_of(header((200.0, 210.0), 170.0, when=when), (400, 420), "map")
    y, x = np.mgrid[60:340:20, 70:350:20].astype(float)
    on_disk = np.hypot(y - 200, x - 210) < 150
    y, x = y[on_disk], x[on_disk]
    rows, columns = places_on(target, SOURCE, y, x)
    scale = ephemeris(when).radius_arcsec / 170
    with iers.conf.set_temp("auto_download", False):
        seen, then = (frames.Helioprojective(obstime=time, observer=frames.get_earth(time)) for time in (when, TIME))
        here = SkyCoord((x - 210) * scale * units.arcsec, (y - 200) * scale * units.arcsec, frame=seen)
        with frames.propagate_with_solar_surface(rotation_model="howard"):
            there = here.transform_to(then)
    back = RADIUS / ephemeris(TIME).radius_arcsec
    visible = np.isfinite(rows)
    assert visible.sum() > 100
    assert np.abs(there.Tx.to_value("arcsec") * back + CENTRE[1] - columns)[visible].max() < 0.02
    assert np.abs(there.Ty.to_value("arcsec") * back + CENTRE[0] - rows)[visible].max() < 0.02


def test_what_the_sun_has_turned_up_is_unknown():
    target = grid_of(header(when="2024-09-10T12:00:00"), SHAPE, "map")
    (found,) = put_onto(target, SOURCE, [made_image()])
    middle = round(CENTRE[0])
    # two days: 27 degrees; new Sun in the east (left), up to 1 - cos 27 = 0.11 radii in from the limb
    assert np.isnan(found[middle, round(CENTRE[1] - 0.95 * RADIUS)])
    assert np.isfinite(found[middle, round(CENTRE[1] + 0.95 * RADIUS)])


def test_coarse_pixels_are_means():
    fine = np.indices(SHAPE).sum(axis=0) % 2 * np.float32(2)  # a chequerboard of 0 and 2
    coarse = grid_of(header((50.0, 55.0), RADIUS / 4), (100, 110), "map")
    (found,) = put_onto(coarse, SOURCE, [fine.astype(np.float32)])
    assert found[20:80, 20:80] == pytest.approx(1, abs=0.15)  # one sample each would scatter by 1


def test_maps_are_read_from_any_hdu_and_others_refused(tmp_path):
    plain, good = tmp_path / "plain.fits", tmp_path / "map.fits"
    fits.PrimaryHDU(made_image()).writeto(plain)
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(made_image(), header())]).writeto(good)
    assert read_grid(good).shape == SHAPE
    assert read_grid(good).arcsec_per_px == pytest.approx(ephemeris(TIME).radius_arcsec / RADIUS)
    with pytest.raises(InputError, match="no image with CTYPE HPLN and HPLT"):
        read_grid(plain)
    with pytest.raises(InputError, match="no such file"):
        read_grid(tmp_path / "none.fits")
    (tmp_path / "text.fits").write_text("clouds")
    with pytest.raises(InputError, match="no readable FITS file"):
        read_grid(tmp_path / "text.fits")
    timeless = header()
    del timeless["DATE-OBS"]
    with pytest.raises(InputError, match="no DATE-OBS"):
        grid_of(timeless, SHAPE, "x.fits")


def test_the_command_puts_a_disk_onto_a_map(evening_done, tmp_path):
    out = evening_done / "assembled"
    sun = fits.getheader(out / "disk.fits")["DATE-OBS"]
    target = tmp_path / "other.fits"
    fits.PrimaryHDU(np.zeros(SHAPE, np.float32), header(when=sun)).writeto(target)
    with pytest.raises(InputError, match=r"a disk whose north is not known.*set north_deg"):
        pipeline.assemble(evening_done, onto=target)
    session = evening_done / "session.toml"
    session.write_text(session.read_text().replace("# north_deg", "north_deg").replace("# mirrored", "mirrored"))
    outcome = pipeline.assemble(evening_done, onto=target)
    assert outcome.steps["onto other"] == "done"
    with fits.open(out / "onto" / "other.fits") as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "UNIFORM", "WEIGHT"]
        assert hdus[0].header["CRPIX1"] == CENTRE[1] + 1
        assert hdus[0].header["MAPFILE"] == "other.fits"
        uniform = hdus["UNIFORM"].data
    y, x = np.indices(SHAPE)
    inside = np.hypot(y - CENTRE[0], x - CENTRE[1]) < 0.9 * RADIUS
    assert np.isfinite(uniform[inside]).all()
    assert np.median(uniform[inside]) == pytest.approx(1, abs=0.02)
    assert pipeline.assemble(evening_done, onto=target).steps["onto other"] == "unchanged"
    fits.PrimaryHDU(np.zeros(SHAPE, np.float32), header(when="2035-01-01")).writeto(tmp_path / "far.fits")
    with pytest.raises(InputError, match="days away from the disk"):
        pipeline.assemble(evening_done, onto=tmp_path / "far.fits")
