"""Tiles with more pixels than their frames: where they lie, what they hold, and what is taken out of them."""

import dataclasses

import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.arrays.drops import drop, places_of
from diskmosaic.arrays.kernels import warp
from diskmosaic.figures import measure
from diskmosaic.files.masterfile import read_master, write_master
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.job import reflatting
from diskmosaic.job.job import Job
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import FRAME_DTYPE, SensorGrid, Tile
from diskmosaic.remainder.imprint import Smear, reflat_tile
from diskmosaic.settings import TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain
from diskmosaic.tiles.dropping import Dropped, uneven
from diskmosaic.tiles.finer import enlarged, finer_grid, finer_shape, on_frames, placement_on_frames
from diskmosaic.tiles.tiles import stack_tile
from one_tile import PLAN, SHAPE, calibration, make_one
from scipy import ndimage

FINER = TileSettings(finer=2.0, min_frames=8)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    plan = dataclasses.replace(PLAN, blur_px=(0.5, 0.8), seeing_px=0.3)
    return make_one(tmp_path_factory.mktemp("finer") / "session", plan)


def stacked(session, settings=FINER, jobs=1):
    path, truth = session
    with open_recording(path) as recording:
        return stack_tile(recording, calibration(truth), settings, jobs=jobs)


@pytest.fixture(scope="module")
def tile(session):
    return stacked(session)


def truth_image(truth, tile, blur):
    """The Sun under the tile's pixels, in ADU."""
    one = truth.tiles[0]
    mean = np.average(one.shifts, axis=0, weights=tile.frames["weight"])
    y, x = np.indices(tile.image.shape)
    at = [
        (axis + 0.5) / tile.finer - 0.5 + place + move - (size - 1) / 2
        for axis, place, move, size in zip((y, x), one.position_yx, mean, SHAPE, strict=True)
    ]
    light = ndimage.map_coordinates(truth.sun.image, at, order=3) * truth.level_adu * one.gain
    return ndimage.gaussian_filter(light, blur * tile.finer)


def test_finer_pixels_lie_where_the_grid_says(session, tile):
    assert tile.image.shape == (300, 400)
    assert tile.weight.shape == (300, 400)
    assert tile.frame_shape == tile.sensor_mean.shape == SHAPE
    expected = truth_image(session[1], tile, 0.7)
    inner = (slice(40, -40), slice(40, -40))
    a, b = (image - ndimage.gaussian_filter(image, 8) for image in (expected, tile.image.astype(float)))
    a, b = a[inner], b[inner]
    gy, gx = np.gradient(0.5 * (a + b))
    columns = np.column_stack([gy.ravel(), gx.ravel(), a.ravel()])
    answer = np.linalg.lstsq(columns, (b - a).ravel(), rcond=None)[0]
    # half a camera pixel would be a whole one here; warps of 0.3 px over 40 frames leave 0.05 px, 0.1 of these
    assert np.hypot(*answer[:2]) < 0.15
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.97


def test_level_weight_and_noise_are_those_of_the_plain_tile(session, tile):
    usual = stacked(session, TileSettings(min_frames=8))
    inner, fine_inner = (slice(15, -15),) * 2, (slice(30, -30),) * 2
    # the same frames, with the same levels: their mean is the same light
    assert tile.image[fine_inner].mean() == pytest.approx(usual.image[inner].mean(), rel=2e-4)
    assert tile.weight[fine_inner].mean() == pytest.approx(usual.weight[inner].mean(), rel=2e-3)
    np.testing.assert_array_equal(tile.frames, usual.frames)
    np.testing.assert_array_equal(tile.fields, usual.fields)
    # (p - q/3) / p^2 for p = 0.7, q = 1/2 (`noise_of_drops`, tested against the publication)
    assert tile.noise == pytest.approx(usual.noise * (0.7 - 0.5 / 3) / 0.49, rel=0.03)


def test_threads_do_not_change_a_byte(session, tile):
    again = stacked(session, jobs=3)
    for name in ("image", "weight", "frames", "fields", "sensor_mean"):
        np.testing.assert_array_equal(getattr(again, name), getattr(tile, name))


