"""The figures themselves: a perfect result measures 0, a known flaw measures as what it is."""

import io
import json

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.figures import measure, print_table
from diskmosaic.figures.geometry import _shift
from diskmosaic.records.tile import FRAME_DTYPE
from diskmosaic.synthetic import Sun, drift_px_per_s, invented_sun, make_session, plain, read_truth
from rich.console import Console
from scipy import ndimage

from known_results import BORDER, lay, write_result


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A small session: tiles' frames are of no use here, so there are few."""
    folder = tmp_path_factory.mktemp("figures")
    sun = invented_sun(190, np.random.default_rng(8), plages=2)
    plan = plain(tile_shape=(160, 200), frames=6, flat_frames=4, dark_frames=0, mount_error_px=5, dust=14)
    make_session(folder / "session", sun, plan, seed=5, truth=folder / "truth")
    return folder / "truth"


def test_a_perfect_result_measures_nothing(session, tmp_path):
    truth = read_truth(session)
    figures = measure(
        write_result(tmp_path / "out", session, flat=truth.parts["pattern_flat"] * truth.parts["flat_light"]),
        session,
    )
    assert figures["tiles_placed"] == figures["tiles"] == len(truth.tiles)
    # exact but for rounding in float64
    assert figures["placement_rms_px"] < 1e-9
    assert abs(figures["scale_error"]) < 1e-9
    assert figures["limb_centre_px"] < 1e-9
    assert abs(figures["limb_radius_px"]) < 1e-9
    # the spline between pixels is not the spline of the blurred image: a few thousandths of a px
    assert figures["local_rms_px"] < 0.01
    assert figures["local_patches"] >= 4
    # the same interpolation differs by under 0.1 % in brightness
    assert figures["dust_left"] < 0.004
    assert figures["rings_left_worst"] < 0.01
    assert figures["seam_median"] < 2e-4
    assert figures["uniform_profile_rms"] < 1e-3
    assert figures["noise_over_ideal"] < 0.1
    # the tile spans half of this small Sun, whose defocused light is not quite smooth there; a fifth of the
    # photon limit lifts a figure near 1 by 2 %
    assert figures["flat_over_limit"] < 0.2
    json.dumps(figures, allow_nan=False)


def test_a_tile_half_a_pixel_off_is_told(session, tmp_path):
    truth = read_truth(session)
    count = len(truth.tiles)
    middle = int(np.argmin([np.hypot(*np.subtract(t.position_yx, truth.sun.centre_yx)) for t in truth.tiles]))
    figures = measure(write_result(tmp_path / "out", session, moved={middle: (0.3, -0.4)}), session)
    # one translation is fitted out: the lone tile keeps 1 - 1/n of 0.5 px
    assert figures["placement_max_px"] == pytest.approx(0.5 * (1 - 1 / count), abs=1e-6)
    assert figures["placement_rms_px"] == pytest.approx(0.5 * np.sqrt((1 - 1 / count) / count), abs=1e-6)
    # patches lie partly on the moved tile: more than nothing, less than the whole error
    assert 0.1 < figures["local_rms_px"] < 0.5


def test_a_uniform_shift_of_the_light_against_the_matrices_is_told(session, tmp_path):
    def shifted(natural, tile, to_disk):
        return ndimage.shift(natural, (0.4, -0.3), order=3, mode="nearest")

    figures = measure(write_result(tmp_path / "out", session, image=shifted), session)
    # 0.5 px; spline and blur leave a few thousandths
    assert figures["local_rms_px"] == pytest.approx(0.5, abs=0.01)
    assert figures["placement_rms_px"] < 1e-9


def test_a_disk_turned_to_north_is_no_error(session, tmp_path):
    figures = measure(write_result(tmp_path / "out", session, turn_deg=11), session)
    assert figures["placement_rms_px"] < 1e-9
    assert figures["limb_centre_px"] < 1e-9
    assert figures["local_rms_px"] < 0.01
    assert figures["dust_left"] < 0.004


def test_the_frames_used_decide_the_true_place(session, tmp_path):
    frames = np.zeros(3, FRAME_DTYPE)
    frames["frame"], frames["weight"] = (0, 2, 5), (1, 2, 0.5)
    right = write_result(tmp_path / "right", session, frames=frames)
    assert measure(right, session)["placement_rms_px"] < 1e-6  # weights are float32
    for path in (right / "tiles").iterdir():
        path.unlink()
    # without its frames the mean over all of them is taken: the jitter of 2 px shows
    assert measure(right, session)["placement_rms_px"] > 0.3


@pytest.mark.parametrize(("part", "share"), [("dust", 0.03), ("rings", 0.05), ("dust", 0.9)])
def test_a_remainder_of_the_pattern_is_told(session, tmp_path, part, share):
    truth = read_truth(session)

    def spoilt(natural, tile, to_disk):
        return natural * lay(truth.parts[part], tile, to_disk) ** share

    figures = measure(write_result(tmp_path / "out", session, image=spoilt), session)
    found = {"dust": figures["dust_left"], "rings": figures["rings_left"]}
    # the high-passes on the sensor and on the disk differ at the tiles' edges
    assert found.pop(part) == pytest.approx(share, rel=0.05, abs=0.004)
    assert found.popitem()[1] < 0.02


