"""Frames of known warp, blur and level, looked at against a reference."""

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.flow import Reference, fine, structure
from scipy import ndimage, stats
from skimage.registration import phase_cross_correlation

SHAPE = (150, 210)  # half resolution
MARGIN = 20


def sky(rng):
    """Structure on a level of 400 with a limb-like slope, wider than a frame by MARGIN on each side."""
    shape = (SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN)
    grain = sum(
        weight * (lambda n: n / n.std())(ndimage.gaussian_filter(rng.standard_normal(shape), scale))
        for scale, weight in ((1.0, 0.02), (2.5, 0.03))
    )
    slope = 1 - 0.3 * np.linspace(0, 1, shape[1]) ** 2
    return (400 * slope * (1 + grain)).astype(np.float32)


def smooth_field(rng, rms, scale):
    """A displacement field (2, h, w) of mean 0, px."""
    out = np.stack([ndimage.gaussian_filter(rng.standard_normal(SHAPE), scale, mode="reflect") for _ in range(2)])
    out -= out.mean((1, 2), keepdims=True)
    return rms * out / out.std((1, 2), keepdims=True)


def frame(scene, warp=0.0, shift=(0.0, 0.0), *, blur=0.0, level=1.0, noise=0.0, rng=None):
    """What a camera sees when ``reference(x) = frame(x + u(x))``: the field asked for is u, inverted here."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    u = np.broadcast_to(np.asarray(warp, float) + np.array(shift)[:, None, None], (2, *SHAPE))
    back = np.zeros((2, *SHAPE))
    for _ in range(8):  # frame(x) = reference(x - u(x - ...)): fixed point
        at = [y - back[0], x - back[1]]
        back = np.stack([ndimage.map_coordinates(part, at, order=1, mode="nearest") for part in u])
    image = ndimage.map_coordinates(scene, [y + MARGIN - back[0], x + MARGIN - back[1]], order=3)
    if blur:
        image = ndimage.gaussian_filter(image, blur)
    image = image * level
    if noise:
        image = image + noise * rng.standard_normal(SHAPE)
    return image.astype(np.float32)


def at_cells(field, grid):
    return np.stack([cv2.resize(part, grid[::-1], interpolation=cv2.INTER_AREA) for part in field], axis=-1)


@pytest.fixture(scope="module")
def scene():
    return sky(np.random.default_rng(31))


@pytest.fixture(scope="module")
def reference(scene):
    return Reference(frame(scene), grid=(9, 13), noise=4.0)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (3.25, -5.6), (-9.4, 7.0), (0.5, 0.5)])
def test_whole_shifts(scene, reference, shift):
    look = reference.look(frame(scene, shift=shift))
    # bilinear samples of a band of sigma 0.8 px: a few hundredths where no border is near
    np.testing.assert_allclose(look.field.mean((0, 1)), shift, atol=0.02)
    assert look.field.std((0, 1)).max() < 0.06
    assert look.agreement > 0.97
    assert look.quality == pytest.approx(1, abs=0.08)


@pytest.mark.parametrize("shift", [(0.37, -0.81), (-2.25, 4.6)])
def test_shifts_of_a_fourier_shifted_image(shift):
    """The Fourier shift theorem is exact for a periodic image; scikit-image's estimate stands beside ours."""
    rng = np.random.default_rng(17)
    periodic = 400 * (1 + 0.05 * ndimage.gaussian_filter(rng.standard_normal(SHAPE), 1.5, mode="wrap") / 0.19)
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(periodic), shift)).real
    clean, noisy = (periodic + 4 * rng.standard_normal(SHAPE) for _ in range(2))
    moved = moved + 4 * rng.standard_normal(SHAPE)
    own = Reference(clean.astype(np.float32), grid=(9, 13), noise=4.0, local=False).look(moved.astype(np.float32))
    theirs = phase_cross_correlation(moved, noisy, upsample_factor=100, normalization=None)[0]
    # 1 % of noise on 5 % of structure over 30,000 px: 0.002 px by the Cramer-Rao bound. The periodic image wraps at the
    # rims, which the filters feel 11 px deep: a seventh of the frame, by up to 5 % of a shift's last step
    np.testing.assert_allclose(own.field[0, 0], shift, atol=0.02)
    np.testing.assert_allclose(theirs, shift, atol=0.02)
    np.testing.assert_allclose(own.field[0, 0], theirs, atol=0.03)


def test_whole_shifts_alone_when_asked(scene):
    reference = Reference(frame(scene), grid=(9, 13), noise=4.0, local=False)
    look = reference.look(frame(scene, shift=(2.3, -1.7)))
    assert np.ptp(look.field, axis=(0, 1)).max() == 0
    np.testing.assert_allclose(look.field[0, 0], (2.3, -1.7), atol=0.02)


@pytest.mark.parametrize(("noise", "bound"), [(0.0, 0.10), (4.0, 0.13), (16.0, 0.28)])
def test_a_known_field_is_recovered(scene, reference, noise, bound):
    rng = np.random.default_rng(7)
    left, asked = [], []
    for _ in range(4):
        warp = smooth_field(rng, 0.35, 22)  # px at half resolution: 0.7 px on the sensor, 44 px wide
        look = reference.look(frame(scene, warp, (1.3, -0.6), noise=noise, rng=rng))
        truth = at_cells(warp, reference.grid) + np.array((1.3, -0.6))
        inner = (slice(1, -1), slice(1, -1))
        left.append((look.field - truth)[inner])
        asked.append((truth - np.array((1.3, -0.6)))[inner])
    rms = np.sqrt(np.mean(np.square(left)))
    # measured 0.07, 0.08 and 0.19 px: cells of 16 px smooth a field of 22 px; noise of 1 and 4 % adds
    assert rms < bound
    assert rms < 0.75 * np.sqrt(np.mean(np.square(asked)))  # far better than whole shifts alone
    assert np.abs(np.mean(left, axis=(0, 1, 2))).max() < 0.04  # no net shift


