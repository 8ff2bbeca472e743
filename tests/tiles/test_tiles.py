"""One recording becomes one tile: shifts, threads, clouds, and recordings that hold little."""

import dataclasses

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.synthetic import invented_sun, make_session
from diskmosaic.tiles.tiles import stack_tile
from one_tile import PLAN, SHAPE, calibration, make_one
from scipy import ndimage

from evening import write_ser

SETTINGS = TileSettings(min_frames=8)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A recording of one tile in the middle of an invented disk, and its truth."""
    return make_one(tmp_path_factory.mktemp("one") / "session")


@pytest.fixture(scope="module")
def tile(session):
    path, truth = session
    return stack_tile(open_recording(path), calibration(truth), SETTINGS, masters={"dark": "ab12"})


def truth_image(truth, shift, blur=0.0):
    """The Sun under the tile's canvas when the weighted mean of its frames lies at `shift`, in ADU."""
    one = truth.tiles[0]
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    at = [
        axis + place + move - (size - 1) / 2
        for axis, place, move, size in zip((y, x), one.position_yx, shift, SHAPE, strict=True)
    ]
    light = ndimage.map_coordinates(truth.sun.image, at, order=3) * truth.level_adu * one.gain
    return ndimage.gaussian_filter(light, blur) if blur else light


def test_known_shifts_are_recovered(session, tile):
    truth = session[1].tiles[0]
    frames = tile.frames
    assert frames["frame"].tolist() == list(range(40))
    found = np.column_stack([frames["shift_y"], frames["shift_x"]])
    # a frame's centre looks at position + shifts[k]; the shift that moves it onto the tile is the same, less the
    # weighted mean of the frames used
    expected = truth.shifts - np.average(truth.shifts, axis=0, weights=frames["weight"])
    miss = found - expected
    # warps of 0.7 px rms, 80 px wide, leave 0.1 px in the mean over a small sensor: structure is uneven
    assert np.sqrt(np.mean(miss**2)) < 0.15
    assert np.abs(miss.mean(axis=0)).max() < 0.06


def test_a_pattern_that_no_flat_takes_out_does_not_mislead_the_frames(tmp_path, monkeypatch):
    """Fringes three times as strong as the Sun's own structure: frames would stick to them."""
    plan = dataclasses.replace(PLAN, rings=0.05)
    truth = make_session(tmp_path / "session", invented_sun(200, np.random.default_rng(5)), plan, seed=8)
    one = truth.tiles[0]
    with open_recording(tmp_path / "session" / one.recording) as recording:
        found = stack_tile(recording, calibration(truth), SETTINGS)
        monkeypatch.setattr("diskmosaic.tiles.looking.find_steady", lambda *_, **__: None)
        without = stack_tile(recording, calibration(truth), SETTINGS)

    def miss(tile):
        shifts = np.column_stack([tile.frames["shift_y"], tile.frames["shift_x"]]) - one.shifts
        return float(np.sqrt(np.mean(np.square(shifts - shifts.mean(axis=0)))))

    # warps alone leave 0.15 px on so small a sensor (see above); the rest is the pattern's: less than half may stay
    pull = np.sqrt(miss(without) ** 2 - 0.15**2)
    assert miss(found) < np.hypot(0.15, pull / 2)
    # only what is aligned is cleaned: the light as it lies on the sensor keeps the pattern
    rings = np.log(truth.parts["rings"])[12:-12, 12:-12]
    light = np.log(found.sensor_mean)[12:-12, 12:-12]
    rings, light = (image - ndimage.gaussian_filter(image, 10) for image in (rings, light))
    # the Sun's own structure, stronger than the rings in this band, moves it by some per cent; cleaned light has 0
    assert np.sum(rings * light) / np.sum(rings**2) == pytest.approx(1, abs=0.2)


def test_the_sharpest_frames_are_used(session, tile):
    truth = session[1].tiles[0]
    used = tile.frames["weight"] > 0
    assert used.sum() == np.ceil(0.35 * 40)
    assert truth.blur_px[used].mean() < truth.blur_px[~used].mean()
    assert np.corrcoef(tile.frames["quality"], -truth.blur_px)[0, 1] > 0.8
    level = truth.transparency / np.median(truth.transparency[used])
    np.testing.assert_allclose(tile.frames["level"], level, rtol=0.01)


