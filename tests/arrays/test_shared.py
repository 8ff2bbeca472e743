"""What images share, window by window: known patterns under scenes of their own."""

import numpy as np
import pytest
from diskmosaic.arrays.shared import WINDOW_PX, predict_shared, transfer
from scipy import ndimage

SHAPE = (150, 210)
COUNT = 10
STILL = transfer(np.zeros((1, 2)), np.ones(1))
WHOLE = [np.ones(SHAPE, bool)] * COUNT
INNER = (slice(16, -16), slice(16, -16))


def scene(rng, rms=0.03):
    """The Sun's texture, high-passed."""
    image = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 2.0)
    image -= ndimage.gaussian_filter(image, 20)
    return (rms * image / image.std()).astype(np.float32)


def stripes(period=9.0, rms=0.02):
    """A pattern that is local in frequency."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return (np.sqrt(2) * rms * np.cos(2 * np.pi * (0.8 * x + 0.6 * y) / period)).astype(np.float32)


def predicted(images, *, masks=None, transfers=None, min_images=5):
    transfers = np.stack([STILL] * len(images)) if transfers is None else transfers
    return predict_shared(images, WHOLE[: len(images)] if masks is None else masks, transfers, min_images=min_images)


def test_transfer_of_nothing_of_a_shift_and_of_two():
    np.testing.assert_allclose(STILL, 1)
    fy, fx = np.fft.fftfreq(WINDOW_PX)[:, None], np.fft.rfftfreq(WINDOW_PX)[None]
    # a shift of 3 rows and -2 columns: the shift theorem; single precision
    moved = transfer(np.array([[3.0, -2.0]]), np.ones(1))
    np.testing.assert_allclose(moved, np.exp(-2j * np.pi * (3 * fy - 2 * fx)), atol=1e-6)
    image = np.random.default_rng(1).standard_normal((WINDOW_PX, WINDOW_PX))
    back = np.fft.irfft2(np.fft.rfft2(image) * moved)
    np.testing.assert_allclose(back, np.roll(image, (3, -2), (0, 1)), atol=1e-5)
    # a quarter of the weight at -2 px, the rest at 2 px
    both = transfer(np.array([[2.0, 0.0], [-2.0, 0.0]]), np.array([3.0, 1.0]))
    expected = 0.75 * np.exp(-4j * np.pi * fy) + 0.25 * np.exp(4j * np.pi * fy)
    np.testing.assert_allclose(both, np.broadcast_to(expected, both.shape), atol=1e-6)


def test_a_shared_pattern_is_found_in_every_image():
    rng, common = np.random.default_rng(2), stripes()
    found = predicted([scene(rng) + common for _ in range(COUNT)])
    for one in found:
        left = (common - one)[INNER]
        # the others' scenes at this frequency, over 9, are a tenth of the stripes' power in a window
        assert np.std(left) < 0.2 * np.std(common)


def test_nothing_shared_nothing_found():
    rng = np.random.default_rng(3)
    found = predicted([scene(rng) for _ in range(COUNT)])
    # a mean over nine others would have a third of the scenes' rms: chance must be told from agreement
    assert max(one.std() for one in found) < 0.02 * 0.03


def test_an_images_own_structure_is_not_taken_for_pattern():
    rng, common = np.random.default_rng(4), stripes()
    images = [scene(rng) + common for _ in range(COUNT)]
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spot = -0.3 * np.exp(-((y - 80) ** 2 + (x - 90) ** 2) / (2 * 5**2))
    images[3] = images[3] + spot.astype(np.float32)
    own = predicted(images)[3]
    near = spot < -0.03
    slope = np.sum(spot[near] * (own - common)[near]) / np.sum(spot[near] ** 2)
    assert abs(slope) < 0.01


def test_a_smeared_image_gets_a_smeared_pattern():
    rng, common = np.random.default_rng(5), stripes()
    shifts = np.array([[0.0, -2.0], [0.0, 2.0]])
    twice = 0.5 * (np.roll(common, -2, 1) + np.roll(common, 2, 1))
    images = [scene(rng) + common for _ in range(COUNT)]
    images[0] = scene(rng) + twice
    transfers = np.stack([transfer(shifts, np.ones(2))] + [STILL] * (COUNT - 1))
    found = predicted(images, transfers=transfers)
    size = np.sum(found[0][INNER] * twice[INNER]) / np.sum(twice[INNER] ** 2)
    # cos(2 pi 0.8 2 / 9) = 0.44 of the stripes is left; shrinkage takes some per cent
    assert size == pytest.approx(1, abs=0.15)


def test_a_displaced_image_gets_a_displaced_pattern():
    rng, common = np.random.default_rng(9), stripes()
    shifts = rng.integers(-3, 4, (COUNT, 2))  # all but one lie elsewhere: nobody's place is the common one
    moved = [np.roll(common, shift, (0, 1)) for shift in shifts]
    transfers = np.stack([transfer(np.array([shift], float), np.ones(1)) for shift in shifts])
    found = predicted([scene(rng) + one for one in moved], transfers=transfers)
    for one, true in zip(found, moved, strict=True):
        size = np.sum(one[INNER] * true[INNER]) / np.sum(true[INNER] ** 2)
        # windows do not wrap: the taper's share that moves out and in, at 3 of 64 px, and shrinkage
        assert size == pytest.approx(1, abs=0.1)


def test_places_that_few_images_cover_are_left_alone():
    rng, common = np.random.default_rng(6), stripes()
    masks = [mask.copy() for mask in WHOLE]
    for mask in masks[4:]:
        mask[:, 110:] = False
    images = [np.where(mask, scene(rng) + common, 0).astype(np.float32) for mask in masks]
    found = predicted(images, masks=masks)
    # windows of 64 px begin up to 64 px to the left of what four images cover alone
    assert all(not one[:, 176:].any() for one in found)
    assert np.std((common - found[0])[16:-16, 16:80]) < 0.25 * np.std(common)


def test_an_image_without_light_somewhere_is_mended_there_by_the_others():
    rng, common = np.random.default_rng(7), stripes()
    masks = [mask.copy() for mask in WHOLE]
    masks[0][:, 100:] = False
    images = [np.where(mask, scene(rng) + common, 0).astype(np.float32) for mask in masks]
    found = predicted(images, masks=masks)[0]
    assert np.std((common - found)[16:-16, 120:-16]) < 0.25 * np.std(common)


def test_the_order_of_images_does_not_matter():
    rng, common = np.random.default_rng(8), stripes()
    images = [scene(rng) + common for _ in range(6)]
    order = [4, 2, 0, 5, 1, 3]
    there, back = predicted(images), predicted([images[k] for k in order])
    for k, one in zip(order, back, strict=True):
        np.testing.assert_allclose(one, there[k], atol=1e-6)  # sums in another order, single precision