def test_a_step_between_tiles_is_told(session, tmp_path):
    def stepped(natural, tile, to_disk):
        return natural * (1 + 0.01 * (tile % 2))

    figures = measure(write_result(tmp_path / "out", session, image=stepped), session)
    # seams between two odd or two even tiles have none, those of mixed ones have 1 %
    assert figures["seam_p95"] == pytest.approx(0.01, abs=0.0006)
    every = {}

    def each(natural, tile, to_disk):
        every["levels"] = np.exp(0.01 * np.arange(len(to_disk)))
        return natural * every["levels"][np.maximum(tile, 0)]

    figures = measure(write_result(tmp_path / "each", session, image=each), session)
    assert figures["seam_median"] > 0.0095  # the least step is 1 %, smeared by nothing


def test_a_bent_profile_is_told(session, tmp_path):
    truth = read_truth(session)
    centre = np.array(truth.sun.centre_yx) - BORDER

    def bent(natural, tile, to_disk):
        y, x = np.indices(natural.shape)
        r = np.hypot(y - centre[0], x - centre[1]) / truth.sun.radius_px
        return natural * (1 + 0.02 * r)

    figures = measure(write_result(tmp_path / "out", session, image=bent), session)
    # 2 % times the spread of evenly spaced radii, 0.82/sqrt(12), relative to a mean of 1.011
    assert figures["uniform_profile_rms"] == pytest.approx(0.02 * 0.82 / np.sqrt(12) / 1.011, rel=0.05)


@pytest.mark.parametrize("times", [1.0, 1.5])
def test_noise_is_told_against_the_ideal(session, tmp_path, times):
    truth = read_truth(session)

    def noisy(natural, tile, to_disk):
        rng = np.random.default_rng(4)
        gain = np.array([t.gain * 6 / np.sum(1 / t.transparency) * 6 for t in truth.tiles])[tile] / 6
        shade = float(np.median(truth.parts["vignetting"]))
        electrons = truth.level_adu * truth.electrons_per_adu * gain * shade * natural * 6
        k = truth.electrons_per_adu
        extra = 6 * (truth.plan.read_noise_e**2 + k**2 / 12)
        sigma = times * np.sqrt(electrons + extra) / electrons
        return natural * (1 + sigma * rng.standard_normal(natural.shape))

    figures = measure(write_result(tmp_path / "out", session, image=noisy), session)
    # some ten patches of 64 px, half overlapping, each with some 1,500 modes: 2 %; shade and transparency 2 %
    assert figures["noise_over_ideal"] == pytest.approx(times, rel=0.05)


def test_limb_errors_have_their_size_and_sign(session, tmp_path):
    figures = measure(write_result(tmp_path / "out", session, centre_error=(0.3, 0.4), radius_error=-0.2), session)
    assert figures["limb_centre_px"] == pytest.approx(0.5)
    assert figures["limb_radius_px"] == pytest.approx(-0.2)


def test_a_noisy_flat_is_told_against_its_photon_limit(session, tmp_path):
    truth = read_truth(session)
    pattern = truth.parts["pattern_flat"] * truth.parts["flat_light"]
    level = pattern * truth.plan.flat_level * 255
    sigma = np.sqrt(level / truth.electrons_per_adu + (5 / truth.electrons_per_adu) ** 2 + 1 / 12) / level
    noise = np.random.default_rng(6).standard_normal(pattern.shape) * sigma / np.sqrt(4)
    figures = measure(write_result(tmp_path / "out", session, flat=pattern * (1 + 2 * noise)), session)
    # 32,000 pixels tell a rms to 0.4 %; the high-pass takes 0.1 %
    assert figures["flat_over_limit"] == pytest.approx(2, rel=0.015)


def test_a_patch_is_found_where_it_is():
    rng = np.random.default_rng(2)
    scene = ndimage.gaussian_filter(rng.standard_normal((130, 150)), 1.5)
    for shift in [(0.0, 0.0), (0.37, -1.62), (-2.5, 2.2)]:
        moved = ndimage.shift(scene, shift, order=3)[15:121, 20:126]
        found = _shift(scene[20:116, 25:121].astype(np.float32), moved.astype(np.float32))
        assert found == pytest.approx(shift, abs=0.01)  # cubic splines on a scene of 1.5 px
    assert _shift(rng.standard_normal((96, 96)).astype(np.float32), moved.astype(np.float32)) is None


def test_folders_without_a_result_or_truth_are_refused(session, tmp_path):
    with pytest.raises(InputError, match=r"no disk\.fits"):
        measure(tmp_path, session)
    with pytest.raises(InputError, match=r"no truth\.json"):
        measure(tmp_path, tmp_path)
    out = write_result(tmp_path / "out", session)
    assembly = json.loads((out / "assembly.json").read_text())
    assembly["tiles"][0]["recording"] = "other.ser"
    (out / "assembly.json").write_text(json.dumps(assembly))
    with pytest.raises(InputError, match=r"found tiles other\.ser"):
        measure(out, session)


def test_the_table_names_what_cannot_be_told(session, tmp_path):
    console = Console(record=True, width=120, file=io.StringIO())
    print_table(measure(write_result(tmp_path / "out", session), session), console=console)
    text = console.export_text()
    assert "not told" in text  # there is no flat
    assert "≤ 0.100 px" in text


def test_rotation_is_the_suns():
    """10 arcsec an hour at disk centre, nothing at the limb, westwards with north up."""
    sun = Sun(np.ones((5, 7), np.float32), (100.0, 120.0), 959.63)
    vy, vx = drift_px_per_s(sun, np.array([100.0, 100 + 959.63]), np.array([120.0, 120.0]))
    assert vx * 3600 == pytest.approx([10, 0])
    assert vy == pytest.approx([0, 0])
