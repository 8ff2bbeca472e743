"""Ring levels and the quiet curve, on disks of known profile."""

import numpy as np
import pytest
from diskmosaic.arrays.radial import RING, QuietProfile, radius_map, ring_quiet, sky_curve

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
    centre, level, count = ring_quiet(light, CENTRE, RADIUS, EDGES)
    use = (count > 50) & (centre < 0.98)
    # a median of n values with 3 % noise: 1.25 * 3 % / sqrt(n); 250 rings, hence 4 deviations
    miss = np.abs(level / law(np.where(use, centre, 0)) - 1)[use]
    assert (miss < 4 * 1.2533 * 0.03 / np.sqrt(count[use]) + 1e-3).all()
    assert count.sum() == ((r >= 0) & (r < EDGES[-1])).sum()


def test_active_regions_and_filaments_are_not_quiet():
    light, _ = disk(np.random.default_rng(2), 0.02)
    spoilt = light.copy()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spoilt[(np.abs(y - 203) < 25) & (x > 231)] *= 1.5  # plage over 8 % of most rings, all on one side
    spoilt[(np.abs(y - 260) < 6) & (x < 231)] *= 0.6
    level = ring_quiet(spoilt, CENTRE, RADIUS, EDGES)[1]
    clean = ring_quiet(light, CENTRE, RADIUS, EDGES)[1]
    outer = slice(100, 240)
    # the mean would be off by 3 %, a plain median by 0.38 % in the worst ring; clipped 0.13 %
    assert np.nanmax(np.abs(level[outer] / clean[outer] - 1)) < 0.0025


def test_unknown_pixels_are_left_out():
    light, r = disk()
    light[:, :200] = np.nan
    centre, level, count = ring_quiet(light, CENTRE, RADIUS, EDGES)
    use = np.isfinite(level) & (centre < 0.98)
    assert use.sum() > 200
    np.testing.assert_allclose(level[use], law(centre[use]), rtol=2e-3)  # within a ring of 0.8 px
    assert count.sum() == (np.isfinite(light) & (r < EDGES[-1])).sum()


def test_curve_is_smooth_flat_at_the_centre_and_ends_before_the_edge():
    light, _ = disk(np.random.default_rng(3), 0.05)
    curve = QuietProfile(*ring_quiet(light, CENTRE, RADIUS, EDGES), last=1 - 3 / RADIUS)
    at = np.linspace(0, 0.97, 400).astype(np.float32)
    # 5 % noise; between knots at 0.1 R lie 1,100 pixels, whose median is right to 0.19 %: 2.6 deviations
    np.testing.assert_allclose(curve(at)[40:], law(at)[40:], rtol=5e-3)
    np.testing.assert_allclose(curve(at)[160:], law(at)[160:], rtol=3e-3)
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
    curve = QuietProfile(*ring_quiet(light, CENTRE, RADIUS, EDGES), last=1 - 3 / RADIUS)
    at = np.linspace(0.7, 0.96, 60).astype(np.float32)
    np.testing.assert_allclose(curve(at), law(at), rtol=6e-3)


def test_too_little_is_refused():
    with pytest.raises(ValueError, match="at least 8"):
        QuietProfile(np.full(9, np.nan), np.full(9, np.nan), np.zeros(9), last=0.98)


def test_a_published_shape_takes_the_measured_level():
    light, r = disk(np.random.default_rng(6), 0.02)
    rings = ring_quiet(light, CENTRE, RADIUS, EDGES)
    curve = QuietProfile(*rings, last=0.98, law=lambda at: 1 - 0.5 * (1 - np.sqrt(1 - at * at)))
    at = np.float32([0.0, 0.5, 0.95])
    shape = curve(at) / curve(at[:1])
    np.testing.assert_allclose(shape, 1 - 0.5 * (1 - np.sqrt(1 - at * at)), rtol=1e-4)  # not 0.6, which was measured
    # the shapes part by 4 % inside 0.9 radii: the level is the middle's
    assert np.median((light / curve(r))[r < 0.9]) == pytest.approx(1, abs=0.025)


def test_large_rings_are_looked_at_in_part_and_evenly():
    rng = np.random.default_rng(7)
    shape, centre, radius = (700, 760), (350.2, 380.4), 330.0
    light = (100 + rng.standard_normal(shape)).astype(np.float32)
    light[:, 400:] += 10  # more than half of each ring stays at 100: a look at one side only would be wrong
    light[:, :320] += 10
    edges = np.array([0.0, 0.3, 0.9])
    _, level, count = ring_quiet(light, centre, radius, edges)
    inside = radius_map(shape, centre, radius)
    every = [np.median(light[(inside >= a) & (inside < b)]) for a, b in ((0, 0.3), (0.3, 0.9))]
    assert count[0] == (inside < 0.3).sum()
    assert 40_000 < count[1] < 80_000  # of 246,000
    np.testing.assert_allclose(level, every, atol=0.5)


def test_radii_of_an_ellipse():
    r = radius_map((81, 101), (40.0, 50.0), 30.0, oval=(3.0, 0.0), rows=slice(38, 81))
    assert r.shape == (43, 101)
    assert r[2, 50 + 33] == pytest.approx(1)  # along x: 30 + 3
    assert r[2 + 27, 50] == pytest.approx(1)  # along y: 30 - 3


@pytest.mark.parametrize(("glow", "reach"), [(0.0, 0.1), (5.0, 0.06), (20.0, 0.3)])
def test_stray_light_is_a_constant_and_a_fading_glow(glow, reach):
    rng = np.random.default_rng(8)
    at = np.arange(1.035, 1.3, 0.01)
    level = 3 + glow * np.exp(-(at - 1) / reach) + 0.02 * rng.standard_normal(len(at))
    curve = sky_curve(at, level, np.full(len(at), 1000))
    # reaches are tried in steps of a half: 3 % of the glow between them
    np.testing.assert_allclose(curve(at), 3 + glow * np.exp(-(at - 1) / reach), atol=0.05 + 0.03 * glow)
    np.testing.assert_array_equal(sky_curve(at[:2], level[:2], np.full(2, 10))(at), 0)  # too little sky: none
