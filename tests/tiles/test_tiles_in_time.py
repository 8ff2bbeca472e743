"""Recordings as evenings make them: a mount that drifts or is bumped, frames that stand still, fields that are lost."""

import numpy as np
import pytest
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.tiles import stack_tile
from scipy import ndimage

from evening import write_ser

SHAPE = (160, 220)
LEVEL, NOISE = 12_000, 120
SETTINGS = TileSettings(keep=0.5, min_frames=8)
BLANK = Calibration(None, None, 0.0, SHAPE)


@pytest.fixture(scope="module")
def scene():
    """Surface with structure of some pixels, 12 % rms, larger than the sensor by 400 px."""
    white = np.random.default_rng(1).standard_normal((560, 620))
    parts = [ndimage.gaussian_filter(white, 1.5), ndimage.gaussian_filter(white[::-1], 5)]
    texture = sum(part / part.std() for part in parts)
    return LEVEL * (1 + 0.12 * texture / texture.std())


def frame_at(scene, place, rng, blur=0.0):
    """What the sensor sees whose first pixel lies at `place` of the scene."""
    window = scene[int(place[0]) - 8 : int(place[0]) + SHAPE[0] + 9, int(place[1]) - 8 : int(place[1]) + SHAPE[1] + 9]
    moved = ndimage.shift(window, -(np.asarray(place) % 1), order=3)[8 : 8 + SHAPE[0], 8 : 8 + SHAPE[1]]
    moved = ndimage.gaussian_filter(moved, blur) if blur else moved
    return np.rint(moved + NOISE * rng.standard_normal(SHAPE))


def stacked(tmp_path, frames, settings=SETTINGS, **more):
    path = write_ser(tmp_path / "one.ser", np.clip(np.stack(frames), 0, 65_535).astype(np.uint16))
    return stack_tile(open_recording(path), BLANK, settings, **more)


def miss_of(tile, places):
    """How far the shifts are from where the sensor looked, the weighted mean taken out; (frames, 2)."""
    found = np.stack([tile.frames["shift_y"], tile.frames["shift_x"]], -1)
    return found - (places - np.average(places, axis=0, weights=tile.frames["weight"]))


def shows(tile, scene, places, share):
    """Rms error of the tile against the scene where at least a share of the frames lies, relative to the texture."""
    mean = np.average(places, axis=0, weights=tile.frames["weight"])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    true = ndimage.map_coordinates(scene, [y + mean[0], x + mean[1]], order=3)
    there = (tile.weight >= share * tile.frames["weight"].sum()) & ndimage.binary_erosion(tile.weight > 0, iterations=4)
    assert there.any()
    return float(np.std((tile.image - true)[there]) / (0.12 * LEVEL))


@pytest.mark.parametrize("drift", [(0.0, 150.0), (90.0, -120.0)])
def test_a_drift_over_most_of_the_sensor_is_followed(tmp_path, scene, drift):
    rng = np.random.default_rng(2)
    places = np.array([200.0, 200.0]) + np.linspace(-0.5, 0.5, 60)[:, None] * drift + rng.normal(0, 0.7, (60, 2))
    tile = stacked(tmp_path, [frame_at(scene, place, rng) for place in places])
    miss, used = miss_of(tile, places), tile.frames["weight"] > 0
    # 1 % of noise on 12 % of texture tells shifts to 0.01 px; local fields in what little some frames share: 0.03.
    # Only frames that are stacked are held against the second reference
    assert np.sqrt(np.mean(miss[used] ** 2)) < 0.05
    assert np.abs(miss).max() < 0.2
    assert used.sum() == 30
    # what the frames cover is counted pixel by pixel: from none to all of them
    expected = np.zeros(SHAPE)
    mean = np.average(places[used], axis=0)
    for place in places[used]:
        dy, dx = np.rint(place - mean).astype(int)
        expected[max(dy, 0) : SHAPE[0] + min(dy, 0), max(dx, 0) : SHAPE[1] + min(dx, 0)] += 1
    inner = (slice(3, -3), slice(3, -3))
    assert np.abs(tile.weight - expected)[inner].mean() < 0.6  # borders are off by a pixel, a step of one frame each
    assert ((tile.weight == 0) == np.isnan(tile.image)).all()
    # few frames at the rims: noise of 120 / sqrt(6) is 3 % of the texture, interpolation 2 %
    assert shows(tile, scene, places, 0.2) < 0.06


def test_a_bump_is_followed(tmp_path, scene):
    rng = np.random.default_rng(3)
    places = np.array([200.0, 200.0]) + rng.normal(0, 1, (40, 2))
    places[17:20] += (38.0, -55.0)
    places[20:] += (-11.0, 24.0)  # it comes to rest elsewhere
    tile = stacked(tmp_path, [frame_at(scene, place, rng) for place in places])
    assert np.abs(miss_of(tile, places)).max() < 0.15
    assert not tile.warnings
    assert shows(tile, scene, places, 0.3) < 0.06


