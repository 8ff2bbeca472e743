import os
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from diskmosaic.errors import InputError, OutputError
from diskmosaic.job.checks import check, check_distinct
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.session import survey as module
from diskmosaic.session.content import look_at
from diskmosaic.session.finding import find_files, roles_by_name
from diskmosaic.session.found import Found, Survey
from diskmosaic.session.session import SessionDocument
from diskmosaic.session.survey import survey

from evening import write_ser

ROLES = {"dark.ser": "dark", "flat.ser": "flat", **{f"sun_{k:02}.ser": "tile" for k in range(1, 7)}}


def roles(found):
    return {recording.path: recording.role for recording in found.recordings}


def test_names_and_content_agree_on_a_plain_evening(evening):
    found = survey(evening)
    check(found)
    assert roles(found) == ROLES
    assert all(recording.by_content == recording.role for recording in found.recordings)
    assert found.warnings == ()
    assert found.of("tile")[0].start_utc.startswith("2041-03-09T")
    assert list(found.groups) == [("340x260 px, 8 bit",)]


def test_without_telling_names_the_content_decides(evening, tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    names = {}
    for number, name in enumerate(ROLES):
        shutil.copy(evening / name, folder / f"Sun_{number}.ser")
        names[f"Sun_{number}.ser"] = ROLES[name]
    assert roles(survey(folder)) == names


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["Flat_1.ser", "m1.ser"], ["flat", None]),
        (["flats/1.ser", "dunkel/2.ser", "3.ser"], ["flat", "dark", None]),
        (["sun_flat.ser", "DarkFlat.ser", "tile-03.ser"], ["flat", "dark", "tile"]),
        (["sonne.ser", "noir.ser", "Soleil01.ser"], ["tile", "dark", "tile"]),
        (["inflated.ser", "darkness.ser"], [None, None]),  # whole words only
        (["sun_1.ser", "sun_2.ser"], [None, None]),  # what all share tells nothing
        (["sun_1.ser"], ["tile"]),
        (["dark_sun/flat.ser", "a.ser"], ["flat", None]),  # the file's name goes first
    ],
)
def test_roles_by_name(names, expected):
    assert roles_by_name(names) == expected


def test_the_word_of_the_person_wins_and_edits_stay(evening):
    survey(evening)
    path = evening / "session.toml"
    edited = path.read_text().replace(
        '[recordings."sun_02.ser"]\nrole = "tile"', '[recordings."sun_02.ser"]\nrole = "ignore"'
    )
    edited += "# the wind was strong\n"
    path.write_text(edited)
    shutil.copy(evening / "sun_01.ser", evening / "sun_07.ser")
    found = survey(evening)
    assert roles(found) == {**ROLES, "sun_02.ser": "ignore", "sun_07.ser": "tile"}
    assert path.read_text().startswith(edited)
    assert survey(evening).recordings == tuple(
        # what decided is now the file
        type(recording)(**{**vars(recording), "by": "session.toml"})
        for recording in found.recordings
    )


def test_a_second_survey_looks_into_nothing(evening, monkeypatch):
    first = survey(evening)
    monkeypatch.setattr(module, "_facts", lambda file: pytest.fail(f"looked into {file}"))
    assert roles(survey(evening)) == roles(first)


def test_name_and_content_disagree(evening):
    (evening / "flat.ser").rename(evening / "tile_x.ser")
    found = survey(evening)
    assert roles(found)["tile_x.ser"] == "tile"
    assert any("its name says tile, its frames look like a flat" in text for text in found.warnings)
    assert any("No flat was found" in text for text in found.warnings)
    # said again as long as nothing was decided
    assert survey(evening).warnings == found.warnings


def test_several_flats_are_used_together_and_said(evening):
    write_ser(evening / "flat_2.ser", [open_recording(evening / "flat.ser").frame(k) for k in (0, 1, 2)])
    found = survey(evening)
    check(found)
    assert [recording.path for recording in found.of("flat")] == ["flat.ser", "flat_2.ser"]
    assert any("2 recordings are flats" in text for text in found.warnings)


def test_a_still_with_light_is_a_stacked_tile(evening):
    image = open_recording(evening / "sun_01.ser").frame(0)
    cv2.imwrite(str(evening / "stacked.png"), image)
    found = survey(evening)
    assert roles(found)["stacked.png"] == "tile"


