"""Ring levels and the quiet curve, on disks of known profile."""

import numpy as np
import pytest
from diskmosaic.arrays.radial import RING, QuietProfile, radius_map, ring_quiet

CENTRE, RADIUS, SHAPE = (203.3, 231.8), 190.0, (405, 470)
EDGES = np.arange(0, 1 + RING, RING)


def disk(rng=None, noise=0.0):
    r = radius_map(SHAPE, CENTRE, RADIUS)
    light = 1000 * (1 - 0.6 * (1 - np.sqrt(np.clip(1 - r * r, 0, 1)))) * (r < 1)
    if noise:
        light = light * (1 + noise * rng.standard_normal(SHAPE))
    return light.astype(np.float32), r


def law(r):
    return 1000 * (1 - 0.6 * (1 - np.sqrt(1 - r * r)))


def test_radii_are_those_of_the_circle():
    r = radius_map((7, 9), (3.0, 4.0), 2.0)
    assert r.dtype == np.float32
    assert r[3, 4] == 0
    assert r[3, 8] == 2
    assert r[0, 0] == pytest.approx(2.5)


def test_ring_levels_follow_the_law():
    light, r = disk(np.random.default_rng(1), 0.03)
    centre, level, count = ring_quiet(light, r, EDGES)
    use = (count > 50) & (centre < 0.98)
    # a median of n values with 3 % noise: 1.25 * 3 % / sqrt(n); 250 rings, hence 4 deviations
    miss = np.abs(level / law(np.where(use, centre, 0)) - 1)[use]
    assert (miss < 4 * 1.2533 * 0.03 / np.sqrt(count[use]) + 1e-3).all()
    assert count.sum() == ((r >= 0) & (r < EDGES[-1])).sum()


def test_active_regions_and_filaments_are_not_quiet():
    light, r = disk(np.random.default_rng(2), 0.02)
    spoilt = light.copy()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spoilt[(np.abs(y - 203) < 25) & (x > 231)] *= 1.5  # plage over 8 % of most rings, all on one side
    spoilt[(np.abs(y - 260) < 6) & (x < 231)] *= 0.6
    level = ring_quiet(spoilt, r, EDGES)[1]
    clean = ring_quiet(light, r, EDGES)[1]
    outer = slice(100, 240)
    # the mean would be off by 3 %, a plain median by 0.38 % in the worst ring; clipped 0.13 %
    assert np.nanmax(np.abs(level[outer] / clean[outer] - 1)) < 0.0025


def test_unknown_pixels_are_left_out():
    light, r = disk()
    light[:, :200] = np.nan
    centre, level, count = ring_quiet(light, r, EDGES)
    use = np.isfinite(level) & (centre < 0.98)
    assert use.sum() > 200
    np.testing.assert_allclose(level[use], law(centre[use]), rtol=2e-3)  # within a ring of 0.8 px
    assert count.sum() == (np.isfinite(light) & (r < EDGES[-1])).sum()


def test_curve_is_smooth_flat_at_the_centre_and_ends_before_the_edge():
    light, r = disk(np.random.default_rng(3), 0.05)
    curve = QuietProfile(*ring_quiet(light, r, EDGES), last=1 - 3 / RADIUS)
    at = np.linspace(0, 0.97, 400).astype(np.float32)
    # 5 % noise over 110,000 pixels; the innermost 0.1 R holds 1 % of them
    np.testing.assert_allclose(curve(at)[40:], law(at)[40:], rtol=3e-3)
    assert abs(curve(np.float32([0.02]))[0] / curve(np.float32([0.0]))[0] - 1) < 1e-3
    beyond = curve(np.float32([1.0, 1.05, 1.5]))
    assert (beyond > 0).all()
    assert beyond[2] == pytest.approx(beyond[1], rel=1e-3)  # held: sky must not be divided by ever less


@pytest.mark.parametrize("keep", ["half", "ring"])
def test_partial_disks_have_a_curve(keep):
    light, r = disk(np.random.default_rng(4), 0.02)
    if keep == "half":
        light[:, :240] = np.nan
    else:
        light[(r > 0.35) & (r < 0.65)] = np.nan  # knots without data between them
    curve = QuietProfile(*ring_quiet(light, r, EDGES), last=1 - 3 / RADIUS)
    at = np.linspace(0.7, 0.96, 60).astype(np.float32)
    np.testing.assert_allclose(curve(at), law(at), rtol=6e-3)


def test_too_little_is_refused():
    with pytest.raises(ValueError, match="at least 8"):
        QuietProfile(np.full(9, np.nan), np.full(9, np.nan), np.zeros(9), last=0.98)
