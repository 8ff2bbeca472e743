"""Fringes of known phase, and images without any."""

import numpy as np
import pytest
from diskmosaic.arrays.fringes import find_carrier, smooth_complex
from scipy import ndimage

SHAPE = (170, 230)


def true_phase(turn_deg, period=16.0):
    """Phase (radians) of the fringes of a gap like a paraboloid, whose vertex lies off the image at this angle."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    away = 1.2 * np.hypot(*SHAPE)
    turn = np.deg2rad(turn_deg)
    y0, x0 = SHAPE[0] / 2 + away * np.sin(turn), SHAPE[1] / 2 + away * np.cos(turn)
    return 2 * np.pi * ((y - y0) ** 2 + 0.85 * (x - x0) ** 2) / (2 * away * period)


def fringes(phase, rng, *, noise=0.01, amplitude=0.035):
    """An image of mean 0: fringes whose amplitude changes by 30 %, noise, and some grains of dust."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    strength = amplitude * (1 + 0.3 * np.cos(2 * np.pi * (0.5 * y / SHAPE[0] + 0.4 * x / SHAPE[1])))
    image = strength * np.cos(phase) + noise * rng.standard_normal(SHAPE)
    for _ in range(5):
        distance = np.hypot(y - rng.uniform(0, SHAPE[0]), x - rng.uniform(0, SHAPE[1]))
        image -= 0.12 * (distance < rng.uniform(3, 9))
    return (image - image.mean()).astype(np.float32)


def coherence(wave, phase):
    """1 where the waves agree but for a constant (and the sign of the whole phase, which nothing tells)."""
    return max(abs(np.mean(wave * np.exp(sign * 1j * phase))) for sign in (-1, 1))


@pytest.mark.parametrize("turn_deg", [0, 40, 90, 135, 200, 290])
def test_a_known_phase_is_found(turn_deg):
    phase = true_phase(turn_deg)
    carrier = find_carrier(fringes(phase, np.random.default_rng(turn_deg)))
    assert carrier is not None
    assert carrier.share > 0.5  # fringes of 3.5 % over noise of 1 % and some dust
    # errors of 0.1 rad rms would cost half a per cent; more would spoil the fringes' cancelling
    assert coherence(carrier.wave, phase) > 0.995


def test_the_gradient_is_the_phases():
    carrier = find_carrier(fringes(true_phase(40), np.random.default_rng(1)))
    down, across = np.gradient(carrier.phase.astype(float)) / np.array(2 * np.pi)
    # central differences of a quartic, and a phase of 100 rad in single precision
    np.testing.assert_allclose(carrier.gradient[1:-1, 1:-1, 0], down[1:-1, 1:-1], atol=1e-5)
    np.testing.assert_allclose(carrier.gradient[1:-1, 1:-1, 1], across[1:-1, 1:-1], atol=1e-5)


def test_a_change_of_phase_is_read_off_the_amplitudes():
    phase, rng = true_phase(60), np.random.default_rng(2)
    before, after = fringes(phase, rng), fringes(phase + 2 * np.pi * 0.35, rng)
    back = np.conj(find_carrier(before).wave)
    change = np.angle(np.sum(smooth_complex(after * back, 32) * np.conj(smooth_complex(before * back, 32))))
    assert abs(change) / (2 * np.pi) == pytest.approx(0.35, abs=0.01)  # dust of its own on each image: 0.003


def scenes():
    rng = np.random.default_rng(3)
    white = rng.standard_normal(SHAPE)
    grain = ndimage.gaussian_filter(white, 2)
    dust = fringes(true_phase(0), rng, amplitude=0.0)
    return {"noise": white, "grain": grain, "dust": dust, "nothing": np.zeros(SHAPE)}


@pytest.mark.parametrize("name", scenes())
def test_none_are_found_where_there_are_none(name):
    image = scenes()[name]
    image = image - ndimage.gaussian_filter(image, 20)
    assert find_carrier(image.astype(np.float32)) is None


def test_fringes_over_a_corner_alone_are_none():
    image = 0.01 * np.random.default_rng(4).standard_normal(SHAPE)
    image[:80, :80] += 0.035 * np.cos(true_phase(40))[:80, :80]
    # a tenth of the windows cannot tell a phase for the whole sensor
    assert find_carrier(image.astype(np.float32)) is None


def test_smoothing_takes_real_and_imaginary_part_alike():
    rng = np.random.default_rng(5)
    values = (rng.standard_normal(SHAPE) + 1j * rng.standard_normal(SHAPE)).astype(np.complex64)
    found = smooth_complex(values, 3.0)
    inner = (slice(15, -15), slice(15, -15))
    # the kernel is cut at 4 deviations here and there: 1e-4 of its weight
    for part in ("real", "imag"):
        expected = ndimage.gaussian_filter(getattr(values, part), 3.0, truncate=4)
        np.testing.assert_allclose(getattr(found, part)[inner], expected[inner], atol=2e-4)
    turned = smooth_complex((1j * values).astype(np.complex64), 3.0)
    np.testing.assert_allclose(turned, 1j * found, atol=1e-6)