def test_where_files_are_looked_for(tmp_path):
    for name in (
        "a.ser",
        "deep/b.SER",
        ".hidden/c.ser",
        "out/d.ser",
        "old/.steps/x.json",
        "old/e.ser",
        "n.txt",
        ".f.ser",
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    files = find_files(tmp_path, tmp_path / "out")
    assert [file.relative_to(tmp_path).as_posix() for file in files] == ["a.ser", "deep/b.SER"]


@pytest.mark.parametrize("what", ["missing", "file", "empty"])
def test_nothing_to_find(tmp_path, what):
    folder = tmp_path / "f"
    if what == "file":
        folder.write_text("x")
    elif what == "empty":
        folder.mkdir()
    with pytest.raises(InputError, match=r"expected (a folder with recordings|camera files)"):
        survey(folder)


def refused(evening, words):
    """Survey, expect `check` to refuse in one sentence, and ``session.toml`` to be there to choose in."""
    found = survey(evening)
    with pytest.raises(InputError, match=words) as caught:
        check(found)
    assert "\n" not in str(caught.value)
    assert found.session_file.exists()
    return found


def test_a_flat_of_another_size_names_both(evening):
    write_ser(evening / "flat.ser", np.full((6, 100, 120), 150, np.uint8))
    refused(
        evening,
        r"flat\.ser: found a flat of 120x100 px, 8 bit, expected 340x260 px, 8 bit as in sun_01\.ser;",
    )


def test_tiles_of_two_kinds_ask_for_a_choice(evening):
    rng = np.random.default_rng(1)
    odd = rng.integers(5000, 30000, (6, 200, 300)).astype(np.uint16)
    write_ser(evening / "sun_odd.ser", odd)
    found = refused(evening, r"tiles of 2 kinds: 6 of 340x260 px, 8 bit \(sun_01\.ser.*; 1 of 300x200 px, 16 bit")
    text = found.session_file.read_text()
    found.session_file.write_text(text.replace('odd.ser"]\nrole = "tile"', 'odd.ser"]\nrole = "ignore"'))
    check(survey(evening))


def test_a_text_file_named_fits(evening):
    (evening / "notes.fits").write_text("clouds from ten o'clock\n" * 200)
    refused(evening, r"notes\.fits")
    assert "notes.fits" not in (evening / "session.toml").read_text()


def test_a_tile_without_light(evening):
    rng = np.random.default_rng(1)
    write_ser(evening / "sun_03.ser", rng.poisson(5, (8, 260, 340)).astype(np.uint8))
    refused(evening, r"sun_03\.ser: found no light in its frames")


def test_an_evening_without_light(tmp_path):
    rng = np.random.default_rng(1)
    for name in ("a.ser", "b.ser"):
        write_ser(tmp_path / "night" / name, rng.poisson(5, (8, 60, 90)).astype(np.uint8))
    refused(tmp_path / "night", r"found no tiles \(2 dark\)")


def test_the_same_recording_twice():
    def entry(path, role):
        return Found(path, Path(path), role, "name")

    names = [("a", "tile"), ("b", "tile"), ("c", "ignore")]
    found = Survey(
        Path(),
        Path(),
        Path(),
        SessionDocument(),
        tuple(entry(*n) for n in names),
        (),
    )
    check_distinct(found, {Path("a"): "1", Path("b"): "2"})
    with pytest.raises(InputError, match="b: found the same bytes as in a, expected another recording"):
        check_distinct(found, {Path("a"): "1", Path("b"): "1"})


def test_a_read_only_folder_needs_out(evening, tmp_path, monkeypatch):
    real = os.access
    monkeypatch.setattr(
        os,
        "access",
        lambda path, mode: not (mode & os.W_OK and Path(path) == evening) and real(path, mode),
    )
    with pytest.raises(OutputError, match="choose a folder for the results with --out"):
        survey(evening)
    found = survey(evening, tmp_path / "results")
    assert found.session_file == tmp_path / "results" / "session.toml"
    assert not (evening / "session.toml").exists()
    assert not (evening / "assembled").exists()
    # its word counts from now on
    text = found.session_file.read_text().replace('flat.ser"]\nrole = "flat"', 'flat.ser"]\nrole = "ignore"')
    found.session_file.write_text(text)
    assert roles(survey(evening, tmp_path / "results"))["flat.ser"] == "ignore"


def stare(path, rng, *, texture, jitter_px):
    """Record a wall-to-wall lit sensor: dust on it, and behind it a texture that jitters ."""
    height, width, edge = 90, 130, 8
    wide = rng.normal(size=(height + 2 * edge, width + 2 * edge))
    wide = cv2.GaussianBlur(wide, (0, 0), 1.5)
    wide = 1 + texture * wide / wide.std()
    pattern = 1 + 0.02 * cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 2.0) * 7
    frames = []
    for _ in range(6):
        y, x = rng.normal(0, jitter_px, 2)
        move = np.array([[1, 0, x], [0, 1, y]])
        moved = cv2.warpAffine(wide, move, wide.shape[::-1])[edge:-edge, edge:-edge]
        # 12,000 electrons at full scale: 1.1 % noise at this level
        light = rng.uniform(0.97, 1.03) * 7500 * moved * pattern
        frames.append(np.clip(rng.poisson(light) * 255 / 12000, 0, 255).astype(np.uint8))
    return write_ser(path, np.array(frames))


@pytest.mark.parametrize("texture", [0.015, 0.05])
def test_a_tile_without_limb_is_no_flat(tmp_path, texture):
    rng = np.random.default_rng(4)
    stare(tmp_path / "e" / "1.ser", rng, texture=0.0, jitter_px=1.0)
    stare(tmp_path / "e" / "2.ser", rng, texture=texture, jitter_px=1.0)
    stare(tmp_path / "e" / "3.ser", rng, texture=texture, jitter_px=0.5)
    assert roles(survey(tmp_path / "e")) == {"1.ser": "flat", "2.ser": "tile", "3.ser": "tile"}
    moving = [look_at(open_recording(tmp_path / "e" / f"{k}.ser")).moving for k in (1, 2, 3)]
    # the threshold is 0.0006, and the chance of noise is taken off; ten seeds gave 0 and 0.0009 or more
    assert moving[0] < 0.0003
    assert min(moving[1:]) > 0.0009


def test_moving_structure_tells_tile_from_flat(evening):
    moving = {}
    for name in ROLES:
        with open_recording(evening / name) as recording:
            moving[name] = look_at(recording).moving
    # the threshold is 0.0006: clear on both sides
    assert moving["flat.ser"] < 0.0003
    assert min(value for name, value in moving.items() if name.startswith("sun")) > 0.004
