"""Frames laid onto a finer grid: against the drizzle package, and what light and noise must do."""

import numpy as np
import pytest
from diskmosaic.arrays.drops import drop, noise_of_drops, places_of
from drizzle.resample import Drizzle
from scipy import ndimage

SHAPE = (61, 83)
ROOM = 12  # px of the frame around it: where a border cuts pixels the package leaves out whole lines


def displacement(field, shape):
    """The field at every pixel, (2, h, w): linear between the cells' centres, held beyond the outer ones."""
    axes = []
    for size, cells in zip(shape, field.shape[:2], strict=True):
        axes.append(np.clip((np.arange(size) + 0.5) / (size / cells) - 0.5, 0, cells - 1))
    at = np.meshgrid(*axes, indexing="ij")
    return np.stack([ndimage.map_coordinates(field[..., k].astype(float), at, order=1) for k in (0, 1)])


def fine_sums(factor, room=ROOM):
    return np.zeros((2, *(int((n + room) * factor) for n in SHAPE)), np.float32)


def both(factor, share, size, seed=1):
    """Three frames by `drop` and by the package on the same map: sums (2, H, W) each, and the frames' light."""
    rng = np.random.default_rng(seed)
    sums = fine_sums(factor)
    package = Drizzle(kernel="turbo", out_shape=sums.shape[1:], fillval=0.0)
    y, x = np.indices(SHAPE)
    light = 0.0
    for _ in range(3):
        frame = rng.normal(10, 2, SHAPE).astype(np.float32)
        # sampled from about -6 px on: its pixels lie 6 px further on the canvas
        field = rng.uniform(-6.9, -5.1, 2) + size * rng.standard_normal((3, 4, 2))
        places = places_of(field.astype(np.float32), SHAPE)
        uy, ux = displacement(places, SHAPE)
        pixmap = np.stack([(x + ux + 0.5) * factor - 0.5, (y + uy + 0.5) * factor - 0.5], axis=-1)
        package.add_image(frame, 1.0, pixmap, pixel_scale_ratio=1 / factor, pixfrac=share, in_units="cps")
        drop(frame, places, factor, share, sums, slice(0, sums.shape[1]))
        light += float(frame.sum(dtype=np.float64))
    # the package spreads a weight of 1 a pixel of the frame over the factor^2 finer ones, here each of them has 1
    weight = package.out_wht * factor**2
    return sums, np.stack([package.out_img * weight, weight]), light


@pytest.mark.parametrize(("factor", "share"), [(1.0, 1.0), (1.7, 0.6), (2.0, 0.7), (3.0, 1.0), (3.0, 0.2)])
def test_light_and_weight_are_those_of_the_drizzle_package(factor, share):
    ours, theirs, light = both(factor, share, size=0.0)
    # single precision: places are right to 1e-5 px of 250, weights (up to 1/share^2 a frame) to some of that
    np.testing.assert_allclose(ours[1], theirs[1], atol=1e-4 / share)
    np.testing.assert_allclose(ours[0], theirs[0], atol=1e-3 / share)
    # flux: every pixel's light is there once, times the finer pixels to a pixel
    assert ours[0].sum(dtype=np.float64) == pytest.approx(light * factor**2, rel=1e-5)


@pytest.mark.parametrize(("factor", "share"), [(1.7, 0.6), (2.0, 0.7), (3.0, 1.0)])
def test_warped_frames_too_but_for_the_shear_of_single_pixels(factor, share):
    ours, theirs, light = both(factor, share, size=0.3)
    assert ours[0].sum(dtype=np.float64) == pytest.approx(light * factor**2, rel=1e-5)
    assert ours[1].sum(dtype=np.float64) == pytest.approx(theirs[1].sum(dtype=np.float64), rel=1e-5)
    # the field's slopes are 0.3 px over a cell of 20 px, some times that at most: over half a pixel the shear moves an
    # edge by 0.01 px rms, which the package's upright squares do not have
    assert np.sqrt(np.mean((ours[1] - theirs[1]) ** 2)) < 0.01 * factor
    assert np.abs(ours[1] - theirs[1]).max() < 0.1 * factor


