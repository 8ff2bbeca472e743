"""Gains, the surface on the sensor and the tilt, on tiles whose levels are known."""

import dataclasses

import cv2
import numpy as np
import pytest
from diskmosaic.levels.levels import solve_levels
from diskmosaic.levels.solver import evaluate_surface, surface_powers
from diskmosaic.records.places import Circle
from diskmosaic.settings import LevelSettings
from diskmosaic.synthetic import invented_sun

from cut_tiles import as_tile, cut, grid_places, placed

SHAPE = (208, 272)
SETTINGS = LevelSettings()


@pytest.fixture(scope="module")
def sun():
    return invented_sun(300, np.random.default_rng(21))


@pytest.fixture(scope="module")
def places(sun):
    return grid_places(sun.image.shape, SHAPE, (5, 4), np.random.default_rng(2), jitter=6.4)


@pytest.fixture(scope="module")
def cuts(sun, places):
    return [cut(sun.image, place, SHAPE) for place in places]


def limb_of(sun):
    return Circle(sun.centre_yx, sun.radius_px, 0.1, 1000)


def truth_surface(rng, size=0.02):
    powers = surface_powers(4)
    coefficients = size * rng.standard_normal(len(powers)) / np.sqrt(1 + np.array([sum(p) for p in powers]))
    surface = np.exp(evaluate_surface(coefficients, powers, SHAPE))
    return surface / surface.mean()


def tiles_of(cuts, gains, surface, rng, *, noise=0.004):
    return [
        as_tile(15_000 * gain * image * surface + 15_000 * noise * rng.standard_normal(SHAPE), f"sun_{k:02d}")
        for k, (image, gain) in enumerate(zip(cuts, gains, strict=True))
    ]


def without_tilt(log_gains, places, sun):
    """Take the mean and the part that is linear in place out: what only the disk's roundness can tell."""
    at = np.column_stack([np.ones(len(places)), (places - places.mean(axis=0)) / sun.radius_px])
    return log_gains - at @ np.linalg.lstsq(at, log_gains, rcond=None)[0]


def test_known_gains_and_a_known_surface(sun, places, cuts):
    rng = np.random.default_rng(5)
    gains = np.exp(0.04 * rng.standard_normal(len(places)))
    surface = truth_surface(rng)
    levels = solve_levels(tiles_of(cuts, gains, surface, rng), placed(places, limb=limb_of(sun)), SETTINGS)
    off = np.log(levels.gain) - np.log(gains)
    # blocks of 256 px with 0.4 % of noise: 0.03 % each, hundreds an overlap; blocks are compared at whole pixels,
    # which at the darkening limb costs some 0.01 %. Measured 0.037 %
    assert np.std(without_tilt(off, places, sun)) < 8e-4
    # the overall tilt hangs on the roundness of the disk, which 5 plages break: 1 % a radius
    assert np.std(off) < 1.2e-2
    assert np.exp(np.mean(np.log(levels.gain))) == pytest.approx(1, abs=1e-9)
    left = np.log(levels.surface / surface)
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    linear = np.column_stack([np.ones(left.size), y.ravel(), x.ravel()])
    left = left.ravel() - linear @ np.linalg.lstsq(linear, left.ravel(), rcond=None)[0]
    assert np.std(left) < 5e-4  # against 2 % of it
    assert levels.surface.mean() == pytest.approx(1, abs=1e-5)
    assert levels.seam_rms < 2e-3
    # slopes of 0.1 % that no tile shows may hide in gains beside a free surface
    assert (levels.gain_sigma < 2e-3).all()


def test_corrected_tiles_agree_where_they_meet(sun, places, cuts):
    rng = np.random.default_rng(6)
    gains = np.exp(0.05 * rng.standard_normal(len(places)))
    tiles = tiles_of(cuts, gains, truth_surface(rng), rng, noise=0.0)
    levels = solve_levels(tiles, placed(places, limb=limb_of(sun)), SETTINGS)
    relative = []
    for tile, image, gain in zip(tiles, cuts, levels.gain, strict=True):
        corrected = tile.image / (gain * levels.surface) / image
        relative.append(np.log(corrected[image > 0.3].mean()))
    relative = np.array(relative)
    # a tilt is left (see above); from tile to tile nothing else
    assert np.std(without_tilt(relative, places, sun)) < 1.2e-3  # means over the disk's part, limb included


