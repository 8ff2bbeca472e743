"""Dust that images share: found, its outline, and what is not dust left alone."""

import numpy as np
import pytest
from diskmosaic.arrays.specks import find_specks, predict_specks
from scipy import ndimage

SHAPE = (140, 190)
COUNT = 10
GRAINS = ((40, 50, 5, 0.20), (95, 70, 9, 0.08), (60, 140, 3, 0.12))
"""Row, column, radius, depth."""


def scene(rng, rms=0.03):
    image = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 2.0)
    image -= ndimage.gaussian_filter(image, 20)
    return (rms * image / image.std()).astype(np.float32)


def dust(grains=GRAINS):
    """Logarithm of sharp-edged shadows."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.zeros(SHAPE)
    for row, column, radius, depth in grains:
        distance = np.hypot(y - row, x - column)
        light += np.log(1 - depth * np.clip(radius - distance + 0.5, 0, 1))
    return light.astype(np.float32)


def even(count=COUNT):
    return [np.full(SHAPE, np.float32(1 / 0.03**2))] * count


def test_dust_is_found_in_every_image_and_its_edge_too():
    rng, common = np.random.default_rng(1), dust()
    found = predict_specks([scene(rng) + common for _ in range(COUNT)], even(), min_images=5)
    for row, column, radius, depth in GRAINS:
        window = (slice(row - radius - 3, row + radius + 4), slice(column - radius - 3, column + radius + 4))
        for one in found:
            size = np.sum(one[window] * common[window]) / np.sum(common[window] ** 2)
            # the mean of nine scenes of 3 % over a grain 8 to 20 % deep, correlated over 2 px
            assert size == pytest.approx(1, abs=0.1 + 0.01 / depth)
    mean = np.mean(found, axis=0)
    edges = np.hypot(*np.gradient(common)) > 0.03
    left = (common - mean)[edges]
    assert np.std(left) < 0.15 * np.std(common[edges])


def test_the_outline_holds_the_grains_and_little_else():
    rng, common = np.random.default_rng(2), dust()
    outline = find_specks([scene(rng) + common for _ in range(COUNT)], even())
    inside = common < -0.5 * 0.08
    assert outline[inside].all()
    # the widest Gaussian is of 8 px: a deep grain stands out to 1.5 of it, and is widened by one more
    far = ndimage.distance_transform_edt(common == 0) > 20
    assert outline[far].mean() < 0.01
    assert outline.mean() < 0.25


def test_nothing_shared_nothing_found():
    rng = np.random.default_rng(3)
    images = [scene(rng) for _ in range(COUNT)]
    found = predict_specks(images, even(), min_images=5)
    # the mean over nine others has a third of the scenes' rms; a twentieth of that may pass
    assert max(one.std() for one in found) < 0.05 * 0.01
    assert find_specks(images, even()).mean() < 0.002


def test_a_spot_in_one_image_stays_there():
    rng, common = np.random.default_rng(4), dust()
    images = [scene(rng) + common for _ in range(COUNT)]
    spot = dust(((100, 150, 8, 0.3),))
    images[2] = images[2] + spot
    found = predict_specks(images, even(), min_images=5)
    near = spot < 0
    assert abs(np.sum(found[2][near] * spot[near]) / np.sum(spot[near] ** 2)) < 0.02
    # nor is it put into the others: a ninth of it is what a plain mean would do
    others = [np.sum(one[near] * spot[near]) / np.sum(spot[near] ** 2) for k, one in enumerate(found) if k != 2]
    assert np.max(np.abs(others)) < 0.08


def test_images_without_weight_have_no_say_and_are_mended_all_the_same():
    rng, common = np.random.default_rng(5), dust()
    images, weights = [scene(rng) + common for _ in range(COUNT)], even()
    images[0], weights[0] = np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32)
    found = predict_specks(images, weights, min_images=4)
    without = predict_specks(images[1:], weights[1:], min_images=4)
    np.testing.assert_allclose(found[1], without[0], atol=1e-6)
    inside = common < -0.04
    assert np.sum(found[0][inside] * common[inside]) / np.sum(common[inside] ** 2) == pytest.approx(1, abs=0.15)


def test_places_that_few_images_see_are_left_alone():
    rng, common = np.random.default_rng(6), dust()
    weights = [weight.copy() for weight in even()]
    for weight in weights[4:]:
        weight[:, 100:] = 0
    images = [np.where(weight > 0, scene(rng) + common, 0).astype(np.float32) for weight in weights]
    found = predict_specks(images, weights, min_images=5)
    assert all(not one[:, 100:].any() for one in found)
    assert np.mean(found, axis=0)[40, 50] == pytest.approx(
        np.log(0.8), abs=0.04
    )  # nine scenes of 3 %, twice their error


def test_no_light_at_all_is_no_speck():
    blank = [np.zeros(SHAPE, np.float32)] * 6
    assert not find_specks(blank, blank).any()
    assert not np.any(predict_specks(blank, blank, min_images=5))