def test_the_tile_lies_where_the_sensor_saw_it(session, tile):
    truth = session[1]
    mean = np.average(truth.tiles[0].shifts, axis=0, weights=tile.frames["weight"])
    expected = truth_image(truth, mean, blur=1.2).astype(np.float32)
    inner = (slice(24, -24), slice(24, -24))
    assert np.isfinite(tile.image[14:-14, 14:-14]).all()
    known = np.where(np.isfinite(tile.image), tile.image, expected)
    a, b = (image - ndimage.gaussian_filter(image, 4) for image in (expected, known))
    a, b = a[inner], b[inner]
    gy, gx = np.gradient(0.5 * (a + b))
    columns = np.column_stack([gy.ravel(), gx.ravel(), a.ravel()])
    answer = np.linalg.lstsq(columns, (b - a).ravel(), rcond=None)[0]
    # the fields' mean over frames used is taken out whole; warps average down to 0.7/sqrt(40) = 0.11 px a patch of
    # 80 px, about 0.06 px an axis over the four or so patches inside, on two axes
    assert np.hypot(*answer[:2]) < 0.10
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.97


def test_the_level_is_kept(session, tile):
    truth = session[1]
    used = tile.frames["weight"] > 0
    clear = np.median(truth.tiles[0].transparency[used])
    expected = truth_image(truth, (0.0, 0.0)) * clear
    inner = (slice(10, -10), slice(10, -10))
    # 1.2 % of flicker a frame, levels known to 0.1 % each
    assert tile.image[inner].mean() == pytest.approx(expected[inner].mean(), rel=3e-3)


def test_noise_is_that_of_the_stack(session, tile):
    truth = session[1]
    level = float(np.nanmedian(tile.image))
    read = truth.plan.read_noise_e / truth.electrons_per_adu
    single = np.sqrt(level / truth.electrons_per_adu + read**2)
    expected = single / np.sqrt(np.sum(tile.frames["weight"] > 0))
    # the second difference sees the Sun's finest structure as noise: some per cent too much
    assert 0.9 * expected < tile.noise < 1.5 * expected


def test_weight_time_and_names(session, tile):
    truth = session[1]
    used = tile.frames["weight"] > 0
    assert tile.weight.max() == used.sum()
    assert (tile.weight[20:-20, 20:-20] == used.sum()).all()
    assert ((tile.weight == 0) == np.isnan(tile.image)).all()
    assert (tile.name, tile.recording) == ("sun_01", "sun_01.ser")
    assert tile.masters == {"dark": "ab12"}
    ticks = np.flatnonzero(used).mean() / truth.plan.frames_per_s
    stamp = np.datetime64(tile.time_utc) - np.datetime64(truth.plan.start_utc)
    assert stamp / np.timedelta64(1, "ms") == pytest.approx(1000 * ticks, abs=1.5)  # written to the millisecond


def test_threads_change_no_bit(session, tile):
    path, truth = session
    other = stack_tile(open_recording(path), calibration(truth), SETTINGS, masters={"dark": "ab12"}, jobs=2)
    for field in dataclasses.fields(tile):
        one, two = getattr(tile, field.name), getattr(other, field.name)
        if isinstance(one, np.ndarray):
            assert one.tobytes() == two.tobytes(), field.name
        else:
            assert one == two, field.name


def test_following_the_warps_is_sharper(session, tile):
    path, truth = session
    whole = stack_tile(open_recording(path), calibration(truth), TileSettings(min_frames=8, local_fields=False))
    inner = (slice(14, -14), slice(14, -14))

    def contrast(image):
        return np.std((image - ndimage.gaussian_filter(image, 2))[inner])

    assert contrast(tile.image) > 1.03 * contrast(whole.image)


def frames_of(path):
    recording = open_recording(path)
    return np.stack([recording.gray(k) for k in range(recording.frame_count)])


def test_a_cloud_that_passes(session, tmp_path):
    path, truth = session
    frames = frames_of(path).astype(float)
    offset = truth.offset_adu
    cloud = np.ones(40)
    cloud[10:22] = np.linspace(0.9, 0.3, 12)
    cloud[22:28] = 0.02  # nothing is left to see
    dim = np.rint(offset + (frames - offset) * cloud[:, None, None]).astype(np.uint16)
    tile = stack_tile(
        open_recording(write_ser(tmp_path / "cloud.ser", dim)), calibration(truth), TileSettings(min_frames=8)
    )
    used = tile.frames["weight"] > 0
    assert not used[22:28].any()
    assert any("6 of 40 frames do not show the field" in warning for warning in tile.warnings)
    ratio = tile.frames["level"] / (cloud * truth.tiles[0].transparency)
    clear = cloud > 0.25
    assert np.std(ratio[clear]) / np.mean(ratio[clear]) < 0.01
    expected = truth_image(truth, (0.0, 0.0))
    inner = (slice(14, -14), slice(14, -14))
    # the tile has the level of its typical frame used: light of the dim ones is scaled up, not averaged in
    used_level = np.median((cloud * truth.tiles[0].transparency)[used])
    assert tile.image[inner].mean() == pytest.approx(expected[inner].mean() * used_level, rel=0.01)


