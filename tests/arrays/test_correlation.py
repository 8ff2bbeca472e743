"""Shifts that are known: found, refined, told from chance, and compared with a peer."""

import numpy as np
import pytest
from diskmosaic.arrays.correlation import (
    best_shifts,
    even_fast_size,
    overlap_windows,
    refine,
    shrink,
    spectra,
    texture,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import fft, ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

BAND = {"fine_px": 1.5, "coarse_px": 12.0}


def fourier_shift(image, shift):
    """Move a periodic image by a fraction of a pixel, exactly for what it can hold."""
    spectrum = ndimage.fourier_shift(fft.fft2(image.astype(float)), shift)
    return fft.ifft2(spectrum).real.astype(np.float32)


def field(rng, shape, *, scale=2.0, contrast=0.05):
    """Random structure on a level of 1000."""
    noise = ndimage.gaussian_filter(rng.standard_normal(shape), scale, mode="wrap")
    return (1000 * (1 + contrast * noise / noise.std())).astype(np.float32)


def textures(*images, masks=None):
    masks = masks or [np.ones(image.shape, bool) for image in images]
    return [texture(image, mask, **BAND) for image, mask in zip(images, masks, strict=True)]


def search(fixed, moving, *, share=0.03, peaks=1):
    padded = tuple(even_fast_size(a + b) for a, b in zip(fixed.values.shape, moving.values.shape, strict=True))
    return best_shifts(
        spectra(fixed, padded), spectra(moving, padded), min_pixels=share * fixed.values.size, peaks=peaks
    )


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


@pytest.mark.parametrize(("noise", "bound"), [(0.0, 0.01), (10.0, 0.02), (50.0, 0.08)])
def test_fractions_are_refined(noise, bound):
    rng = np.random.default_rng(17)
    errors = []
    for _ in range(8):
        sky = field(rng, (240, 300))
        part = rng.uniform(-0.5, 0.5, 2)
        moved = fourier_shift(sky, -part)
        grain = rng.normal(0, noise, (2, 140, 170)).astype(np.float32)
        fixed, moving = textures(sky[40:180, 50:220] + grain[0], moved[67:207, 21:191] + grain[1])
        match = refine(fixed, moving, (27 + int(rng.integers(-1, 2)), -29 + int(rng.integers(-1, 2))))
        errors.append(np.subtract(match.shift, (27 + part[0], -29 + part[1])))
        # the formal error is of the right size: it knows white noise only, and this one is smoothed
        assert match.sigma_px < bound
    # noise 0: the interpolation alone; 5 % noise on 5 % structure: measured 0.04 px
    assert np.sqrt(np.mean(np.square(errors))) < bound
    assert np.abs(np.mean(errors, axis=0)).max() < bound / 2  # no bias towards whole pixels


@pytest.mark.parametrize("name", ["camera", "moon"])
def test_a_peer_agrees_on_photographs(name):
    image = getattr(data, name)().astype(np.float32) + 10
    image = ndimage.gaussian_filter(image, 1.0)
    rng = np.random.default_rng(30)
    for _ in range(3):
        shift = rng.uniform(-12, 12, 2)
        moved = fourier_shift(image, -shift)
        window = (slice(60, 380), slice(70, 430))  # away from the wrapped border
        fixed, moving = image[window], moved[window]
        one, other = textures(fixed, moving)
        (peak,) = search(one, other)
        own = refine(one, other, peak.shift).shift
        np.testing.assert_allclose(own, shift, atol=0.03)  # fine structure only, clipped at 4 deviations
        # the peer sees the same structure, under a window that hides the cut edges; normalization=None is its
        # better mode on smooth scenes. Its correlation treats the overlap as periodic: good to 0.1 px
        hann = np.outer(np.hanning(320), np.hanning(360))
        peer = phase_cross_correlation(one.values * hann, other.values * hann, upsample_factor=100, normalization=None)[
            0
        ]
        np.testing.assert_allclose(own, peer, atol=0.12)


def test_refinement_that_walks_away_is_refused():
    rng = np.random.default_rng(3)
    sky = field(rng, (200, 260))
    one, other = textures(sky[:150, :200], sky[6:156, 6:206])
    assert refine(one, other, (6, 6)) is not None
    assert refine(one, other, (148, 10)) is None  # a strip of two rows
    assert refine(one, other, (400, 10)) is None  # no overlap at all
    walked = refine(one, other, (6, 6), reach_px=0.0)
    assert walked is None or np.abs(np.subtract(walked.shift, 6)).max() < 1e-9


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


@settings(max_examples=40)
@given(st.tuples(st.integers(-70, 70), st.integers(-90, 90)))
def test_windows_see_the_same_pixels(shift):
    sky = np.arange(250 * 330).reshape(250, 330)
    fixed, moving = sky[90:150, 100:180], sky[90 + shift[0] : 140 + shift[0], 100 + shift[1] : 190 + shift[1]]
    windows = overlap_windows(fixed.shape, moving.shape, shift)
    if windows is None:
        assert shift[0] >= 60 or shift[0] <= -50 or shift[1] >= 80 or shift[1] <= -90
    else:
        np.testing.assert_array_equal(fixed[windows[0]], moving[windows[1]])


def test_shrinking_averages_blocks_and_drops_the_rest():
    image = np.random.default_rng(1).uniform(0, 1, (11, 17)).astype(np.float32)
    small = shrink(image, 3)
    assert small.shape == (3, 5)
    np.testing.assert_allclose(small, image[:9, :15].reshape(3, 3, 5, 3).mean((1, 3)), rtol=1e-5)  # float32
    assert shrink(image, 1) is image
