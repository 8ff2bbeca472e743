"""The limb of invented and real disks: sub-pixel, and not pulled by what stands on it."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from diskmosaic.limb.limb import fit_limb
from diskmosaic.limb.points import edge_points
from diskmosaic.limb.rough import border_points, find_circle, place_by_limb, sky_mask
from diskmosaic.records.places import Circle
from diskmosaic.settings import LimbSettings
from diskmosaic.sky.sun import ephemeris
from PIL import Image
from scipy import ndimage

CENTRE, RADIUS, SHAPE = (231.37, 268.81), 190.4, (470, 540)
SETTINGS = LimbSettings(rays=720)
# A blurred limb-darkened disk is steepest inside its edge: at this radius and law by 0.16 px under a blur of 1.34 px,
# 0.3 px at 2.1 px. The limb is where it would be steepest under the standard blur of 0.0025 radii = 0.48 px: 0.026 px
# inside (each by numerical convolution of the profile alone, 0.001 px steps).
INSIDE = 0.026


def disk(*, centre=CENTRE, radius=RADIUS, shape=SHAPE, blur=1.2, noise=0.0, seed=0, sky=0.01, finer=4):
    """A limb-darkened disk whose edge, before the symmetric blur, is sharp: drawn finer, then averaged."""
    y, x = np.mgrid[: finer * shape[0], : finer * shape[1]].astype(np.float32)
    r = np.hypot((y + 0.5) / finer - 0.5 - centre[0], (x + 0.5) / finer - 0.5 - centre[1]) / radius
    light = np.where(r < 1, 0.4 + 0.6 * np.sqrt(np.clip(1 - r * r, 0, 1)), sky).astype(np.float32)
    light = cv2.resize(light, shape[::-1], interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur)
    light += noise * np.random.default_rng(seed).standard_normal(shape, np.float32)
    return (3000 * light).astype(np.float32)


def miss(circle, centre=CENTRE, radius=RADIUS):
    return np.hypot(circle.centre_yx[0] - centre[0], circle.centre_yx[1] - centre[1]), circle.radius_px - radius


def test_a_clean_disk():
    circle = fit_limb(disk(), SETTINGS)
    off, wide = miss(circle)
    assert off < 0.01
    assert wide == pytest.approx(-INSIDE, abs=0.01)
    assert circle.points > 700
    assert circle.rms_px < 0.05
    assert circle.flattening < 5e-5


@pytest.mark.parametrize("blur", [0.7, 1.2, 2.0])
@pytest.mark.parametrize("noise", [0.005, 0.02])
def test_noise_and_blur(blur, noise):
    circle = fit_limb(disk(blur=blur, noise=noise), SETTINGS)
    off, wide = miss(circle)
    assert off < 0.06
    # whatever the blur: 0.02 px are 4 of the noisier disk's standard errors
    assert wide == pytest.approx(-INSIDE, abs=0.02)
    assert circle.blur_px == pytest.approx(np.hypot(blur, 0.35), abs=0.15)  # averaging over pixels and along rays
    # the fit's own word: neighbouring rays are 1.7 px apart, so blur makes up to blur * 2 sqrt(pi) / 1.7 of them alike
    assert 0.6 < max(circle.sigma[:2]) / (np.sqrt(2) * circle.rms_px / np.sqrt(circle.points)) < 3


def test_prominences_and_a_spot_at_the_limb_do_not_pull():
    plain = disk(noise=0.005)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - np.array(CENTRE)[:, None, None]
    r, angle = np.hypot(y, x) / RADIUS, np.rad2deg(np.arctan2(y, x))
    spoilt = plain.copy()
    for where, height in ((20, 0.06), (32, 0.04), (-140, 0.05)):
        tongue = (np.abs(angle - where) < 5) & (r >= 1) & (r < 1 + height)
        spoilt[tongue] += 0.35 * 3000  # as bright as the limb itself
    spoilt[np.hypot(y - RADIUS * 0.96 * np.sin(1.9), x - RADIUS * 0.96 * np.cos(1.9)) < 7] *= 0.3
    clean, pulled = fit_limb(plain, SETTINGS), fit_limb(cv2.GaussianBlur(spoilt, (0, 0), 0.8), SETTINGS)
    # 30 degrees of 360 are spoilt; what is not rejected there may pull a few hundredths
    assert np.hypot(*np.subtract(clean.centre_yx, pulled.centre_yx)) < 0.04
    assert clean.radius_px == pytest.approx(pulled.radius_px, abs=0.06)


def test_a_partial_disk():
    whole = disk(noise=0.005)
    # the right half and a bit: an arc of about 220 degrees
    part = whole[:, 210:]
    circle = fit_limb(part, SETTINGS)
    off, wide = miss(circle, (CENTRE[0], CENTRE[1] - 210))
    assert off < 0.15  # 2.3 / 1.4 times worse than a full circle along the axis, and the blur's bias leans on it
    assert wide == pytest.approx(-INSIDE, abs=0.12)


def test_uncovered_corners_and_edges():
    image = disk(noise=0.005)
    image[:90, :140] = np.nan
    image[-60:, -130:] = np.nan
    image[:, :60] = np.nan  # within the sky's band
    image[150:200, 500:] = np.nan
    circle = fit_limb(image, SETTINGS)
    off, wide = miss(circle)
    assert off < 0.05
    assert wide == pytest.approx(-INSIDE, abs=0.05)


def test_a_hole_in_the_disk_is_no_limb():
    image = disk(noise=0.005)
    image[200:260, 240:330] = np.nan
    off, wide = miss(fit_limb(image, SETTINGS))
    assert off < 0.05
    assert wide == pytest.approx(-INSIDE, abs=0.05)


@pytest.mark.parametrize("contrast", [0.01, 0.1])
def test_no_limb_gives_none(contrast):
    image = 2500 * (1 + np.random.default_rng(4).normal(0, contrast, (200, 260)))
    assert fit_limb(image.astype(np.float32), SETTINGS) is None


def test_a_uniform_dark_patch_is_no_limb():
    image = np.full((240, 300), 2000, np.float32)
    y, x = np.mgrid[:240, :300]
    image[np.hypot(y - 120, x - 150) < 20] = 100  # a spot in the middle: it does not reach the border
    assert fit_limb(image, SETTINGS) is None


def test_an_image_of_nothing_known_gives_none():
    assert fit_limb(np.full((120, 150), np.nan, np.float32), SETTINGS) is None


def test_a_start_serves_where_no_sky_reaches_the_border():
    image = disk(noise=0.005)
    image[:6] = image[-6:] = 2000
    image[:, :6] = image[:, -6:] = 2000  # a bright frame hides the sky's way out
    circle = fit_limb(image, SETTINGS, start=(CENTRE[0] + 3, CENTRE[1] - 4, RADIUS - 2))
    off, wide = miss(circle)
    assert off < 0.05
    assert wide == pytest.approx(-INSIDE, abs=0.05)


def test_rough_circle_of_a_large_image():
    image = disk(centre=(1010.2, 1120.7), radius=900.0, shape=(2050, 2230), finer=1)
    fit = find_circle(image)
    assert np.hypot(fit.centre[0] - 1010.2, fit.centre[1] - 1120.7) < 2
    assert fit.radius == pytest.approx(900, abs=4)  # at half resolution, where the light falls to a fifth


def test_sky_is_dark_and_reaches_the_border():
    image = disk()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - np.array(CENTRE)[:, None, None]
    r = np.hypot(y, x)
    image[np.hypot(y - 30, x + 40) < 25] = 60  # an umbra
    sky = sky_mask(image, 2500.0)
    assert sky[r > RADIUS + 4].all()
    assert not sky[r < RADIUS - 4].any()
    points = border_points(sky, np.isfinite(image))
    assert np.abs(np.hypot(*(points - CENTRE).T) - RADIUS).max() < 4
    angles = np.sort(np.arctan2(*(points - CENTRE).T))
    assert np.diff(angles).max() < 0.15  # all round


def test_border_points_leave_out_where_the_image_ends():
    image = disk()
    image[:, 330:] = np.nan
    points = border_points(sky_mask(image, 2500.0), np.isfinite(image))
    assert points[:, 1].max() < 330 - 2
    assert np.abs(np.hypot(*(points - CENTRE).T) - RADIUS).max() < 4


def test_edge_points_off_the_image_are_none():
    image = disk()
    assert edge_points(image, (-900.0, -900.0), 200.0).shape == (0, 3)
    assert edge_points(np.full(SHAPE, 5, np.float32), CENTRE, RADIUS).shape == (0, 3)


def test_edge_points_lie_on_the_limb_with_their_strength():
    points = edge_points(disk(), CENTRE, RADIUS, rays=360)
    assert len(points) == 360
    assert np.hypot(*(points[:, :2] - CENTRE).T) == pytest.approx(RADIUS - 0.16, abs=0.12)
    # the points are where the edge is steepest, blur and all: 0.16 px inside
    # a step of 0.39 * 3000 blurred by 1.2 px and by the ray's own 0.6 px; limb darkening adds some
    assert np.median(points[:, 2]) == pytest.approx(0.39 * 3000 / (np.sqrt(2 * np.pi) * 1.34), rel=0.2)


def test_a_flattened_sun_is_told():
    # a Sun at 11 degrees of altitude is flattened by 0.6 % (Bennett's refraction)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    r = np.hypot((y - CENTRE[0]) / 0.994, x - CENTRE[1]) / RADIUS
    image = np.where(r < 1, 0.4 + 0.6 * np.sqrt(np.clip(1 - r * r, 0, 1)), 0.01).astype(np.float32)
    image = 3000 * cv2.GaussianBlur(image, (0, 0), 1.2)
    circle = fit_limb(image, SETTINGS)
    assert circle.flattening == pytest.approx(0.006, rel=0.05)
    assert np.hypot(*np.subtract(circle.centre_yx, CENTRE)) < 0.03
    assert circle.oval == (0, 0)
    ellipse = fit_limb(image, LimbSettings(rays=720, shape="ellipse"))
    # 0.006 of 190.4 px between the axes: the mean radius is 0.57 px under the major one, +-0.57 px go with cos 2t
    assert ellipse.radius_px == pytest.approx(RADIUS * (1 - 0.003), abs=0.06)  # the disk is drawn without subpixels
    np.testing.assert_allclose(ellipse.oval, (RADIUS * 0.003, 0), atol=0.03)
    assert ellipse.rms_px < 0.25 * circle.rms_px


def test_the_real_sun_in_white_light():
    sunpy = pytest.importorskip("sunpy", reason="sunpy is not installed: its wheel holds the image")
    path = Path(sunpy.__file__).parent / "data/test/2023_01_31__03_39_23_200__SDO_HMI_HMI_continuum.jp2"
    with Image.open(path) as picture:
        image = np.asarray(picture.convert("L"), np.float32)
    circle = fit_limb(image, LimbSettings())
    # the file's header: centre CRPIX 256.5 (0-based 255.5), RSUN_OBS 973.968 / CDELT 4.8 = 202.910 px; an
    # independent finder gave (255.50, 255.51) and 202.859, scatter 0.13 px. 0.05 px is the second method's spread,
    # 0.1 px of 202 px is 0.5 arcsec
    np.testing.assert_allclose(circle.centre_yx, (255.5, 255.5), atol=0.1)
    assert circle.radius_px == pytest.approx(202.88, abs=0.1)
    # the ephemeris (IAU nominal radius) through the header's scale, within the limb's own error and the 0.4 arcsec by
    # which published radii of the limb differ (959.23 arcsec of the IAU, 959.63 of the almanacs)
    expected = ephemeris("2023-01-31T03:39:23").radius_arcsec / 4.80000016
    assert abs(circle.radius_px - expected) < np.hypot(circle.sigma[2], 0.4 / 4.8)
    assert circle.rms_px < 0.25
    assert circle.points > 1200
    assert circle.flattening < 1e-3  # truly 1e-5; 0.13 px of scatter over 1,440 rays of 202 px: 1e-4


def test_the_image_is_left_alone():
    image = disk(noise=0.01)
    image[:30, :40] = np.nan
    before = image.copy()
    fit_limb(image, SETTINGS)
    np.testing.assert_array_equal(image, before)
    assert ndimage.label(np.isnan(image))[1] == 1


def test_a_piece_of_limb_tells_where_a_tile_lies():
    y, x = np.mgrid[0:220, 0:300].astype(np.float64)
    circle = Circle((412.3, 385.7), 400.0, 0.1, 100)
    place = np.array([560.4, 520.8])
    inside = np.hypot(y + place[0] - 412.3, x + place[1] - 385.7) < 400
    seen = np.ones(inside.shape, bool)
    found = place_by_limb(~inside, seen, circle)
    # whole-pixel border points: half a pixel of bias towards the sky, and their scatter along a short arc
    assert np.hypot(*(found - place)) < 2.0
    assert place_by_limb(np.zeros(inside.shape, bool), seen, circle) is None


@pytest.mark.parametrize("degrees", [360, 180, 60])
def test_the_limbs_own_error_is_honest(degrees):
    # deviations in units of noise / sqrt(points) along the arc's bisector and of the radius: Cramer-Rao bound of a
    # circle arc, rows (cos, sin, 1) of Fisher's matrix
    along, wide = {360: (1.414, 1.0), 180: (3.25, 2.30), 60: (25.0, 23.8)}[degrees]
    clean = disk()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - np.array(CENTRE)[:, None, None]
    outside = np.abs(np.rad2deg(np.arctan2(y, x))) > degrees / 2
    errors, pulls, bounds = [], [], []
    for seed in range(24):
        image = clean + 60 * np.random.default_rng(seed).standard_normal(SHAPE, np.float32)
        image[outside] = np.nan
        circle = fit_limb(image, LimbSettings(rays=360), start=(*CENTRE, RADIUS))
        assert circle.arc_deg == pytest.approx(degrees, abs=6)
        error = np.array([circle.centre_yx[1] - CENTRE[1], circle.radius_px - RADIUS + INSIDE])
        errors.append(error)
        pulls.append(error / (circle.sigma[1], circle.sigma[2]))
        bounds.append(circle.rms_px / np.sqrt(circle.points) * np.array([along, wide]))
    # 24 seeds tell a deviation to 14 %: three of those about 0.8-1.25
    assert (np.sqrt(np.mean(np.square(pulls), axis=0)) < 1.7).all()
    assert (np.sqrt(np.mean(np.square(pulls), axis=0)) > 0.5).all()
    if degrees < 360:  # a whole circle is better than what the edge itself tells of its blur
        assert (np.sqrt(np.mean(np.square(errors), axis=0)) < 1.5 * 1.3 * np.median(bounds, axis=0)).all()


def test_structure_that_neighbouring_rays_share_is_in_the_error():
    rng = np.random.default_rng(5)
    clean = disk()
    white = rng.standard_normal(SHAPE, np.float32)
    grain = cv2.GaussianBlur(white, (0, 0), 3)
    fine, coarse = (fit_limb(clean + 60 * f / f.std(), SETTINGS) for f in (white, grain))
    naive = [np.sqrt(2) * c.rms_px / np.sqrt(c.points) for c in (fine, coarse)]
    assert coarse.sigma[0] / naive[1] > 1.3 * fine.sigma[0] / naive[0]


def test_points_of_a_tile_err_together():
    circle, tiled = (fit_limb(disk(), SETTINGS, tile_px=size) for size in (None, 300.0))
    # 0.05 px, independent 4 times around the limb of 1,196 px: 0.05 * (1.414, 1.414, 1) / 2
    np.testing.assert_allclose(tiled.sigma, 0.05 * np.array([1.414, 1.414, 1]) / np.sqrt(1196 / 300), rtol=0.05)
    assert circle.sigma[0] < 0.1 * tiled.sigma[0]


def test_a_short_arc_tells_no_flattening():
    image = disk(noise=0.005)
    image[:, :400] = np.nan
    assert np.isnan(fit_limb(image, SETTINGS).flattening)