def test_frames_of_another_place_are_not_used(session, tmp_path):
    path, truth = session
    frames = frames_of(path)
    other = np.roll(frames[5:15][:, ::-1, ::-1], 60, axis=2)  # another place of the Sun
    mixed = np.concatenate([frames[:15], other, frames[15:]])
    tile = stack_tile(open_recording(write_ser(tmp_path / "lost.ser", mixed)), calibration(truth), SETTINGS)
    used = np.flatnonzero(tile.frames["weight"])
    assert not ((used >= 15) & (used < 25)).any()
    assert used.size == np.ceil(0.35 * 50)


@pytest.mark.parametrize("count", [2, 3, 7])
def test_a_few_frames_are_all_used(session, tmp_path, count):
    path, truth = session
    frames = frames_of(path)[:count]
    tile = stack_tile(open_recording(write_ser(tmp_path / "few.ser", frames)), calibration(truth), TileSettings())
    assert len(tile.frames) == count
    assert (tile.frames["weight"] > 0).all()
    inner = (slice(14, -14), slice(14, -14))
    expected = truth_image(truth, (0.0, 0.0))[inner]
    assert tile.image[inner].mean() == pytest.approx(expected.mean(), rel=0.03)  # flicker of few frames
    assert tile.time_utc is None  # this file has no times


def test_a_still_is_a_tile_already(session, tmp_path):
    path, truth = session
    frame = frames_of(path)[:1]
    tile = stack_tile(open_recording(write_ser(tmp_path / "still.ser", frame)), calibration(truth), SETTINGS)
    good = truth.parts["good"]
    np.testing.assert_allclose(tile.image[good], (frame[0] - truth.offset_adu)[good], rtol=1e-6)
    assert (tile.weight == 1).all()
    assert len(tile.frames) == 1
    level = float(np.median(tile.image))
    single = np.sqrt(level / truth.electrons_per_adu + (truth.plan.read_noise_e / truth.electrons_per_adu) ** 2)
    assert tile.noise == pytest.approx(single, rel=0.5)


def test_frames_all_alike(tmp_path):
    rng = np.random.default_rng(1)
    image = (20_000 * (1 + 0.03 * ndimage.gaussian_filter(rng.standard_normal(SHAPE), 2))).astype(np.uint16)
    path = write_ser(tmp_path / "same.ser", np.broadcast_to(image, (12, *SHAPE)))
    tile = stack_tile(open_recording(path), Calibration(None, None, 0.0, SHAPE), SETTINGS)
    inner = (slice(8, -8), slice(8, -8))
    # nothing moves: resampling at no shift gives the frame back but for the grid's rounding
    np.testing.assert_allclose(tile.image[inner], image[inner], rtol=2e-4)


@pytest.mark.parametrize(("level", "count"), [(0, 1), (0, 2), (0, 30), (16, 2), (16, 30)])
def test_a_dark_recording_is_refused(tmp_path, level, count):
    rng = np.random.default_rng(3)
    frames = np.clip(np.rint(rng.normal(level, 1.5 * (level > 0), (count, *SHAPE))), 0, 255).astype(np.uint8)
    path = write_ser(tmp_path / "cap.ser", frames)
    with pytest.raises(InputError, match=r"cap\.ser: found no light in its frames, expected"):
        stack_tile(open_recording(path), Calibration(None, None, float(level), SHAPE), SETTINGS)


def test_a_tile_with_sky_and_limb(tmp_path):
    plan = dataclasses.replace(PLAN, positions_yx=((40.0, 60.0),), frames=24, seeing_px=0.0)
    truth = make_session(tmp_path / "limb", invented_sun(130, np.random.default_rng(5)), plan, seed=8)
    path = tmp_path / "limb" / truth.tiles[0].recording
    for local, bound in ((False, 0.1), (True, 0.25)):
        # half of it is sky: patches there follow noise, which the mean over the sensor feels
        settings = TileSettings(min_frames=8, local_fields=local)
        tile = stack_tile(open_recording(path), calibration(truth), settings)
        one = truth.tiles[0]
        expected = one.shifts - np.average(one.shifts, axis=0, weights=tile.frames["weight"])
        found = np.column_stack([tile.frames["shift_y"], tile.frames["shift_x"]])
        assert np.sqrt(np.mean((found - expected) ** 2)) < bound
    sky = truth_image(truth, (0.0, 0.0)) < 0.02 * truth.level_adu
    sky = ndimage.binary_erosion(sky, iterations=6)
    assert sky.sum() > 5000
    # dark stays dark: resampling does not ring into the sky
    assert np.nanmax(np.abs(tile.image[sky])) < 0.05 * truth.level_adu
