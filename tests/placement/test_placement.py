"""Shuffled tiles of an invented Sun find their places; those that cannot are told."""

from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.placement.placement import place_tiles
from diskmosaic.placement.scene import Scene
from diskmosaic.placement.search import guided
from diskmosaic.records.places import Anchor, Given, Pair
from diskmosaic.records.tile import tile_times
from diskmosaic.settings import PlacementSettings
from diskmosaic.synthetic import drift_px_per_s, invented_sun, sensor_pattern
from scipy import ndimage

from cut_tiles import as_tile, cut, grid_places

SHAPE = (230, 290)
SETTINGS = PlacementSettings()


@pytest.fixture(scope="module")
def sun():
    return invented_sun(300, np.random.default_rng(17))


@pytest.fixture(scope="module")
def places(sun):
    return grid_places(sun.image.shape, SHAPE, (4, 4), np.random.default_rng(2), jitter=8.3)


def light(sun, place, rng, *, gain=0.05, noise=0.005):
    image = 20_000 * np.exp(gain * rng.standard_normal()) * cut(sun.image, place, SHAPE)
    return (image + 20_000 * noise * rng.standard_normal(SHAPE)).astype(np.float32)


def tiles_at(sun, places, rng, **kind):
    return [as_tile(light(sun, place, rng, **kind), f"sun_{k:02d}") for k, place in enumerate(places)]


def errors(found, places):
    off = found.positions - places
    return off - np.nanmean(off, axis=0)


@pytest.fixture(scope="module")
def result(sun, places):
    rng = np.random.default_rng(3)
    order = rng.permutation(len(places))
    tiles = tiles_at(sun, places[order], rng)
    return tiles, places[order], place_tiles(tiles, SETTINGS)


def test_all_tiles_find_their_places(sun, result):
    _, places, found = result
    off = errors(found, places)
    assert np.isfinite(found.positions).all()
    assert found.left_out == {}
    # 0.5 % of noise on 5 % of structure: 0.03 px a pair in strips of 60 px; corners hang on the limb
    assert np.sqrt(np.mean(np.sum(off**2, axis=1))) < 0.06
    assert np.hypot(*off.T).max() < 0.15


def test_the_limb_comes_with_the_places(sun, result):
    _, places, found = result
    shift = np.mean(found.positions - places, axis=0)
    np.testing.assert_allclose(np.array(found.limb.centre_yx) - shift, sun.centre_yx, atol=0.1)
    # a Sun of 300 px, steepest at its radius; the edge's own smoothing of limb darkening pulls it in
    assert found.limb.radius_px == pytest.approx(sun.radius_px, abs=0.2)
    assert found.limb.points > 1000


def test_pairs_say_how_well_they_fit(result):
    _, places, found = result
    assert len(found.pairs) >= 24  # a grid of 4 x 4 has 24 neighbours by a side
    used = [pair for pair in found.pairs if pair.used]
    assert len(used) >= len(found.pairs) - 1
    for pair in used:
        assert pair.residual_px < 0.5  # corners share strips of 20 px; typically 0.05
        # 0: not found by itself, but looked up where the others put it
        assert pair.significance >= SETTINGS.significance or (pair.significance == 0 and pair.correlation > 0.3)
        np.testing.assert_allclose(pair.shift_yx, places[pair.b] - places[pair.a], atol=0.5)
        seen = np.array(pair.centre_yx)  # of the overlap, in a's frame
        assert ((seen > 0) & (seen < SHAPE)).all()


def test_without_times_it_says_that_the_turning_is_left(result):
    assert any("no tile times" in warning for warning in result[2].warnings)


def test_order_and_threads_are_irrelevant(result):
    tiles, _, found = result
    order = np.random.default_rng(8).permutation(len(tiles))
    other = place_tiles([tiles[k] for k in order], SETTINGS, jobs=2)
    # the mean position is held, sums are taken in another order: rounding only
    np.testing.assert_allclose(
        other.positions - other.positions.mean(axis=0),
        found.positions[order] - found.positions.mean(axis=0),
        atol=2e-3,
    )


