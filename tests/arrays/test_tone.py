"""The tone curve: monotone, unclipped, honest about spots."""

import numpy as np
import pytest
from diskmosaic.arrays.tone import Tone, apply_tone, fit_tone


@pytest.fixture
def disk_light():
    """Quiet Sun of 4 % contrast, a spot of 0.02 % of the area down to a tenth of the light, and a flare."""
    rng = np.random.default_rng(5)
    light = rng.normal(1000, 40, 200_000)
    light[:40] = np.linspace(100, 300, 40)
    light[40:60] = np.linspace(2000, 3000, 20)
    return light.astype(np.float32)


@pytest.mark.parametrize("gamma", [0.6, 1.0, 1.7])
def test_curve_rises_without_clipping(disk_light, gamma):
    tone = fit_tone(disk_light, gamma=gamma)
    light = np.linspace(1, 5000, 3000)
    picture = apply_tone(light, tone)
    assert (np.diff(picture) > 0).all()
    assert picture.min() > 0
    assert picture.max() < 1


def test_fine_structure_has_most_of_the_range_and_spots_are_not_crushed(disk_light):
    picture = apply_tone(disk_light, fit_tone(disk_light, gamma=1.0))
    quiet = picture[60:]
    assert np.percentile(quiet, 99) - np.percentile(quiet, 1) > 0.2  # of the range
    spot = np.rint(picture[:40] * 65535)
    assert len(np.unique(spot)) == 40  # every level in the spot is still its own
    assert spot[-1] - spot[0] > 0.01 * 65535  # and the eye can tell its core from its rim
    assert (spot < 65535 * np.percentile(quiet, 0.5)).all()


def test_quiet_sun_is_gray_and_not_white(disk_light):
    assert 0.3 < np.median(apply_tone(disk_light, fit_tone(disk_light, gamma=1.0))) < 0.75


def test_gamma_one_is_straight_in_the_middle():
    tone = Tone(black=100, white=1100, gamma=1.0)
    values = apply_tone(np.linspace(300, 900, 7), tone)
    np.testing.assert_allclose(np.diff(values), np.diff(values)[0], rtol=1e-5)  # float32


def test_no_light_and_nan_are_black():
    tone = Tone(black=100, white=1100, gamma=0.8)
    assert apply_tone(np.array([0, -5, np.nan]), tone).tolist() == [0, 0, 0]


def test_even_disk_is_not_stretched_to_noise():
    light = 1000 + np.random.default_rng(1).normal(0, 0.1, 5000)
    picture = apply_tone(light, fit_tone(light, gamma=1.0))
    assert np.ptp(picture) < 0.05  # 1e-3 of the light, stretched 20 times at most


@pytest.mark.parametrize("light", [np.zeros(9), -np.ones(9)])
def test_darkness_is_black(light):
    assert (apply_tone(light, fit_tone(light, gamma=0.8)) == 0).all()


def test_nothing_to_see_is_refused():
    with pytest.raises(ValueError, match="at least one finite"):
        fit_tone(np.full(3, np.nan), gamma=1.0)
