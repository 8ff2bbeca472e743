"""Shifts of what two tiles both see: without bias in thin strips, by the scales that agree."""

from dataclasses import replace

import numpy as np
from diskmosaic.placement.overlap import WARP_PX, measure, weigh
from diskmosaic.placement.scene import Scene
from diskmosaic.records.places import Pair
from scipy import ndimage

from cut_tiles import as_tile, cut


def soft(rng, shape, sigma):
    """Noise of a Gaussian's width, of rms 1."""
    noise = ndimage.gaussian_filter(rng.standard_normal(shape), sigma)
    return noise / noise.std()


def test_thin_strips_are_measured_without_bias():
    """Slow gradients of brightness, seen by one tile on this side of the strip only, drew shifts 0.02 px together."""
    rng = np.random.default_rng(8)
    scene = np.exp(0.15 * soft(rng, (400, 900), 12) + 0.015 * soft(rng, (400, 900), 2))
    off = []
    for k in range(8):
        place = np.array([10.3 + 5 * k, 100.2 + 60.37 * k])
        move = np.array([3.0 + 0.21 * k, 160 - 36 + 0.13 * k])
        tiles = [as_tile(20_000 * cut(scene, p, (300, 160)), f"s{n}") for n, p in enumerate((place, place + move))]
        off.append(measure(Scene(tiles), 0, 1, move + np.array([0.3, -0.4])).shift - move)
    # no noise: what is left is a tenth of the 0.03 px to which the pieces are brought onto each other
    assert np.abs(np.mean(off, axis=0)).max() < 0.004
    assert np.abs(off).max() < 0.01


def test_where_fine_structure_is_another_one_coarser_scales_tell():
    rng = np.random.default_rng(9)
    shape = (500, 700)
    lasting = 0.03 * soft(rng, shape, 9)
    move = np.array([4.3, 380.6])
    places = np.array([20.2, 30.4]), np.array([20.2, 30.4]) + move
    fresh, known = [], []
    for place in places:
        grains = 0.03 * soft(np.random.default_rng(int(place[1])), shape, 1.5)
        fresh.append(as_tile(20_000 * cut(np.exp(lasting + grains), place, (420, 520)), f"f{len(fresh)}"))
        known.append(as_tile(20_000 * cut(np.exp(lasting), place, (420, 520)), f"k{len(known)}"))
    found, plain = (measure(Scene(tiles), 0, 1, move + np.array([1.2, -0.9])) for tiles in (fresh, known))
    assert found.factor > 1
    assert plain.factor == 1
    # its own standard error, two axes: beyond 4 once in 3000
    assert np.hypot(*(found.shift - move)) < 4 * found.noise_px
    assert found.noise_px < 1
    np.testing.assert_allclose(plain.shift, move, atol=0.01)


def pair(a, b, residual, *, pixels=3000, noise=0.02):
    shift, centre = (0.0, 0.0), (10.0, 10.0)
    return Pair(a, b, shift, 0.9, 20.0, centre, 0.1, residual_px=residual, noise_px=noise, pixels=pixels)


def test_pairs_that_contradict_each_other_tell_warps():
    """Small overlaps hold no cells that could: their residuals do."""
    rng = np.random.default_rng(10)
    ends = [(a, b) for a in range(12) for b in range(a + 1, 12)]
    free = 1 - 12 / len(ends)
    for warp in (0.0, 0.3):
        # two axes; the solution has fitted a share of it away
        length = np.hypot(*rng.normal(0, np.sqrt(free) * np.hypot(0.02, warp * np.sqrt(20 / 23)), (2, len(ends))))
        weighed = weigh([pair(a, b, float(r)) for (a, b), r in zip(ends, length, strict=True)])
        # the median of 66 is known to a tenth
        assert abs(weighed[0].sigma_px / np.hypot(0.02, warp * np.sqrt(20 / 23)) - 1) < 0.25
    # with nothing to tell, what the air is known to leave
    alone = weigh([replace(pair(0, 1, 0.01), residual_px=np.nan)])
    np.testing.assert_allclose(alone[0].sigma_px, np.hypot(0.02, WARP_PX * np.sqrt(20 / 23)), rtol=1e-6)