def test_a_factor_that_is_no_whole_number(session):
    tile = stacked(session, TileSettings(finer=1.5, min_frames=8))
    assert tile.image.shape == (225, 300)
    expected = truth_image(session[1], tile, 0.7)
    inner = (slice(30, -30), slice(30, -30))
    assert np.corrcoef(expected[inner].ravel(), tile.image[inner].ravel())[0, 1] > 0.98


def test_a_finer_tile_is_written_and_read(tile, tmp_path):
    whole = dataclasses.replace(tile, grid=finer_grid(None, SHAPE, 2.0))
    write_tile(tmp_path / "t.fits", whole)
    back = read_tile(tmp_path / "t.fits")
    assert back.finer == 2.0
    assert back.grid == SensorGrid(0.5, (-0.25, -0.25), SHAPE)
    np.testing.assert_array_equal(back.image, whole.image)


@pytest.mark.parametrize("factor", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("grid", [None, SensorGrid(2.0, (0.0, 1.0), (300, 400))])
def test_a_slope_over_the_sensor_stays_where_it_is(factor, grid):
    y, x = np.indices(SHAPE, dtype=np.float32)
    shape = finer_shape(SHAPE, factor)
    sums = np.zeros((2, *shape), np.float32)
    for shift in np.random.default_rng(6).uniform(-0.5, 0.5, (60, 2)):
        frame = 10 * (y + np.float32(shift[0])) + x + np.float32(shift[1])  # sees the slope from where it is
        places = places_of(np.full((1, 1, 2), -shift, np.float32), SHAPE)
        drop(frame, places, factor, 0.7, sums, slice(0, shape[0]))
    made = finer_grid(grid, SHAPE, factor)
    step, first = (1.0, (0.0, 0.0)) if grid is None else (grid.step, grid.first_yx)
    for place in ((40, 51), (shape[0] - 30, 77)):
        sensor = [start + made.step * at for start, at in zip(made.first_yx, place, strict=True)]
        on_frame = [(value - start) / step for value, start in zip(sensor, first, strict=True)]
        window = tuple(slice(at - 3, at + 4) for at in place)  # shares differ from pixel to pixel, not on average
        # pixels are off by up to half of one, by chance: 0.3 px of slopes 10 and 1, over 60 frames and 49 pixels
        found = float(np.mean(sums[0][window] / sums[1][window]))
        assert found == pytest.approx(10 * on_frame[0] + on_frame[1], abs=0.15)


def test_there_and_back():
    rng = np.random.default_rng(7)
    image = (100 + ndimage.gaussian_filter(rng.standard_normal(SHAPE), 2)).astype(np.float32)
    for factor in (1.5, 2.0, 3.0):
        fine = enlarged(image, factor, finer_shape(SHAPE, factor))
        back = on_frames(fine, factor, SHAPE)
        inner = (slice(4, -4), slice(4, -4))
        # structure of 2 px: the cubic kernel of the way back is off by 2 % of its 0.14 rms at most
        assert np.std((back - image)[inner]) < 0.02 * image.std()


def test_unknown_pixels_stay_unknown():
    image = np.ones((60, 80), np.float32)
    image[:, :10] = np.nan
    back = on_frames(image, 2.0, (30, 40))
    assert np.isnan(back[:, :5]).all()
    assert np.isfinite(back[:, 6:]).all()


def test_a_placement_says_the_same_on_both_grids():
    rng = np.random.default_rng(8)
    turns = np.stack([np.eye(2), np.diag([-1.0, -1.0]), np.array([[0.8, -0.6], [0.6, 0.8]])])
    fine = Placement(
        rng.uniform(0, 500, (3, 2)), (), {}, Circle((310.0, 290.0), 400.0, 0.1, 100), (0.02, -0.01), turns=turns
    )
    for factor in (1.5, 3.0):
        coarse = placement_on_frames(fine, factor)
        for k in range(3):
            on_frame = rng.uniform(0, 100, 2)
            on_tile = factor * (on_frame + 0.5) - 0.5
            np.testing.assert_allclose(factor * coarse.to_mosaic(k, on_frame), fine.to_mosaic(k, on_tile))
        assert coarse.limb.radius_px == pytest.approx(400 / factor)
        assert coarse.drift_yx[0] == pytest.approx(0.02 / factor)


def test_a_pattern_on_the_sensor_is_smeared_as_its_frames_were_laid():
    rng = np.random.default_rng(9)
    rough = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 1.5)
    pattern = (1 + 0.05 * rough / rough.std()).astype(np.float32)
    shifts = rng.normal(0, 1.5, (60, 2)).astype(np.float32)
    sums = np.zeros((2, 300, 400), np.float32)
    for shift in shifts:
        drop(pattern, places_of(np.full((1, 1, 2), -shift), SHAPE), 2.0, 0.7, sums, slice(0, 300))
    frames = np.zeros(60, FRAME_DTYPE)
    frames["weight"] = frames["level"] = 1
    frames["shift_y"], frames["shift_x"] = shifts.T
    image = sums[0] / np.maximum(sums[1], 1e-6)
    for fields in (None, np.zeros((60, 6, 8, 2), np.float32)):
        tile = Tile("t", image, sums[1], 1.0, frames, 1.0, None, "t.ser", sensor_mean=pattern, fields=fields)
        tile = dataclasses.replace(tile, finer=2.0, pixel_share=0.7)
        told = Smear(tile).ratio(pattern)
        inner = (slice(20, -20), slice(20, -20))
        left = (image / told)[inner]
        assert image[inner].std() > 0.015
        # a finer pixel is not reached by all frames alike: their weights scatter by half, which leaves 0.5/sqrt(60) of
        # the pattern; it is for what hardly stands out. What follows is exact
        assert left.std() < 0.07 * pattern.std()
        assert left.mean() == pytest.approx(1, abs=2e-4)
    again = Dropped(tile)
    np.testing.assert_allclose(again.ratio(pattern)[inner], image[inner], rtol=2e-6)  # single precision
    np.testing.assert_allclose(again.light(1000 * pattern)[inner], 1000 * image[inner], rtol=2e-6)


