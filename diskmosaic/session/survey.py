"""Finding the recordings of a session and telling what each one is.

The word of ``session.toml`` goes first, then the words of a file's name, then what the frames show.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from diskmosaic.errors import InputError, OutputError
from diskmosaic.files.atomic import write_text
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.channels import choose
from diskmosaic.session.finding import find_files, open_session_file, roles_by_name
from diskmosaic.session.found import Found, Survey
from diskmosaic.session.session import SessionDocument, read_session
from diskmosaic.settings import SESSION_FILE
from diskmosaic.steps import STEPS_FOLDER, Cache, code_identity


def survey(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> Survey:
    """Find the recordings, tell their roles, and write ``session.toml`` or add new ones to it.

    Parameters
    ----------
    folder : path
    out : path, optional
        Where results go; ``FOLDER/assembled`` by default.
    jobs : int
        Recordings looked at at a time.
    progress : callable
        See `diskmosaic.progress`.

    Returns
    -------
    Survey
        Not yet checked: see `diskmosaic.job.checks`.

    Raises
    ------
    InputError
        No folder, no recordings, a wrong ``session.toml``.
    OutputError
        ``session.toml`` cannot be written.
    """
    folder = Path(folder)
    chosen = folder / "assembled" if out is None else Path(out)
    files = find_files(folder, chosen)
    session_file = _session_file(folder, chosen, out is not None)
    document = read_session(session_file) if session_file.exists() else SessionDocument()
    known = Cache(chosen / STEPS_FOLDER / "recordings.json")
    paths = [file.relative_to(folder).as_posix() for file in files]
    said = {path: entry.role for path, entry in document.recordings.items()}
    open_files = [file for file, path in zip(files, paths, strict=True) if said.get(path) != "ignore"]
    facts = _look_at_all(open_files, known, jobs, progress)
    recordings = _decide(files, paths, said, facts)
    document = _write_session(session_file, folder, recordings, facts)
    known.save()
    recordings, told = _through_channel(recordings, document)
    warnings = (*_warnings(recordings, paths, said), *told)
    return Survey(folder, chosen, session_file, document, recordings, warnings)


def _session_file(folder: Path, out: Path, out_given: bool) -> Path:
    """Choose where ``session.toml`` is: with the recordings, or in OUT where that folder is read-only."""
    present = open_session_file(folder, out)
    if present.parent == out or os.access(folder, os.W_OK):
        return present
    if not out_given:
        raise OutputError(
            f"{folder}: found a folder that must not be written to, expected a writable one; "
            "choose a folder for the results with --out."
        )
    if present.exists():  # a copy, so that new recordings can be added
        write_text(out / SESSION_FILE, present.read_bytes().decode("utf-8-sig"))
    return out / SESSION_FILE


def _look_at_all(files: Sequence[Path], known: Cache, jobs: int, progress: Progress) -> dict[Path, dict[str, Any]]:
    """Return the facts about each file, looking only into those that have changed."""
    from diskmosaic.files.sidecar import read_sidecar

    validity = {}
    for file in files:
        beside = json.dumps(read_sidecar(file), sort_keys=True)
        validity[file] = [code_identity(), hashlib.sha256(beside.encode()).hexdigest()]
    facts = {file: known.get(file, "facts", validity[file]) for file in files}
    missing = [file for file, fact in facts.items() if fact is None]
    if missing:
        from diskmosaic.parallel import ordered_map

        looked = ordered_map(_facts, missing, jobs=jobs)
        for file, fact in zip(missing, progress(looked, "looking at recordings", len(missing), "files"), strict=True):
            facts[file] = fact
            if "problem" not in fact:  # a file that is mended may keep its size and time
                known.put(file, "facts", fact, validity[file])
    return facts


def _facts(file: Path) -> dict[str, Any]:
    """Open a recording and note what can be said about it, as JSON keeps it."""
    from diskmosaic.recordings.channels import levels_of
    from diskmosaic.recordings.recordings import open_recording
    from diskmosaic.session.content import look_at

    try:
        with open_recording(file) as recording:
            times = recording.times
            depth = recording.bit_depth or recording.dtype.itemsize * 8
            middle = recording.timestamp()
            return {
                "height": recording.height,
                "width": recording.width,
                "planes": recording.planes,
                "bits": int(depth),
                "bayer": recording.bayer,
                "levels": levels_of(recording.frame(recording.frame_count // 2)),
                "frames": recording.frame_count,
                "start_utc": _iso(times[0] if times is not None else middle),
                "end_utc": _iso(times[-1] if times is not None else middle),
                "camera": {key: str(value) for key, value in recording.camera.items()},
                "warnings": list(recording.warnings),
                "content": dataclasses.asdict(look_at(recording)),
            }
    except InputError as error:
        return {"problem": str(error)}


def _iso(time: Any) -> str | None:
    return None if time is None else f"{time}Z"


def _decide(
    files: Sequence[Path], paths: Sequence[str], said: Mapping[str, str], facts: Mapping[Path, dict[str, Any]]
) -> tuple[Found, ...]:
    """Give each recording its role."""
    readable = [file for file in files if file in facts and "problem" not in facts[file]]
    by_content: dict[Path, str | None] = {}
    if readable:
        from diskmosaic.session.content import Content, judge

        judged = judge([Content(**facts[file]["content"]) for file in readable])
        by_content = dict(zip(readable, judged, strict=True))
    found = []
    for file, path, by_name in zip(files, paths, roles_by_name(paths), strict=True):
        if said.get(path) == "ignore":
            found.append(Found(path, file, "ignore", SESSION_FILE, by_name))
            continue
        fact = dict(facts[file])
        if "problem" in fact:
            found.append(Found(path, file, "unreadable", "content", by_name, problem=fact["problem"]))
            continue
        del fact["content"]
        fact["warnings"], fact["levels"] = tuple(fact["warnings"]), tuple(fact["levels"])
        content = by_content[file]
        if path in said:
            role, by = said[path], SESSION_FILE
        elif by_name is not None:
            role, by = by_name, "name"
        elif content is not None:
            role, by = content, "content"
        else:
            role, by = "tile", "a still with light is taken for a stacked tile"
        found.append(Found(path, file, role, by, by_name, content, **fact))
    return tuple(found)


def _write_session(
    session_file: Path, folder: Path, recordings: Sequence[Found], facts: Mapping[Path, dict[str, Any]]
) -> SessionDocument:
    """Write ``session.toml`` or add new recordings to it; return what it says now."""
    listed = {found.path: (found.role, "") for found in recordings if found.role != "unreadable"}
    if not session_file.exists():
        from diskmosaic.session.text import known_from, new_session

        cameras = [fact["camera"] for fact in facts.values() if "camera" in fact]
        write_text(session_file, new_session(folder.resolve().name, listed, known_from(cameras)))
    elif not listed.keys() <= read_session(session_file).recordings.keys():
        from diskmosaic.session.text import add_recordings

        write_text(session_file, add_recordings(session_file.read_bytes().decode("utf-8"), listed))
    return read_session(session_file)


def _through_channel(
    recordings: Sequence[Found], document: SessionDocument
) -> tuple[tuple[Found, ...], tuple[str, ...]]:
    """See a colour camera's recordings through one colour, the same for all."""
    instrument = document.instrument
    told = {} if instrument.mosaic == "auto" else {"bayer": None if instrument.mosaic == "none" else instrument.mosaic}
    seen = [dataclasses.replace(found, **told) if found.planes == 1 else found for found in recordings]
    coloured = [found for found in seen if found.frames and (found.bayer or found.planes == 3)]
    suns = [found for found in coloured if found.role == "tile"] or coloured
    if not suns:
        return tuple(recordings), ()
    first = suns[0]
    levels = [found.levels for found in suns if (found.planes, found.bayer) == (first.planes, first.bayer)]
    channel = choose(first.bayer, levels, instrument.wavelength_nm, instrument.channel)
    if channel is None:
        return tuple(seen), ()
    taken = []
    for found in seen:
        if found in coloured:
            own = dataclasses.replace(channel, mosaic=found.bayer)
            height, width = own.size(found.height, found.width)
            found = dataclasses.replace(found, height=height, width=width, planes=1, channel=own)
        taken.append(found)
    text = f"colour camera: {channel.text} is taken (instrument.channel in {SESSION_FILE})."
    return tuple(taken), (text,) if instrument.channel == "auto" else ()


def _warnings(recordings: Sequence[Found], paths: Sequence[str], said: Mapping[str, str]) -> tuple[str, ...]:
    """Say what a person should know, whether or not a survey has said it before."""
    texts = [warning for found in recordings for warning in found.warnings]
    for found in recordings:
        told, shows = found.by_name, found.by_content
        if told is not None and shows is not None and told != shows and found.role == told:
            texts.append(
                f"{found.path}: its name says {told}, its frames look like a {shows}; taken for a {told}. "
                f"If that is wrong, set its role in {SESSION_FILE}."
            )
    roles = Counter(found.role for found in recordings)
    if not roles["flat"]:
        texts.append("No flat was found: of dust and rings only what the tiles tell by themselves is taken out.")
    for role in ("flat", "dark"):
        if roles[role] > 1:
            names = ", ".join(found.path for found in recordings if found.role == role)
            texts.append(f"{roles[role]} recordings are {role}s and are averaged together: {names}.")
    texts += [f"{path}: in {SESSION_FILE}, but there is no such recording." for path in said if path not in paths]
    return tuple(dict.fromkeys(texts))
