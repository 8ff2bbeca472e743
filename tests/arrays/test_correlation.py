"""Shifts that are known: found, and told from chance."""

import numpy as np
import pytest
from diskmosaic.arrays.correlation import even_fast_size, texture
from diskmosaic.arrays.matching import refine
from hypothesis import given
from hypothesis import strategies as st
from scipy import fft
from textures import BAND, field, search, textures


@pytest.mark.parametrize("dy", [-61, 0, 47])
@pytest.mark.parametrize("dx", [-83, 0, 92])
def test_whole_shifts_of_every_sign(dy, dx):
    rng = np.random.default_rng(4)
    sky = field(rng, (330, 420))
    fixed = sky[100:230, 120:290] + rng.normal(0, 10, (130, 170)).astype(np.float32)
    moving = 1.3 * sky[100 + dy : 230 + dy, 120 + dx : 290 + dx] + rng.normal(0, 10, (130, 170)).astype(np.float32)
    (peak,) = search(*textures(fixed, moving.astype(np.float32)))
    assert peak.shift == (dy, dx)
    assert peak.significance > 8
    assert peak.pixels == (130 - abs(dy)) * (170 - abs(dx))


@pytest.mark.parametrize("size", [(130, 170), (151, 97)])  # even and odd: padding must not move the peak
def test_tiles_of_different_size(size):
    sky = field(np.random.default_rng(9), (320, 400))
    (peak,) = search(*textures(sky[40:200, 60:290], sky[70 : 70 + size[0], 30 : 30 + size[1]]))
    assert peak.shift == (30, -30)


def test_a_tenth_of_overlap_is_found_and_stands_out():
    rng = np.random.default_rng(12)
    found = []
    for _ in range(5):
        sky = field(rng, (330, 520))
        shift = (int(rng.integers(-8, 9)), 207)  # of tiles 230 px wide: 10 %
        noise = rng.normal(0, 50, (2, 300, 230)).astype(np.float32)  # 5 %, as strong as the structure
        fixed = sky[15:315, 20:250] + noise[0]
        moving = sky[15 + shift[0] : 315 + shift[0], 227:457] + noise[1]
        (peak,) = search(*textures(fixed, moving))
        assert peak.shift == shift
        found.append(peak.significance)
    assert min(found) > 8  # the threshold in use


def test_no_overlap_is_no_better_than_chance():
    rng = np.random.default_rng(21)
    scores = []
    for _ in range(12):
        noise = rng.normal(0, 30, (2, 150, 210)).astype(np.float32)
        peaks = search(*textures(field(rng, (150, 210)) + noise[0], field(rng, (150, 210)) + noise[1]))
        scores.append(peaks[0].significance)
    # the largest of some 1e4 independent normal values is 4-5; the threshold in use is 8
    assert max(scores) < 6.5


def test_limbs_that_do_not_overlap_score_low_under_the_mask_only():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:180, :240]
    edge = np.hypot(y - 90, x + 400) - 540  # the same limb in both tiles
    images = [(field(rng, (180, 240)) * (0.002 + 0.998 * (edge < 0))).astype(np.float32) for _ in range(2)]
    everything = [np.ones((180, 240), bool)] * 2
    disk = [edge < -25] * 2
    unmasked = search(*textures(*images, masks=everything))[0].significance
    masked = search(*textures(*images, masks=disk))[0].significance
    assert unmasked > 8  # why there is a mask
    assert masked < 6.5


def test_several_peaks_come_best_first_and_apart():
    rng = np.random.default_rng(2)
    one, other = field(rng, (120, 160)), field(rng, (120, 160))
    both = one + 0.6 * np.roll(one, (9, -14), (0, 1)) + 0.2 * other
    peaks = search(*textures(both.astype(np.float32), one), peaks=3)
    assert [peak.shift for peak in peaks[:2]] == [(0, 0), (9, -14)]
    assert peaks[0].significance > peaks[1].significance > peaks[2].significance
    apart = [np.abs(np.subtract(a.shift, b.shift)).max() for a in peaks for b in peaks if a is not b]
    assert min(apart) > 4


def test_too_small_masks_give_nothing():
    image = field(np.random.default_rng(1), (60, 80))
    mask = np.zeros((60, 80), bool)
    mask[:5, :9] = True
    assert search(*textures(image, image, masks=[mask, mask])) == []


def test_texture_is_relative_and_blind_outside_its_mask():
    rng = np.random.default_rng(6)
    image = field(rng, (140, 190))
    ramp = np.linspace(0.4, 1.6, 190, dtype=np.float32)
    good = np.ones((140, 190), bool)
    good[:, :70] = False
    plain = texture(image, good, **BAND)
    spoilt = np.where(good, image * ramp, 1e6).astype(np.float32)
    other = texture(spoilt, good, **BAND)
    assert (other.values[~good] == 0).all()
    inner = np.zeros_like(good)
    inner[30:-30, 100:-30] = True
    # a ramp over 190 px changes little within the 12 px of the band: 1 % of the structure's size
    assert np.std((plain.values - other.values)[inner]) < 0.05 * np.std(plain.values[inner])


def test_spots_do_not_decide_alone():
    image = field(np.random.default_rng(7), (120, 150))
    image[50:60, 70:80] *= 0.2
    values = texture(image, np.ones(image.shape, bool), **BAND).values
    spread = 1.4826 * np.median(np.abs(values))
    assert np.abs(values).max() <= 4.05 * spread  # the clip, and its own effect on the median


@pytest.mark.parametrize("dtype", [">f4", "<f4", "f8", ">u2", "u1"])
def test_any_byte_order_and_type_at_the_border(dtype):
    image = (field(np.random.default_rng(8), (120, 150)) / 8).astype(np.uint8)
    expected = texture(image.astype(np.float32), np.ones(image.shape, bool), **BAND)
    found = texture(image.astype(dtype), np.ones(image.shape, bool), **BAND)
    np.testing.assert_array_equal(found.values, expected.values)


def test_inputs_are_left_alone():
    image = field(np.random.default_rng(8), (120, 150))
    before = image.copy()
    one, other = textures(image, image)
    held = one.values.copy()
    search(one, other)
    refine(one, other, (1, 0))
    np.testing.assert_array_equal(image, before)
    np.testing.assert_array_equal(one.values, held)


@given(st.integers(1, 5000))
def test_fast_sizes_are_even_and_close(size):
    fast = even_fast_size(size)
    assert fast % 2 == 0
    assert size <= fast <= 1.35 * size + 2  # numbers with small factors lie that dense
    assert fft.next_fast_len(fast, real=True) == fast