def test_a_linear_surface_is_told_by_the_disks_roundness(sun, places, cuts):
    rng = np.random.default_rng(7)
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    surface = np.exp(0.03 * y - 0.02 * x)
    surface /= surface.mean()
    levels = solve_levels(
        tiles_of(cuts, np.ones(len(places)), surface, rng), placed(places, limb=limb_of(sun)), SETTINGS
    )
    found = np.log(levels.surface)
    slopes = np.array([np.mean(found[-1] - found[0]), np.mean(found[:, -1] - found[:, 0])]) / 2
    # 0.03 over half a tile is 9 % a radius of an overall tilt; the plages of a small Sun leave 1 % of that kind
    np.testing.assert_allclose(slopes, (0.03, -0.02), atol=6e-3)
    # and the gains carry none of it
    assert np.std(np.log(levels.gain)) < 1.2e-2
    assert any("slope" in warning and "±" in warning for warning in levels.warnings)


def test_a_surface_is_followed_as_far_as_the_overlaps_show_it():
    # few wide tiles, two columns: what the surface cannot follow bends the disk with the tiles' own period
    shape = (240, 400)
    sun = invented_sun(300, np.random.default_rng(21))
    at = grid_places(sun.image.shape, shape, (4, 2), np.random.default_rng(2), jitter=6.4)
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    # what a flat of the defocused disk leaves on a sensor 1.3 radii wide: its light, blurred by 0.15 radii
    away = np.hypot(*(np.indices((900, 900)) - 449.5)) / 300
    disk = np.where(away < 1, 0.4 + 0.6 * np.sqrt(np.maximum(1 - away**2, 0)), 0)
    surface = cut(cv2.GaussianBlur(disk, (0, 0), 45).astype(np.float32), np.array([330.0, 250.0]), shape)
    surface /= surface.mean()
    cuts = [cut(sun.image, place, shape) for place in at]
    rng = np.random.default_rng(9)
    tiles = [
        as_tile(15_000 * (image * surface + 0.002 * rng.standard_normal(shape)), f"sun_{k}")
        for k, image in enumerate(cuts)
    ]
    bent = {}
    for order in (4, 8):
        levels = solve_levels(tiles, placed(at, limb=limb_of(sun)), LevelSettings(surface_order=order))
        left = np.log(levels.surface / surface)
        linear = np.column_stack([np.ones(left.size), y.ravel(), x.ravel()])
        bent[order] = np.std(left.ravel() - linear @ np.linalg.lstsq(linear, left.ravel(), rcond=None)[0])
    # measured 0.16 %, and 0.59 % with four degrees; large-scale levels shall be right to 0.5 %
    assert bent[8] < 3e-3
    assert bent[8] < 0.4 * bent[4]


def test_no_more_degrees_than_the_overlaps_show(sun, places, cuts):
    rng = np.random.default_rng(5)
    tiles = tiles_of(cuts, np.ones(len(places)), truth_surface(rng), rng)
    at = placed(places, limb=limb_of(sun))
    # the surface is of degree 4: allowing more must not let noise in
    few, many = (solve_levels(tiles, at, LevelSettings(surface_order=order)).surface for order in (4, 8))
    assert np.std(np.log(many / few)) < 3e-4


def test_without_a_surface_only_gains(places, cuts, sun):
    rng = np.random.default_rng(8)
    gains = np.exp(0.04 * rng.standard_normal(len(places)))
    tiles = tiles_of(cuts, gains, 1.0, rng)
    levels = solve_levels(tiles, placed(places), LevelSettings(surface_order=0))
    np.testing.assert_array_equal(levels.surface, 1)
    off = np.log(levels.gain) - np.log(gains)
    assert np.std(off - off.mean()) < 1e-3  # no limb, no tilt: the overlaps alone
    assert not any("tilt" in warning for warning in levels.warnings)


def test_tiles_left_out_keep_gain_one(places, cuts, sun):
    rng = np.random.default_rng(9)
    gains = np.exp(0.04 * rng.standard_normal(len(places)))
    moved = places.copy()
    moved[7] = np.nan
    levels = solve_levels(tiles_of(cuts, gains, 1.0, rng), placed(moved), SETTINGS)
    assert levels.gain[7] == 1
    rest = np.delete(np.arange(len(places)), 7)
    off = np.log(levels.gain[rest] / gains[rest])
    assert np.std(off - off.mean()) < 2e-3


