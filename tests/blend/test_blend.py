"""Tiles cut from one image come back as that image; weights, contributors and layouts."""

import numpy as np
import pytest
from diskmosaic.arrays.radial import depth_factor
from diskmosaic.blend.blend import blend_tiles, feather, lay_out
from diskmosaic.records.light import Levels
from diskmosaic.records.places import Circle
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from cut_tiles import as_tile, cut, grid_places, placed

WHOLE, SHAPE = (190, 260), (80, 110)


def levels_of(count, gain=None, surface=None):
    return Levels(
        np.ones(count) if gain is None else np.array(gain, float),
        np.zeros(count),
        np.ones(SHAPE, np.float32) if surface is None else surface,
        np.zeros(count),
        0.0,
    )


def scene(rng, scale=1.5):
    image = ndimage.gaussian_filter(rng.standard_normal(WHOLE), scale)
    return (1000 * (1 + 0.1 * image / image.std())).astype(np.float32)


def whole_places(rng):
    return np.rint(grid_places(WHOLE, SHAPE, (3, 3), rng))


def blended(image, places, linear=None, **kind):
    tiles = [as_tile(cut(image, place, SHAPE)) for place in places]
    layout = lay_out(places, SHAPE, np.eye(2) if linear is None else linear)
    return blend_tiles(tiles, placed(places), levels_of(len(tiles), **kind), layout), layout


def test_whole_positions_give_the_image_back():
    rng = np.random.default_rng(1)
    image = scene(rng)
    mosaic, layout = blended(image, whole_places(rng))
    assert layout.shape == WHOLE
    # splines through their own samples and weights that sum to one: float32 rounding of 1,000
    np.testing.assert_allclose(mosaic.image, image, rtol=1e-6)
    assert np.isfinite(mosaic.image).all()


def test_fractions_give_the_image_back_but_for_one_interpolation():
    rng = np.random.default_rng(2)
    image = scene(rng, 2.5)
    places = grid_places(WHOLE, SHAPE, (3, 3), rng)
    places[1:-1] += rng.uniform(-0.5, 0.5, (7, 2))
    places = np.clip(places, 0, np.array(WHOLE) - SHAPE)
    mosaic, layout = blended(image, places)
    inner = (slice(5, -5), slice(5, -5))
    # a cubic spline twice (cut and blend) on structure of 2.5 px: 0.1 % of its 10 % contrast
    assert np.std((mosaic.image - image)[inner]) < 0.3
    assert layout.shape == WHOLE


def test_weights_and_contributors():
    rng = np.random.default_rng(3)
    places = whole_places(rng)
    mosaic, _ = blended(scene(rng), places)
    assert (mosaic.weight >= 0).all()
    assert mosaic.tile.dtype == np.int16
    assert set(np.unique(mosaic.tile)) == set(range(9))
    for k, (y, x) in enumerate(places.astype(int)):
        # a tile's middle is its own
        assert mosaic.tile[y + 40, x + 55] == k
        window = mosaic.tile[y : y + 80, x : x + 110]
        assert (window == k).sum() > 0.2 * window.size
    # where one tile alone is seen, its 30 frames count; where tiles meet, more, never more than all
    assert mosaic.weight[10, 10] == pytest.approx(30, rel=1e-5)
    assert mosaic.weight.max() <= 4 * 30 * 1.0001
    assert mosaic.weight.max() > 45


def test_the_stated_weight_is_the_noise():
    rng = np.random.default_rng(4)
    places = np.array([(0.0, 0.0), (0.0, 60.0)])
    layout = lay_out(places, SHAPE, np.eye(2))
    stack = []
    for _ in range(200):
        tiles = [as_tile(1000 + rng.standard_normal(SHAPE) * 30 / np.sqrt(30)) for _ in places]
        stack.append(blend_tiles(tiles, placed(places), levels_of(2), layout))
    noise = np.std([mosaic.image for mosaic in stack], axis=0)
    expected = 30 / np.sqrt(stack[0].weight)
    inner = (slice(6, -6), slice(6, -6))
    ratio = (noise / expected)[inner]
    assert np.mean(ratio) == pytest.approx(1, abs=0.01)  # 10,000 pixels, 200 trials each
    assert np.abs(ndimage.uniform_filter(ratio, 15) - 1).max() < 0.04  # everywhere: inside and in the seam