def test_threads_may_share_the_rows():
    rng = np.random.default_rng(2)
    frame = rng.normal(10, 2, SHAPE).astype(np.float32)
    places = places_of((3 * rng.standard_normal((3, 4, 2))).astype(np.float32), SHAPE)
    whole, parts = fine_sums(2.0, 0), fine_sums(2.0, 0)
    drop(frame, places, 2.0, 0.7, whole, slice(0, whole.shape[1]))
    for start in range(0, whole.shape[1], 17):
        drop(frame, places, 2.0, 0.7, parts, slice(start, min(start + 17, whole.shape[1])))
    assert whole.any()
    np.testing.assert_array_equal(parts, whole)


def test_a_frame_goes_to_where_it_was_sampled():
    rng = np.random.default_rng(3)
    scene = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 3).astype(np.float32)
    scene /= scene.std()
    field = (np.array([1.3, -2.2]) + 0.3 * rng.standard_normal((3, 4, 2))).astype(np.float32)
    sums = np.zeros((2, *SHAPE), np.float32)
    drop(scene, places_of(field, SHAPE), 1.0, 1.0, sums, slice(0, SHAPE[0]))
    # whole pixels on a grid as coarse as theirs: the shares are those of linear interpolation
    uy, ux = displacement(field, SHAPE)
    y, x = np.indices(SHAPE)
    sampled = ndimage.map_coordinates(scene, [y + uy, x + ux], order=1)
    inner = (slice(6, -6), slice(6, -6))
    error = sums[0][inner] / sums[1][inner] - sampled[inner]
    # the field bends at its nodes by 0.03 px a px rms, the inverse 2 px beside them: 0.04 px there, of a scene whose
    # slopes are 0.24 rms a px (the air's fields bend by a tenth of that)
    assert np.sqrt(np.mean(error**2)) < 0.015
    assert np.abs(np.mean(error)) < 2e-3


def test_places_undo_the_field():
    rng = np.random.default_rng(4)
    field = (np.array([40.3, -7.2]) + 0.3 * rng.standard_normal((6, 8, 2))).astype(np.float32)
    places = places_of(field, SHAPE)
    # at a cell's centre y: v = -u(y + v)
    steps = [n / c for n, c in zip(SHAPE, field.shape[:2], strict=True)]
    rows, columns = np.indices(field.shape[:2])
    at = (rows + places[..., 0] / steps[0], columns + places[..., 1] / steps[1])
    for axis in (0, 1):
        there = ndimage.map_coordinates(field[..., axis].astype(float), at, order=1, mode="nearest")
        # slopes of 0.05 px a px: four rounds leave 1e-5 of a px, interpolation in 1/32 steps would be 0.01
        np.testing.assert_allclose(places[..., axis], -there, atol=2e-3)


@pytest.mark.parametrize(("factor", "share"), [(2.0, 0.7), (3.0, 0.2), (1.5, 1.0)])
def test_noise_of_finer_pixels_follows_the_publication(factor, share):
    rng = np.random.default_rng(5)
    count, sums = 400, fine_sums(factor, 0)
    for _ in range(count):
        frame = rng.standard_normal(SHAPE).astype(np.float32)
        field = np.full((1, 1, 2), rng.uniform(-2, 2, 2), np.float32)
        drop(frame, places_of(field, SHAPE), factor, share, sums, slice(0, sums.shape[1]))
    inner = (slice(10, -10), slice(10, -10))
    mean = sums[0][inner] / sums[1][inner]
    expected = noise_of_drops(factor, share) / np.sqrt(count)
    # with small shares the number of frames that reach a pixel varies, which makes 1 + 1/(2 n) of it; n is 16 or more
    assert mean.std() == pytest.approx(expected, rel=0.06)
    # Fruchter & Hook 2002, equations 9 and 10 (the ratio after Casertano et al. 2000), from memory: noise of means over
    # large areas over what independent pixels of this noise would give, with r the pixel's over the finer pixel's side
    r = share * factor
    ratio = r / (1 - 1 / (3 * r)) if r >= 1 else 1 / (1 - r / 3)
    assert factor / noise_of_drops(factor, share) == pytest.approx(ratio)
