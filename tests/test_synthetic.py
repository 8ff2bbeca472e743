"""The simulator against its own truth: what the files hold is what the truth says."""

from pathlib import Path

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.files.ser import open_ser
from diskmosaic.synthetic import hard, invented_sun, make_session, pattern, plain, read_truth, sensor_pattern
from diskmosaic.synthetic.camera import PAD_PX, Detector, TileView, Warps, defocused
from diskmosaic.synthetic.plan import grid, rotation
from diskmosaic.synthetic.sun import drift_px_per_s
from scipy import ndimage

SMALL = {"tile_shape": (120, 160), "frames": 6, "flat_frames": 5, "dark_frames": 3, "mount_error_px": 4}
STEADY = {
    "jitter_px": 0,
    "seeing_px": 0,
    "flicker": 0,
    "gain_spread": 0,
    "full_well_e": 1e7,
    "read_noise_e": 0,
}


@pytest.fixture(scope="module")
def sun():
    return invented_sun(150, np.random.default_rng(4))


@pytest.fixture(scope="module")
def session(sun, tmp_path_factory):
    folder = tmp_path_factory.mktemp("synthetic")
    make_session(folder / "session", sun, hard(**SMALL), seed=3)
    return folder / "session"


def frames_of(path: Path) -> np.ndarray:
    contents = open_ser(path)
    out = np.empty((contents.frame_count, contents.height, contents.width), contents.dtype)
    for k, frame in enumerate(out):
        contents.read(k, frame)
    contents.close()
    return out


def times_of(path: Path) -> np.ndarray:
    contents = open_ser(path)
    contents.close()
    return contents.times


def test_the_sun_is_positive_with_its_edge_at_the_radius(sun):
    assert sun.image.min() > 0
    assert sun.image.dtype == np.float32
    assert sun.image.shape[0] != sun.image.shape[1]
    soft = ndimage.gaussian_filter(sun.image.astype(float), 1.0)
    angles = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    reach = np.arange(sun.radius_px - 6, sun.radius_px + 6, 0.05)
    points = [sun.centre_yx[k] + np.outer((np.sin, np.cos)[k](angles), reach) for k in (0, 1)]
    fall = -np.diff(ndimage.map_coordinates(soft, points, order=3), axis=1)
    edges = reach[fall.argmax(1)] + 0.025
    # limb darkening, steepest at the limb, draws the edge of the blurred Sun inwards by a few hundredths of
    # a px
    assert np.median(edges) == pytest.approx(sun.radius_px, abs=0.1)
    ripple = np.column_stack([np.cos(angles), np.sin(angles)]).T @ (edges - edges.mean()) / 180
    assert np.hypot(*ripple) < 0.05  # of the centre, px


def test_the_sun_has_structure_on_several_scales_and_prominences(sun):
    y, x = np.indices(sun.image.shape)
    r = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) / sun.radius_px
    light = np.log(sun.image)
    for low, high in ((1, 3), (3, 8), (8, 20)):
        band = ndimage.gaussian_filter(light, low) - ndimage.gaussian_filter(light, high)
        assert 0.004 < np.median(np.abs(band[r < 0.8])) < 0.1
    ring = sun.image[(r > 1.01) & (r < 1.04)]
    assert 0.01 < ring.max() < 0.25  # prominences
    assert np.median(ring) < 0.01  # sky
    assert sun.image[r < 0.9].min() < 0.45  # umbra


def test_rings_move_and_dust_stays():
    still, third, whole = (sensor_pattern(300, 400, np.random.default_rng(9), phase=phase) for phase in (0, 1 / 3, 1))
    np.testing.assert_array_equal(still.dust, third.dust)
    np.testing.assert_array_equal(still.response, third.response)
    # float32 cosines of some 60 radians
    np.testing.assert_allclose(still.rings, whole.rings, atol=1e-5)
    # many fringes: the correlation of two cosines a third apart is cos 120 deg
    assert np.corrcoef(still.rings.ravel(), third.rings.ravel())[0, 1] == pytest.approx(-0.5, abs=0.05)
    assert still.rings.std() == pytest.approx(0.035 / np.sqrt(2), rel=0.15)
    assert still.dust.min() < 0.96
    assert still.dust.max() == pytest.approx(1, abs=1e-3)
    assert 0.85 < still.vignetting[0, 0] < 0.95
    assert (~still.good).sum() == 12
    np.testing.assert_array_equal(pattern(300, 400, np.random.default_rng(9)), still.product)