def test_uncovered_is_nan_without_weight_or_tile():
    rng = np.random.default_rng(5)
    places = np.array([(0.0, 0.0), (110.0, 150.0)])
    mosaic, _ = blended(scene(rng), places)
    gap = np.ones(WHOLE, bool)
    gap[:80, :110] = gap[110:, 150:] = False
    assert np.isnan(mosaic.image[gap]).all()
    assert (mosaic.weight[gap] == 0).all()
    assert (mosaic.tile[gap] == -1).all()
    assert np.isfinite(mosaic.image[~gap]).all()
    assert (mosaic.weight[~gap] > 0).all()
    assert (mosaic.tile[~gap] >= 0).all()


def test_levels_are_applied():
    rng = np.random.default_rng(6)
    image = scene(rng)
    places = whole_places(rng)
    gain = np.exp(0.1 * rng.standard_normal(9))
    surface = np.linspace(0.9, 1.1, SHAPE[1], dtype=np.float32) * np.ones(SHAPE, np.float32)
    tiles = [as_tile(cut(image, place, SHAPE) * g * surface) for place, g in zip(places, gain, strict=True)]
    layout = lay_out(places, SHAPE, np.eye(2))
    mosaic = blend_tiles(tiles, placed(places), levels_of(9, gain, surface), layout)
    np.testing.assert_allclose(mosaic.image, image, rtol=2e-6)


def test_holes_and_thin_borders_are_filled_from_neighbours():
    rng = np.random.default_rng(7)
    image = scene(rng)
    places = whole_places(rng)
    tiles = []
    for k, place in enumerate(places):
        one, weight = cut(image, place, SHAPE), np.full(SHAPE, 30, np.float32)
        if k == 4:
            one[:12] = np.nan  # never seen
            weight[:12] = 0
            one[:, -8:] = 9e9  # seen by too few frames to be used
            weight[:, -8:] = 3
        tiles.append(as_tile(one, weight=weight))
    layout = lay_out(places, SHAPE, np.eye(2))
    mosaic = blend_tiles(tiles, placed(places), levels_of(9), layout)
    y, x = places[4].astype(int)
    # the middle tile covers alone what its neighbours leave: its border strips there are overlapped
    strip = (slice(y, y + 12), slice(x + 10, x + 90))
    others = sum(((py <= y) and (py + 80 >= y + 12)) for k, (py, _) in enumerate(places) if k != 4)
    assert others
    known = np.isfinite(mosaic.image)
    assert np.abs(mosaic.image / image - 1)[known].max() < 1e-4  # a spline next to a filled hole rings off
    assert known[strip].all()


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_quarter_turns_are_exact(turns, mirrored):
    rng = np.random.default_rng(8)
    image = scene(rng)
    quarter = np.array([[0, -1], [1, 0]])  # (y, x) -> (-x, y)
    linear = np.linalg.matrix_power(quarter, turns).astype(float)
    if mirrored:
        linear = linear @ np.diag([1.0, -1.0])
    places = whole_places(rng)
    mosaic, layout = blended(image, places, linear)
    y, x = np.mgrid[: WHOLE[0], : WHOLE[1]]
    at = layout.matrix[:, :2] @ np.stack([y.ravel(), x.ravel()]) + layout.matrix[:, 2:]
    rows, columns = np.rint(at).astype(int)
    assert layout.shape == (WHOLE if turns % 2 == 0 else WHOLE[::-1])
    np.testing.assert_allclose(mosaic.image[rows, columns].reshape(WHOLE), image, rtol=1e-6)
    assert np.isfinite(mosaic.image).all()


