"""Masters from small recordings of known darks, patterns and clouds."""

import dataclasses

import numpy as np
import pytest
from astropy.nddata import CCDData
from ccdproc import Combiner
from diskmosaic.errors import InputError
from diskmosaic.masters.calibration import Calibration
from diskmosaic.masters.masters import make_dark, make_flat, sky_offset
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import MasterSettings

from evening import write_ser

SHAPE = (72, 100)
BIAS, LEVEL, GAIN = 300.0, 20_000.0, 0.25  # ADU, ADU, electrons per ADU in 16 bits
SETTINGS = MasterSettings()


def pattern(rng):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] / np.array(SHAPE)[:, None, None] - 0.5
    uneven = 1 - 0.3 * (y**2 + x**2) + 0.01 * rng.standard_normal(SHAPE)
    uneven *= 1 - 0.2 * (np.hypot(y * 72 - 8, x * 100 + 12) < 6)
    return uneven / uneven.mean()


def shots(rng, light, count, *, bias=BIAS):
    """Frames (n, h, w) uint16 with photon noise and 3 ADU of read noise."""
    light = np.broadcast_to(light, (count, *SHAPE))
    noise = np.sqrt(np.maximum(light, 0) / GAIN + 9.0) * rng.standard_normal(light.shape)
    return np.clip(np.rint(bias + light + noise), 0, 65_535).astype(np.uint16)


@pytest.fixture(scope="module")
def camera(tmp_path_factory):
    """The folder with ``dark.ser`` and ``flat.ser`` under a passing cloud, the pattern and the levels."""
    folder = tmp_path_factory.mktemp("camera")
    rng = np.random.default_rng(40)
    uneven = pattern(rng)
    cloud = 1 - 0.4 * np.sin(np.linspace(0, 3, 120)) ** 2
    dark = shots(rng, 0.0, 60)
    dark[:, 11, 13] += 4000  # a hot pixel
    dark[17, 40, 50] += 9000  # a cosmic hit in one frame
    flat = shots(rng, LEVEL * uneven * cloud[:, None, None], 120)
    flat[:, 60, 80] = 310  # a dead pixel
    flat[:, 11, 13] += 4000
    flat[33, 20, 30] = 60_000
    write_ser(folder / "dark.ser", dark)
    write_ser(folder / "flat.ser", flat)
    return folder, uneven, cloud


@pytest.fixture(scope="module")
def masters(camera):
    folder = camera[0]
    dark = make_dark([open_recording(folder / "dark.ser")], SETTINGS)
    return dark, make_flat([open_recording(folder / "flat.ser")], dark, SETTINGS)


def frames_of(path):
    recording = open_recording(path)
    return np.stack([recording.gray(k) for k in range(recording.frame_count)]).astype(float)


def test_dark_equals_a_peers_clipped_mean(camera, masters):
    dark = masters[0]
    frames = frames_of(camera[0] / "dark.ser")
    peer = Combiner([CCDData(frame, unit="adu") for frame in frames])
    peer.sigma_clipping(low_thresh=9, high_thresh=9, func="median", dev_func="mad_std")
    np.testing.assert_allclose(dark.image, np.asarray(peer.average_combine()), rtol=1e-4)
    assert abs(dark.image[40, 50] - BIAS) < 2.5  # 9000/60 = 150 ADU without clipping; 3/sqrt(59) = 0.4 of noise
    assert (dark.kind, dark.frames, dark.offset) == ("dark", 60, 0.0)
    assert dark.level == pytest.approx(BIAS + 4000 / 7200, abs=0.05)
    assert 0 < dark.clipped < 2e-4  # the hit is 2e-6 of 432,000 values, with a few Gaussian ones


def test_hot_and_dead_pixels_are_mapped(masters):
    dark, flat = masters
    assert np.argwhere(~dark.good).tolist() == [[11, 13]]
    assert [60, 80] in np.argwhere(~flat.good).tolist()
    assert (~flat.good).sum() <= 2  # the hot one may count twice: dust and pixel noise must not