@pytest.mark.parametrize("angle", [0.0, 7.0, -31.0])
def test_the_grid_covers_the_disk_and_no_tile_sees_only_sky(sun, angle):
    plan = plain(**SMALL, camera_angle_deg=angle, overlap=0.2)
    tiles = grid(sun, plan, np.random.default_rng(2))
    y, x = np.indices(sun.image.shape)
    disk = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) < sun.radius_px
    covered = np.zeros_like(disk)
    for place in tiles:
        at = np.tensordot(rotation(angle).T, np.stack([y - place[0], x - place[1]]), 1)
        seen = (np.abs(at[0]) <= 60) & (np.abs(at[1]) <= 80)
        assert (seen & disk).sum() > 0.01 * 120 * 160
        covered |= seen
    assert covered[disk].all()


def test_a_frame_is_the_sun_at_the_true_place(sun):
    plan = plain(tile_shape=(90, 120), camera_angle_deg=25)
    place, shift = (120.3, 170.7), np.array([1.6, -2.3])
    frame = TileView(sun, plan, place, 0.0).draw(shift, None, 1.0)
    turn = rotation(25)
    y, x = np.mgrid[:90, :120].astype(float)
    points = np.tensordot(turn, np.stack([y - 44.5 + shift[0], x - 59.5 + shift[1]]), 1)
    soft = ndimage.gaussian_filter(sun.image.astype(float), 1.0)
    expected = ndimage.map_coordinates(soft, points + np.array(place)[:, None, None], order=3)
    # linear steps on the refined grid add a blur of 0.04 px^2, most at the limb's step of 0.5
    assert np.abs(frame - expected).max() < 0.012
    assert np.sqrt(np.mean((frame - expected) ** 2)) < 0.0015


def test_the_true_shift_moves_the_frame_onto_the_tile(sun):
    view = TileView(sun, plain(tile_shape=(90, 120)), sun.centre_yx, 0.0)
    shift = np.array([2.0, -3.0])
    moved = ndimage.shift(view.draw(shift, None, 1.2), shift, order=1)
    np.testing.assert_allclose(moved[5:-5, 5:-5], view.draw(np.zeros(2), None, 1.2)[5:-5, 5:-5], atol=2e-4)


def test_the_surface_turns_and_the_limb_does_not(sun):
    plan = plain(tile_shape=(90, 120), minutes_between_tiles=1.0, solar_north_deg=30)
    seconds = 3600.0 * 20  # 200 arcsec at disk centre: 31 px at this scale
    speed = drift_px_per_s(sun, *map(np.array, sun.centre_yx), north_deg=30)
    place = np.array(sun.centre_yx) + np.array(speed) * seconds
    late = TileView(sun, plan, tuple(place), seconds).draw(np.zeros(2), None, 1.0)
    early = TileView(sun, plan, sun.centre_yx, 0.0).draw(np.zeros(2), None, 1.0)
    middle = (slice(38, 52), slice(50, 70))
    # what was at the centre stands at `place`, squeezed a little by the projection
    assert np.corrcoef(late[middle].ravel(), early[middle].ravel())[0, 1] > 0.8
    limb = (sun.centre_yx[0], sun.centre_yx[1] - sun.radius_px)
    late, early = (TileView(sun, plan, limb, s).draw(np.zeros(2), None, 1.0) for s in (300.0, 0.0))
    assert np.abs(late - early)[:, 50:61].max() < 0.03