def test_a_turned_layout_holds_all_tiles_and_their_matrices():
    angle = np.deg2rad(23.7)
    linear = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    places = np.array([(3.3, 8.1), (60.2, 90.7), (np.nan, np.nan)])
    layout = lay_out(places, SHAPE, linear)
    for place in places[:2]:
        matrix = layout.tile_matrix(place)
        np.testing.assert_allclose(matrix[:, :2], linear)
        for corner in ((0, 0), (0, 109), (79, 0), (79, 109)):
            at = matrix[:, :2] @ corner + matrix[:, 2]
            np.testing.assert_allclose(at, layout.matrix[:, :2] @ (place + corner) + layout.matrix[:, 2])
            assert (at >= 0).all()
            assert (at <= np.array(layout.shape) - 1).all()
    y, x, radius = layout.circle(Circle((40.0, 50.0), 12.0, 0.1, 10))
    np.testing.assert_allclose([y, x], layout.matrix[:, :2] @ (40.0, 50.0) + layout.matrix[:, 2])
    assert radius == 12


def test_a_turned_disk_is_the_turned_image():
    rng = np.random.default_rng(9)
    image = scene(rng, 3.0)
    angle = np.deg2rad(-31.0)
    linear = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    mosaic, layout = blended(image, whole_places(rng), linear)
    y, x = np.mgrid[: layout.shape[0], : layout.shape[1]].astype(float)
    back = np.linalg.inv(linear) @ (np.stack([y.ravel(), x.ravel()]) - layout.matrix[:, 2:])
    expected = ndimage.map_coordinates(image, back, order=3).reshape(layout.shape)
    inside = ((back > 5) & (back < np.array(WHOLE)[:, None] - 6)).all(axis=0).reshape(layout.shape)
    # splines of the tiles and of the whole differ only near the tiles' borders, where weights vanish
    np.testing.assert_allclose(mosaic.image[inside], expected[inside], rtol=2e-4)
    outside = ((back < -1.5) | (back > np.array(WHOLE)[:, None] + 0.5)).any(axis=0).reshape(layout.shape)
    assert np.isnan(mosaic.image[outside]).all()


def test_the_turning_sun_is_brought_to_one_time():
    rng = np.random.default_rng(10)
    image = scene(rng, 3.0)
    limb = Circle((95.0, 130.0), 118.0, 0.1, 100)
    drift, times = (0.002, -0.003), np.array([-500.0, 500.0])
    places = np.array([(20.0, 30.0), (40.0, 110.0)])
    tiles = []
    for place, t in zip(places, times, strict=True):
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
        y, x = y + place[0], x + place[1]
        z = np.sqrt(np.clip(1 - ((y - 95) ** 2 + (x - 130) ** 2) / 118.0**2, 0, 1)) * t
        tiles.append(as_tile(ndimage.map_coordinates(image, [y - drift[0] * z, x - drift[1] * z], order=3)))
    layout = lay_out(places, SHAPE, np.eye(2))
    mosaic = blend_tiles(tiles, placed(places, limb=limb, drift=drift, times=times), levels_of(2), layout)
    top, left = -layout.matrix[:, 2].astype(int)
    expected = image[top : top + layout.shape[0], left : left + layout.shape[1]]
    known = ndimage.binary_erosion(np.isfinite(mosaic.image), iterations=4)
    # shifts of up to 1.5 px taken out: left over is interpolation and the change of depth over that shift
    assert np.std((mosaic.image - expected)[known]) < 1.0
    blind = blend_tiles(tiles, placed(places), levels_of(2), layout)
    assert np.std((blind.image - expected)[known]) > 10


def test_depth():
    limb = Circle((10.0, 20.0), 5.0, 0.1, 100)
    y, x = np.array([10.0, 13.0, 10.0, 30.0]), np.array([20.0, 24.0, 17.0, 20.0])
    np.testing.assert_allclose(depth_factor(y, x, limb.centre_yx, limb.radius_px), [1, 0, 0.8, 0], atol=1e-7)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 20), st.integers(0, 20), st.integers(0, 20), st.integers(0, 20))