def test_frames_that_lie_alike_are_told():
    whole = np.full((300, 400), 20.0, np.float32)
    settings = TileSettings(finer=2.0)
    assert uneven(whole, 20.0, settings) == []
    sums = np.zeros((2, 450, 600), np.float32)
    drop(np.ones(SHAPE, np.float32), np.zeros((1, 1, 2), np.float32), 3.0, 0.3, sums, slice(0, 450), weight=20.0)
    told = uneven(sums[1], 20.0, TileSettings(finer=3.0, pixel_share=0.3))
    assert len(told) == 1
    assert "88.9 % of its pixels are empty" in told[0]  # all but the middle one of nine


def test_a_whole_session_on_a_finer_grid(tmp_path):
    """Figures as for the usual grid, in smaller pixels."""
    plan = plain(
        tile_shape=(260, 340),
        frames=24,
        flat_frames=24,
        dark_frames=6,
        overlap=0.3,
        mount_error_px=5.0,
        blur_px=(0.7, 1.0),
        seeing_px=0.3,
    )
    folder = tmp_path / "evening"
    make_session(folder, invented_sun(240, np.random.default_rng(3)), plan, seed=2, truth=tmp_path / "truth")
    out = tmp_path / "out"
    out.mkdir()
    (out / "session.toml").write_text("[settings.tiles]\nfiner = 1.5\n", "utf-8")
    outcome = pipeline.tiles(folder, out=out)
    pipeline.assemble(folder, out=out)
    assert not any("lie too much alike" in text for text in outcome.warnings)
    figures = measure(out, tmp_path / "truth")
    assert figures["tiles_placed"] == figures["tiles"]
    # 24 frames, few tiles and a small disk: the usual grid gives 0.11, 0.07 and 0.03 camera px here; a limb hangs on
    # the places of four tiles
    assert figures["placement_rms_px"] < 1.5 * 0.15
    assert figures["local_rms_px"] < 1.5 * 0.15
    assert figures["limb_centre_px"] < 1.5 * 0.15
    assert abs(figures["scale_error"]) < 1e-3
    assert figures["dust_left"] < 0.05
    assert figures["rings_left"] < 0.05
    tiles = [(read_tile(path), path) for path in sorted((out / "tiles").glob("*.fits"))]
    tile, path = max(tiles, key=lambda one: np.nanmedian(one[0].image))
    assert tile.image.shape == (390, 510)
    # another flat, of the frames' size, is taken for finer tiles
    flat = read_master(out / "masters" / "flat.fits")
    ripple = 1 + 0.01 * np.sin(np.arange(340) / 8)
    write_master(tmp_path / "other.fits", dataclasses.replace(flat, image=(flat.image * ripple).astype(np.float32)))
    job = Job(folder, out=out)
    job.load_session()
    reflatting.reflat_tiles(job, tmp_path / "other.fits", None)
    lit = tile.image > 20  # not the sky
    lit[:, :30] = lit[:, -30:] = False  # nor borders, which few frames see
    change = tile.image[lit] / read_tile(path).image[lit]
    # jitter of 1 to 2 px leaves exp(-(1/8)^2 / 2) = 0.97 to 0.99 of the ripple
    expected = np.broadcast_to(0.99 * np.sin(((np.arange(510) + 0.5) / 1.5 - 0.5) / 8), lit.shape)[lit]
    assert np.polyfit(expected, change, 1)[0] == pytest.approx(0.01, rel=0.1)


