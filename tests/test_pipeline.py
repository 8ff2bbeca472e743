import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from astropy.io import fits
from diskmosaic import pipeline
from diskmosaic.errors import InputError, OutputError
from diskmosaic.files import atomic
from diskmosaic.job import job, prepare
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.session.found import Found
from diskmosaic.settings import LimbSettings, PictureSettings, Settings

from evening import results, write_ser


def states(outcome):
    return set(outcome.steps.values())


def test_a_run_makes_every_product(finished):
    made = set(results(finished / "assembled"))
    expected = {"masters/dark.fits", "masters/flat.fits", "disk.fits", "assembly.json", "report.html"}
    assert expected | {f"tiles/sun_{k:02}.fits" for k in range(1, 7)} <= made
    assert any(name.startswith("pictures/") for name in made)
    assert {path.name for path in finished.iterdir() if path.suffix != ".ser"} == {
        "assembled",
        "session.toml",
    }


def test_tile_numbers_of_the_disk_are_those_of_the_document(finished):
    document = json.loads((finished / "assembled" / "assembly.json").read_text())
    with fits.open(finished / "assembled" / "disk.fits") as hdus:
        numbers = hdus["TILE"].data.astype(int)
        natural = hdus[0].data
    assert len(document["tiles"]) + len(document["left_out"]) == 6
    assert set(np.unique(numbers)) == set(range(-1, len(document["tiles"])))
    np.testing.assert_array_equal(numbers == -1, np.isnan(natural))
    assert list(natural.shape) == document["shape"]
    for number, tile in enumerate(document["tiles"]):
        # a tile weighs most somewhere near its middle, so its number's centre lies within half a tile of it
        rows, columns = np.nonzero(numbers == number)
        y, x = tile["position_yx"]
        assert abs(rows.mean() - y) < 130
        assert abs(columns.mean() - x) < 170


def test_the_master_of_a_tile_is_named_by_its_pixels(finished):
    flat = fits.getheader(finished / "assembled" / "masters" / "flat.fits")
    tile = fits.getheader(finished / "assembled" / "tiles" / "sun_01.fits")
    identities = {tile[f"MROLE{k}"]: tile[f"MSHA{k}"] for k in (1, 2)}
    assert identities["flat"] == flat["PIXSHA"]
    assert flat["SRC1"] == "flat.ser"


def test_a_second_run_does_nothing(evening_done):
    before = results(evening_done / "assembled")
    stamps = {path: path.stat().st_mtime_ns for path in (evening_done / "assembled").rglob("*.fits")}
    outcome = pipeline.run(evening_done, jobs=2)
    assert states(outcome) == {"unchanged"}
    assert results(evening_done / "assembled") == before
    assert {path: path.stat().st_mtime_ns for path in stamps} == stamps
    assert outcome.warnings  # what was warned of is said again


