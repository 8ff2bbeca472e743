"""Contrast over the sensor: found where it falls, silent where it does not, and heard by the blend."""

import dataclasses

import numpy as np
import pytest
from diskmosaic.blend.blend import blend_tiles, lay_out
from diskmosaic.levels.focus import find_focus, structure_power
from diskmosaic.levels.levels import solve_levels
from diskmosaic.records.places import Circle
from diskmosaic.settings import LevelSettings
from scipy import ndimage

from cut_tiles import as_tile, cut, grid_places, placed

SHAPE, RADIUS = (208, 272), 300.0
NOISE = 20.0  # of 10,000


@pytest.fixture(scope="module")
def sun():
    """A limb-darkened disk with network of 2 px, 4 % rms: finer than what levels look at."""
    rng = np.random.default_rng(4)
    y, x = np.indices((660, 680))
    r = np.hypot(y - 330, x - 340) / RADIUS
    grain = ndimage.gaussian_filter(rng.standard_normal(r.shape), 2.0)
    light = (0.4 + 0.6 * np.sqrt(np.clip(1 - r**2, 0, 1))) * (r < 1)
    smooth = ndimage.gaussian_filter(light, 1.2)
    return smooth, ndimage.gaussian_filter(light * 0.04 * grain / grain.std(), 0.5)


@pytest.fixture(scope="module")
def places():
    return grid_places((660, 680), SHAPE, (5, 4), np.random.default_rng(2), jitter=6.4)


def tiles_of(sun, places, drop, seed=1):
    """Tiles whose structure keeps `drop` (h, w) of its amplitude."""
    rng = np.random.default_rng(seed)
    return [
        dataclasses.replace(
            as_tile(
                1e4 * (cut(sun[0], place, SHAPE) + drop * cut(sun[1], place, SHAPE))
                + NOISE * rng.standard_normal(SHAPE),
                f"t{k:02d}",
            ),
            noise=NOISE,
        )
        for k, place in enumerate(places)
    ]


def blended(tiles, at, levels):
    layout = lay_out(at.positions, SHAPE, np.eye(2))
    return blend_tiles(tiles, at, levels, layout).image, layout.matrix[:, 2]


def test_a_band_that_drifts_off_the_line_is_mapped_and_the_clearer_tile_preferred(sun, places):
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    drop = 0.75 + 0.25 * x - 0.05 * y**2
    tiles, at = tiles_of(sun, places, drop), placed(places, limb=Circle((330.0, 340.0), RADIUS, 0.1, 1000))
    levels = solve_levels(tiles, at, LevelSettings())
    assert levels.focus.seen is not None
    assert any("weaker" in warning for warning in levels.warnings)
    # a quadratic in the logarithm for a line in the amplitude: 3 %; the linear part is told only up to one of the Sun
    left = np.log(levels.focus.seen / drop)
    assert np.std(left) < 0.1  # of 0.3
    true = (sun[0] + sun[1]) * 1e4
    strength = []
    without = dataclasses.replace(levels, focus=dataclasses.replace(levels.focus, seen=None))
    for one in (levels, without):
        image, off = blended(tiles, at, one)
        y0, x0 = np.rint(off).astype(int)  # the canvas holds the whole disk
        known = image[y0 : y0 + true.shape[0], x0 : x0 + true.shape[1]]
        r = np.hypot(*(np.indices(true.shape) - np.array([330, 340])[:, None, None])) / RADIUS
        good = np.isfinite(known) & (r < 0.9)
        fine = [
            np.where(good, a / np.maximum(ndimage.gaussian_filter(np.where(good, a, 0), 8), 1), 0)
            for a in (known, true)
        ]
        inner = good & (r < 0.8)
        fine = [a[inner] - a[inner].mean() for a in fine]
        strength.append(np.sum(fine[0] * fine[1]) / np.sum(fine[1] ** 2))
    # 0.75 of the structure on average with seams half-way. A tile's ramps fall by 3 % a px on either side of a seam,
    # the ratio of the amplitudes there is 1.4: seams move by some 20 px of 136, each worth 0.25 / 136
    assert strength[0] > strength[1] + 0.005


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_even_sensor_has_no_map(sun, places, seed):
    tiles, at = tiles_of(sun, places, 1.0, seed), placed(places, limb=Circle((330.0, 340.0), RADIUS, 0.1, 1000))
    focus = solve_levels(tiles, at, LevelSettings()).focus
    assert focus.seen is None
    assert focus.warning is None
    # cells with structure of 4 % and noise of 0.2 %: some per cent each, tens of them a tile
    np.testing.assert_allclose(focus.sharpness, 1, atol=0.03)


def test_a_soft_tile_is_told_by_its_overlaps(sun, places):
    tiles = tiles_of(sun, places, 1.0)
    soft = tiles_of(sun, places, 0.7, seed=2)
    mixed = [soft[k] if k == 9 else tile for k, tile in enumerate(tiles)]
    focus = solve_levels(mixed, placed(places, limb=Circle((330.0, 340.0), RADIUS, 0.1, 1000)), LevelSettings()).focus
    assert focus.sharpness[9] / np.median(focus.sharpness) == pytest.approx(0.7, abs=0.05)


def test_few_tiles_and_featureless_ones_have_none(sun, places):
    circle = Circle((330.0, 340.0), RADIUS, 0.1, 1000)
    levels = solve_levels(tiles_of(sun, places[:2], 1.0), placed(places[:2], limb=circle), LevelSettings())
    assert find_focus(tiles_of(sun, places[:2], 1.0), placed(places[:2], limb=circle), levels) is None
    blank = tiles_of((sun[0], 0 * sun[1]), places, 1.0)
    assert solve_levels(blank, placed(places, limb=circle), LevelSettings()).focus is None


def test_noise_is_no_structure(sun):
    rng = np.random.default_rng(5)
    image = np.full(SHAPE, 1e4) + NOISE * rng.standard_normal(SHAPE)
    tile = dataclasses.replace(as_tile(image), noise=NOISE)
    power = structure_power(tile, tile.image, 1.0)
    # means of 9x9 px of noise smoothed by 1.5 px scatter by a third: twice the noise's own power is rare
    assert (power > 0).mean() < 0.02
