"""Raw frames calibrated, warped and added in bands of rows, against the same done frame by frame."""

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.bands import add_band
from diskmosaic.arrays.kernels import warp
from diskmosaic.masters.calibration import Calibration
from diskmosaic.records.master import Master

SHAPE, FRAMES = (61, 83), 5


def master(kind, image, good):
    return Master(kind, image, np.zeros_like(image), 9, 0.0, 1.0, 0.0, good)


@pytest.fixture(scope="module", params=[np.uint8, np.uint16, np.float32])
def raws(request):
    rng = np.random.default_rng(41)
    top = 255 if request.param == np.uint8 else 65_535
    return rng.uniform(0.05 * top, top, (FRAMES, *SHAPE)).astype(request.param)


@pytest.fixture(scope="module")
def calibration():
    rng = np.random.default_rng(42)
    good = rng.uniform(size=SHAPE) > 0.02
    good[[0, 30, -1], [5, 0, -1]] = False  # at the rims too
    dark = rng.uniform(2, 4, SHAPE).astype(np.float32)
    flat = rng.uniform(0.7, 1.3, SHAPE).astype(np.float32)
    return Calibration(master("dark", dark, good), master("flat", flat, np.ones(SHAPE, bool)), 0.0, SHAPE)


@pytest.fixture(scope="module")
def frames():
    rng = np.random.default_rng(43)
    fields = rng.normal(0, 0.7, (FRAMES, 4, 6, 2)) + rng.normal(0, 3, (FRAMES, 1, 1, 2))
    fields[3] += (25, -31)  # a frame that shows half of the canvas
    fields[4] += (200, 0)  # and one that shows none of it
    windows = np.array([[0, 61, 0, 83], [4, 58, 3, 80], [0, 33, 7, 83], [0, 36, 31, 83], [20, 20, 0, 83]])
    weights, levels = rng.uniform(0.3, 2, (2, FRAMES)).astype(np.float32)
    return fields.astype(np.float32), windows, weights, levels


def added(raws, calibration, frames, bands):
    sums = np.zeros((3, *SHAPE), np.float32)
    mended = np.stack([calibration.mended(raw) for raw in raws]).astype(np.float32)
    gain = np.ones((1, SHAPE[1]), np.float32) if calibration.gain is None else calibration.gain
    for band in bands:
        add_band(raws, (calibration.dark, gain, calibration.bad, mended), *frames, band, tuple(sums))
    return sums


def test_bands_are_the_frames_one_by_one(raws, calibration, frames):
    light, weight, sensor = added(raws, calibration, frames, [range(SHAPE[0])])
    expected = np.zeros((3, *SHAPE))
    for raw, field, (top, bottom, left, right), one, level in zip(raws, *frames, strict=True):
        seen = (slice(top, bottom), slice(left, right))
        expected[0][seen] += one / level * warp(calibration.apply(raw), field)[seen].astype(float)
        expected[1][seen] += one
        expected[2] += one / level * raw.astype(float)
    scale = np.abs(expected[0]).max()
    # a handful of sums in single precision
    np.testing.assert_allclose(light, expected[0], atol=1e-6 * scale)
    np.testing.assert_allclose(weight, expected[1], rtol=1e-6)
    np.testing.assert_allclose(sensor, expected[2], rtol=1e-6)


def at_pixels(cells):
    return np.stack([cv2.resize(one, SHAPE[::-1], interpolation=cv2.INTER_LINEAR) for one in cells])


def test_weights_that_differ_from_place_to_place(raws, calibration, frames):
    fields, windows, _, levels = frames
    cells = np.random.default_rng(45).uniform(0, 2, (FRAMES, 5, 7)).astype(np.float32)
    sums, squares = np.zeros((3, *SHAPE), np.float32), np.zeros(SHAPE, np.float32)
    mended = np.stack([calibration.mended(raw) for raw in raws]).astype(np.float32)
    masters = (calibration.dark, calibration.gain, calibration.bad, mended)
    for band in (range(25, 61), range(25)):
        add_band(raws, masters, fields, windows, cells, levels, band, tuple(sums), squares)
    expected = np.zeros((4, *SHAPE))
    places = at_pixels(cells).astype(float)
    for raw, field, (top, bottom, left, right), one, level in zip(raws, fields, windows, places, levels, strict=True):
        seen = (slice(top, bottom), slice(left, right))
        expected[0][seen] += (one / level * warp(calibration.apply(raw), field))[seen]
        expected[1][seen] += one[seen]
        expected[2] += one / level * raw.astype(float)
        expected[3][seen] += one[seen] ** 2
    # weights are linear between cells in single precision, of 80 px
    for found, wanted in zip((*sums, squares), expected, strict=True):
        np.testing.assert_allclose(found, wanted, atol=1e-5 * np.abs(wanted).max())


def test_no_bit_depends_on_the_bands(raws, calibration, frames):
    whole = added(raws, calibration, frames, [range(SHAPE[0])])
    cut = added(raws, calibration, frames, [range(40, 61), range(7), range(7, 8), range(8, 40)])
    np.testing.assert_array_equal(cut, whole)


def test_wild_fields_read_no_row_that_is_not_there(calibration):
    rng = np.random.default_rng(44)
    raws = rng.uniform(10, 250, (FRAMES, *SHAPE)).astype(np.uint8)
    fields = rng.normal(0, 12, (FRAMES, 9, 11, 2)).astype(np.float32)  # a px a px: no air bends so
    windows = np.tile(np.array([0, SHAPE[0], 0, SHAPE[1]]), (FRAMES, 1))
    frames = (fields, windows, *np.ones((2, FRAMES), np.float32))
    light = added(raws, calibration, frames, [range(k, min(k + 8, SHAPE[0])) for k in range(0, SHAPE[0], 8)])[0]
    expected = sum(warp(calibration.apply(raw), field).astype(float) for raw, field in zip(raws, fields, strict=True))
    # places to single precision of 100 px, times slopes of 250 a px and more, five frames
    np.testing.assert_allclose(light, expected, atol=0.05)


def test_without_a_flat_nothing_is_divided(raws, frames):
    plain = Calibration(None, None, 3.0, SHAPE)
    fields, windows, *_ = frames
    still = (np.zeros_like(fields), windows, *np.ones((2, FRAMES), np.float32))
    light = added(raws[:1], plain, tuple(part[:1] for part in still), [range(SHAPE[0])])[0]
    np.testing.assert_array_equal(light, raws[0].astype(np.float32) - 3)


def test_mended_pixels_are_those_of_the_whole_frame(raws, calibration):
    assert len(calibration.bad) > 50
    whole = calibration.apply(raws[0]).reshape(-1)[calibration.bad]
    np.testing.assert_array_equal(calibration.mended(raws[0]).astype(np.float32), whole)