def test_warps_have_their_size_and_scale():
    warps = Warps((240, 320), 0.8, 60)
    rng = np.random.default_rng(1)
    fields = np.array([warps.draw(rng)[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX] for _ in range(60)])
    assert np.abs(fields.mean((2, 3))).max() < 1e-5
    # 120 fields of some 20 nodes, less the mean's share: 3 %
    assert np.sqrt(np.mean(fields**2)) == pytest.approx(0.8, rel=0.06)

    def correlation(lag):
        return np.mean(fields[..., lag:] * fields[..., :-lag]) / np.mean(fields**2)

    assert correlation(10) > 0.9
    assert abs(correlation(120)) < 0.2


def test_noise_follows_photon_transfer():
    """Variance = signal / gain + read noise^2 + rounding (Janesick, Photon Transfer, from memory)."""
    detector = Detector(plain(bit_depth=12, full_well_e=8190, read_noise_e=6, offset=0.05))
    rng = np.random.default_rng(5)
    light = np.full((300, 400), 1000, np.float32)
    dark = np.full((300, 400), 200, np.float32)
    one, two = (detector.expose(light, dark, rng).astype(float) for _ in range(2))
    assert one.mean() == pytest.approx(1200, abs=0.3)  # 22 ADU / sqrt(120,000) is 0.06
    # 2 e-/ADU: 500 + 9 + 1/12; 120,000 pixels tell a variance to 0.4 %
    assert np.var(one - two) / 2 == pytest.approx(509.08, rel=0.015)


def test_files_hold_what_the_plan_says(session):
    truth = read_truth(session.with_name("session-truth"))
    names = sorted(path.name for path in session.iterdir())
    assert names == sorted([t.recording for t in truth.tiles] + ["flat.ser", "dark.ser"])
    tile = frames_of(session / truth.tiles[0].recording)
    assert tile.shape == (6, 120, 160)
    assert tile.dtype == np.uint8
    assert len(frames_of(session / "flat.ser")) == 5
    dark = frames_of(session / "dark.ser").mean(0)
    good = truth.parts["good"]
    assert dark[good].mean() == pytest.approx(truth.offset_adu, abs=0.5)  # 8 bits round it off


def test_tiles_are_apart_in_time_and_the_truth_knows_when(session):
    truth = read_truth(session.with_name("session-truth"))
    for tile in truth.tiles:
        times = times_of(session / tile.recording)
        middle = times[0] + (times[-1] - times[0]) / 2
        after = (middle - np.datetime64(truth.reference_utc)) / np.timedelta64(1, "s")
        assert after == pytest.approx(tile.seconds, abs=0.02)  # one frame at 60 a second
    assert np.diff([t.seconds for t in truth.tiles]) == pytest.approx(60)


def test_frames_add_up_to_sun_times_pattern(sun, tmp_path):
    plan = plain(**{**SMALL, **STEADY, "bit_depth": 16, "blur_px": (1.0, 1.0), "camera_angle_deg": 5})
    truth = make_session(tmp_path / "s", sun, plan, seed=2)
    soft = ndimage.gaussian_filter(sun.image.astype(float), 1.0)
    y, x = np.mgrid[:120, :160].astype(float)
    for tile in truth.tiles[:3]:
        points = np.tensordot(rotation(5), np.stack([y - 59.5, x - 79.5]), 1)
        points += np.array(tile.position_yx)[:, None, None]
        expected = ndimage.map_coordinates(soft, points, order=3, mode="nearest")
        expected *= truth.level_adu * truth.parts["pattern_tiles"]
        found = frames_of(tmp_path / "s" / tile.recording).mean(0) - truth.parts["dark"]
        bright = (expected > 0.3 * truth.level_adu) & truth.parts["good"]
        ratio = (found / np.maximum(expected, 1))[bright]
        # photons of 6 frames of 6e6 electrons: 0.02 %; the refined grid's small blur does the rest
        assert np.median(ratio) == pytest.approx(1, abs=2e-4)
        assert np.sqrt(np.mean((ratio - 1) ** 2)) < 0.004


