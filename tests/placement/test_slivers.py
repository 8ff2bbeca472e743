"""Corner tiles that see a sliver of the disk, or none; overlaps compared right up to the limb."""

import numpy as np
import pytest
from diskmosaic.placement.at_limb import LimbView, limb_place
from diskmosaic.placement.overlap import agrees, measure
from diskmosaic.placement.placement import place_tiles
from diskmosaic.placement.scene import Scene
from diskmosaic.records.places import Circle
from diskmosaic.settings import PlacementSettings
from diskmosaic.synthetic import invented_sun
from scipy import ndimage

from cut_tiles import as_tile, cut, grid_places

SHAPE = (230, 290)
NOISE = 0.005
SETTINGS = PlacementSettings(fit_drift=False)


@pytest.fixture(scope="module")
def sun():
    return invented_sun(300, np.random.default_rng(17))


def tile_at(sun, place, rng, name):
    image = cut(sun.image, place, SHAPE) + NOISE * rng.standard_normal(SHAPE)
    return as_tile(20_000 * image, name)


def disk_pixels(sun, place):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.count_nonzero(np.hypot(y + place[0] - sun.centre_yx[0], x + place[1] - sun.centre_yx[1]) < sun.radius_px)


def corner(sun, depth):
    """Where a tile's inner corner lies `depth` px inside the limb, to the lower right."""
    return np.array(sun.centre_yx) + (sun.radius_px - depth) * np.array([np.sin(0.8), np.cos(0.8)])


@pytest.fixture(scope="module")
def session(sun):
    rng = np.random.default_rng(41)
    places = grid_places(sun.image.shape, SHAPE, (4, 4), np.random.default_rng(2), jitter=8.3)
    # a sliver, and a place beyond the limb
    places = np.array([*places, corner(sun, 33.6), corner(sun, -40.0)])
    tiles = [tile_at(sun, place, rng, f"sun_{k:02d}") for k, place in enumerate(places)]
    return tiles, places, place_tiles(tiles, SETTINGS)


def test_a_sliver_is_placed_by_its_overlaps(sun, session):
    _, places, found = session
    # 2 % of the tile: too little for a search, and its limb alone leaves some px along it
    assert disk_pixels(sun, places[16]) < 0.03 * SHAPE[0] * SHAPE[1]
    off = found.positions - places
    off -= np.nanmean(off[:16], axis=0)
    # 0.5 % of noise on some hundred pixels of 5 % of structure: 0.03 px an overlap
    assert np.hypot(*off[16]) < 0.1
    assert np.hypot(*off[16]) < 4 * np.hypot(*found.sigma[16])
    ties = [pair for pair in found.pairs if 16 in (pair.a, pair.b)]
    assert ties
    assert all(agrees(pair) and pair.used for pair in ties)


def test_a_tile_of_sky_has_nothing_to_place(sun, session):
    _, places, found = session
    assert disk_pixels(sun, places[17]) == 0
    assert list(found.left_out) == [17]
    assert "nothing but sky" in found.left_out[17][0]
    assert "sun_17: nothing but sky, and nothing to place" in found.warnings


def test_the_edge_tells_where_a_tile_lies_across_the_limb(sun):
    place = corner(sun, 60.0)
    scene = Scene([tile_at(sun, place, np.random.default_rng(3), "one")])
    position, reach, rays = limb_place(scene, 0, Circle(sun.centre_yx, sun.radius_px, 0.1, 1000))
    off = position - place
    inwards = np.array([np.sin(0.8), np.cos(0.8)])
    # the limb's steepest fall is drawn in by some 0.1 px on a Sun of 300 px; along it the piece of arc leaves more
    assert abs(off @ inwards) < 0.25
    assert np.hypot(*off) < reach
    assert rays > 20


def test_structure_at_the_limb_ties_where_the_rest_does_not(sun):
    """Without the outermost 25 px there is nothing to compare in this overlap."""
    places = {0: corner(sun, 30.0) - [150, 0], 1: corner(sun, 30.0)}
    rng = np.random.default_rng(5)
    scene = Scene([tile_at(sun, places[k], rng, f"t{k}") for k in (0, 1)])
    assert measure(scene, 0, 1, places[1] - places[0]) is None
    view = LimbView(scene, np.array([places[0], places[1]]), Circle(sun.centre_yx, sun.radius_px, 0.1, 1000))
    guess = {0: places[0], 1: places[1] + [-9, 8]}  # along the limb
    pair, pixels = view.tie(0, 1, guess, 15.0)
    assert pixels > 600
    # 0.5 % of noise on 5 % of structure, some hundred independent pixels
    np.testing.assert_allclose(pair.shift_yx, places[1] - places[0], atol=0.15)
    # other tiles' noise in its place shows nothing
    blank = cut(ndimage.gaussian_filter(sun.image, 25.0), places[1], SHAPE) + NOISE * rng.standard_normal(SHAPE)
    scene = Scene([scene.tiles[0], as_tile(20_000 * blank, "blank")])
    assert LimbView(scene, np.array([places[0], places[1]]), view.circle).tie(0, 1, guess, 15.0)[0] is None