def test_feathers_rise_from_what_is_seen(top, bottom, left, right):
    seen = np.zeros(SHAPE, bool)
    seen[top : SHAPE[0] - bottom, left : SHAPE[1] - right] = True
    weight = feather(seen)
    assert (weight[~seen] == 0).all()
    assert (weight[seen] > 0).all()
    assert weight.max() <= 1
    middle = ((top + SHAPE[0] - bottom - 1) // 2, (left + SHAPE[1] - right - 1) // 2)
    assert weight[middle] > 0.9 * weight.max()
    assert weight[top, middle[1]] < 0.01
    assert weight[middle[0], left] < 0.01


def pair_of(first, second, shift=60.0):
    """Two tiles side by side that overlap by 50 px, as they lie on one canvas."""
    places = np.array([(0.0, 0.0), (0.0, shift)])
    layout = lay_out(places, SHAPE, np.eye(2))
    whole = int(shift)
    tiles = [as_tile(first[:, : SHAPE[1]]), as_tile(second[:, whole : whole + SHAPE[1]])]
    return blend_tiles(tiles, placed(places), levels_of(2), layout)


def wide_scene(rng):
    image = ndimage.gaussian_filter(rng.standard_normal((SHAPE[0], SHAPE[1] + 60)), 1.5)
    return (1000 * (1 + 0.02 * image / image.std())).astype(np.float32)


def test_a_slow_difference_leaves_no_step_and_fine_structure_is_not_averaged():
    rng = np.random.default_rng(11)
    image = wide_scene(rng)
    noise = [10 * rng.standard_normal(image.shape) for _ in range(2)]
    mosaic = pair_of(image * 1.01 + noise[0], image * 0.99 + noise[1])
    left = mosaic.image / image - 1
    profile = ndimage.gaussian_filter1d(left.mean(axis=0), 2)
    # 2 % between the tiles are spread over the overlap of 50 px: steepest where the wide weights cross, less than
    # 0.2 % a pixel; a plain cut would have all of it within the filter's 5 px
    assert profile[:35].mean() > 0.008
    assert profile[-35:].mean() < -0.008
    assert np.abs(np.diff(profile)).max() < 0.002
    spread = (left - profile).std(axis=0)
    # noise stays what it is in a tile (80 rows tell each column to 8 %) but in the few px of the seam
    assert (ndimage.median_filter(spread, 15)[8:-8] > 0.0085).all()
    assert np.sum(ndimage.gaussian_filter1d(spread, 1)[55:115] < 0.0085) < 10


def test_a_flare_is_taken_whole_from_one_tile():
    rng = np.random.default_rng(12)
    image = wide_scene(rng)
    y, x = np.indices(image.shape)
    blob = 800 * np.exp(-((y - 41) ** 2 / 40 + (x - 86) ** 2 / 30))  # across the middle of the overlap
    mosaic = pair_of(image + blob, image + 2 * blob)
    here = blob > 40
    states = [np.abs(mosaic.image - image - times * blob)[here].max() / 800 for times in (1, 2)]
    # the slow band's differences are continued from around the flare: half a per cent of it
    assert min(states) < 0.01
    assert max(states) > 0.5
    assert len(np.unique(mosaic.tile[here])) == 1


def test_what_moved_shows_once():
    rng = np.random.default_rng(13)
    sky = np.full((SHAPE[0], SHAPE[1] + 60), 20.0)
    sky[:30] = 1000  # the disk above, prominences below it
    sky = ndimage.gaussian_filter(sky, 1.0) + 2 * rng.standard_normal(sky.shape)
    y, x = np.indices(sky.shape)
    seen = [150 * np.exp(-((y - 57) ** 2 / 30 + (x - 85 - move) ** 2 / 16)) for move in (-3, 3)]
    mosaic = pair_of(sky + seen[0], sky + seen[1])
    here = np.maximum(*seen) > 15
    off = [np.sqrt(np.mean(((mosaic.image - sky - one)[here]) ** 2)) for one in seen]
    assert min(off) < 0.05 * max(off)


def test_structure_that_only_lies_a_fraction_off_is_no_change():
    rng = np.random.default_rng(14)
    image = wide_scene(rng)
    mosaic = pair_of(image, ndimage.shift(image, (0.3, -0.4), order=3, mode="nearest"))
    # one straight seam, half-way
    assert (np.diff(mosaic.tile, axis=1) != 0).sum(axis=1).max() == 1


def test_the_sharper_and_quieter_tile_has_the_larger_part():
    rng = np.random.default_rng(15)
    image = wide_scene(rng)
    places = np.array([(0.0, 0.0), (0.0, 60.0)])
    parts = [image[:, : SHAPE[1]], image[:, 60 : 60 + SHAPE[1]]]
    share = []
    for sharpness in (1.0, 2.0):
        tiles = [as_tile(part, sharpness=sharp) for part, sharp in zip(parts, (sharpness, 1.0), strict=True)]
        mosaic = blend_tiles(tiles, placed(places), levels_of(2), lay_out(places, SHAPE, np.eye(2)))
        share.append(np.mean(mosaic.tile == 0))
    assert share[1] > share[0] + 0.02


def test_nothing_seen_has_no_feather():
    assert (feather(np.zeros(SHAPE, bool)) == 0).all()


def test_a_general_library_puts_the_tiles_at_the_same_places():
    """Against reproject's co-addition (astropy project), which knows nothing of this package's signs and axes."""
    reproject = pytest.importorskip("reproject", reason="reproject is not installed")
    from astropy.wcs import WCS
    from reproject.mosaicking import reproject_and_coadd

    rng = np.random.default_rng(4)
    image = scene(rng, 3.0)
    places = grid_places(WHOLE, SHAPE, (3, 3), rng)
    places[1:-1] += rng.uniform(-0.5, 0.5, (7, 2))
    places = np.clip(places, 0, np.array(WHOLE) - SHAPE)

    def wcs_at(y, x):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype = "RA---TAN", "DEC--TAN"
        wcs.wcs.cdelt = 1e-4, 1e-4
        wcs.wcs.crpix = 130 - x, 95 - y
        return wcs

    inputs = [(cut(image, place, SHAPE), wcs_at(*place)) for place in places]
    theirs, cover = reproject_and_coadd(
        inputs, wcs_at(0, 0), shape_out=WHOLE, reproject_function=reproject.reproject_interp, order="bicubic"
    )
    ours, layout = blended(image, places)
    assert layout.shape == WHOLE
    inner = (slice(6, -6), slice(6, -6))
    good = cover[inner] > 0
    # both interpolate structure of 3 px by cubics: 0.05 % of the level; a shift of 0.1 px would leave 0.3 %
    assert np.std((ours.image[inner] / theirs[inner] - 1)[good]) < 5e-4


def test_bends_are_put_right_by_overlaps():
    rng = np.random.default_rng(11)
    whole, shape = (330, 420), (170, 210)
    texture = ndimage.gaussian_filter(rng.standard_normal(whole), 1.8)
    image = (1000 * (1 + 0.1 * texture / texture.std())).astype(np.float32)
    places = np.rint(grid_places(whole, shape, (3, 3), rng))
    tiles, kept = [], []
    for place in places:
        # smooth bends of 0.1 px, 45 px wide, of each tile its own
        bend = np.stack([ndimage.gaussian_filter(rng.standard_normal(shape), 32, mode="wrap") for _ in range(2)])
        bend *= 0.1 / bend.std()
        y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
        at = [y + place[0] + bend[0], x + place[1] + bend[1]]
        tiles.append(as_tile(ndimage.map_coordinates(image, at, order=5, mode="mirror").astype(np.float32)))
        kept.append(bend)
    layout = lay_out(places, shape, np.eye(2))
    levels = Levels(np.ones(9), np.zeros(9), np.ones(shape, np.float32), np.zeros(9), 0.0)
    errors = []
    for put_right in (True, False):
        with pytest.MonkeyPatch.context() as patch:
            if not put_right:
                patch.setattr("diskmosaic.blend.blend.find_bends", lambda laid, tiles: None)
            mosaic = blend_tiles(tiles, placed(places), levels, layout)
        inner = (slice(20, -20), slice(20, -20))
        errors.append(np.std((mosaic.image - image)[inner]))
    # half of the variance goes where two tiles overlap, three quarters where four do; in the tiles' middles less
    assert errors[0] < 0.85 * errors[1]