def test_a_tile_that_fits_nowhere_is_left_out_loudly(sun, places):
    rng = np.random.default_rng(5)
    tiles = tiles_at(sun, places[:8], rng)
    stranger = invented_sun(300, np.random.default_rng(99))
    tiles.insert(3, as_tile(light(stranger, (220.4, 210.8), rng), "stranger"))
    found = place_tiles(tiles, SETTINGS)
    assert list(found.left_out) == [3]
    reason, score = found.left_out[3]
    assert "no other placed tile shows the same structure" in reason
    assert 0 < score < SETTINGS.significance
    assert any("stranger" in warning and f"{score:.1f}" in warning for warning in found.warnings)
    assert np.isnan(found.positions[3]).all()
    rest = [k for k in range(9) if k != 3]
    assert np.hypot(*errors_of(found.positions[rest], places[:8]).T).max() < 0.3


def errors_of(found, places):
    off = found - places
    return off - off.mean(axis=0)


def test_two_groups_are_joined_by_the_limb_and_reported(sun, places):
    rng = np.random.default_rng(6)
    # rows 0, 1 and row 3: no overlap joins them
    picked = [*range(8), 12, 13, 14, 15]
    tiles = tiles_at(sun, places[picked], rng)
    found = place_tiles(tiles, SETTINGS)
    assert not found.left_out
    together = [warning for warning in found.warnings if "placed by the limb" in warning]
    assert len(together) == 1
    for k in range(8, 12):
        assert tiles[k].name in together[0]
    # what ties the groups is one circle through limb points good to some tenths of a px each
    assert np.hypot(*errors(found, places[picked]).T).max() < 0.5


def test_two_groups_of_which_one_has_no_limb_are_reported(sun, places):
    rng = np.random.default_rng(6)
    middle = [(260.3, 150.7), (262.8, 290.2)]  # below the top row, wholly on the disk
    tiles = tiles_at(sun, np.array([*places[:4], *middle]), rng)
    found = place_tiles(tiles, SETTINGS)
    assert sorted(found.left_out) == [4, 5]
    together = [warning for warning in found.warnings if "hang together" in warning]
    assert len(together) == 1
    assert tiles[4].name in together[0]
    assert tiles[5].name in together[0]


def test_tiles_in_the_middle_need_no_limb(sun):
    rng = np.random.default_rng(7)
    middle = np.array([(170.3, 150.7), (172.8, 310.2), (300.1, 155.5), (310.6, 300.4)])
    found = place_tiles(tiles_at(sun, middle, rng), SETTINGS)
    assert found.limb is None
    assert any("no limb was found" in warning for warning in found.warnings)
    assert np.hypot(*errors(found, middle).T).max() < 0.08


def test_one_tile(sun):
    found = place_tiles(tiles_at(sun, [(10.0, 200.0)], np.random.default_rng(8)), SETTINGS)
    np.testing.assert_allclose(found.positions, [[0, 0]], atol=1e-9)
    assert found.left_out == {}
    assert found.limb is not None


def test_what_is_fixed_to_the_sensor_does_not_tie(sun, places):
    # no flat at all: by its dust and rings every two tiles agree at shift zero, better than by the Sun
    rng = np.random.default_rng(9)
    fixed = sensor_pattern(*SHAPE, np.random.default_rng(1)).product
    tiles = [as_tile(tile.image * fixed, tile.name) for tile in tiles_at(sun, places, rng)]
    found = place_tiles(tiles, SETTINGS)
    assert found.left_out == {}
    assert np.sqrt(np.mean(np.sum(errors(found, places) ** 2, axis=1))) < 0.12


