"""Frames chosen place by place: weights on cells, and a tile made so."""

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.kernels import warp
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.remainder.imprint import reflat_tile
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.moments import STEP, weigh_places
from diskmosaic.tiles.tiles import stack_tile
from scipy import ndimage

from evening import write_ser

GRID, COUNT, WANTED = (14, 19), 60, 20
SHAPE, FRAMES = (240, 320), 30
# nothing crosses these frames, and every one is to be as the camera wrote it
SETTINGS = TileSettings(keep=0.4, min_frames=8, per_patch=True, clip_sigma=0)
BLURS = (0.7, 1.7)  # px, in one half of the field and in the other, by turns


@pytest.fixture(scope="module")
def grades():
    rng = np.random.default_rng(61)
    places = [ndimage.gaussian_filter(rng.standard_normal(GRID), 3, mode="reflect") for _ in range(COUNT)]
    return (np.array(places) / np.std(places)).astype(np.float32)


def test_each_place_has_its_share(grades):
    weights = weigh_places(grades, np.ones(COUNT, bool), WANTED)
    assert weights.min() >= 0
    # as many as were taken, but for the rounding of each
    np.testing.assert_allclose(weights.sum(axis=0), WANTED, atol=COUNT * STEP / 2)
    np.testing.assert_array_equal(weights, np.rint(weights / STEP) * np.float32(STEP))
    # the sharper count more, everywhere
    order = np.argsort(grades, axis=0)
    ranked = np.take_along_axis(weights, order, axis=0)
    assert (ranked[-WANTED // 2 :].mean(axis=0) > 3 * ranked[: COUNT // 2].mean(axis=0)).all()


def test_no_border_is_steeper_than_the_smoothing(grades):
    weights = weigh_places(grades, np.ones(COUNT, bool), WANTED)
    # a step under a Gaussian of 1.5 cells rises by 1 / (sqrt(2 pi) 1.5) = 0.27 a cell; sums made even add a third
    assert max(np.abs(np.diff(weights, axis=axis)).max() for axis in (1, 2)) < 0.35


def test_even_frames_are_taken_as_wholes(grades):
    even = np.broadcast_to(grades[:, :1, :1], grades.shape)
    shown = np.ones(COUNT, bool)
    shown[np.argmax(grades[:, 0, 0])] = False  # the sharpest does not show the field
    weights = weigh_places(even, shown, WANTED)
    best = np.argsort(np.where(shown, -grades[:, 0, 0], np.inf))[:WANTED]
    expected = np.zeros(COUNT)
    expected[best] = 1
    np.testing.assert_allclose(weights, np.broadcast_to(expected[:, None, None], weights.shape), atol=STEP)


def test_what_a_frame_does_not_show_is_not_taken_of_it(grades):
    partly = grades.copy()
    partly[: COUNT - 8, :, :6] = -np.inf  # eight frames reach the left
    weights = weigh_places(partly, np.ones(COUNT, bool), WANTED)
    np.testing.assert_allclose(weights.sum(axis=0)[:, :6], 8, atol=COUNT * STEP / 2)
    np.testing.assert_allclose(weights.sum(axis=0)[:, 6:], WANTED, atol=COUNT * STEP / 2)


def scene():
    rng = np.random.default_rng(62)
    grain = sum(
        a * (lambda n: n / n.std())(ndimage.gaussian_filter(rng.standard_normal((280, 360)), s))
        for s, a in ((1.2, 0.05), (3.0, 0.05))
    )
    return 2000 * (1 + grain)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Frames sharp in the left half of the field or in the right one, a sensor's pattern, and the sharp scene."""
    rng = np.random.default_rng(63)
    sharp = scene()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    left = 1 / (1 + np.exp((x - SHAPE[1] / 2) / 12))
    pattern = 1 + 0.1 * ndimage.gaussian_filter(rng.standard_normal(SHAPE), 1.5) / 0.2
    shifts = rng.normal(0, 1.5, (FRAMES, 2))
    soft = [ndimage.gaussian_filter(sharp, blur) for blur in BLURS]
    frames = []
    for k, shift in enumerate(shifts):
        one, other = (ndimage.map_coordinates(image, [y + 20 + shift[0], x + 20 + shift[1]], order=3) for image in soft)
        share = left if k % 2 else 1 - left
        light = share * one + (1 - share) * other
        frames.append(np.rint((light * pattern + 20 * rng.standard_normal(SHAPE)).clip(0, 65_535)).astype(np.uint16))
    path = tmp_path_factory.mktemp("uneven") / "uneven.ser"
    write_ser(path, frames)
    return path, pattern.astype(np.float32), sharp


def calibration(pattern):
    good = np.ones(SHAPE, bool)
    dark = Master("dark", np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32), 20, 0.0, 1.0, 0.0, good)
    flat = Master("flat", pattern, np.zeros(SHAPE, np.float32), 20, 0.0, 1.0, 0.0, good)
    return Calibration(dark, flat, 0.0, SHAPE)


@pytest.fixture(scope="module")
def tile(recording):
    path, pattern, _ = recording
    return stack_tile(open_recording(path), calibration(pattern), SETTINGS)


def fineness(image, part):
    """Contrast of the finest structure, where blur tells most."""
    inside = image[20:-20, part]
    return float(np.std(inside - ndimage.gaussian_filter(inside, 1.5)) / inside.mean())


def test_both_halves_are_sharp(recording, tile):
    path, pattern, _ = recording
    plain = stack_tile(open_recording(path), calibration(pattern), SETTINGS.model_copy(update={"per_patch": False}))
    assert plain.places is None
    halves = slice(20, 130), slice(190, 300)
    (one, other), (plain_one, plain_other) = (
        [fineness(image, half) for half in halves] for image in (tile.image, plain.image)
    )
    # as wholes, frames of one kind prevail, or both are mixed: one half is soft. A blur of 1.7 px passes less than
    # half of what 0.7 px passes of structure that fine
    assert min(one, other) > 1.3 * min(plain_one, plain_other)
    assert max(one, other) > 0.95 * max(plain_one, plain_other)
    assert tile.weight[40:-40, 40:-40].min() > 0.9 * 0.4 * FRAMES
    # as quiet as that many frames
    np.testing.assert_allclose(tile.noise * np.sqrt(np.median(tile.weight)), plain.noise * np.sqrt(12), rtol=0.05)
    assert tile.frames["weight"].sum() == pytest.approx(0.4 * FRAMES, rel=1e-3)


def test_threads_change_no_bit(recording, tile):
    path, pattern, _ = recording
    again = stack_tile(open_recording(path), calibration(pattern), SETTINGS, jobs=3)
    for name in ("image", "weight", "sensor_mean", "places", "fields", "frames"):
        np.testing.assert_array_equal(getattr(again, name), getattr(tile, name))


def test_weights_come_back_from_the_archive(tile, tmp_path):
    write_tile(tmp_path / "t.fits", tile)
    np.testing.assert_array_equal(read_tile(tmp_path / "t.fits").places, tile.places)


def test_another_flat_on_it_is_as_if_stacked_with_it(recording, tile):
    path, pattern, _ = recording
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    better = calibration(pattern * (1 + 0.05 * np.sin(x / 4.0) * np.cos(y / 5.0)).astype(np.float32))
    frames = tile.frames[tile.frames["weight"] > 0]
    shifts, _ = tile.moves()
    light, weight, still = np.zeros((3, *SHAPE))
    with open_recording(path) as opened:
        for row, shift, field, cells in zip(frames, shifts, tile.fields, tile.places, strict=True):
            frame = better.apply(opened.gray(int(row["frame"])))
            share = cv2.resize(cells, SHAPE[::-1], interpolation=cv2.INTER_LINEAR).astype(float)
            light += share / row["level"] * warp(frame, (field - shift).astype(np.float32))
            still += share / row["level"] * frame
            weight += share
    told = reflat_tile(tile, calibration(pattern), better)
    inner = (slice(24, -24), slice(24, -24))
    stacked = light / weight
    change = np.std((stacked / tile.image)[inner])
    assert change > 0.02
    # exact to first order in the change of 5 %, its second order smeared: a hundredth of it; kernels are blended where
    # fields are, another
    assert np.std((told.image / stacked)[inner]) < 0.03 * change
    # as the tile holds single precision, and the mean on the sensor was summed raw
    np.testing.assert_allclose(told.sensor_mean, still / weight, rtol=1e-4)


def test_it_is_left_out_on_a_finer_grid(recording):
    path, pattern, _ = recording
    settings = SETTINGS.model_copy(update={"finer": 1.5})
    found = stack_tile(open_recording(path), calibration(pattern), settings)
    assert found.places is None
    assert any("per_patch" in text for text in found.warnings)
