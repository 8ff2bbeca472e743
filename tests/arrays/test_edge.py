"""The blurred edge of a limb-darkened disk, against plain numerical convolution."""

import numpy as np
import pytest
from diskmosaic.arrays.edge import blurred_haze, blurred_parts, fit_edge, standard_blur, steepest
from scipy import ndimage

FINE = 0.01


def convolved(step, rise, radius, blur):
    """Offsets and light, convolved with scipy's Gaussian on a grid of 0.01 px."""
    x = np.arange(-40, 40, FINE)
    light = np.where(x < 0, step + rise * np.sqrt(np.clip(1 - (1 + np.minimum(x, 0) / radius) ** 2, 0, 1)), 0)
    return x, ndimage.gaussian_filter1d(light, blur / FINE)


@pytest.mark.parametrize("radius", [190.0, 811.0, 1623.0])
@pytest.mark.parametrize("blur", [0.8, 1.5, 2.5])
def test_blur_draws_the_steepest_place_inwards(radius, blur):
    x, light = convolved(0.4, 0.6, radius, blur)
    expected = x[np.argmax(-np.gradient(light))]
    assert steepest(0.4, 0.6, radius, blur) == pytest.approx(expected, abs=2 * FINE)
    assert expected < 0
    assert steepest(1.0, 0.0, radius, blur) == pytest.approx(0, abs=1e-3)  # a plain step stays


@pytest.mark.parametrize("shift", [-1.3, 0.0, 0.7])
@pytest.mark.parametrize("blur", [0.7, 1.4, 2.4])
def test_shift_and_blur_are_found_whatever_the_blur(shift, blur):
    x, light = convolved(0.35, 0.65, 800.0, blur)
    offsets = np.arange(-6, 6.01, 0.5)
    edge = fit_edge(offsets, 3000 * np.interp(offsets - shift, x, light) + 20, 800.0)
    # cells of 0.05 px stand for the root at the edge: a few thousandths
    assert edge.shift_px == pytest.approx(shift, abs=0.01)
    assert edge.blur_px == pytest.approx(blur, abs=0.02)
    assert edge.steepest_px == pytest.approx(shift + steepest(0.35, 0.65, 800.0, standard_blur(800.0)), abs=0.01)


def test_no_falling_edge_is_none():
    offsets = np.arange(-6, 6.01, 0.5)
    assert fit_edge(offsets, 100 - 80.0 * (offsets < 0), 800.0) is None
    assert fit_edge(offsets, np.full(len(offsets), 5.0), 800.0) is None


@pytest.mark.parametrize(("blur", "reach"), [(0.8, 2.0), (1.5, 0.7), (2.5, 12.0)])
def test_haze_is_an_exponential_outside_blurred(blur, reach):
    x = np.arange(-60, 160, FINE)
    haze = np.where(x > 0, np.exp(-np.maximum(x, 0) / reach), 0)
    expected = ndimage.gaussian_filter1d(haze, blur / FINE, truncate=6)
    near = np.abs(x) < 20
    # the grid's step of 0.01 px shifts the edge by half of it: 0.005 px times the steepest slope, 0.4 / blur
    np.testing.assert_allclose(blurred_haze(x, blur, reach)[near], expected[near], atol=0.005 * 0.4 / blur + 1e-4)


def test_parts_are_a_step_and_the_cosine_of_the_sphere():
    x, light = convolved(0.35, 0.65, 800.0, 1.2)
    near = np.abs(x) < 20
    step, cosine = blurred_parts(x[near][::25], 1.2, 800.0)
    # cells of 0.05 to 0.15 px stand for the root at the edge
    np.testing.assert_allclose(0.35 * step + 0.65 * cosine, light[near][::25], atol=2e-3)
