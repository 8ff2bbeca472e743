"""The sensor's pattern by the Sun's motion, on stacked recordings of an invented Sun."""

from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.remainder.imprint import reflat_tile
from diskmosaic.remainder.motion import find_pattern, mend_by_motion
from diskmosaic.remainder.remainder import high_pass
from diskmosaic.settings import TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain
from diskmosaic.tiles.regions import find_regions
from diskmosaic.tiles.tiles import stack_tile

SHAPE = (160, 210)


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    """Four tiles around the disk's middle, recorded without a flat, stacked; and the truth."""
    folder = tmp_path_factory.mktemp("motion") / "evening"
    sun = invented_sun(420, np.random.default_rng(8))
    middle = np.array(sun.centre_yx)
    places = tuple(tuple(middle + move) for move in ([-90, -80], [-70, 110], [95, -100], [80, 90]))
    plan = plain(
        tile_shape=SHAPE,
        positions_yx=places,
        frames=40,
        flat_frames=0,
        dust=8,
        vignetting=0.0,
        response=0.0,
        full_well_e=60_000.0,
        bit_depth=16,
    )
    truth = make_session(folder, sun, plan, seed=4)
    none = np.zeros(SHAPE, np.float32)
    dark = Master("dark", truth.parts["dark"], none, 20, 0.0, 0.0, 0.0, truth.parts["good"])
    still = Calibration(dark, None, 0.0, SHAPE)
    settings = TileSettings(keep=0.7)
    tiles = []
    for known in truth.tiles:
        with open_recording(folder / known.recording) as recording:
            tiles.append(stack_tile(recording, still, settings))
    return tiles, truth


def test_a_pattern_is_found_without_a_flat_from_four_tiles(evening):
    tiles, truth = evening
    found = find_pattern(tiles, find_regions(tiles))
    true = high_pass(np.log(truth.parts["pattern_tiles"]).astype(np.float32), truth.parts["good"])
    inside = truth.parts["good"].copy()
    inside[:20] = inside[-20:] = False
    inside[:, :20] = inside[:, -20:] = False
    slope = np.sum(found[inside] * true[inside]) / np.sum(np.square(true[inside]))
    # an untouched pattern still misleads the frames' alignment: it takes some of their motion for its own rest
    assert slope == pytest.approx(1, abs=0.25)
    assert (found - true)[inside].std() < 0.5 * true[inside].std()


def test_the_result_does_not_depend_on_the_number_of_threads(evening):
    tiles, _ = evening
    one, two = (mend_by_motion(tiles, jobs=jobs)[0] for jobs in (1, 2))
    for a, b in zip(one, two, strict=True):
        np.testing.assert_array_equal(a.image, b.image)


def test_tiles_that_do_not_tell_are_left_as_they_are(evening):
    tiles, _ = evening
    drifting = tiles[0].frames.copy()
    drifting["shift_y"] *= 40
    for change in ({"sensor_mean": None}, {"fields": None}, {"frames": drifting}):
        bare = [replace(tile, **change) for tile in tiles]
        same, pattern = mend_by_motion(bare)
        assert pattern is None
        assert all(a is b for a, b in zip(same, bare, strict=True))


def test_the_mean_on_the_sensor_is_kept_and_follows_another_flat(evening, tmp_path):
    tiles, truth = evening
    write_tile(tmp_path / "tile.fits", tiles[0])
    tile = read_tile(tmp_path / "tile.fits")
    np.testing.assert_array_equal(tile.sensor_mean, tiles[0].sensor_mean)
    # the mean level of both means is the same light
    assert np.median(tile.sensor_mean) == pytest.approx(np.nanmedian(tile.image), rel=0.01)
    dark = Master("dark", truth.parts["dark"], np.zeros(SHAPE, np.float32), 20, 0.0, 0.0, 0.0, truth.parts["good"])
    old, new = (Calibration(replace(dark, image=dark.image + more), None, 0.0, SHAPE) for more in (0, 30))
    again = reflat_tile(tile, old, new)
    # a dark of 30 ADU more leaves so much less light in each frame, scaled as the frame was: levels scatter by 1 %
    np.testing.assert_allclose(tile.sensor_mean - again.sensor_mean, 30, rtol=0.02)
