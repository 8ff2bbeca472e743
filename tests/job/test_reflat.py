"""A better flat on the archived tiles of a small evening."""

import json
import shutil
import subprocess
import sys

import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.errors import DiskmosaicError, InputError
from diskmosaic.files.atomic import PART_PREFIX
from diskmosaic.files.masterfile import pixels_sha256, read_master, write_master
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.job import reflatting
from diskmosaic.job.job import Job
from diskmosaic.masters.calibration import Calibration
from diskmosaic.masters.masters import make_flat
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import MasterSettings, TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain
from diskmosaic.tiles.tiles import stack_tile

from evening import results, write_ser

FLAT = "assembled/masters/flat.fits"
TILE = "assembled/tiles/sun_01.fits"


@pytest.fixture(scope="session")
def better(tmp_path_factory):
    """A flat recording of the evening's sensor with ten times its frames."""
    folder = tmp_path_factory.mktemp("better") / "recordings"
    plan = plain(
        tile_shape=(260, 340), frames=1, flat_frames=120, dark_frames=0, overlap=0.3, positions_yx=((240.0, 240.0),)
    )
    make_session(folder, invented_sun(240, np.random.default_rng(3)), plan, seed=2)
    return folder / "flat.ser"


@pytest.fixture(scope="session")
def reflatted(finished, better, tmp_path_factory):
    """The finished evening with that flat put on; not to be written to."""
    folder = tmp_path_factory.mktemp("reflatted") / "evening"
    shutil.copytree(finished, folder)
    return folder, pipeline.reflat(folder, flat=better)


@pytest.fixture
def evening_reflatted(reflatted, tmp_path):
    folder = tmp_path / "evening"
    shutil.copytree(reflatted[0], folder)
    return folder


def identity(folder):
    return pixels_sha256(read_master(folder / FLAT).image)


def put(folder, flat):
    """Only the tiles, without what comes after them."""
    work = Job(folder)
    work.load_session()
    reflatting.reflat_tiles(work, flat, None)
    return work.outcome


def tiles_of(folder):
    return {name: data for name, data in results(folder / "assembled").items() if name.startswith("tiles/")}


def test_tiles_and_all_after_them_carry_the_new_flat(reflatted, finished):
    folder, outcome = reflatted
    assert outcome.steps["reflat"] == "done"
    assert {outcome.steps[name] for name in ("assemble", "pictures", "report")} == {"done"}
    assert read_master(folder / FLAT).frames == 120
    assert (folder / "assembled/masters/previous/flat.fits").read_bytes() == (finished / FLAT).read_bytes()
    for path in sorted((folder / "assembled/tiles").glob("*.fits")):
        tile, before = read_tile(path), read_tile(finished / "assembled/tiles" / path.name)
        assert tile.masters == before.masters | {"flat": identity(folder)}
        assert before.remainder is not None
        assert tile.remainder is None
        np.testing.assert_array_equal(tile.frames, before.frames)
    assert not (folder / "assembled/masters/remainder.fits").exists()


def test_a_tile_is_as_if_stacked_with_the_new_flat(reflatted, finished, better):
    folder = reflatted[0]
    tile, before = read_tile(folder / TILE), read_tile(finished / TILE)
    calibration = Calibration(
        read_master(folder / "assembled/masters/dark.fits"), read_master(folder / FLAT), 0.0, (260, 340)
    )
    with open_recording(folder / "sun_01.ser") as recording:
        anew = stack_tile(recording, calibration, TileSettings())
    use = (tile.weight > 0.9 * tile.weight.max()) & (anew.image > 0.3 * np.nanmax(anew.image))
    use[:12] = use[-12:] = use[:, :12] = use[:, -12:] = False
    far, near = (float(np.std(one.image[use] / anew.image[use])) for one in (before, tile))
    # 8 frames only: the seeing's warps do not average out as over hundreds (there 0.001 is the bar)
    assert near < 0.003
    assert near < 0.6 * far


def test_a_second_time_does_nothing(evening_reflatted, better):
    before = results(evening_reflatted / "assembled")
    stamps = {path: path.stat().st_mtime_ns for path in evening_reflatted.rglob("*.fits")}
    outcome = pipeline.reflat(evening_reflatted, flat=better)
    assert set(outcome.steps.values()) == {"unchanged"}
    assert results(evening_reflatted / "assembled") == before
    assert {path: path.stat().st_mtime_ns for path in stamps} == stamps


def test_the_master_itself_is_as_good_as_its_recording(evening_done, reflatted, tmp_path):
    shutil.copy(reflatted[0] / FLAT, tmp_path / "new.fits")
    put(evening_done, tmp_path / "new.fits")
    assert tiles_of(evening_done) == tiles_of(reflatted[0])


def test_run_does_not_undo_it(evening_reflatted):
    before = tiles_of(evening_reflatted)
    outcome = pipeline.run(evening_reflatted)
    assert tiles_of(evening_reflatted) == before
    assert {state for name, state in outcome.steps.items() if name.startswith("tile")} == {"unchanged"}
    assert any("flat that reflat put on the tiles is used (flat.ser)" in text for text in outcome.warnings)


def test_a_tile_that_has_to_be_stacked_again_gets_the_chosen_flat(evening_reflatted):
    (evening_reflatted / TILE).unlink()
    before = tiles_of(evening_reflatted)
    outcome = pipeline.tiles(evening_reflatted)
    assert outcome.steps["tile sun_01"] == "done"
    assert read_tile(evening_reflatted / TILE).masters["flat"] == identity(evening_reflatted)
    after = tiles_of(evening_reflatted)
    assert {name: after[name] for name in before} == before