def test_a_moved_feature_and_a_spoilt_overlap_do_not_pull(places, cuts, sun):
    rng = np.random.default_rng(10)
    gains = np.exp(0.04 * rng.standard_normal(len(places)))
    tiles = tiles_of(cuts, gains, 1.0, rng)
    clean = solve_levels(tiles, placed(places), SETTINGS)
    image = tiles[9].image.copy()
    image[:40, :60] *= 1.5  # a flare in one of the tiles only
    tiles[9] = dataclasses.replace(tiles[9], image=image)
    spoilt = solve_levels(tiles, placed(places), SETTINGS)
    np.testing.assert_allclose(np.log(spoilt.gain), np.log(clean.gain), atol=1e-3)


def test_unknown_pixels_do_not_count(places, cuts, sun):
    rng = np.random.default_rng(11)
    tiles = tiles_of(cuts, np.ones(len(places)), 1.0, rng)
    holed = []
    for tile in tiles:
        image, weight = tile.image.copy(), tile.weight.copy()
        image[:9] = image[:, -5:] = np.nan
        weight[:9] = weight[:, -5:] = 0
        image[30:60, 40:44] = 9e5  # hardly seen: not to be believed
        weight[30:60, 40:44] = 2
        holed.append(dataclasses.replace(tile, image=image, weight=weight))
    levels = solve_levels(holed, placed(places), SETTINGS)
    whole = solve_levels(tiles, placed(places), SETTINGS)
    # the strips are a tenth of each overlap: other noise in them changes gains by less than their errors, 0.1 to 0.2 %
    np.testing.assert_allclose(np.log(levels.gain / whole.gain), 0, atol=1e-3)
    np.testing.assert_allclose(np.log(levels.gain), 0, atol=1.5e-3)


@pytest.mark.parametrize("count", [1, 2])
def test_without_overlap_nothing_is_done(cuts, places, count):
    far = places[:count] + np.array([[0.0, 5000.0 * k] for k in range(count)])
    tiles = tiles_of(cuts[:count], [1.0, 1.3][:count], 1.0, np.random.default_rng(1))
    levels = solve_levels(tiles, placed(far), SETTINGS)
    assert levels.gain.tolist() == [1] * count
    np.testing.assert_array_equal(levels.surface, 1)
    assert len(levels.warnings) == (count > 1)


def test_two_tiles(cuts, places):
    tiles = tiles_of(cuts[5:7], [1.0, 1.21], 1.0, np.random.default_rng(1))
    levels = solve_levels(tiles, placed(places[5:7]), LevelSettings(surface_order=0))
    np.testing.assert_allclose(levels.gain, [1 / 1.1, 1.1], rtol=1e-3)
    # a surface that one overlap cannot tell stays near zero by its prior and does not run away
    free = solve_levels(tiles, placed(places[5:7]), SETTINGS)
    assert np.abs(np.log(free.surface)).max() < 0.1


def test_groups_without_contact_each_keep_their_mean(cuts, places):
    # two pairs of tiles far apart: nothing compares them
    gains = [1.0, 1.2, 3.0, 2.5]
    picked = [5, 6, 13, 14]
    at = places[picked] + np.array([[0.0, 0.0], [0.0, 0.0], [9000.0, 0.0], [9000.0, 0.0]])
    tiles = tiles_of([cuts[k] for k in picked], gains, 1.0, np.random.default_rng(1))
    levels = solve_levels(tiles, placed(at), LevelSettings(surface_order=0))
    ratio = levels.gain[[1, 3]] / levels.gain[[0, 2]]
    np.testing.assert_allclose(ratio, [1.2, 2.5 / 3.0], rtol=1e-3)
    assert np.abs(np.log(levels.gain)).max() < 0.2


def test_surface_is_made_of_legendre_products():
    powers = surface_powers(3)
    assert powers == [(0, 2), (1, 1), (2, 0), (0, 3), (1, 2), (2, 1), (3, 0)]
    assert surface_powers(0) == surface_powers(1) == []
    grid = evaluate_surface(np.array([0, 0, 1.0, 0, 0, 0, 0]), powers, (5, 7))
    y = np.linspace(-1, 1, 5)
    np.testing.assert_allclose(grid, np.broadcast_to((1.5 * y**2 - 0.5)[:, None], (5, 7)))
    assert (evaluate_surface(np.zeros(0), [], (4, 6)) == 0).all()


