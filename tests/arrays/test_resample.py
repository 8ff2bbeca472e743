"""Moving by fractions of a pixel: exact on polynomials, close to Fourier on real structure."""

import numpy as np
import pytest
from diskmosaic.arrays.resample import lagrange_taps, sample_spline, shift_fraction, spline_coefficients
from hypothesis import given
from hypothesis import strategies as st
from scipy import fft, ndimage

part = st.floats(-0.999, 0.999)


@given(st.floats(0, 1))
def test_taps_reproduce_degree_five(fraction):
    taps = lagrange_taps(fraction)
    nodes = np.arange(6.0)
    for degree in range(6):
        # values up to 3,125 with weights of about 1: rounding of 1e-12
        assert taps @ nodes**degree == pytest.approx((2 + fraction) ** degree, abs=1e-10)


@given(part, part)
def test_a_polynomial_moves_exactly(dy, dx):
    y, x = np.mgrid[:31, :42].astype(float)
    y, x = (y - 15) / 15, (x - 20) / 20

    def surface(y, x):
        return 100 + 40 * y - 30 * x + 25 * x * y + 10 * y**5 - 12 * x**5 + 8 * y**3 * x**2

    moved = shift_fraction(surface(y, x).astype(np.float32), (dy, dx))
    expected = surface(y - dy / 15, x - dx / 20)
    inner = (slice(4, -4), slice(4, -4))
    np.testing.assert_allclose(moved[inner], expected[inner], atol=1e-4)  # float32 on 100, weights up to 2


@given(part, part)
def test_the_level_is_kept(dy, dx):
    flat = np.full((20, 27), 812.5, np.float32)
    np.testing.assert_allclose(shift_fraction(flat, (dy, dx)), 812.5, rtol=1e-6)  # to the border: edges repeat


@pytest.mark.parametrize("shift", [(0.5, 0.5), (-0.3, 0.8), (0.02, -0.97)])
def test_it_agrees_with_a_fourier_shift_on_seeing_limited_structure(shift):
    rng = np.random.default_rng(5)
    image = ndimage.gaussian_filter(rng.standard_normal((160, 210)), 1.5, mode="wrap")
    image /= image.std()
    exact = fft.ifft2(ndimage.fourier_shift(fft.fft2(image), shift)).real
    moved = shift_fraction(image.astype(np.float32), shift)
    inner = (slice(5, -5), slice(5, -5))
    # 6-point Lagrange at structure of sigma 1.5 px: 0.5 % of it left at half a pixel
    assert np.std(moved[inner] - exact[inner]) < 0.008


def test_sign_is_that_of_the_content():
    image = np.zeros((21, 30), np.float32)
    image[10, 12] = 1
    assert shift_fraction(image, (0.9, -0.9))[11, 11] > 0.7
    y, x = ndimage.center_of_mass(shift_fraction(image, (0.25, -0.4)))
    assert (y, x) == pytest.approx((10.25, 11.6), abs=1e-5)  # the taps keep the first moment


def test_there_and_back():
    image = ndimage.gaussian_filter(np.random.default_rng(2).standard_normal((90, 120)), 2.0).astype(np.float32)
    back = shift_fraction(shift_fraction(image, (0.4, -0.3)), (-0.4, 0.3))
    inner = (slice(6, -6), slice(6, -6))
    assert np.std((back - image)[inner]) < 0.003 * np.std(image)  # twice the error at sigma 2 px


def test_splines_hit_the_samples_and_follow_a_cubic():
    y, x = np.mgrid[:40, :53].astype(float)
    image = (50 + 0.3 * y - 0.2 * x + 0.01 * x * y + 1e-4 * y**3).astype(np.float32)
    coefficients = spline_coefficients(image)
    np.testing.assert_allclose(sample_spline(coefficients, y, x), image, rtol=1e-5)  # float32
    rows, columns = y[14:-14, 14:-14] + 0.37, x[14:-14, 14:-14] - 0.81
    expected = 50 + 0.3 * rows - 0.2 * columns + 0.01 * rows * columns + 1e-4 * rows**3
    # 14 px in, the mirrored border's ripple has died to 1e-7 (it falls by 3.7 a pixel)
    np.testing.assert_allclose(sample_spline(coefficients, rows, columns), expected, rtol=2e-6)