def test_another_flat_on_a_finer_tile_is_as_stacking_anew():
    rng = np.random.default_rng(10)
    sun = (1000 * (1 + 0.1 * ndimage.gaussian_filter(rng.standard_normal(SHAPE), 3) / 0.09)).astype(np.float32)
    rough = ndimage.gaussian_filter(rng.standard_normal((2, *SHAPE)), (0, 1.5, 1.5))
    true, poor = (1 + 0.04 * rough / rough.std()).astype(np.float32)
    shifts = rng.normal(0, 1.5, (40, 2)).astype(np.float32)
    fields = (0.3 * rng.standard_normal((40, 6, 8, 2))).astype(np.float32)
    sampled = fields - shifts[:, None, None]
    raws = [warp(sun, -field) * true for field in sampled]
    good = np.ones(SHAPE, bool)
    nothing = Master("dark", np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32), 1, 0.0, 0.0, 0.0, good)

    def calibration(flat):
        return Calibration(nothing, dataclasses.replace(nothing, kind="flat", image=flat), 0.0, SHAPE)

    def stack(flat):
        sums = np.zeros((2, 300, 400), np.float32)
        for raw, field in zip(raws, sampled, strict=True):
            drop(calibration(flat).apply(raw), places_of(field, SHAPE), 2.0, 0.7, sums, slice(0, 300))
        frames = np.zeros(40, FRAME_DTYPE)
        frames["weight"] = frames["level"] = 1
        frames["shift_y"], frames["shift_x"] = shifts.T
        image = (sums[0] / np.maximum(sums[1], 1e-6)).astype(np.float32)
        tile = Tile("t", image, sums[1], 1.0, frames, 1.0, None, "t.ser", sensor_mean=raws[0], fields=fields)
        return dataclasses.replace(tile, finer=2.0, pixel_share=0.7)

    before, anew = stack(poor), stack(true)
    after = reflat_tile(before, calibration(poor), calibration(true))
    inner = (slice(24, -24), slice(24, -24))
    far, near = (float(np.std((one.image / anew.image)[inner])) for one in (before, after))
    assert far > 0.01
    # exact to first order: what is left is the pattern times the Sun's slope over a frame's displacements, which the
    # mean over the frames has apart: 0.04 of 0.1 of the scene, over the root of the frames that reach a pixel
    assert near < 0.1 * far