def test_following_the_field_is_better_than_not(scene, reference):
    rng = np.random.default_rng(3)
    warped = frame(scene, smooth_field(rng, 0.4, 22), noise=4.0, rng=rng)
    whole = Reference(frame(scene), grid=(9, 13), noise=4.0, local=False)
    assert reference.look(warped).agreement > whole.look(warped).agreement + 0.02


def test_quality_ranks_true_blur(scene):
    rng = np.random.default_rng(11)
    reference = Reference(frame(scene, blur=0.4), grid=(9, 13), noise=4.0)
    blurs = rng.uniform(0.4, 1.2, 40)  # px at half resolution
    looks = []
    for blur in blurs:
        warp = smooth_field(rng, 0.3, 25)
        level = rng.uniform(0.7, 1.2)
        looks.append(
            reference.look(frame(scene, warp, rng.normal(0, 2, 2), blur=blur, level=level, noise=6.0, rng=rng))
        )
    rank = stats.spearmanr([look.quality for look in looks], -blurs).statistic
    assert rank >= 0.9  # the house's figure; measured 0.99


def test_grades_tell_where_a_frame_is_blurred(scene):
    graded = Reference(frame(scene), grid=(9, 13), noise=4.0, graded=True)
    rng = np.random.default_rng(37)
    sharp, soft = (frame(scene, blur=blur, noise=4.0, rng=rng) for blur in (0.5, 1.2))
    half = sharp.copy()
    half[:, SHAPE[1] // 2 :] = soft[:, SHAPE[1] // 2 :]
    looks = [graded.look(image) for image in (sharp, soft, half)]
    left, right = slice(0, 4), slice(9, 13)  # two widths of the grading off the border
    for side, like in ((left, looks[0]), (right, looks[1])):
        # the same pixels are looked at: what differs is the other half's few cells within reach, and the field
        np.testing.assert_allclose(looks[2].grades[:, side], like.grades[:, side], atol=0.1)
    assert np.median(looks[0].grades) - np.median(looks[1].grades) > 0.3
    away = graded.look(frame(scene, shift=(0, 40), noise=4.0, rng=rng))
    at = 210 / 13 * (np.arange(13) + 0.5) + away.field[4, :, 1]
    np.testing.assert_array_equal(np.isfinite(away.grades[4]), (at >= 0) & (at <= 210))
    assert np.isfinite(away.grades).any()


def test_noise_does_not_pass_for_sharpness(scene, reference):
    rng = np.random.default_rng(5)
    quiet = np.mean([reference.look(frame(scene, blur=0.8, noise=1.0, rng=rng)).quality for _ in range(4)])
    noisy = np.mean([reference.look(frame(scene, blur=0.8, noise=12.0, rng=rng)).quality for _ in range(4)])
    # a sum of squares would rise threefold; the slope on the reference follows the noise through the warp only
    assert noisy == pytest.approx(quiet, rel=0.12)
    assert quiet < 0.85 * reference.look(frame(scene)).quality


@pytest.mark.parametrize("level", [0.25, 0.8, 1.6])
def test_level_is_told_and_does_not_count_as_quality(scene, reference, level):
    rng = np.random.default_rng(2)
    look = reference.look(frame(scene, shift=(3.0, -4.0), level=level, noise=2.0, rng=rng))
    assert look.level == pytest.approx(level, rel=2e-3)  # over what both see, to the nearest whole pixel
    assert look.quality == pytest.approx(1, abs=0.1)


def test_another_field_does_not_correlate(reference):
    other = reference.look(frame(sky(np.random.default_rng(99))))
    assert other.agreement < 0.35  # fitted displacements lift chance a little
    assert other.quality < 0.4


@pytest.mark.parametrize("image", [np.zeros(SHAPE, np.float32), np.full(SHAPE, 300, np.float32)])
def test_featureless_frames_give_finite_answers(reference, image):
    look = reference.look(image)
    assert np.isfinite(look.field).all()
    assert np.isfinite([look.quality, look.level, look.agreement]).all()
    assert look.agreement < 0.3  # cells cut by the border count by their share: not exactly 0


def test_a_featureless_reference_gives_finite_answers(scene):
    look = Reference(np.full(SHAPE, 300, np.float32), grid=(9, 13), noise=4.0).look(frame(scene))
    assert np.isfinite(look.field).all()
    assert np.isfinite([look.quality, look.level, look.agreement]).all()


def test_looking_does_not_change_its_inputs(scene, reference):
    image = frame(scene, shift=(1.0, 0.5))
    before, half = image.copy(), reference.image.copy()
    first = reference.look(image)
    second = reference.look(image)
    np.testing.assert_array_equal(image, before)
    np.testing.assert_array_equal(reference.image, half)
    np.testing.assert_array_equal(first.field, second.field)


def test_bands_hold_no_slow_light():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    slope = 1000 + 3 * x - 2 * y
    inner = (slice(12, -12), slice(12, -12))
    assert np.abs(structure(slope)[inner]).max() < 0.01  # symmetric kernels: float32 rounding of 1,600
    assert np.abs(fine(structure(slope))[inner]).max() < 0.01