def test_without_the_note_run_goes_back(evening_reflatted, finished):
    (evening_reflatted / "assembled/masters/chosen.json").unlink()
    shutil.rmtree(evening_reflatted / "assembled/masters/previous")
    pipeline.tiles(evening_reflatted)
    assert tiles_of(evening_reflatted) == tiles_of(finished)
    assert (evening_reflatted / FLAT).read_bytes() == (finished / FLAT).read_bytes()


class Stopped(BaseException):
    """Stands for the end of the process."""


def test_a_stopped_reflat_goes_on(evening_done, reflatted, better, monkeypatch):
    from diskmosaic.files import tilefile

    real, count = tilefile.write_tile, 0

    def stopping(path, tile):
        nonlocal count
        count += 1
        if count == 4:
            raise Stopped
        real(path, tile)

    with monkeypatch.context() as patch:
        patch.setattr(tilefile, "write_tile", stopping)
        with pytest.raises(Stopped):
            put(evening_done, better)
    assert not list(evening_done.rglob(f"{PART_PREFIX}*"))
    with pytest.raises(InputError, match=r"a reflat with flat\.ser that was stopped"):
        pipeline.masters(evening_done)
    put(evening_done, better)
    assert tiles_of(evening_done) == tiles_of(reflatted[0])
    assert identity(evening_done) == identity(reflatted[0])


def test_a_tile_with_an_unknown_flat(evening_done, better):
    tile = read_tile(evening_done / TILE)
    write_tile(evening_done / TILE, reflatting.replace(tile, masters={**tile.masters, "flat": "0" * 64}))
    before = results(evening_done / "assembled")
    with pytest.raises(InputError, match=r"sun_01\.fits: found a tile that was made with another flat"):
        pipeline.reflat(evening_done, flat=better)
    assert results(evening_done / "assembled") == before


@pytest.mark.parametrize(
    ("name", "text"),
    [("gone.fits", "found no such file"), ("dark.fits", "found a master dark"), ("small.ser", "found 40x30 px")],
)
def test_a_new_flat_that_does_not_fit(evening_done, tmp_path, name, text):
    shutil.copy(evening_done / "assembled/masters/dark.fits", tmp_path / "dark.fits")
    frames = np.random.default_rng(1).integers(90, 110, (12, 30, 40)).astype(np.uint8)
    write_ser(tmp_path / "small.ser", frames)
    if name == "small.ser":  # a dark of its own size, so that it is the tile that it does not fit
        with open_recording(tmp_path / name) as recording:
            write_master(tmp_path / "small.fits", make_flat([recording], None, MasterSettings()))
        name = "small.fits"
    before = results(evening_done / "assembled")
    with pytest.raises(InputError, match=text):
        pipeline.reflat(evening_done, flat=tmp_path / name)
    assert results(evening_done / "assembled") == before


def test_tiles_stacked_elsewhere(evening, finished, better, tmp_path):
    """Stacks of the raw frames as stills, no flat among them: the pattern is found and taken out, or refused."""
    from tifffile import imwrite

    folder = tmp_path / "stills"
    folder.mkdir()
    for path in sorted(evening.glob("sun_0*.ser")):
        with open_recording(path) as recording:
            mean = np.mean([recording.gray(k).astype(np.float32) for k in range(recording.frame_count)], axis=0)
        imwrite(folder / f"{path.stem}.tif", mean - np.float32(5.1))
    pipeline.run(folder)
    outcome = pipeline.reflat(folder, flat=better)
    told = [text for text in outcome.warnings if "stacked elsewhere; the pattern of flat.ser was found" in text]
    assert len(told) == 6
    tile = read_tile(folder / TILE)
    assert "flat" not in tile.masters
    assert tile.masters["pattern"] == identity(folder)
    before = tiles_of(folder)
    assert put(folder, better).steps["reflat"] == "unchanged"
    assert tiles_of(folder) == before
    rng = np.random.default_rng(1)
    other = read_master(folder / FLAT)
    noise = (1 + 0.01 * rng.standard_normal(other.image.shape)).astype(np.float32)
    write_master(tmp_path / "other.fits", reflatting.replace(other, image=noise / noise.mean()))
    with pytest.raises(InputError, match=r"found nothing of the pattern of other\.fits"):
        put(folder, tmp_path / "other.fits")
    assert tiles_of(folder) == before


def command(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "diskmosaic", "reflat", *map(str, arguments), "--json", "--quiet"],
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_tree_of_sessions_is_done_on_after_a_failure(tmp_path, reflatted, better):
    tree = tmp_path / "year"
    shutil.copytree(reflatted[0], tree / "march" / "one")
    shutil.copytree(reflatted[0], tree / "april")
    shutil.copy(reflatted[0] / FLAT, tmp_path / "new.fits")
    (tree / "april" / TILE).write_bytes(b"nothing")
    ran = command(tree, "--flat", tmp_path / "new.fits")
    document = json.loads(ran.stdout)
    assert ran.returncode == 1
    assert list(document["failed"]) == [str(tree / "april")]
    assert "sun_01.fits" in document["failed"][str(tree / "april")]
    assert document["sessions"][str(tree / "march" / "one")]["steps"]["reflat"] == "unchanged"
    assert "1 of 2 sessions failed" in document["error"]


def test_a_tree_without_sessions(tmp_path):
    ran = command(tmp_path, "--flat", "new.fits")
    assert ran.returncode == 1
    assert "found no assembled/tiles" in ran.stderr
    with pytest.raises(DiskmosaicError, match="no such folder"):
        pipeline.reflat(tmp_path / "nowhere", flat="new.fits")
