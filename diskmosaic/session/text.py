"""Writing ``session.toml``: a fresh one with every key explained, new recordings at the end of an old one."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from typing import Any

import tomlkit
from pydantic import BaseModel

from diskmosaic.pictures.recipe import default_recipes
from diskmosaic.session.session import (
    HandTable,
    InstrumentTable,
    LayoutTable,
    ObservationTable,
    PlaceTable,
    SessionTable,
    parse_session,
)
from diskmosaic.settings import Settings

_HEADER = """\
# What is known about this session. Edit freely: comments and values stay as you leave them.
# Lines that start with "# " before a key are switched off: remove the "# " and put your value.
# Every value may be missing; what is missing is measured where that is possible, else left out.
"""


def new_session(name: str, recordings: Mapping[str, tuple[str, str]], known: Mapping[str, Any]) -> str:
    """Compose a fresh ``session.toml``.

    Parameters
    ----------
    name : str
        Title of the session.
    recordings : mapping
        Path below the session folder (with ``/``) -> (role, note).
    known : mapping
        Values of ``[instrument]`` that the recordings told.

    Returns
    -------
    str
        The text, with every key, its meaning and its unit.
    """
    lines = [_HEADER]
    tables = {
        "session": SessionTable,
        "instrument": InstrumentTable,
        "place": PlaceTable,
        "observation": ObservationTable,
    }
    for title, model in tables.items():
        values = {"name": name} if title == "session" else dict(known) if title == "instrument" else {}
        lines += [f"[{title}]", *_keys(model, values), ""]
    lines += [
        "# Where the tiles lie is found from the tiles. Should some find no place, the grid helps, if there was one.",
        "[layout]",
        *_keys(LayoutTable, {}),
        "",
    ]
    lines += ["# How each stage works, with what is used where nothing is said.", "# [settings]"]
    for stage, field in Settings.model_fields.items():
        model = field.annotation
        lines += ["#", f"# [settings.{stage}]   # {model.__doc__.rstrip('.')}", *_keys(model, {})]
    lines += ["", "# The pictures: without any recipe the usual ones are made.", *_recipe_sample()]
    lines += [
        "",
        "# What each recording is: tile, flat, dark, or ignore (leave it out).",
        "# Your word goes before names and content. A tile that finds no place, or a wrong one, can be helped by hand,",
        "# with these keys under its name; then assemble again:",
        *("#   " + line.removeprefix("# ") for line in _keys(HandTable, {})),
        "",
    ]
    return add_recordings("\n".join(lines), recordings)


def _recipe_sample() -> list[str]:
    """Write one recipe, switched off, as a start for own ones."""
    name, recipe = next(iter(default_recipes().items()))
    steps = ", ".join(
        "{ " + ", ".join(f"{key} = {_toml(value)}" for key, value in step.model_dump(mode="json").items()) + " }"
        for step in recipe.steps
    )
    return [f"# [recipes.{name}]", f"# title = {_toml(recipe.title)}", f"# steps = [{steps}]"]


def _keys(model: type[BaseModel], values: Mapping[str, Any]) -> list[str]:
    """Write the keys of one table: those with a value switched on, the others switched off."""
    lines = []
    for key, field in model.model_fields.items():
        meaning = f"   # {field.description}" if field.description else ""
        if values.get(key) is not None:
            lines.append(f"{key} = {_toml(values[key])}{meaning}")
        else:
            lines.append(f"# {key} = {_toml(_sample(key, field.default))}{meaning}")
    return lines


_SAMPLES = {
    "telescope_focal_mm": 1000.0,
    "aperture_mm": 100.0,
    "pixel_um": 3.0,
    "wavelength_nm": 656.28,
    "latitude_deg": 0.0,
    "longitude_deg": 0.0,
    "north_deg": 0.0,
    "mirrored": False,
    "drive_stopped": ["tile_01.ser", "tile_02.ser"],
    "order": "serpentine",
    "rows": 4,
    "columns": 5,
    "cell": [1, 2],
    "near_yx_px": [0.0, 900.0],
    "near_arcsec": [-300.0, 450.0],
    "pin_to": "other.ser",
    "pin_yx_px": [12.5, 480.0],
    "nudge_yx_px": [0.5, 0.0],
    "not_with": ["other.ser"],
}


def _sample(key: str, default: Any) -> Any:
    """Return a value to show where a key has none; the description tells what it means."""
    if default is not None and default != ():
        return default
    if key == "time_utc":
        return tomlkit.datetime("2031-05-04T10:20:00Z")
    return _SAMPLES[key]


def _toml(value: Any) -> str:
    return tomlkit.item(value).as_string()


def add_recordings(text: str, recordings: Mapping[str, tuple[str, str]]) -> str:
    """Add recordings that a ``session.toml`` does not name yet, at its end.

    Parameters
    ----------
    text : str
        The file as it is; every character of it is kept.
    recordings : mapping
        Path -> (role, note).

    Returns
    -------
    str
        The new text; `text` itself when there was nothing to add.
    """
    present = parse_session(text.lstrip("\ufeff")).recordings
    missing = {path: entry for path, entry in recordings.items() if path not in present}
    if not missing:
        return text
    newline = "\r\n" if "\r\n" in text else "\n"
    blocks = []
    for path, (role, note) in missing.items():
        key = tomlkit.item(path).as_string()
        table = [
            f"[recordings.{key}]",
            f"role = {_toml(role)}",
            *([f"note = {_toml(note)}"] if note else []),
            "",
        ]
        blocks.append(newline.join(table))
    glue = "" if text.endswith("\n\n") else newline if text.endswith("\n") else newline * 2
    grown = text + glue + newline.join(blocks)
    try:
        tomllib.loads(grown.lstrip("\ufeff"))
    except tomllib.TOMLDecodeError:
        # somebody wrote the recordings as one inline table: only a TOML editor can add to that
        document = tomlkit.parse(text)
        for path, (role, note) in missing.items():
            document["recordings"][path] = {"role": role, **({"note": note} if note else {})}
        grown = tomlkit.dumps(document)
    return grown


def known_from(cameras: Iterable[Mapping[str, str]]) -> dict[str, str]:
    """Pick the names for ``[instrument]`` from what the recordings say, where all that tell agree."""
    cameras = list(cameras)
    known = {}
    for key, fact in {"telescope": "telescope", "camera": "instrument"}.items():
        said = {camera[fact] for camera in cameras if camera.get(fact)}
        if len(said) == 1:
            known[key] = said.pop()
    return known
