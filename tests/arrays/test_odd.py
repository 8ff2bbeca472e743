"""What crossed a frame is found; structure that moved or is blurred, and what stands on the sensor, is not."""

import numpy as np
import pytest
from diskmosaic.arrays.odd import count_odd, expected_difference, faintest_of, middle_mean, odd_places, pattern_slack
from scipy import ndimage

SHAPE = (180, 240)
LEVEL, NOISE, SIGMA = 10_000, 100, 7.0
NONE = np.zeros(SHAPE, np.float32)


@pytest.fixture(scope="module")
def scene():
    """Texture of 12 % rms, a spot, and a limb with sky beyond."""
    white = np.random.default_rng(1).standard_normal(SHAPE)
    texture = ndimage.gaussian_filter(white, 1.2)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spot = 1 - 0.7 / (1 + np.exp(np.hypot(y - 60, x - 70) - 9))
    disk = 1 / (1 + np.exp((np.hypot(y - 60, x - 40) - 165) / 0.8))
    return (LEVEL * ((1 + 0.12 * texture / texture.std()) * spot * disk + 0.01)).astype(np.float32)


def noisy(image, seed):
    return (image + NOISE * np.random.default_rng(seed).standard_normal(SHAPE)).astype(np.float32)


def found(scene, frame):
    limit = expected_difference(scene, NONE, NOISE, SIGMA)
    return odd_places(frame.astype(np.float32), scene, limit, np.ones(SHAPE, bool), SIGMA)[0]


def test_the_scene_itself_is_never_odd(scene):
    soft = ndimage.gaussian_filter(scene, 1.0)
    # sharper, blurred by 1 px of the blocks (2 px of the camera), moved by 0.5 px (1 px): more than air does to a
    # frame that a smooth field has been fitted to
    for k, frame in enumerate([scene, soft, ndimage.shift(scene, (0.4, -0.3), mode="nearest"), 2 * scene - soft]):
        assert not found(scene, noisy(frame, k)).any(), k


def test_a_thin_cloud_is_not_odd_and_told(scene):
    y = np.linspace(0, 1, SHAPE[0])[:, None]
    frame = noisy(scene * (1 - 0.1 * y), 5)
    odd, slow = odd_places(frame, scene, expected_difference(scene, NONE, NOISE, SIGMA), np.ones(SHAPE, bool), SIGMA)
    assert not odd.any()
    # boxes of 65 px know a slope of 10 % over 180 px to its mean over half of them at the border
    assert np.abs(slow + 0.1 * y * ndimage.uniform_filter(scene, 65))[40:-40].max() < 0.02 * LEVEL


def trail(row=30.0, slope=0.35, width=1.5):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.exp(-(((y - row - slope * x) / np.hypot(1, slope)) ** 2) / (2 * width**2))


def test_a_dark_trail_is_found_and_little_else(scene):
    line = trail()
    odd = found(scene, noisy(scene * (1 - 0.6 * line), 6))
    on_disk = ndimage.minimum_filter(scene, 5) > 0.5 * LEVEL
    assert odd[(line > 0.7) & on_disk].mean() > 0.97
    assert not odd[line < 1e-4].any()


def test_a_bright_trail_across_the_sky(scene):
    line = trail(row=100.0, slope=0.3)
    odd = found(scene, noisy(scene + 0.5 * LEVEL * line, 7))
    assert odd[line > 0.5].mean() > 0.97


def bird():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return ((y - 110) / 9) ** 2 + ((x - 60) / 17) ** 2 < 1


def test_a_bird_is_found_whole(scene):
    odd = found(scene, noisy(np.where(bird(), 0.1 * LEVEL, scene), 8))
    assert odd[bird()].mean() > 0.98
    assert not odd[ndimage.distance_transform_edt(~bird()) > 8].any()


def test_a_bird_at_the_border_of_what_is_known_goes_on(scene):
    seen = np.ones(SHAPE, bool)
    seen[:, :55] = False
    limit = expected_difference(scene, NONE, NOISE, SIGMA)
    frame = noisy(np.where(bird(), 0.1 * LEVEL, scene), 8)
    odd = odd_places(frame, scene, limit, seen, SIGMA)[0]
    assert odd[bird()].mean() > 0.98
    assert not odd[:, :40].any()  # not for ever


def test_a_cosmic_hit_is_found(scene):
    frame = noisy(scene, 9)
    frame[40, 100] += 60 * NOISE
    assert found(scene, frame)[40, 100]


def test_a_frame_that_shows_something_else_is_left_alone(scene):
    assert not found(scene, noisy(scene[::-1], 10)).any()


def test_a_frame_that_differs_everywhere_is_judged_by_its_own_scatter(scene):
    frame = noisy(ndimage.shift(scene, (1.8, -1.2), mode="nearest"), 11)
    assert not found(scene, frame).any()
    assert found(scene, np.where(bird(), 0.05 * LEVEL, frame))[bird()].mean() > 0.9


def quick(scene, frame, field=(0.0, 0.0), pattern=NONE, level=1.0):
    limit = expected_difference(scene, NONE, NOISE, SIGMA, 1.0)
    field = np.full((3, 4, 2), field, np.float32)
    return count_odd(frame, field, scene, limit, pattern, pattern_slack(pattern), level, faintest_of(scene))


def test_a_quick_look_sees_the_same(scene):
    # the frame lies 4.3 px up and 6.6 px left of the scene: it is sampled there
    frame = ndimage.shift(scene, (4.3, -6.6), mode="nearest")
    assert quick(scene, noisy(frame, 12), (4.3, -6.6)) == 0
    assert quick(scene, noisy(0.7 * frame, 12), (4.3, -6.6), level=0.7) == 0
    hidden = noisy(frame, 12)
    hidden[40, 100] += 60 * NOISE
    assert quick(scene, hidden, (4.3, -6.6)) == 1
    assert quick(scene, noisy(frame, 12)) > 1000


def test_what_stands_on_the_sensor_is_expected(scene):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    pattern = (-0.4 * np.exp(-((y - 100) ** 2 + (x - 90) ** 2) / 20)).astype(np.float32)
    frame = ndimage.shift(scene, (4.3, -6.6), mode="nearest")
    dusty = noisy(frame * (1 + pattern), 13)
    assert quick(scene, dusty, (4.3, -6.6)) > 10
    assert quick(scene, dusty, (4.3, -6.6), pattern) == 0
    dusty[100, 90] = 0.05 * LEVEL  # a bird on the dust
    assert quick(scene, dusty, (4.3, -6.6), pattern) == 1


def test_the_middle_half_of_values_against_numpy():
    rng = np.random.default_rng(14)
    images = rng.normal(5, 2, (16, 20, 30)).astype(np.float32)
    images[:3, :, :10] = 100.0  # three of sixteen are off
    images[8:, :5] = np.nan
    mean, spread, count = middle_mean(images)
    for place in ((2, 3), (2, 20), (10, 4), (10, 20)):
        known = np.sort(images[:, *place][np.isfinite(images[:, *place])])
        cut = len(known) // 4
        assert count[place] == len(known)
        assert mean[place] == pytest.approx(known[cut : len(known) - cut].mean(), rel=1e-5)
    assert np.sqrt(np.mean(spread[6:, 12:] ** 2)) == pytest.approx(2, rel=0.1)  # 250 values, each right to 30 %
    empty = middle_mean(np.full((3, 4, 5), np.nan, np.float32))
    assert not empty[0].any()
    assert not empty[2].any()
