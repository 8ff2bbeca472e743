"""Darks of other exposures than the recordings', and bad pixels under jitter."""

import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.files.masterfile import read_master
from diskmosaic.files.ser import SerWriter
from diskmosaic.masters.calibration import Calibration
from diskmosaic.masters.darks import dark_for_exposure
from diskmosaic.masters.masters import make_dark, make_flat
from diskmosaic.recordings.exposures import common_exposure, exposure_of
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import MasterSettings, TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain
from diskmosaic.tiles.tiles import stack_tile

from evening import write_ser

SHAPE = (48, 70)
SETTINGS = MasterSettings()
BIAS = 200.0


def rate():
    """Dark current, ADU/s, another one in each pixel."""
    return np.random.default_rng(3).gamma(2.0, 30.0, SHAPE)


def dark(folder, name, exposure, seed, frames=40):
    rng = np.random.default_rng(seed)
    values = BIAS + exposure * rate() + rng.normal(0, 3, (frames, *SHAPE))
    path = write_ser(folder / f"{name}.ser", np.rint(values).astype(np.uint16))
    path.with_suffix(".txt").write_text(f"exposure = {exposure * 1000:g} ms\n")
    return open_recording(path)


def test_exposures():
    assert exposure_of({"exposure_s": "0.005"}) == 0.005
    assert exposure_of({"exposure_s": "auto"}) is None
    assert exposure_of({}) is None
    assert common_exposure([{"exposure_s": "1"}, {"exposure_s": "1.04"}]) == pytest.approx(1.02)
    assert common_exposure([{"exposure_s": "1"}, {"exposure_s": "2"}]) is None
    assert common_exposure([{"exposure_s": "1"}, {}]) is None
    assert common_exposure([]) is None


def test_two_exposures_tell_bias_and_current(tmp_path):
    darks = [dark(tmp_path, "dark_a", 0.5, 1), dark(tmp_path, "dark_b", 4.0, 2)]
    master = dark_for_exposure(darks, 2.0, SETTINGS)
    error = master.image - (BIAS + 2.0 * rate())
    # 3 ADU over 40 frames is 0.47 ADU, and the line between the two at share 0.43 has 0.71 of that
    assert np.std(error) == pytest.approx(0.34, rel=0.1)
    assert np.median(master.uncertainty) == pytest.approx(0.34, rel=0.1)
    assert abs(error.mean()) < 0.03
    assert master.frames == 80
    assert master.warnings == ("dark: scaled to 2 s from darks of 0.5 s and 4 s",)


def test_one_exposure_is_not_scaled_and_that_is_said(tmp_path):
    only = dark(tmp_path, "dark", 0.5, 1)
    plain_one = make_dark([only], SETTINGS)
    other = dark_for_exposure([only], 2.0, SETTINGS)
    np.testing.assert_array_equal(other.image, plain_one.image)
    assert len(other.warnings) == 1
    assert "exposed 0.5 s, where the recordings have 2 s; not scaled" in other.warnings[0]
    for exposure in (0.51, None):
        same = dark_for_exposure([only], exposure, SETTINGS)
        np.testing.assert_array_equal(same.image, plain_one.image)
        assert same.warnings == ()


def test_of_several_the_fitting_one_is_taken(tmp_path):
    darks = [dark(tmp_path, "dark_a", 0.5, 1), dark(tmp_path, "dark_b", 4.0, 2)]
    np.testing.assert_array_equal(dark_for_exposure(darks, 4.0, SETTINGS).image, make_dark(darks[1:], SETTINGS).image)


def test_a_job_says_that_its_dark_was_not_scaled(evening):
    for path in evening.glob("*.ser"):
        path.with_suffix(".txt").write_text(f"exposure = {'1 s' if path.name == 'dark.ser' else '10 ms'}\n")
    pipeline.masters(evening)
    masters = evening / "assembled" / "masters"
    assert "exposed 1 s, where the recordings have 0.01 s; not scaled" in read_master(masters / "dark.fits").warnings[0]
    assert not any("its dark" in text for text in read_master(masters / "flat.fits").warnings)


@pytest.fixture(scope="module")
def hot_session(tmp_path_factory):
    """One jittering tile on a sensor with many hot and dead pixels, its dark and flat; the bad pixels."""
    folder = tmp_path_factory.mktemp("hot") / "session"
    plan = plain(tile_shape=(160, 220), frames=40, flat_frames=80, positions_yx=((250.0, 260.0),), cloud=0.0)
    sun = invented_sun(230, np.random.default_rng(5), spots=0)
    truth = make_session(folder, sun, plan, seed=4)
    rng = np.random.default_rng(11)
    hot = np.zeros(plan.tile_shape)
    dead = np.ones(plan.tile_shape)
    places = rng.choice(hot.size, 90, replace=False)
    hot.flat[places[:60]] = rng.uniform(15, 120, 60)
    dead.flat[places[60:]] = rng.uniform(0.0, 0.5, 30)
    clean = {}
    for path in sorted(folder.glob("*.ser")):
        with open_recording(path) as recording:
            frames = np.stack([recording.gray(k) for k in range(recording.frame_count)]).astype(float)
        clean[path.name] = frames
        light = np.clip(np.rint((frames - truth.offset_adu) * dead + truth.offset_adu + hot), 0, 255)
        with SerWriter(path, *plan.tile_shape[::-1], 8) as writer:
            for frame in light.astype(np.uint8):
                writer.write(frame)
    for name, frames in clean.items():
        write_ser(folder / "clean" / name, frames.astype(np.uint8))
    return folder, (hot > 0) | (dead < 1)


ALL_FRAMES = TileSettings(keep=1.0)  # a choice of the best may differ by a frame, which is another picture


def stacked(folder):
    flat, dark = (open_recording(folder / f"{name}.ser") for name in ("flat", "dark"))
    master = make_dark([dark], SETTINGS)
    calibration = Calibration(master, make_flat([flat], master, SETTINGS), 0.0, (160, 220))
    return stack_tile(open_recording(folder / "sun_01.ser"), calibration, ALL_FRAMES), calibration


def test_bad_pixels_leave_no_trace_in_a_jittering_tile(hot_session):
    folder, bad = hot_session
    tile, calibration = stacked(folder)
    assert not calibration.good[bad].any()
    reference, _ = stacked(folder / "clean")
    # both stacks share their noise but for the mended pixels' own; a trace would follow the jitter, some px around
    difference = (tile.image - reference.image)[8:-8, 8:-8]
    near = np.zeros_like(bad)
    for y, x in np.argwhere(bad):
        near[max(y - 6, 0) : y + 7, max(x - 6, 0) : x + 7] = True
    assert np.abs(difference[near[8:-8, 8:-8]]).max() < 5 * tile.noise
    # what pixels that are not mended leave is seen by this very comparison
    unmended = Calibration(None, None, 5.1, (160, 220))
    raw = stack_tile(open_recording(folder / "sun_01.ser"), unmended, ALL_FRAMES)
    plain_raw = stack_tile(open_recording(folder / "clean" / "sun_01.ser"), unmended, ALL_FRAMES)
    assert np.abs((raw.image - plain_raw.image)[8:-8, 8:-8]).max() > 5 * tile.noise