def test_a_second_run_loads_no_heavy_library(evening_done):
    code = (
        "import sys; from diskmosaic import pipeline; "
        f"pipeline.run({str(evening_done)!r}); "
        "print([name for name in ('scipy', 'numba', 'diskmosaic.placement.placement') if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_results_do_not_depend_on_the_number_of_threads(evening, finished):
    pipeline.run(evening, jobs=3)
    assert results(evening / "assembled") == results(finished / "assembled")


class Stopped(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("at", [9, 30])
def test_a_run_that_was_stopped_goes_on_to_the_same_bytes(evening, finished, at):
    seen = 0

    def progress(iterable, label, total=None, unit="frames"):
        nonlocal seen
        for item in iterable:
            seen += 1
            if seen == at:
                raise Stopped
            yield item

    with pytest.raises(Stopped):
        pipeline.run(evening, progress=progress)
    assert not list(evening.rglob(f"{atomic.PART_PREFIX}*"))
    pipeline.run(evening)
    assert results(evening / "assembled") == results(finished / "assembled")


def test_a_killed_process_leaves_work_to_go_on_with(evening, finished):
    command = [sys.executable, "-m", "diskmosaic", "run", str(evening), "--quiet", "--jobs", "1"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    # killed for certain within the tiles: as soon as the second one is there
    until = time.monotonic() + 60
    while not (evening / "assembled" / "tiles" / "sun_02.fits").exists() and time.monotonic() < until:
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    # and as if the kill had come within a write
    (evening / "assembled" / "tiles" / f"{atomic.PART_PREFIX}gone.fits").write_bytes(b"half")
    outcome = pipeline.run(evening)
    assert not list(evening.rglob(f"{atomic.PART_PREFIX}*"))
    assert outcome.steps["tile sun_01"] == "unchanged"
    assert outcome.steps["tile sun_06"] == "done"
    assert results(evening / "assembled") == results(finished / "assembled")


def test_only_what_a_setting_acts_on_is_done_again(evening_done):
    outcome = pipeline.run(evening_done, settings=Settings(pictures=PictureSettings(jpeg_quality=80)))
    redone = {name for name, state in outcome.steps.items() if state == "done"}
    assert redone == {"pictures", "report"}
    outcome = pipeline.run(evening_done, settings=Settings(limb=LimbSettings(rays=1200)))
    redone = {name for name, state in outcome.steps.items() if state == "done"}
    assert {"assemble", "report"} <= redone
    assert not any(name.startswith("tile") for name in redone)


def test_an_edit_of_session_toml_counts(evening_done):
    path = evening_done / "session.toml"
    path.write_text(path.read_text().replace('flat.ser"]\nrole = "flat"', 'flat.ser"]\nrole = "ignore"'))
    outcome = pipeline.run(evening_done)
    assert not (evening_done / "assembled" / "masters" / "flat.fits").exists()
    assert outcome.steps["tile sun_01"] == "done"
    assert outcome.steps["dark"] == "unchanged"
    assert any("No flat was found" in text for text in outcome.warnings)
    document = json.loads((evening_done / "assembled" / "assembly.json").read_text())
    assert any("No flat was found" in text for text in document["warnings"])


def test_archived_tiles_are_assembled_without_raw_video(evening_done):
    before = results(evening_done / "assembled")
    for path in evening_done.glob("*.ser"):
        path.unlink()
    assert states(pipeline.assemble(evening_done)) == {"unchanged"}
    (evening_done / "assembled" / "disk.fits").unlink()
    pipeline.assemble(evening_done)
    steps = pipeline.present(evening_done).steps
    assert steps == {"pictures": "unchanged", "showing": "done", "report": "unchanged"}
    assert states(pipeline.present(evening_done)) == {"unchanged"}
    after = results(evening_done / "assembled")
    assert {name: after[name] for name in before} == before
    assert "zoom/index.html" in after


def test_a_tile_that_a_person_ignores_is_not_assembled(evening_done):
    path = evening_done / "session.toml"
    path.write_text(path.read_text().replace('sun_01.ser"]\nrole = "tile"', 'sun_01.ser"]\nrole = "ignore"'))
    pipeline.assemble(evening_done)
    document = json.loads((evening_done / "assembled" / "assembly.json").read_text())
    told = {entry["recording"] for entry in (*document["tiles"], *document["left_out"])}
    assert told == {f"sun_{k:02}.ser" for k in range(2, 7)}


def test_an_archived_flat_outlives_its_recording(evening_done):
    (evening_done / "flat.ser").unlink()
    outcome = pipeline.tiles(evening_done)
    assert outcome.steps["tile sun_01"] == "unchanged"
    assert any("the archived master is used" in text for text in outcome.warnings)


def test_without_a_dark_the_offset_is_estimated_and_said(evening):
    (evening / "dark.ser").unlink()
    outcome = pipeline.masters(evening)
    assert set(outcome.steps) == {"offset", "flat"}
    assert any("no dark" in text for text in outcome.warnings)
    # the camera's offset is 2 % of 255
    assert fits.getheader(evening / "assembled" / "masters" / "flat.fits")["OFFSET"] == pytest.approx(5.1, abs=1)


def test_two_identical_recordings(evening):
    shutil.copy(evening / "sun_01.ser", evening / "sun_09.ser")
    with pytest.raises(InputError, match=r"sun_09\.ser: found the same bytes as in sun_01\.ser"):
        pipeline.run(evening)


def test_a_truncated_recording_is_used_as_far_as_it_goes(evening):
    path = evening / "sun_02.ser"
    path.write_bytes(path.read_bytes()[: 178 + 260 * 340 * 6 + 1000])
    outcome = pipeline.tiles(evening)
    assert any("sun_02.ser" in text for text in outcome.warnings)
    header = fits.getheader(evening / "assembled" / "tiles" / "sun_02.fits")
    assert header["NFRAMES"] == 6


def test_a_saturated_flat_stops_the_run_and_keeps_what_was_done(evening):
    with open_recording(evening / "flat.ser") as recording:
        frames = np.array([recording.frame(k) for k in range(recording.frame_count)])
    write_ser(evening / "flat.ser", np.minimum(frames.astype(int) * 3, 255).astype(np.uint8))
    with pytest.raises(InputError, match="saturated"):
        pipeline.run(evening)
    assert (evening / "assembled" / "masters" / "dark.fits").exists()


def test_an_empty_folder_gets_no_folder_of_results(tmp_path):
    with pytest.raises(InputError, match="found no recordings"):
        pipeline.run(tmp_path)
    with pytest.raises(InputError, match="found no such folder"):
        pipeline.assemble(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_out_below_a_file(evening, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="found a file where a folder is needed"):
        pipeline.run(evening, tmp_path / "file" / "out")


def test_a_full_disk_stops_the_run_and_loses_nothing(evening, finished, monkeypatch):
    real, count = os.replace, 0

    def refuse(*arguments):
        nonlocal count
        count += 1
        if count == 12:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", refuse)
        with pytest.raises(OutputError, match="no space left on the disk"):
            pipeline.run(evening)
    assert not list(evening.rglob(f"{atomic.PART_PREFIX}*"))
    pipeline.run(evening)
    assert results(evening / "assembled") == results(finished / "assembled")


def test_two_runs_at_once_in_one_out(tmp_path):
    pytest.importorskip("fcntl")
    with job.alone(tmp_path), pytest.raises(OutputError, match="another run at work"), job.alone(tmp_path):
        pass
    with job.alone(tmp_path):
        pass


def test_tile_names_are_all_different():
    paths = ["a.ser", "b/a.ser", "c.ser", "c.avi", "B/A.ser", "d.ser"]
    named = prepare.tile_names([Found(path, path, "tile", "name") for path in paths])
    names = [name for _, name in named]
    assert names[5] == "d"
    assert names[2:4] == ["c_ser", "c_avi"]
    assert len({name.casefold() for name in names}) == len(paths)


def test_a_tree_of_sessions_is_run(tmp_path, finished):
    """Folders with a session.toml, at any depth; one that fails does not stop the others."""
    shutil.copytree(finished, tmp_path / "year" / "march" / "one")
    (tmp_path / "year" / "april").mkdir()
    (tmp_path / "year" / "april" / "session.toml").write_text("")
    tree = tmp_path / "year"
    assert pipeline.sessions_to_run(tree) == [tree / "april", tree / "march" / "one"]
    assert pipeline.sessions_to_run(tree / "april") == pipeline.sessions_to_run(tmp_path / "nowhere") == []
    # where the recordings must not be written to, session.toml lies with the results: they are no session
    readonly = tmp_path / "readonly" / "results"
    (readonly / ".steps").mkdir(parents=True)
    (readonly / "session.toml").write_text("")
    assert pipeline.sessions_to_run(tmp_path / "readonly") == []
    ran = subprocess.run(
        [sys.executable, "-m", "diskmosaic", "run", str(tree), "--json", "--quiet"], capture_output=True, text=True
    )
    document = json.loads(ran.stdout)
    assert ran.returncode == 1
    assert list(document["failed"]) == [str(tree / "april")]
    assert "no recordings" in document["failed"][str(tree / "april")]
    steps = document["sessions"][str(tree / "march" / "one")]["steps"]
    # the report tells the folder's name, which is another now
    assert {state for step, state in steps.items() if step != "report"} == {"unchanged"}
