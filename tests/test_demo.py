import dataclasses
import json

import numpy as np
import pytest
from diskmosaic import demo
from diskmosaic.errors import InputError
from diskmosaic.figures.compare import compare, read_result
from diskmosaic.session.session import observation_of, parse_session
from diskmosaic.synthetic import Sun, plain, read_truth
from diskmosaic.synthetic.plan import grid, rotation

# six tiles or so of 260 x 340 px on a Sun of 240 px, turned and timed like the demo's
SMALL = demo.Scenario(
    plain(
        tile_shape=(260, 340),
        frames=12,  # the warps of fewer leave places that are no better than the aim
        flat_frames=12,
        dark_frames=6,
        overlap=0.3,
        mount_error_px=5.0,
        camera_angle_deg=12.0,
        minutes_between_tiles=0.5,
    ),
    session_text=demo.SESSION_TEXT.replace("extender = 2.0", "extender = 0.65"),
)


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "small"
    lines = []
    document = demo.run_demo(folder, jobs=2, say=lines.append, scenario=SMALL)
    return folder, lines, document


def test_the_small_demo_is_run_and_measured(ran):
    folder, lines, document = ran
    assert document["figures"]["tiles_placed"] == document["figures"]["tiles"] > 3
    # the aims of the real demo hold for the geometry of a Sun of a third of its size too
    assert document["aims"]["placement_rms_px"]["reached"]
    assert document["aims"]["limb_centre_px"]["reached"]
    assert any(line.startswith("tiles placed") and line.endswith("reached") for line in lines)
    for name in ("disk.fits", "report.html", "assembly.json", "pictures/disk.jpg"):
        assert (folder / "assembled" / name).stat().st_size > 1000
    json.dumps(document)


def test_the_demo_names_the_files_to_look_at(ran):
    folder, lines, _ = ran
    named = [line.split()[0] for line in lines if line.startswith("  ")]
    assert len(named) == 3
    assert all((folder.parent / name).is_file() for name in named)


def test_north_comes_out_up_and_the_scale_is_the_instruments(ran):
    folder, _, document = ran
    truth = read_truth(folder.with_name("small-truth"))
    seen = compare(read_result(folder / "assembled"), truth)
    # north is -y on the true Sun's image and +y on the disk, west +x on both; 0.1 deg is 0.4 px at this limb
    assert seen.linear == pytest.approx(np.array([[-1.0, 0.0], [0.0, 1.0]]), abs=0.002)
    expected = observation_of(parse_session(SMALL.session_text)).arcsec_per_px
    found = json.loads((folder / "assembled" / "assembly.json").read_text())["arcsec_per_px"]
    # the limb is off by a third of a pixel in 240 at most
    assert found == pytest.approx(expected, rel=0.3 / 240)
    assert document["truth"] == str(folder.with_name("small-truth"))


def test_a_session_that_is_there_is_not_recorded_again(ran):
    folder, _, _ = ran
    truth = folder.with_name("small-truth")
    before = {path.name: path.stat().st_mtime_ns for path in folder.glob("*.ser")}
    assert not demo.make_demo_session(folder, truth, SMALL)
    assert {path.name: path.stat().st_mtime_ns for path in folder.glob("*.ser")} == before


def test_a_session_that_was_stopped_is_made_again_with_the_same_bytes(tmp_path):
    plan = plain(tile_shape=(60, 80), frames=2, flat_frames=2, dark_frames=1, positions_yx=((40.0, 50.0),) * 2)
    text = demo.SESSION_TEXT.replace("extender = 2.0", "extender = 0.1")
    scenario = demo.Scenario(plan, session_text=text)
    folder, truth = tmp_path / "tiny", tmp_path / "tiny-truth"
    assert demo.make_demo_session(folder, truth, scenario)
    first = {path.name: path.read_bytes() for path in [*folder.iterdir(), *truth.iterdir()]}
    (folder / "sun_02.ser").unlink()
    assert demo.make_demo_session(folder, truth, scenario)
    assert {path.name: path.read_bytes() for path in [*folder.iterdir(), *truth.iterdir()]} == first
    assert sorted(path.name for path in tmp_path.iterdir()) == ["tiny", "tiny-truth"]
    other = dataclasses.replace(scenario, plan=dataclasses.replace(plan, frames=3))
    assert demo.make_demo_session(folder, truth, other)


@pytest.mark.parametrize("name", ["notes.txt", "session.toml"])
def test_a_folder_with_other_files_is_refused_and_left_alone(tmp_path, name):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / name).write_text('[session]\nname = "mine"\n')
    with pytest.raises(InputError, match=r"mine: found other files, .*; name another folder\.$"):
        demo.run_demo(tmp_path / "mine", scenario=SMALL)
    assert [path.name for path in tmp_path.rglob("*")] == ["mine", name]


def test_figures_are_judged_by_size_and_missing_ones_are_missed():
    figures = {key: 0.0 for key, *_ in demo.AIMS} | {"tiles": 12, "tiles_placed": 12}
    assert all(judged["reached"] for judged in demo.judge(figures).values())
    figures |= {"limb_radius_px": -0.31, "dust_left": None, "tiles_placed": 11}
    missed = {key for key, judged in demo.judge(figures).items() if not judged["reached"]}
    assert missed == {"limb_radius_px", "dust_left", "tiles_placed"}


def test_the_scenario_is_of_one_piece():
    scenario = demo.demo_scenario()
    observation = observation_of(parse_session(scenario.session_text))
    # north (-y on the Sun's image) on the sensor must be where session.toml says
    angle = np.deg2rad(observation.north_deg)
    north = rotation(scenario.plan.camera_angle_deg).T @ [-1.0, 0.0]
    assert north == pytest.approx([-np.cos(angle), np.sin(angle)])
    sun = Sun(np.zeros((1, 1), np.float32), (900.0, 900.0), scenario.radius_px)
    tiles = len(grid(sun, scenario.plan, np.random.default_rng(0)))
    assert 9 <= tiles <= 16
    plan = scenario.plan
    frames = tiles * plan.frames + plan.flat_frames + plan.dark_frames
    assert 80e6 < frames * plan.tile_shape[0] * plan.tile_shape[1] < 130e6