def test_flat_is_the_pattern_whatever_the_cloud(camera, masters):
    _, uneven, cloud = camera
    flat = masters[1]
    assert flat.image.mean(dtype=float) == pytest.approx(1, abs=1e-6)
    good = masters[0].good & flat.good
    error = (flat.image / uneven)[good]
    # photon noise of 120 frames at the mean level: 0.19 %, and the bad pixels' share of the mean, 1e-4
    limit = np.sqrt(np.mean(1 / (GAIN * LEVEL * cloud)) / 120)
    assert np.std(error) < 1.2 * limit
    assert error.mean() == pytest.approx(1, abs=3e-4)
    # a cloud that came through would leave steps in the clipping: dim frames must not be clipped away
    assert flat.clipped < 1e-3
    assert flat.level == pytest.approx(LEVEL * np.median(cloud), rel=0.02)  # of the typical frame, 31 sampled


def test_uncertainty_is_the_photon_noise(camera, masters):
    _, uneven, cloud = camera
    expected = np.sqrt(np.mean(1 / (GAIN * LEVEL * cloud)) / 120) * np.sqrt(uneven)
    good = masters[0].good & masters[1].good
    ratio = (masters[1].uncertainty / expected)[good]
    # a deviation of 120 values is known to 6.5 %; all 7,200 pixels together to 0.1 %, read noise adds 0.1 %
    assert np.median(ratio) == pytest.approx(1, abs=0.03)
    assert np.median(masters[0].uncertainty) == pytest.approx(np.sqrt(9 + 1 / 12) / np.sqrt(60), rel=0.02)


def test_threads_change_no_bit(camera):
    folder = camera[0]
    for one, two in zip(
        *(
            (
                make_dark([open_recording(folder / "dark.ser")], SETTINGS, jobs=jobs),
                make_flat([open_recording(folder / "flat.ser")], None, SETTINGS, offset=BIAS, jobs=jobs),
            )
            for jobs in (1, 2)
        ),
        strict=True,
    ):
        for field in ("image", "uncertainty", "good"):
            np.testing.assert_array_equal(getattr(one, field), getattr(two, field))
        assert (one.level, one.clipped) == (two.level, two.clipped)


def test_several_recordings_make_one_master(camera, tmp_path):
    frames = frames_of(camera[0] / "dark.ser").astype(np.uint16)
    parts = [write_ser(tmp_path / f"{k}.ser", frames[k : k + 30]) for k in (0, 30)]
    whole = make_dark([open_recording(camera[0] / "dark.ser")], SETTINGS)
    both = make_dark([open_recording(path) for path in parts], SETTINGS)
    np.testing.assert_array_equal(both.image, whole.image)


def test_recordings_of_8_and_16_bits_make_one_master(tmp_path):
    frames = np.random.default_rng(6).integers(90, 110, (24, *SHAPE))
    parts = [
        write_ser(tmp_path / f"{k}.ser", frames[k : k + 12].astype(t)) for k, t in ((0, np.uint8), (12, np.uint16))
    ]
    both = make_dark([open_recording(path) for path in parts], SETTINGS)
    np.testing.assert_allclose(both.image, frames.mean(axis=0), rtol=1e-6)
    assert both.frames == 24


def test_correcting_removes_the_pattern_and_keeps_the_level(camera, masters):
    _, uneven, _ = camera
    dark, flat = masters
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sun = 15_000 * (1 + 0.1 * np.sin(y / 9.0) * np.cos(x / 7.0))
    raw = shots(rng, sun * uneven, 1)[0]
    raw[11, 13] += 4000
    raw[60, 80] = 310
    frame = Calibration(dark, flat, 0.0, SHAPE).apply(raw)
    assert frame.dtype == np.float32
    assert frame.mean(dtype=float) == pytest.approx(sun.mean(), rel=1e-3)  # the house's figure: under 0.1 %
    # what it kept of the pattern: only noise, 1/sqrt(0.25 * 15000) = 1.6 %
    assert np.std(frame / sun) < 1.15 * 1.64e-2
    assert abs(frame[11, 13] / sun[11, 13] - 1) < 0.1  # mended from neighbours: their noise and the structure
    assert abs(frame[60, 80] / sun[60, 80] - 1) < 0.1


