"""Flats from recordings under which the Sun moves, against the pattern that was put in."""

import cv2
import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.masters.masters import make_flat
from diskmosaic.masters.slewed import MOVES, light_change, slewed_mean
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import MasterSettings
from diskmosaic.synthetic import invented_sun, sensor_pattern

from evening import write_ser

SHAPE = (176, 240)
LEVEL, GAIN, READ = 30_000.0, 0.3, 5.0  # ADU at the disk's centre, electrons per ADU, ADU
FRAMES = 90


def pattern():
    return sensor_pattern(*SHAPE, np.random.default_rng(6), dust=6, bad_pixels=0)


def light(sun, centre):
    """What a sensor sees whose middle looks at `centre` of the Sun's image."""
    return cv2.getRectSubPix(sun, SHAPE[::-1], (centre[1], centre[0]))


def slew(blur_px, *, spacing=1.6):
    """Frames (n, h, w) float32 without offset while the Sun crosses the sensor on a few rows, and their light."""
    rng = np.random.default_rng(8)
    sun = invented_sun(330, rng, prominences=0)
    image = cv2.GaussianBlur(sun.image, (0, 0), blur_px) if blur_px else sun.image
    image = cv2.copyMakeBorder(image, 300, 300, 300, 300, cv2.BORDER_REPLICATE)
    uneven = pattern().product
    frames, clean = [], []
    for k in range(FRAMES):
        row, along = divmod(k, FRAMES // 3)
        offset = (170 * (row - 1) + 5 * rng.normal(), 14 * spacing * (along - FRAMES / 6))
        seen = light(image, np.array(sun.centre_yx) + 300 + offset)
        clean.append(seen)
        expected = LEVEL * seen * uneven
        noise = np.sqrt(expected / GAIN + READ**2) * rng.standard_normal(SHAPE)
        frames.append((expected + noise).astype(np.float32))
    return frames, clean, uneven


def fine(image, use):
    """Scales below 30 px: a polynomial, for the borders, and a Gaussian that halves waves of 30 px taken off."""
    rows, columns = (np.polynomial.legendre.legvander(np.linspace(-1, 1, n), 4) for n in SHAPE)
    design = np.stack([np.outer(rows[:, i], columns[:, j])[use] for i in range(5) for j in range(5 - i)], axis=1)
    left = np.zeros(SHAPE)
    left[use] = image[use] - design @ np.linalg.lstsq(design, image[use], rcond=None)[0]
    sigma = 30 * np.sqrt(2 * np.log(2)) / (2 * np.pi)
    weight = cv2.GaussianBlur(use.astype(float), (0, 0), sigma)
    return (left - cv2.GaussianBlur(left, (0, 0), sigma) / np.maximum(weight, 1e-3))[use]


@pytest.mark.parametrize(("blur_px", "factor"), [(60.0, 1.2), (0.0, None)])
def test_pattern_under_a_moving_sun(blur_px, factor):
    frames, clean, uneven = slew(blur_px)
    assert light_change(frames[::10]) > MOVES
    found = slewed_mean(lambda k: frames[k], FRAMES, clip_sigma=5.0, pilot_frames=31, jobs=2)
    use = found.count > 0.2 * FRAMES
    assert use.mean() > 0.95
    error = fine(np.log(found.image / uneven.astype(np.float32)), use)
    if factor is not None:  # the photons of the frames that are lit there, no more than a fifth worse
        lit = [c > 0.3 * np.percentile(c, 98) for c in clean]
        electrons = sum(np.where(m, GAIN * LEVEL * c, 0) for m, c in zip(lit, clean, strict=True)) * uneven
        limit = np.sqrt(np.mean(1 / electrons[use]))
        assert np.std(error) < factor * limit
    else:
        # in focus the Sun's own grain of 5 % adds to it: 90 frames, not all of them independent, leave 5 % / sqrt(50)
        assert np.std(error) < 0.007
    # the error it tells is the error it has, but for the grain, which neighbouring frames share
    told = np.sqrt(np.mean(np.square(found.uncertainty[use])))
    assert 0.5 < np.std(error) / told < 2.0


def test_mean_and_unlit_pixels():
    frames, _, _ = slew(60.0)
    masked = [frame.copy() for frame in frames]
    for frame in masked:
        frame[:, :48] = 0  # never lit
    found = slewed_mean(lambda k: masked[k], FRAMES, clip_sigma=5.0, pilot_frames=31)
    assert (found.count[:, :40] == 0).all()
    np.testing.assert_array_equal(found.image[:, :40], 1)
    assert found.image[found.count > 0].mean(dtype=float) == pytest.approx(1, abs=1e-5)
    assert slewed_mean(lambda k: np.zeros(SHAPE, np.float32), 5, clip_sigma=5.0, pilot_frames=31) is None


def test_result_does_not_depend_on_the_threads():
    frames, _, _ = slew(60.0)
    one, two = (
        slewed_mean(lambda k: frames[k], 40, clip_sigma=5.0, pilot_frames=31, jobs=jobs).image for jobs in (1, 2)
    )
    np.testing.assert_array_equal(one, two)


def recorded(folder, frames):
    path = write_ser(folder / "flat.ser", np.clip(np.rint(np.stack(frames)), 0, 65_535).astype(np.uint16))
    return [open_recording(path)]


def test_master_is_made_of_a_slewed_recording(tmp_path):
    frames, _, uneven = slew(60.0)
    master = make_flat(recorded(tmp_path, frames), None, MasterSettings())
    assert any("slewed" in text for text in master.warnings)
    assert master.frames == FRAMES
    assert master.image.mean(dtype=float) == pytest.approx(1, abs=1e-3)
    # 90 frames of 9,000 electrons leave 0.14 %
    assert np.std(fine(np.log(master.image / uneven.astype(np.float32)), np.ones(SHAPE, bool))) < 0.0018


def test_stare_is_as_before(tmp_path):
    rng = np.random.default_rng(9)
    uneven = pattern().product
    steady = [
        LEVEL * (1 - 0.3 * (k > 20)) * uneven + np.sqrt(LEVEL / GAIN) * rng.standard_normal(SHAPE) for k in range(40)
    ]
    recordings = recorded(tmp_path, steady)
    auto, stare = (make_flat(recordings, None, MasterSettings(flat=kind)) for kind in ("auto", "stare"))
    np.testing.assert_array_equal(auto.image, stare.image)
    assert auto.warnings == stare.warnings


def test_slewed_recording_without_light(tmp_path):
    dim = [np.full(SHAPE, 40.0) for _ in range(9)]
    for frame in dim:
        frame[0, 0] = 4000
    with pytest.raises(InputError, match="flat"):
        make_flat(recorded(tmp_path, dim), None, MasterSettings(flat="slewed"), offset=41.0)