def test_the_flat_has_the_pattern_and_nothing_solar(sun):
    plan = plain(**SMALL)
    light = defocused(sun, plan, np.random.default_rng(1))
    assert light.shape == (120, 160)
    assert light.min() > 0.5  # the whole chip is lit, even where it spans this small Sun
    rest = np.log(light) - ndimage.gaussian_filter(np.log(light), 6)
    assert np.abs(rest[15:-15, 15:-15]).max() < 0.01


def test_the_flat_is_taken_before_the_rings_move(session):
    truth = read_truth(session.with_name("session-truth"))
    flat = frames_of(session / "flat.ser").mean(0) - truth.parts["dark"]
    fine = np.log(flat / truth.parts["vignetting"] / truth.parts["response"] / truth.parts["dust"])
    fine -= ndimage.gaussian_filter(fine, 15)

    def share(rings):
        rings = np.log(rings) - ndimage.gaussian_filter(np.log(rings), 15)
        good = truth.parts["good"]
        return np.sum(fine[good] * rings[good]) / np.sum(rings[good] ** 2)

    # noise of 5 frames, 0.6 % a pixel over 19,000 pixels against rings of 2.5 %: 0.2 %
    assert share(truth.parts["rings_flat"]) == pytest.approx(1, abs=0.02)
    assert share(truth.parts["rings"]) < 0


def test_the_seed_decides_every_byte(sun, session, tmp_path):
    again = make_session(tmp_path / "again", sun, hard(**SMALL), seed=3)
    for path in session.iterdir():
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes()
    make_session(tmp_path / "other", sun, hard(**SMALL), seed=4)
    name = again.tiles[0].recording
    assert (tmp_path / "other" / name).read_bytes() != (session / name).read_bytes()


def test_the_truth_comes_back_as_written(sun, tmp_path):
    plan = plain(**SMALL, positions_yx=((100.0, 120.0), (130.5, 170.25)))
    written = make_session(tmp_path / "s", sun, plan, truth=tmp_path / "elsewhere")
    read = read_truth(tmp_path / "elsewhere")
    assert read.plan == plan
    assert read.reference_utc == written.reference_utc
    assert {t.position_yx for t in read.tiles} == set(plan.positions_yx)
    for one, two in zip(read.tiles, written.tiles, strict=True):
        np.testing.assert_array_equal(one.shifts, two.shifts)
        assert one.gain == two.gain
    assert read.parts.keys() == written.parts.keys()
    with pytest.raises(InputError, match=r"no truth\.json"):
        read_truth(tmp_path)


def test_jitter_blur_and_cloud_are_as_planned(sun, tmp_path):
    places = ((150.0, 150.0), (160.0, 170.0), (140.0, 130.0))
    plan = hard(tile_shape=(8, 10), frames=300, flat_frames=0, dark_frames=0, positions_yx=places)
    truth = make_session(tmp_path / "s", sun, plan, seed=8)
    shifts = np.array([t.shifts for t in truth.tiles])
    assert np.sqrt(np.mean((shifts - shifts.mean(1, keepdims=True)) ** 2)) == pytest.approx(2, rel=0.15)
    blur = np.concatenate([t.blur_px for t in truth.tiles])
    assert 0.8 <= blur.min() < 0.9
    assert 1.5 < blur.max() <= 1.6
    light = np.concatenate([t.transparency for t in truth.tiles])
    assert light.min() > 0.8
    assert light.max() - light.min() > 0.04
    assert not (tmp_path / "s" / "flat.ser").exists()


def test_fields_that_turn_and_flip():
    plan = plain(camera_angle_deg=3.0, field_turn_deg=1.0, flip_after=2)
    # evenly about the camera's own angle; after the flip by half a turn more
    assert [plan.angle_deg(k, 5) for k in range(5)] == pytest.approx([2.5, 2.75, 183.0, 183.25, 183.5])
