"""A disk that the air has flattened comes back round."""

import numpy as np
import pytest
from diskmosaic.disk.disk import orientation
from diskmosaic.disk.rounding import blend_round, rounded, rounding_by_limb, rounding_by_place, settle
from diskmosaic.observation import Observation
from diskmosaic.records.light import Levels
from diskmosaic.records.places import Circle
from diskmosaic.settings import Settings
from diskmosaic.sky.refraction import rounding_matrix, sky_place
from scipy import ndimage

from cut_tiles import as_tile, cut, placed

TIME = "2024-03-01T07:35:00"
PLACE = {"latitude_deg": 48.0, "longitude_deg": 11.0}  # the Sun stands 14.6 degrees high
SHAPE, CENTRE, RADIUS = (500, 560), np.array([251.7, 280.4]), 220.0
TILE = (290, 330)
PLACES = [(0.0, 0.0), (0.0, 230.0), (210.0, 0.0), (210.0, 230.0)]
AXES = orientation(Observation(north_deg=25.0, mirrored=False))


def pressed_sun():
    """A limb-darkened disk as the air shows it, and the matrix that makes it round."""
    matrix, _ = rounding_matrix(TIME, PLACE["latitude_deg"], PLACE["longitude_deg"], AXES)
    y, x = np.indices(SHAPE) - CENTRE[:, None, None]
    r = np.hypot(matrix[0, 0] * y + matrix[0, 1] * x, matrix[1, 0] * y + matrix[1, 1] * x) / RADIUS
    disk = (0.4 + 0.6 * np.sqrt(np.clip(1 - r**2, 0, 1))) / (1 + np.exp(np.clip((r - 1) * RADIUS / 0.5, -50, 50)))
    return ndimage.gaussian_filter(disk, 0.8) * 10_000 + 20, matrix


def blended(observation, **settings):
    image, _ = pressed_sun()
    tiles = [as_tile(cut(image, place, TILE), f"t_{k}", time=TIME) for k, place in enumerate(PLACES)]
    placement = placed(PLACES, limb=Circle(tuple(CENTRE), RADIUS, 0.1, 900))
    ones = np.ones(len(tiles))
    levels = Levels(ones, 0 * ones, np.ones(TILE, np.float32), 0 * ones, 0.0)
    base = Settings()
    base = base.model_copy(update={"placement": base.placement.model_copy(update=settings)})
    return blend_round(tiles, placement, levels, observation, base)


def test_a_flattened_disk_stays_flattened_without():
    made = blended(Observation(), refraction=False)
    assert made.rounding is None
    altitude = sky_place(TIME, **PLACE).altitude_deg
    assert 14 < altitude < 15
    assert made.limb.flattening == pytest.approx(0.0040, abs=0.0003)  # 0.42 % at 14 degrees, 0.376 % at 15


def test_place_and_time_make_it_round():
    made = blended(Observation(north_deg=25.0, mirrored=False, **PLACE))
    assert made.rounding.by == "place and time"
    assert made.rounding.flattening == pytest.approx(0.0040, abs=0.0003)
    assert made.limb.flattening < 0.0002
    # the true radius (less 0.07 px of blur at the edge), not a mean of two axes, which is 0.5 px less
    assert made.limb.radius_px == pytest.approx(RADIUS, abs=0.15)


def test_the_limb_makes_it_round_where_nothing_is_known():
    made = blended(Observation())
    assert made.rounding.by == "limb"
    assert made.rounding.flattening == pytest.approx(0.0040, abs=0.0003)
    assert made.limb.flattening < 0.0002
    matrix = pressed_sun()[1]
    pressed = np.linalg.eigh(matrix)[1][:, 1]
    assert abs(np.dot(pressed, made.rounding.axis_yx)) > 0.999


def test_a_limb_that_contradicts_place_and_time_is_followed():
    """The same disk, but the clock is an hour and a half late: 28 degrees high, 0.1 % expected."""
    late = Observation(north_deg=25.0, mirrored=False, time_utc="2024-03-01T09:05:00", **PLACE)
    made = blended(late)
    assert made.rounding.by == "limb"
    assert made.limb.flattening < 0.0002
    assert "the limb was followed; check place, time and north_deg" in made.warnings[0]


def test_a_round_disk_is_left_alone():
    circle = Circle((200.0, 200.0), 220.0, 0.2, 1400, (0.01, 0.01, 0.01), oval=(0.02, 0.04))
    assert rounding_by_limb(circle, np.eye(2)) is None  # 0.045 px: 3 standard errors of an ellipse
    assert rounding_by_limb(None, np.eye(2)) is None
    low, _ = rounding_by_place([], Observation(**PLACE, time_utc=TIME, north_deg=25.0, mirrored=False))
    found, told = settle(low, circle, np.eye(2))  # a round limb, whatever the clock says
    assert found is None
    assert "the limb was followed" in told[0]
    unseen = Circle((200.0, 200.0), 220.0, 0.2, 300, (0.1, 0.1, 0.1))  # too short an arc for an ellipse
    assert settle(low, unseen, np.eye(2)) == (low, [])
    assert rounding_by_place([], Observation(**PLACE, time_utc=TIME)) == (None, [])


def test_a_sun_below_the_horizon_is_told():
    night = Observation(**PLACE, time_utc="2024-03-01T00:00:00", north_deg=0.0)
    found, told = rounding_by_place([], night)
    assert found is None
    assert "check them" in told[0]


def test_all_that_lies_on_the_mosaic_goes_along():
    rounding, _ = rounding_by_place([], Observation(**PLACE, time_utc=TIME, north_deg=25.0, mirrored=False))
    before = placed(PLACES, limb=Circle(tuple(CENTRE), RADIUS, 0.1, 900), drift=(0.01, 0.0))
    after = rounded(before, rounding)
    point = np.array([120.0, 77.0])
    np.testing.assert_allclose(after.to_mosaic(2, point), rounding.matrix @ before.to_mosaic(2, point))
    np.testing.assert_allclose(after.limb.centre_yx, rounding.matrix @ CENTRE)
    np.testing.assert_allclose(after.drift_yx, rounding.matrix @ (0.01, 0.0))
