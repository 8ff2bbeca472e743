"""The overall tilt: what roundness, gains and the flat say, and how sure they are."""

import numpy as np
import pytest
from diskmosaic.levels.tilt import (
    Roundness,
    Tilt,
    combine,
    tilt_by_flat,
    tilt_by_gains,
    tilt_by_roundness,
    tilt_of_bare_sensor,
    with_flat,
)


def disk(rng, tilt=(0.0, 0.0), waves=0.0, n=6000):
    """Places on a disk and their log brightness: limb darkening, a tilt, waves that go round 2 to 4 times, as 1/m."""
    at = rng.uniform(-0.95, 0.95, (n, 2))
    at = at[np.hypot(*at.T) < 0.95]
    r, angle = np.hypot(*at.T), np.arctan2(at[:, 0], at[:, 1])
    value = np.log(1 - 0.5 * (1 - np.sqrt(1 - r**2))) + at @ np.array(tilt) + 0.01 * rng.standard_normal(len(at))
    for m in (2, 3, 4):
        value += r * waves / m * (rng.standard_normal() * np.sin(m * angle) + rng.standard_normal() * np.cos(m * angle))
    return value, at


def test_a_round_sun_tells_its_tilt():
    value, at = disk(np.random.default_rng(1), tilt=(0.04, -0.02))
    found = tilt_by_roundness(value, at).tilt
    np.testing.assert_allclose(found.slope, (0.04, -0.02), atol=1.5e-3)  # 4,000 places with 1 % of noise
    assert found.sigma < 1.5e-3


def test_plage_and_spots_do_not_pull():
    value, at = disk(np.random.default_rng(2))
    plage = np.hypot(at[:, 0] - 0.4, at[:, 1] + 0.3) < 0.25
    value[plage] += 0.5
    value[np.hypot(at[:, 0] + 0.5, at[:, 1]) < 0.1] -= 1.0
    found = tilt_by_roundness(value, at).tilt
    # 5 % of the disk half as bright again would tilt a plain fit by 8 % a radius
    assert found.size < 4e-3


def test_a_sun_that_is_not_round_says_so():
    pulls = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        own = 0.02 * rng.standard_normal(2)
        value, at = disk(rng, tilt=own, waves=0.02)
        found = tilt_by_roundness(value, at).tilt
        pulls.append(own / found.sigma)
    # an error told by six amplitudes: Student's t of 6 degrees, whose median size is 0.72 (tables), here in units of
    # its standard deviation sqrt(6/4): 0.59; 24 draws scatter it by 0.14
    assert 0.31 < np.median(np.abs(pulls)) < 0.87


def test_too_little_disk_says_nothing():
    value, at = disk(np.random.default_rng(3))
    wedge = (at[:, 0] > 0) & (np.abs(at[:, 1]) < 0.2 * at[:, 0])
    assert tilt_by_roundness(value[wedge], at[wedge]) is None
    assert tilt_by_roundness(value[:50], at[:50]) is None


def test_half_a_disk_does_not_tell_once_from_three_times_round():
    value, at = disk(np.random.default_rng(7), n=20_000)
    quarter = (at[:, 0] > 0) & (at[:, 1] > 0)
    # three quarters still tell it: 0.5 % a radius, 1 % of noise on 10,000 places and waves that may be
    found = tilt_by_roundness(value[~quarter], at[~quarter]).tilt
    assert found.size < 3 * found.sigma < 0.03
    for half in (at[:, 0] > 0, at[:, 1] < 0.1):
        assert tilt_by_roundness(value[half], at[half]) is None


def test_gains_that_rise_across_the_disk_are_a_tilt_unless_time_explains_them():
    rng = np.random.default_rng(4)
    at = rng.uniform(-0.7, 0.7, (14, 2))
    times = np.arange(14.0) * 60
    gains = -at @ np.array([0.05, 0.02]) + 0.003 * rng.standard_normal(14)
    found = tilt_by_gains(gains, at, None)
    np.testing.assert_allclose(found.slope, (0.05, 0.02), atol=3 * found.sigma)
    assert found.sigma < 6e-3
    sinking = gains + 4e-5 * times
    np.testing.assert_allclose(
        tilt_by_gains(sinking, at, times).slope, tilt_by_gains(gains, at, times).slope, atol=1e-9
    )
    assert tilt_by_gains(gains[:3], at[:3], None) is None


def test_uneven_gains_hardly_speak():
    rng = np.random.default_rng(5)
    at = rng.uniform(-0.7, 0.7, (12, 2))
    assert tilt_by_gains(np.log(rng.uniform(0.8, 1.0, 12)), at, None).sigma > 0.02


def test_flat_and_roundness_of_the_same_sun_err_together():
    """Where the disk tells its roundness well, a flat has no say: against the average that draws of both make best."""
    rng = np.random.default_rng(6)
    own, pointing, blind = 0.03, 0.024, 0.005
    sun, off, noise = (size * rng.standard_normal(20_000) for size in (own, pointing, blind))
    sensor = -(sun + off)  # what a flat of that Sun leaves on the sensor
    errors = np.stack([(sun + sensor + noise) - sensor, 0 - sensor])  # of roundness, and of the belief in 0
    weights = np.linalg.solve(np.cov(errors), np.ones(2))
    best = weights[0] / weights.sum()
    found = with_flat(Roundness(Tilt(np.array([0.1, -0.05]), (own**2 + blind**2) * np.eye(2)), own**2, 0.4))
    assert found.slope == pytest.approx(best * np.array([0.1, -0.05]), rel=0.02)  # 20,000 draws: 1 % of the weights
    assert best > 0.9


def test_a_part_of_the_disk_leaves_the_word_to_the_flat():
    blind = Roundness(Tilt(np.array([0.4, 0.0]), np.diag([0.3**2, 0.01**2])), 1e-6, 0.4)
    found = with_flat(blind)
    assert abs(found.slope[0]) < 0.01  # of 0.4 +- 0.3
    assert tilt_by_flat(blind).sigma == pytest.approx(np.hypot(0.024, 1e-3), rel=1e-3)  # 2 * 0.4 * 0.03
    assert found.sigma <= tilt_by_flat(blind).sigma


def test_a_bare_sensor_may_have_a_slope_of_its_own():
    np.testing.assert_allclose(tilt_of_bare_sensor(np.array([0.3, 0.4])).covariance, np.diag([1 / 36, 1 / 64]))


def test_averages_go_by_inverse_covariance():
    a, b = Tilt(np.array([0.02, 0.0]), np.diag([1e-4, 1e-4])), Tilt(np.array([0.0, 0.03]), np.diag([1e-4, 3e-4]))
    both = combine([a, b])
    np.testing.assert_allclose(both.slope, [0.01, 0.0075])
    np.testing.assert_allclose(np.diag(both.covariance), [0.5e-4, 0.75e-4])