def test_frames_that_stand_still_are_no_better_than_others(tmp_path, scene):
    rng = np.random.default_rng(4)
    places = np.array([200.0, 200.0]) + rng.normal(0, 1.5, (40, 2))
    frames = [frame_at(scene, place, rng, 0.8) for place in places]
    for k in range(10, 22):  # the camera delivered one frame twelve times
        frames[k], places[k] = frames[10], places[10]
    tile = stacked(tmp_path, frames)
    assert np.abs(miss_of(tile, places)).max() < 0.15
    assert shows(tile, scene, places, 0.9) < 0.25  # the blur of 0.8 px alone is 0.2


def test_a_cloud_takes_light_not_shape(tmp_path, scene):
    rng = np.random.default_rng(5)
    places = np.array([200.0, 200.0]) + rng.normal(0, 1.5, (40, 2))
    light = np.ones(40)
    light[12:20] = np.linspace(0.9, 0.5, 8)
    light[20:26] = 0.01
    frames = [
        frame_at(scene, place, rng) * share + NOISE * rng.standard_normal(SHAPE)
        for place, share in zip(places, light, strict=True)
    ]
    tile = stacked(tmp_path, frames)
    used = tile.frames["weight"] > 0
    assert not used[20:26].any()
    np.testing.assert_allclose(tile.frames["level"][light > 0.4], light[light > 0.4], rtol=0.01)
    assert shows(tile, scene, places, 0.9) < 0.06
    assert any("6 of 40 frames do not show the field" in warning for warning in tile.warnings)


def test_a_field_that_is_lost_for_good(tmp_path, scene):
    rng = np.random.default_rng(6)
    places = np.array([60.0, 60.0]) + rng.normal(0, 1, (40, 2))
    places[25:] += (320.0, 330.0)  # another place of the Sun, to the end
    tile = stacked(tmp_path, [frame_at(scene, place, rng) for place in places])
    used = tile.frames["weight"] > 0
    # more frames show the first place; which of them the sharpest of the sample is does not matter
    assert not used[25:].any()
    assert used.sum() == 20
    assert shows(tile, scene, places, 0.9) < 0.06


def test_threads_change_no_bit_of_a_drifting_tile(tmp_path, scene):
    rng = np.random.default_rng(7)
    places = np.array([200.0, 200.0]) + np.linspace(-0.5, 0.5, 40)[:, None] * (60.0, 90.0)
    frames = [frame_at(scene, place, rng) for place in places]
    one, two = (stacked(tmp_path, frames, jobs=jobs) for jobs in (1, 3))
    for name in ("image", "weight", "frames", "fields", "sensor_mean"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes(), name


def dust():
    """A sensor with grains of up to 30 %, in places 4 to 12 px wide."""
    rng = np.random.default_rng(31)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sensor = np.ones(SHAPE)
    for _ in range(14):
        at, width = rng.uniform((0, 0), SHAPE), rng.uniform(2, 6)
        sensor *= 1 - rng.uniform(0.1, 0.3) * np.exp(-((y - at[0]) ** 2 + (x - at[1]) ** 2) / (2 * width**2))
    return sensor


@pytest.mark.parametrize("sensor", [np.ones(SHAPE), dust()], ids=["with a flat", "without one"])
def test_what_crosses_the_field_is_taken_out_and_dust_is_not(tmp_path, scene, sensor):
    rng = np.random.default_rng(8)
    places = np.array([200.0, 200.0]) + rng.normal(0, 1.5, (40, 2))
    clean = [frame_at(scene, place, rng) * sensor for place in places]
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    crossed = [frame.copy() for frame in clean]
    where = np.zeros(SHAPE, bool)
    for k in range(40):
        if 10 <= k < 22:  # a bird wanders through
            bird = ((y - 60 - 3 * (k - 10)) / 8) ** 2 + ((x - 20 * (k - 10)) / 16) ** 2 < 1
            crossed[k][bird] *= 0.1
            where |= bird
        crossed[k][rng.integers(5, 155), rng.integers(5, 215)] = 24_000  # a cosmic hit in each
    # all frames are used, or tiles of other frames would lie elsewhere
    plain, one, two, three = (
        stacked(tmp_path, frames, TileSettings(keep=1, clip_sigma=sigma))
        for frames, sigma in ((clean, 0.0), (clean, 7.0), (crossed, 7.0), (crossed, 0.0))
    )
    # of a clean recording nothing is taken: the same bits
    np.testing.assert_array_equal(one.image, plain.image)
    assert not one.warnings
    inner = np.zeros(SHAPE, bool)
    inner[8:-8, 8:-8] = True
    errors = [float(np.std((tile.image - one.image)[where & inner])) / LEVEL for tile in (two, three)]
    # left in, a bird of 90 % in one frame or two of 40 makes 2 % a pixel or more; taken out, its frames are measured
    # once more; what it did to the mean geometry of all moves texture of 12 % by 0.03 px rms, as much as two noises
    inside = where & inner
    errors = [np.abs((tile.image - one.image)[inside]) / LEVEL for tile in (two, three)]
    assert np.sqrt(np.mean(errors[1] ** 2)) > 0.01
    assert np.sqrt(np.mean(errors[0] ** 2)) < 2.5 * one.noise / LEVEL
    assert errors[0].max() < 0.3 * errors[1].max()
    assert any("something crossed the field in 1" in warning for warning in two.warnings)
    # elsewhere nothing is seen of it
    assert np.std((two.image - one.image)[inner & ~where]) < 1.5 * one.noise
