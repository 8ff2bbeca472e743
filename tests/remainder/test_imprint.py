"""Another flat on a stacked tile, against the frames stacked again with it."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.kernels import warp
from diskmosaic.arrays.stacks import Mender
from diskmosaic.arrays.warped import shift_kernels, warped_mean
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.masters.calibration import Calibration
from diskmosaic.records.master import Master
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.remainder.imprint import Smear, find_imprint, reflat_tile
from diskmosaic.synthetic import invented_sun, sensor_pattern

SHAPE = (180, 236)
FRAMES = 40
INNER = (slice(12, -12), slice(12, -12))


def sensor(phase=0.0, seed=6):
    return sensor_pattern(*SHAPE, np.random.default_rng(seed), dust=8, phase=phase, bad_pixels=0).product


def master(image, kind="flat", bad=()):
    good = np.ones(SHAPE, bool)
    for place in bad:
        good[place] = False
    image = np.asarray(image, np.float32)
    image = image / image.mean() if kind == "flat" else image
    return Master(kind, image, np.zeros(SHAPE, np.float32), 20, 0.0, 1.0, 0.0, good)


def grid():
    return np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)


def moved(image, shift):
    """Move the content of an image by a shift, as frames are moved."""
    return warp(np.ascontiguousarray(image, np.float32), -np.asarray(shift, np.float32)[None, None])


@pytest.fixture(scope="module")
def frames():
    """Raw frames (n, h, w), the shifts that move them onto the tile, weights, levels, the true pattern, the dark."""
    rng = np.random.default_rng(12)
    sun = invented_sun(260, rng, spots=0).image
    shifts = rng.normal(0, 2.0, (FRAMES, 2)) + np.linspace(-3, 3, FRAMES)[:, None]
    weights = rng.uniform(0.2, 1.0, FRAMES)
    shifts -= np.average(shifts, axis=0, weights=weights)
    levels = 1 + 0.05 * rng.standard_normal(FRAMES)
    dark = (20 + 2 * rng.standard_normal(SHAPE)).astype(np.float32)
    true = sensor()
    y, x = grid()
    raws = []
    for shift, level in zip(shifts, levels, strict=True):
        light = cv2.remap(sun, x + np.float32(170 + shift[1]), y + np.float32(180 + shift[0]), cv2.INTER_LANCZOS4)
        raws.append(1000 * level * light * true + dark)
    return np.array(raws, np.float32), shifts, weights, levels, true, dark


def stack(frames, calibration, remainder=None):
    raws, shifts, weights, levels, _, _ = frames
    used = calibration if remainder is None else calibration.less(remainder)
    total = sum(
        w / level * moved(used.apply(raw), shift)
        for raw, shift, w, level in zip(raws, shifts, weights, levels, strict=True)
    )
    table = np.zeros(FRAMES, FRAME_DTYPE)
    table["weight"], table["level"] = weights, levels
    table["shift_y"], table["shift_x"] = shifts.T
    image = (total / weights.sum()).astype(np.float32)
    full = np.full(SHAPE, weights.sum(), np.float32)
    return Tile("t", image, full, 1.0, table, 1.0, None, "t.ser", remainder=remainder)


def calibration(flat, dark, **keywords):
    return Calibration(master(dark, "dark"), None if flat is None else master(flat, **keywords), 0.0, SHAPE)


def spread(one, other):
    """Rms of the ratio, inside the border that not all frames see."""
    return float(np.std((one / other)[INNER]))


def test_kernel_moves_as_the_frames_are_moved(frames):
    rng = np.random.default_rng(1)
    image = 1 + 0.1 * rng.standard_normal(SHAPE, dtype=np.float32)
    tile = stack(frames, calibration(None, frames[5]))
    mean = sum(w * moved(image, s) for s, w in zip(frames[1], frames[2], strict=True)) / frames[2].sum()
    # OpenCV keeps fractions of a pixel to 1/32: that is the difference, on white noise of 10 %
    assert np.abs(Smear(tile).ratio(image) - mean)[INNER].max() < 0.003
    kernel = shift_kernels(frames[1][:, None], frames[2], 12)[0]
    assert kernel.sum() == pytest.approx(frames[2].sum(), rel=1e-6)


def test_mean_over_fields():
    rng = np.random.default_rng(5)
    count, cells = 30, (6, 7)
    image = cv2.GaussianBlur(1 + 0.1 * rng.standard_normal(SHAPE, dtype=np.float32), (0, 0), 0.8)
    bends = rng.normal(0, 0.5, (count, *cells, 2)).astype(np.float32)
    bends = np.stack([cv2.GaussianBlur(one, (0, 0), 1.0) for one in bends])
    shifts = rng.normal(0, 2, (count, 1, 1, 2)) + bends
    weights = rng.uniform(0.2, 1, count)
    mean = np.zeros(SHAPE, np.float32)
    for field, weight in zip(shifts.astype(np.float32), weights / weights.sum(), strict=True):
        mean += np.float32(weight) * warp(image, -field)
    told, cover = warped_mean(image, shifts, weights)
    np.testing.assert_allclose(cover[INNER], 1, atol=1e-5)
    scale = np.std(mean[INNER])
    # kernels are blended where fields are: their difference at a tenth of a pixel is a hundredth of the pattern
    assert np.std((told - mean)[INNER]) < 0.02 * scale
    # weights that differ from place to place: blended where the fields are
    local = np.stack([cv2.GaussianBlur(one, (0, 0), 1.5) for one in rng.uniform(0, 2, (count, *cells))])
    local /= local.sum(axis=0)
    by_place = np.zeros(SHAPE)
    for field, one in zip(shifts.astype(np.float32), local, strict=True):
        by_place += cv2.resize(one, SHAPE[::-1], interpolation=cv2.INTER_LINEAR) * warp(image, -field)
    told_by_place, cover = warped_mean(image, shifts, local)
    np.testing.assert_allclose(cover[INNER], 1, atol=1e-5)
    assert np.std((told_by_place - by_place)[INNER]) < 0.02 * scale
    assert np.std((told - by_place)[INNER]) > 0.1 * scale
    whole, _ = warped_mean(image, np.broadcast_to(shifts - bends, shifts.shape), weights)
    assert np.std((whole - mean)[INNER]) > 0.05 * scale
    # near the border the copies that do not reach a pixel are missing, and the cover says so
    assert cover[0, 100] < 0.9


def test_a_tile_keeps_what_was_divided_and_how_its_frames_were_bent(frames, tmp_path):
    rng = np.random.default_rng(6)
    remainder = (0.05 * rng.standard_normal(SHAPE)).astype(np.float32)
    fields = rng.normal(0, 1, (FRAMES, 4, 5, 2)).astype(np.float32)
    tile = replace(stack(frames, calibration(None, frames[5])), remainder=remainder, fields=fields)
    write_tile(tmp_path / "t.fits", tile)
    back = read_tile(tmp_path / "t.fits")
    np.testing.assert_allclose(back.remainder, remainder, atol=1.01e-5)
    np.testing.assert_allclose(back.fields, fields, atol=0.5e-3)
    # a remainder that 16 bits of the usual step do not hold loses digits, not its peaks
    write_tile(tmp_path / "t.fits", replace(tile, remainder=20 * remainder))
    np.testing.assert_allclose(read_tile(tmp_path / "t.fits").remainder, 20 * remainder, atol=1e-4)


def test_the_same_as_stacking_anew(frames):
    true, dark = frames[4], frames[5]
    rng = np.random.default_rng(2)
    poor = np.roll(sensor(phase=0.35), (2, 0), (0, 1)) * (1 + 0.003 * rng.standard_normal(SHAPE))
    better = true * (1 + 0.0005 * rng.standard_normal(SHAPE))
    old, new = calibration(poor, dark), calibration(better, dark)
    tile, anew = stack(frames, old), stack(frames, new)
    again = reflat_tile(tile, old, new)
    assert spread(tile.image, anew.image) > 0.02
    assert spread(again.image, anew.image) < 3e-4  # the bar is 1e-3; 1/32 px of the frames' own interpolation is left
    assert np.mean(again.image[INNER]) == pytest.approx(np.mean(anew.image[INNER]), rel=1e-4)


def test_from_no_flat_and_from_a_remainder(frames):
    true, dark = frames[4], frames[5]
    y, _ = grid()
    remainder = (0.02 * np.sin(y / 4)).astype(np.float32)
    new = calibration(true, dark)
    anew = stack(frames, new)
    bare = calibration(None, dark)
    assert spread(reflat_tile(stack(frames, bare), bare, new).image, anew.image) < 3e-4
    old = calibration(sensor(phase=0.35), dark)
    tile = stack(frames, old, remainder)
    again = reflat_tile(tile, old, new)
    assert again.remainder is None
    assert spread(again.image, anew.image) < 3e-4


def test_another_dark(frames):
    true, dark = frames[4], frames[5]
    rng = np.random.default_rng(3)
    wrong = dark + 15 + 4 * rng.standard_normal(SHAPE, dtype=np.float32)
    old, new = calibration(sensor(phase=0.1), wrong), calibration(true, dark)
    tile, anew = stack(frames, old), stack(frames, new)
    again = reflat_tile(tile, old, new)
    assert abs(np.mean(tile.image[INNER]) / np.mean(anew.image[INNER]) - 1) > 0.01
    assert np.mean(again.image[INNER]) == pytest.approx(np.mean(anew.image[INNER]), rel=2e-4)
    assert spread(again.image, anew.image) < 1e-3


def test_bad_pixels_of_the_old_flat_stay_mended(frames):
    true, dark = frames[4], frames[5]
    poor = true.copy()
    poor[80, 90] = 0.04  # a dead pixel with the old camera settings
    old, new = calibration(poor, dark, bad=[(80, 90)]), calibration(true, dark)
    assert not old.good[80, 90]
    again = reflat_tile(stack(frames, old), old, new)
    around = (slice(74, 87), slice(84, 97))
    anew = stack(frames, new)
    assert np.abs(again.image / anew.image - 1)[around].max() < 0.002


def test_mender_is_given_what_frames_show():
    ratio = np.ones((5, 6), np.float32)
    ratio[2, 3] = 50
    good = ratio < 2
    Mender(good).mend(ratio)
    np.testing.assert_array_equal(ratio, 1)


@pytest.mark.parametrize(("shift", "smear", "strength"), [((0.0, 0.0), 0.0, 1.0), ((-7.4, 12.3), 1.2, 0.8)])
def test_imprint_of_unknown_history_is_found(shift, smear, strength):
    shape = (400, 520)
    flat = sensor_pattern(*shape, np.random.default_rng(6), dust=12, bad_pixels=0).product
    matrix = np.array([[1, 0, shift[1]], [0, 1, shift[0]]])
    imprint = cv2.warpAffine(np.log(flat), matrix, shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    imprint = np.float32(strength) * (cv2.GaussianBlur(imprint, (0, 0), smear) if smear else imprint)
    rng = np.random.default_rng(21)
    sun = invented_sun(400, rng, spots=2).image[220:620, 170:690]
    clean = (800 * sun * (1 + 0.003 * rng.standard_normal(shape))).astype(np.float32)
    image = clean * np.exp(imprint)
    found = find_imprint(image, np.ones(shape, bool), flat)
    assert found.found
    # the Sun's own texture of 5 % moves the peak of a smeared pattern of 2 % by some tenths of a pixel
    np.testing.assert_allclose(found.shift_yx, shift, atol=0.4 if smear else 0.02)
    assert found.smear_px == pytest.approx(smear, abs=0.5)
    assert found.strength == pytest.approx(strength, rel=0.1)
    inner = (slice(30, -30), slice(30, -30))

    def share(one):
        """How much of the imprint's fine structure is in a tile."""
        template, left = (a - cv2.GaussianBlur(a, (0, 0), 12) for a in (imprint, np.log(one / clean)))
        return float(np.vdot(template[inner], left[inner]) / np.vdot(template[inner], template[inner]))

    assert share(image) == pytest.approx(1, abs=0.01)
    assert abs(share(image * np.exp(-found.pattern))) < 0.1


def test_no_imprint_is_found_of_another_sensor():
    rng = np.random.default_rng(22)
    image = 800 * invented_sun(260, rng).image[120 : 120 + SHAPE[0], 170 : 170 + SHAPE[1]] * sensor(seed=6)
    assert not any(find_imprint(image, np.ones(SHAPE, bool), sensor(seed=seed)).found for seed in range(30, 40))
    assert not find_imprint(image, np.zeros(SHAPE, bool), sensor()).found