def test_uncovered_borders_are_not_compared(sun, places):
    rng = np.random.default_rng(10)
    tiles = []
    for tile in tiles_at(sun, places, rng):
        image, weight = tile.image.copy(), tile.weight.copy()
        image[:7] = image[:, -9:] = np.nan  # where no frame reached
        weight[:7] = weight[:, -9:] = 0
        weight[:12] *= 0.1
        tiles.append(as_tile(image, tile.name, weight=weight))
    found = place_tiles(tiles, SETTINGS)
    assert found.left_out == {}
    assert np.sqrt(np.mean(np.sum(errors(found, places) ** 2, axis=1))) < 0.08


def test_the_turning_sun(sun, places):
    # 20 s between 16 tiles would move 0.004 px; sixty times faster for a small Sun: 0.3 px from first to last
    rng = np.random.default_rng(11)
    seconds = 600.0 * rng.permutation(len(places))
    tiles = []
    for k, (place, t) in enumerate(zip(places, seconds, strict=True)):
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
        y, x = y + place[0], x + place[1]
        vy, vx = drift_px_per_s(sun, y, x, north_deg=30.0)
        image = 20_000 * ndimage.map_coordinates(sun.image, [y - vy * t, x - vx * t], order=3, mode="nearest")
        image += 100 * rng.standard_normal(SHAPE)
        stamp = np.datetime64("2041-03-09T09:00:00.000", "ms") + np.timedelta64(int(1000 * t), "ms")
        tiles.append(as_tile(image, f"sun_{k:02d}", time=str(stamp)))
    found = place_tiles(tiles, SETTINGS)
    expected = drift_px_per_s(sun, np.array(sun.centre_yx[0]), np.array(sun.centre_yx[1]), north_deg=30.0)
    speed = np.hypot(*expected)
    np.testing.assert_allclose(found.drift_yx, expected, atol=0.06 * speed)
    # the drift varies across an overlap, which one shift cannot follow
    assert np.sqrt(np.mean(np.sum(errors(found, places) ** 2, axis=1))) < 0.13
    np.testing.assert_allclose(found.times, seconds - seconds.mean())
    blind = place_tiles(tiles, PlacementSettings(fit_drift=False))
    assert np.sqrt(np.mean(np.sum(errors(blind, places) ** 2, axis=1))) > 0.2


def test_times_need_all_tiles():
    image = np.zeros((4, 5))
    assert tile_times([as_tile(image, time="2031-06-04T09:30:00"), as_tile(image)]) is None
    seconds = tile_times([as_tile(image, time=f"2031-06-04T09:30:0{k}.500") for k in (1, 5)])
    assert seconds.tolist() == [-2, 2]


@pytest.mark.parametrize(
    ("way", "matrix"),
    [("turned by 180 degrees", np.diag([-1.0, -1.0])), ("mirrored", np.diag([-1.0, 1.0]))],
)
def test_tiles_of_another_orientation_are_found_and_placed(sun, places, way, matrix):
    # the lower half was recorded the other way round; the sensor's own pattern did not turn with the Sun
    rng = np.random.default_rng(21)
    fixed = sensor_pattern(*SHAPE, np.random.default_rng(1)).product ** 0.1
    steps = tuple(slice(None, None, int(step)) for step in np.diag(matrix))
    other = set(range(10, 16))
    tiles = [
        as_tile((tile.image[steps] if k in other else tile.image) * fixed, tile.name)
        for k, tile in enumerate(tiles_at(sun, places, rng))
    ]
    found = place_tiles(tiles, SETTINGS)
    assert not found.left_out
    told = [text for text in found.warnings if f": {way} against" in text]
    assert {k for k in range(16) if any(f"sun_{k:02d}" in text for text in told)} == other
    half = (np.array(SHAPE) - 1) / 2
    centres = np.array([found.to_mosaic(k, half) for k in range(16)])
    off = centres - (places + half)
    assert np.hypot(*(off - off.mean(axis=0)).T).max() < 0.2
    for k in range(16):
        np.testing.assert_array_equal(found.turn(k), matrix if k in other else np.eye(2))
    # a pixel of one lies where it should on another
    matrix_ab = found.between(9, 13)
    at = np.array([12.0, 40.0])
    true = places[13] + (matrix @ (at - half) + half) - places[9]
    np.testing.assert_allclose(matrix_ab[:, :2] @ at + matrix_ab[:, 2], true, atol=0.3)


