"""Finding camera files, and telling from their names what they are."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path

from diskmosaic.errors import bad_input
from diskmosaic.settings import SESSION_FILE
from diskmosaic.steps import STEPS_FOLDER

# what people call their files, in the languages of many observers; accents are taken off before comparing
_WORDS = {
    "dark": "dark darks darkframe darkflat flatdark bias offset offsets dunkel dunkelbild noir noirs oscuro "
    "oscuros scuro buio donker tmavy",
    "flat": "flat flats flatfield flatfields weissbild hellbild plu plano planos piatto campo blanc",
    "tile": "tile tiles sun solar disc disk kachel kacheln sonne tuile tuiles soleil tesela sol sole zon "
    "mosaic mosaik mosaique panel",
}
_ROLE_OF = {word: role for role, words in _WORDS.items() for word in words.split()}


def find_files(folder: Path, out: Path) -> list[Path]:
    """List the camera files of a session.

    Parameters
    ----------
    folder : pathlib.Path
    out : pathlib.Path
        Not looked into; neither are hidden folders nor other results of this program.

    Returns
    -------
    list of pathlib.Path
        Sorted by path.

    Raises
    ------
    InputError
        When there is no such folder, or no camera file in it.
    """
    from diskmosaic.recordings.recordings import SUFFIXES

    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise bad_input(folder, found=found, expected="a folder with recordings", todo="check the path")
    files = []
    for top, folders, names in os.walk(folder):
        here = Path(top)
        folders[:] = [
            name
            for name in sorted(folders)
            if not name.startswith(".")
            and (here / name).resolve() != out.resolve()
            and not (here / name / STEPS_FOLDER).is_dir()
        ]
        files += [here / name for name in names if not name.startswith(".") and Path(name).suffix.lower() in SUFFIXES]
    if not files:
        kinds = " ".join(sorted(SUFFIXES))
        raise bad_input(folder, found="no recordings", expected=f"camera files ({kinds})", todo="check the path")
    return sorted(files, key=lambda file: file.relative_to(folder).as_posix())


def roles_by_name(paths: Sequence[str]) -> list[str | None]:
    """Tell roles by the whole words in names.

    Parameters
    ----------
    paths : sequence of str
        Below the session folder, with ``/``.

    Returns
    -------
    list of {'tile', 'flat', 'dark', None}
        None where a name has no telling word, or words of several roles. A word that all names share tells
        nothing; the file's name goes before its folders'.
    """
    split = [[_words(part) for part in reversed(path.split("/"))] for path in paths]
    everywhere = set.intersection(*({word for part in parts for word in part} for parts in split)) if split else set()
    if len(paths) == 1:
        everywhere = set()
    roles: list[str | None] = []
    for parts in split:
        role = None
        for words in parts:
            told = {_ROLE_OF[word] for word in words if word in _ROLE_OF and word not in everywhere}
            if {"dark", "flat"} <= told:
                told = {"dark"}  # a dark for the flat
            if told - {"tile"}:
                told -= {"tile"}  # "sun_flat": the Sun is in every name of a solar session
            if len(told) == 1:
                role = told.pop()
                break
        roles.append(role)
    return roles


def _words(text: str) -> set[str]:
    plain = unicodedata.normalize("NFKD", text.rsplit(".", 1)[0])
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    plain = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", plain).casefold()
    return set(re.findall(r"[^\W\d_]+", plain))


def open_session_file(folder: Path, out: Path) -> Path:
    """Return where ``session.toml`` is: in OUT (the folder was read-only then), else with the recordings."""
    return out / SESSION_FILE if (out / SESSION_FILE).exists() else folder / SESSION_FILE
