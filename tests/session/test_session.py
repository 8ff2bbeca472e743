import re
import tomllib

import pytest
from diskmosaic.errors import InputError
from diskmosaic.observation import Observation
from diskmosaic.session.session import observation_of, parse_session, read_session
from diskmosaic.session.text import add_recordings, known_from, new_session
from diskmosaic.settings import Settings
from hypothesis import given, settings
from hypothesis import strategies as st

RECORDINGS = {"a.ser": ("tile", ""), "first/b c.ser": ("flat", "by its name")}


def test_a_fresh_file_says_nothing_but_names_and_roles():
    document = parse_session(new_session("An evening", RECORDINGS, {"camera": "Eye 3"}))
    assert document.session.name == "An evening"
    assert document.settings == Settings()
    assert {path: entry.role for path, entry in document.recordings.items()} == {
        "a.ser": "tile",
        "first/b c.ser": "flat",
    }
    assert observation_of(document) == Observation(name="An evening", camera="Eye 3")


def test_every_key_can_be_switched_on_as_it_stands():
    text = new_session("x", RECORDINGS, {})
    switched_on = re.sub(r"(?m)^# (\w+ = |\[)", r"\1", text)
    values = tomllib.loads(switched_on)
    document = parse_session(switched_on)
    assert document.settings == Settings()
    for stage, field in Settings.model_fields.items():
        assert set(values["settings"][stage]) == set(field.annotation.model_fields)
    assert set(values["observation"]) == {"time_utc", "north_deg", "mirrored", "drive_stopped"}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "[settings.tiles]\nkeep = 3",
            "settings.tiles.keep: found 3, expected at most 1; correct the value.",
        ),
        (
            "[settings.tiles]\nkep = 0.3",
            "expected one of keep, min_frames, local_fields, field_step_px, per_patch, clip_sigma, finer, pixel_share; "
            "write keep.",
        ),
        (
            "[instrument]\npixel_um = 0.0",
            "instrument.pixel_um: found 0, expected more than 0; correct the value.",
        ),
        (
            "[place]\nlatitude_deg = -91",
            "place.latitude_deg: found -91, expected at least -90; correct the value.",
        ),
        (
            '[recordings."x.ser"]\nrole = "light"',
            "found \"light\", expected 'tile', 'flat', 'dark' or 'ignore'; correct the value.",
        ),
        ('[recordings."x.ser"]\nrol = "tile"', 'recordings."x.ser".rol: found an unknown key'),
        (
            '[recordings."x.ser"]\nnote = "n"',
            'recordings."x.ser".role: found nothing, expected a value; add the key.',
        ),
        ("[observation]\ntime_utc = 2041-03-09T09:30:00", "expected a time with its zone"),
        ("colour = 1", "colour: found an unknown key, expected one of session, instrument, place"),
        ("a = ", "found a slip of the pen"),
    ],
)
def test_a_mistake_is_one_sentence_that_names_the_key(text, sentence):
    with pytest.raises(InputError) as caught:
        parse_session(text)
    assert sentence in str(caught.value)
    assert str(caught.value).startswith("session.toml: ")
    assert "\n" not in str(caught.value)


def test_files_of_other_systems_can_be_read(tmp_path):
    path = tmp_path / "session.toml"
    path.write_bytes('\ufeff[session]\r\nname = "é"\r\n'.encode())
    assert read_session(path).session.name == "é"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        read_session(path)


EDITED = """\
# mine
[settings.tiles]   # my choice
keep = 0.2
[recordings."a.ser"]
role = "ignore"  # wind
[session]
name = 'x'"""


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("end", ["", "\n"])
def test_new_recordings_are_added_and_nothing_else_is_touched(newline, end):
    text = (EDITED + end).replace("\n", newline)
    grown = add_recordings(text, RECORDINGS)
    assert grown.startswith(text)
    document = parse_session(grown)
    assert {path: entry.role for path, entry in document.recordings.items()} == {
        "a.ser": "ignore",
        "first/b c.ser": "flat",
    }
    assert document.settings.tiles.keep == 0.2
    assert add_recordings(grown, RECORDINGS) == grown
    assert ("\r\n" in grown) == ("\r\n" in text)


def test_recordings_in_an_inline_table_can_be_added_to():
    grown = add_recordings('recordings = {"a.ser" = {role = "dark"}}  # mine\n', RECORDINGS)
    assert parse_session(grown).recordings["a.ser"].role == "dark"
    assert parse_session(grown).recordings["first/b c.ser"].note == "by its name"
    assert "# mine" in grown


@settings(max_examples=40, deadline=None)
@given(st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1), st.text())
def test_any_file_name_and_note_survive(path, note):
    assert parse_session(new_session("x", {path: ("dark", note)}, {})).recordings[path].role == "dark"
    assert parse_session(new_session("x", {path: ("dark", note)}, {})).recordings[path].note == note


def test_plate_scale():
    # 206265 arcsec per radian: 2.4 um at 1000 mm x 2.5 is 0.19801 arcsec
    known = Observation(telescope_focal_mm=1000.0, extender=2.5, pixel_um=2.4)
    assert known.arcsec_per_px == pytest.approx(0.198014, abs=1e-6)
    assert Observation(pixel_um=2.4).arcsec_per_px is None


def test_a_time_is_told_in_utc_without_zone():
    document = parse_session("[observation]\ntime_utc = 2041-03-09T11:30:00+02:00")
    assert observation_of(document).time_utc == "2041-03-09T09:30:00"


def test_only_what_all_recordings_agree_on_is_known():
    cameras = [{"instrument": "Eye 3", "telescope": "A"}, {"instrument": "Eye 3", "telescope": "B"}, {}]
    assert known_from(cameras) == {"camera": "Eye 3"}


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ('{step="disk"},{step="tone",gama=0.5}', "gama.*unknown key.*write gamma"),
        ('{step="disk"},{step="tone",gamma=-1}', "gamma.*found -1, expected more than 0"),
        ('{step="tone"},{step="disk"}', "begins with the step disk"),
        ('{step="disk"},{step="shine"}', "one of the steps disk, "),
        ('{step="disk"},{kind="natural"}', "names its step"),
        ('{step="disk"}', "one step tone"),
    ],
)
def test_recipe_that_cannot_be_made_is_told(steps, told):
    with pytest.raises(InputError, match=f"recipes.a.*{told}"):
        parse_session(f"[recipes.a]\nsteps=[{steps}]")