def test_a_place_recorded_twice_is_used_and_said(sun, places):
    rng = np.random.default_rng(22)
    tiles = tiles_at(sun, [*places[:8], places[3] + [6.4, -9.2]], rng)
    tiles.append(as_tile(tiles[5].image, "copy"))
    found = place_tiles(tiles, SETTINGS)
    assert not found.left_out
    np.testing.assert_allclose(found.positions[8] - found.positions[3], [6.4, -9.2], atol=0.1)
    assert "sun_03 and sun_08 show the same place: both are used" in found.warnings
    assert "sun_05 and copy are the same image: the same recording twice" in found.warnings


def test_a_forbidden_pair_is_not_compared(sun, places):
    tiles = tiles_at(sun, places[:8], np.random.default_rng(23))
    free = place_tiles(tiles, SETTINGS)
    a, b = free.pairs[0].a, free.pairs[0].b
    found = place_tiles(tiles, SETTINGS, given=Given(forbidden=frozenset({(b, a)})))
    assert (a, b) not in {(pair.a, pair.b) for pair in found.pairs}
    assert not found.left_out


def test_places_come_with_their_errors(result):
    _, places, found = result
    ratio = errors(found, places) / found.sigma
    # honest within a factor of two: residual scatter sets the scale
    assert 0.4 < np.sqrt(np.mean(ratio**2)) < 2
    assert len(found.loops) > 10
    assert np.median([misfit for *_, misfit in found.loops]) < 0.5


@pytest.mark.parametrize("timed", [True, False])
def test_a_tile_with_its_limb_alone_lies_as_its_neighbours_in_time(sun, places, timed):
    # after the flip: two tiles that others tie, and one with nothing but its limb
    rng = np.random.default_rng(31)
    picked = [*range(8), 8, 9, 15]
    tiles = []
    for k, tile in enumerate(tiles_at(sun, places[picked], rng)):
        image = tile.image[::-1, ::-1] if k >= 8 else tile.image
        tiles.append(as_tile(image, tile.name, time=f"2041-03-09T10:{k:02d}:00" if timed else None))
    found = place_tiles(tiles, PlacementSettings(fit_drift=False))
    told = [text for text in found.warnings if "sun_10: its limb does not tell which way round" in text]
    if timed:
        assert len(told) == 1
        assert "sun_09" in told[0]
        np.testing.assert_array_equal(np.rint(found.turn(10)), -np.eye(2))
    else:
        # upright, as most are, its limb would put it onto others that show another Sun there
        assert list(found.left_out) == [10]
    half = (np.array(SHAPE) - 1) / 2
    off = np.array([found.to_mosaic(k, half) for k in range(11)]) - (places[picked] + half)
    off -= off[:10].mean(axis=0)
    if timed:
        # a corner's limb is short: some tenths of a px along it
        assert np.hypot(*off[10]) < 1.0
    assert np.hypot(*off[:10].T).max() < 0.2


def test_a_single_turned_tile_is_found_though_it_has_a_limb(sun, places):
    rng = np.random.default_rng(32)
    tiles = tiles_at(sun, places[:8], rng)
    tiles[2] = as_tile(tiles[2].image[::-1, ::-1], "turned")
    found = place_tiles(tiles, SETTINGS)
    assert not found.left_out
    np.testing.assert_array_equal(found.turn(2), -np.eye(2))
    assert any("turned: turned by 180 degrees against" in text for text in found.warnings)
    half = (np.array(SHAPE) - 1) / 2
    off = np.array([found.to_mosaic(k, half) for k in range(8)]) - (places[:8] + half)
    assert np.hypot(*(off - off.mean(axis=0)).T).max() < 0.2