def test_level_is_kept_by_a_flat_with_deep_vignetting(tmp_path):
    # the mean of raw/flat is not the mean of raw over a structured scene; over an even one it is
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] / np.array(SHAPE)[:, None, None] - 0.5
    uneven = 1 - 1.2 * (y**2 + x**2)
    uneven /= uneven.mean()
    write_ser(tmp_path / "flat.ser", shots(rng, LEVEL * uneven, 60))
    flat = make_flat([open_recording(tmp_path / "flat.ser")], None, SETTINGS, offset=BIAS)
    assert flat.offset == BIAS
    frame = Calibration(None, flat, BIAS, SHAPE).apply(shots(rng, 10_000 * uneven, 1)[0])
    assert frame.mean(dtype=float) == pytest.approx(10_000, rel=1e-3)
    # no trace of the corners: a fit of the squared distance to what is left
    distance = y**2 + x**2
    slope = np.polyfit(distance.ravel(), frame.ravel() / 10_000, 1)[0]
    assert abs(slope) < 0.01  # 1.6 % noise over 7,200 pixels of spread 0.1: 0.002


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_raw_frames_are_not_changed_and_buffers_serve_again(masters, dtype):
    calibration = Calibration(None, masters[1], 2.0, SHAPE)
    raw = np.random.default_rng(1).integers(0, 200, SHAPE).astype(dtype)
    before = raw.copy()
    first = calibration.apply(raw)
    second = calibration.apply(raw, np.full(SHAPE, 7, np.float32))
    np.testing.assert_array_equal(raw, before)
    np.testing.assert_array_equal(first, second)


def test_without_masters_only_the_offset_goes(tmp_path):
    raw = np.random.default_rng(1).integers(0, 200, SHAPE).astype(np.uint8)
    np.testing.assert_array_equal(Calibration(None, None, 16.0, SHAPE).apply(raw), raw.astype(np.float32) - 16)


def test_a_saturated_flat_is_refused(tmp_path):
    rng = np.random.default_rng(2)
    bright = np.minimum(shots(rng, 62_000 * pattern(rng), 12, bias=1000), 60_000).astype(np.uint16)
    path = write_ser(tmp_path / "flat.ser", bright)
    with pytest.raises(InputError, match=r"flat\.ser: found .*% of the pixels at the ceiling of 60000, expected"):
        make_flat([open_recording(path)], None, SETTINGS)


def test_an_even_8_bit_flat_is_not_taken_for_saturated(tmp_path):
    # 8 bits, full well 12,000 e: at level 200 the noise is 2 ADU, and the brightest value is shared by many
    rng = np.random.default_rng(2)
    frames = np.rint(rng.normal(200, 2, (12, *SHAPE))).astype(np.uint8)
    flat = make_flat([open_recording(write_ser(tmp_path / "flat.ser", frames))], None, SETTINGS)
    assert flat.level == pytest.approx(200, abs=0.5)


def test_a_flat_of_three_values_is_not_taken_for_saturated(tmp_path):
    # a quiet camera of few bits: a fifth of the pixels share the brightest value, but it is no ceiling
    rng = np.random.default_rng(2)
    frames = rng.choice(np.array([199, 200, 201], np.uint8), (12, *SHAPE), p=(0.2, 0.6, 0.2))
    flat = make_flat([open_recording(write_ser(tmp_path / "flat.ser", frames))], None, SETTINGS)
    assert flat.level == pytest.approx(200, abs=0.1)