def test_offsets_are_told_by_the_sky_and_taken_off(sun, places, cuts):
    rng = np.random.default_rng(12)
    gains = np.exp(0.05 * rng.standard_normal(len(places)))
    clean = tiles_of(cuts, gains, 1.0, rng)
    own = 150 + 15 * rng.standard_normal(len(places))  # 1 % of the disk's centre, each tile a little else
    tiles = [dataclasses.replace(tile, image=tile.image + np.float32(o)) for tile, o in zip(clean, own, strict=True)]
    at = placed(places, limb=limb_of(sun))
    levels, before = solve_levels(tiles, at, SETTINGS), solve_levels(clean, at, SETTINGS)
    grid = np.indices(SHAPE).reshape(2, -1).T
    away = [np.hypot(*(grid + place - sun.centre_yx).T) / sun.radius_px for place in places]
    seen = np.array([np.mean(r > 1.1) for r in away])
    # a tile with a fifth of sky measures its offset; the sky's own glow stands in both
    left = (levels.offset - before.offset - own)[seen > 0.2]
    assert np.abs(left - left.mean()).max() < 8  # 0.05 % of the disk
    assert abs(left.mean()) < 0.003 * 15_000  # in common: to what a sky may have of its own
    assert np.isfinite(levels.offset_sigma).all()
    assert np.std(without_tilt(np.log(levels.gain / gains), places, sun)) < 1e-3
    assert any("sky off the limb" in warning for warning in levels.warnings)


def test_a_slope_that_cloud_left_on_one_tile_is_found_and_no_other(sun, places, cuts):
    rng = np.random.default_rng(13)
    tiles = tiles_of(cuts, np.ones(len(places)), 1.0, rng)
    y = np.linspace(-1, 1, SHAPE[0], dtype=np.float32)[:, None]
    tiles[9] = dataclasses.replace(tiles[9], image=tiles[9].image * np.exp(0.012 * y))
    levels = solve_levels(tiles, placed(places, limb=limb_of(sun)), SETTINGS)
    # the prior of 1 % holds little against four overlaps
    np.testing.assert_allclose(levels.slope[9], (0.012, 0), atol=1.5e-3)
    assert not np.delete(levels.slope, 9, axis=0).any()
    flat = levels.correct(9, tiles[9].image) / levels.correct(9, tiles_of(cuts, np.ones(20), 1.0, rng)[9].image)
    middle = flat[cuts[9] > 0.3]
    assert np.std(middle) < 0.02  # two draws of noise, no slope of 0.7 % rms on top


@pytest.mark.parametrize("which", ["every second", "one, once more"])
def test_turned_tiles_tell_the_sensors_slope(sun, places, which):
    """After a meridian flip the sensor's slope is no tilt of the disk: overlaps of turned tiles see it."""
    rng = np.random.default_rng(14)
    if which == "one, once more":
        places = np.concatenate([places, places[9:10] + 3])
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    surface = np.exp(0.03 * y - 0.02 * x)
    turned = np.arange(len(places)) % 2 == 1 if which == "every second" else np.arange(len(places)) == 20
    cuts = [cut(sun.image, place, SHAPE) for place in places]
    cuts = [np.ascontiguousarray(one[::-1, ::-1]) if flip else one for one, flip in zip(cuts, turned, strict=True)]
    gains = np.exp(0.04 * rng.standard_normal(len(places)))
    tiles = tiles_of(cuts, gains, surface, rng)
    far = np.array(SHAPE) - 1
    at = dataclasses.replace(
        placed(np.where(turned[:, None], places + far, places), limb=limb_of(sun)),
        turns=np.where(turned[:, None, None], -np.eye(2), np.eye(2)),
    )
    levels = solve_levels(tiles, at, SETTINGS)
    found = np.log(levels.surface)
    slopes = np.array([np.mean(found[-1] - found[0]), np.mean(found[:, -1] - found[:, 0])]) / 2
    np.testing.assert_allclose(slopes, (0.03, -0.02), atol=1e-3)
    # no overall tilt is left to be guessed
    assert levels.tilt is None
    off = np.log(levels.gain / gains)
    assert np.std(off) < 2e-3