def test_a_pin_is_held_and_the_rest_stays(sun, places):
    tiles = tiles_at(sun, places[:8], np.random.default_rng(33))
    true = places[2] - places[1]
    half = tuple((np.array(SHAPE) - 1) / 2)
    pin = Pair(1, 2, tuple(true + np.array([0, 6])), 1.0, 1e6, half, 0.01, firm=True)
    found = place_tiles(tiles, SETTINGS, given=Given(pins=(pin,)))
    # a pin of 0.01 px against overlaps that lose their say
    np.testing.assert_allclose(found.positions[2] - found.positions[1], true + np.array([0, 6]), atol=0.1)
    rest = [k for k in range(8) if k != 2]
    assert np.hypot(*errors_of(found.positions[rest], places[rest]).T).max() < 0.3
    assert all(not pair.firm for pair in found.pairs)
    told = [text for text in found.warnings if "contradict its pin" in text]
    assert len(told) == 1
    assert told[0].startswith("sun_02: ")


def test_lost_tiles_are_looked_for_near_a_given_place(sun, places):
    rng = np.random.default_rng(34)
    tiles = tiles_at(sun, places[:12], rng)
    stranger = invented_sun(300, np.random.default_rng(99))
    tiles.append(as_tile(light(stranger, places[9], rng), "stranger"))
    scene = Scene(tiles)
    positions = np.array([*places[:12], places[9]])
    positions[[5, 12]] = np.nan
    near = [Anchor(k, tuple(places[k] + scene.half + rng.normal(0, 12, 2)), 12.0) for k in range(12)]
    near.append(Anchor(12, tuple(places[9] + scene.half), 12.0))
    found = guided(scene, positions, [5, 12], Given(anchors=tuple(near)))
    assert list(found) == [5]
    place, ties = found[5]
    assert len(ties) >= 4
    np.testing.assert_allclose(place, places[5], atol=0.1)
    # far from the given place it is not looked for
    wrong = [replace(anchor, centre_yx=tuple(np.add(anchor.centre_yx, (60, 0)))) if anchor.tile == 5 else anchor
             for anchor in near]  # fmt: skip
    assert 5 not in guided(scene, positions, [5], Given(anchors=tuple(wrong)))


def test_a_disk_without_features_lies_by_its_limb():
    # limb darkening and 0.5 % of noise: overlaps near the limb are alike along it, anywhere
    rng = np.random.default_rng(35)
    centre, radius, shape = np.array([330.4, 325.7]), 300.3, (230, 260)
    y, x = np.mgrid[:660, :650]
    r = np.hypot(y - centre[0], x - centre[1])
    disk = (0.4 + 0.6 * np.sqrt(np.clip(1 - (r / radius) ** 2, 0, 1))) * np.clip(radius + 0.5 - r, 0, 1)
    disk = ndimage.gaussian_filter(np.maximum(disk, 0.002), 1.0)
    spots = grid_places(disk.shape, shape, (3, 3), rng, jitter=3.0)
    outer = [k for k in range(9) if k != 4]
    tiles = []
    for k in outer:
        image = 20_000 * cut(disk, spots[k], shape) + 100 * rng.standard_normal(shape)
        tiles.append(replace(as_tile(image, f"t_{k}"), noise=100.0))
    found = place_tiles(tiles, PlacementSettings(fit_drift=False))
    assert not found.left_out
    off = found.positions - spots[outer] - (np.array(found.limb.centre_yx) - centre)
    outward = spots[outer] + np.array(shape) / 2 - centre
    along = np.sum(off * outward, axis=1) / np.hypot(*outward.T)
    # edge points are good to 0.1 px, an arc's own radius to some tenths: all arcs share one
    assert np.sqrt(np.mean(along**2)) < 0.3