def test_wrong_sizes_are_refused(camera, masters, tmp_path):
    small = write_ser(tmp_path / "small.ser", np.full((9, 40, 60), 900, np.uint16))
    with pytest.raises(InputError, match=r"small\.ser: found a flat of 60x40 pixels, expected 100x72"):
        make_flat([open_recording(small)], masters[0], SETTINGS)
    for dark, flat in ((masters[0], None), (None, masters[1])):
        with pytest.raises(InputError, match="found 100x72 pixels, expected 60x40"):
            Calibration(dark, flat, 0.0, (40, 60))


def test_flats_of_mixed_sizes_are_refused(camera, tmp_path):
    small = write_ser(tmp_path / "small.ser", np.full((40, 40, 60), 900, np.uint16))
    with pytest.raises(InputError, match="60x40"):
        make_flat([open_recording(camera[0] / "flat.ser"), open_recording(small)], None, SETTINGS)
    with pytest.raises(InputError, match="60x40"):
        make_dark([open_recording(camera[0] / "dark.ser"), open_recording(small)], SETTINGS)


def test_a_flat_without_light_is_refused(camera, masters):
    with pytest.raises(InputError, match=r"without light|no light"):
        make_flat([open_recording(camera[0] / "dark.ser")], masters[0], SETTINGS)


def test_few_frames_give_a_flat_and_a_warning(camera, tmp_path):
    frames = frames_of(camera[0] / "flat.ser").astype(np.uint16)[:5]
    flat = make_flat([open_recording(write_ser(tmp_path / "flat.ser", frames))], None, SETTINGS, offset=BIAS)
    assert any("only 5 frames" in warning for warning in flat.warnings)
    good = flat.good.copy()
    good[11, 13] = False
    assert np.std((flat.image / camera[1])[good]) < 1.3 * np.sqrt(1 / (GAIN * LEVEL) / 5)


def test_one_frame_is_a_dark_without_uncertainty(tmp_path):
    dark = make_dark([open_recording(write_ser(tmp_path / "d.ser", np.full((1, *SHAPE), 12, np.uint8)))], SETTINGS)
    assert (dark.image == 12).all()
    assert not np.isfinite(dark.uncertainty).any()
    assert dark.good.all()


def test_a_stuck_8_bit_dark_does_not_clip_everything(tmp_path):
    # no noise at all in most frames: the limit must not shrink to zero
    frames = np.full((40, *SHAPE), 5, np.uint8)
    frames[::3] += 1
    dark = make_dark([open_recording(write_ser(tmp_path / "d.ser", frames))], SETTINGS)
    np.testing.assert_allclose(dark.image, 5 + 14 / 40, atol=1e-5)
    assert dark.clipped == 0


def test_the_offset_comes_from_the_sky(tmp_path):
    rng = np.random.default_rng(9)
    light = np.full(SHAPE, 9000.0)
    light[:, :40] = 30  # sky glow: it is in the answer, and small
    limb = write_ser(tmp_path / "limb.ser", shots(rng, light, 8))
    disk = write_ser(tmp_path / "disk.ser", shots(rng, np.full(SHAPE, 9000.0), 8))
    offset, sentence = sky_offset([open_recording(limb), open_recording(disk)])
    assert offset == pytest.approx(BIAS + 30, abs=3)  # darkest of blocks of 1,000 px and 5 frames: low by 3 sigma
    assert "no dark" in sentence
    assert "sky" in sentence
    offset, sentence = sky_offset([open_recording(disk)])
    assert offset == 0
    assert "unknown" in sentence


def test_masters_are_not_changed_by_use(masters):
    dark, flat = (dataclasses.replace(m, image=m.image.copy()) for m in masters)
    Calibration(dark, flat, 0.0, SHAPE).apply(np.full(SHAPE, 900, np.uint16))
    np.testing.assert_array_equal(dark.image, masters[0].image)
    np.testing.assert_array_equal(flat.image, masters[1].image)
