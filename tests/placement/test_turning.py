"""Tiles that are turned or magnified a little against each other come upright, and only those."""

import numpy as np
import pytest
from diskmosaic.placement.placement import place_tiles
from diskmosaic.settings import PlacementSettings
from diskmosaic.synthetic import invented_sun
from scipy import ndimage

from cut_tiles import as_tile, grid_places

SHAPE = (260, 330)
HALF = (np.array(SHAPE) - 1) / 2
SETTINGS = PlacementSettings(fit_drift=False)
PX_PER_S = 2 * np.pi / (27.2753 * 86400) * 300  # of the surface at the disk's centre


@pytest.fixture(scope="module")
def sun():
    return invented_sun(300, np.random.default_rng(17))


def session(sun, angles_deg, *, stretches=None, timed=True, seed=2):
    """Nine tiles in random order, the sensor's centre at known places; also those places."""
    rng = np.random.default_rng(seed)
    places = grid_places(sun.image.shape, SHAPE, (3, 3), rng, jitter=5.3)
    places = places[rng.permutation(len(places))]
    tiles = []
    for k, (place, angle) in enumerate(zip(places, np.deg2rad(angles_deg), strict=True)):
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - HALF[:, None, None]
        scale = 1.0 if stretches is None else 1 + stretches[k]
        # +x turns towards +y
        at_y = scale * (np.cos(angle) * y + np.sin(angle) * x) + place[0] + HALF[0]
        at_x = scale * (np.cos(angle) * x - np.sin(angle) * y) + place[1] + HALF[1]
        image = 20_000 * ndimage.map_coordinates(sun.image, [at_y, at_x], order=3, mode="nearest")
        image += 100 * rng.standard_normal(SHAPE)
        tiles.append(as_tile(image, f"t_{k}", time=f"2041-03-09T10:{3 * k:02d}:00" if timed else None))
    return tiles, places


def checked(found, places, angles_deg, stretches=0.0):
    centres = np.array([found.to_mosaic(k, HALF) for k in range(len(places))])
    off = centres - (places + HALF)
    turns = np.array([found.turn(k) for k in range(len(places))])
    angles = np.rad2deg(np.arctan2(turns[:, 0, 1], turns[:, 1, 1]))
    scales = np.sqrt(np.linalg.det(turns)) - 1
    # the whole may lie, be turned and be magnified as it likes: four numbers of eighteen
    y, x = (places + HALF - np.mean(places + HALF, axis=0)).T
    design = np.zeros((2 * len(y), 4))
    design[0::2] = np.column_stack([np.ones(len(y)), np.zeros(len(y)), x, y])
    design[1::2] = np.column_stack([np.zeros(len(y)), np.ones(len(y)), -y, x])
    left = off.ravel() - design @ np.linalg.lstsq(design, off.ravel(), rcond=None)[0]
    rms = np.sqrt(np.sum(left**2) / (len(y) - 2))
    return rms, np.ptp(angles - angles_deg), np.ptp(scales - stretches)


@pytest.mark.parametrize("timed", [True, False])
def test_a_field_that_turns(sun, timed):
    angles = np.linspace(-0.5, 0.5, 9)
    tiles, places = session(sun, angles, timed=timed)
    found = place_tiles(tiles, SETTINGS)
    assert not found.left_out
    rms, turned, _ = checked(found, places, angles)
    # as close as tiles that are not turned (below); a turn of 0.01 degrees moves a tile's corner by 0.04 px
    assert rms < 0.05
    assert turned < 0.02
    assert any("turned against each other by up to 1.0" in text for text in found.warnings)


def test_a_camera_that_was_touched(sun):
    angles = np.where(np.arange(9) < 4, 0.3, 0.0)
    tiles, places = session(sun, angles)
    rms, turned, _ = checked(place_tiles(tiles, SETTINGS), places, angles)
    assert rms < 0.05
    assert turned < 0.02


def test_a_step_in_scale(sun):
    stretches = np.where(np.arange(9) < 5, 0.0, 1.5e-3)
    tiles, places = session(sun, np.zeros(9), stretches=stretches)
    found = place_tiles(tiles, SETTINGS)
    rms, _, scaled = checked(found, places, 0.0, stretches)
    # 1e-4 moves a corner by 0.02 px
    assert rms < 0.08
    assert scaled < 3e-4
    assert any("differ in scale by up to 0.1" in text for text in found.warnings)


def turning_sun(sun, places, shape, *, minutes, rng, noise=100):
    """Tiles of a rigid sphere seen from afar, `minutes` apart, at the synodic rate (27.3 days: Carrington's mean)."""
    tiles = []
    for k, place in enumerate(places):
        y, x = np.mgrid[: shape[0], : shape[1]] + np.array(place)[:, None, None]
        off = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) / sun.radius_px
        x -= 60 * minutes * k * PX_PER_S * np.sqrt(np.clip(1 - off**2, 0, 1))
        image = 20_000 * ndimage.map_coordinates(sun.image, [y, x], order=3, mode="nearest")
        time = f"2041-03-09T{10 + minutes * k // 60}:{minutes * k % 60:02d}:00"
        tiles.append(as_tile(image + noise * rng.standard_normal(shape), f"t_{k}", time=time))
    return tiles


def test_few_overlaps_tell_no_scale_where_the_sun_turns(sun):
    """Fewer pairs than tiles cannot tell the Sun's turning, which stretches overlaps; nor may scales explain it."""
    places = [(20.3, column + 20.6) for column in (0, 110, 220, 330, 440)]
    found = place_tiles(
        turning_sun(sun, places, (260, 170), minutes=15, rng=np.random.default_rng(4)), PlacementSettings()
    )
    assert not found.left_out
    assert found.turns is None


def test_a_sun_that_turns_is_no_change_of_scale(sun):
    """Overlaps as wide as the disk's radius: the motion falls off along them, which stretches them."""
    rng = np.random.default_rng(6)
    places = np.array([(y, x) for y in (10.2, 215.7, 421.3) for x in (12.4, 352.1)]) + rng.uniform(-5, 5, (6, 2))
    places = places[[1, 4, 0, 3, 5, 2]]
    tiles = turning_sun(sun, places, (260, 400), minutes=9, rng=rng, noise=10)
    found = place_tiles(tiles, PlacementSettings())
    assert not found.left_out
    assert found.turns is None
    off = found.positions - places
    # as close as tiles of a Sun that stands (below)
    assert np.sqrt(np.mean(np.sum((off - off.mean(axis=0)) ** 2, axis=1))) < 0.05
    # 2.2 px from the first tile to the last: to a few hundredths of a pixel
    np.testing.assert_allclose(found.drift_yx, (0, PX_PER_S), atol=0.02 * PX_PER_S)


@pytest.mark.parametrize("seed", range(4))
def test_tiles_that_are_not_turned_stay_as_they_are(sun, seed):
    tiles, places = session(sun, np.zeros(9), seed=10 + seed)
    found = place_tiles(tiles, SETTINGS)
    assert found.turns is None
    assert checked(found, places, 0.0)[0] < 0.05
