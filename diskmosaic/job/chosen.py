"""Which masters the tiles carry, where a person has chosen others than the session's recordings make.

``masters/chosen.json`` notes the choice and how the tiles were stacked. While it is there, `job.prepare` makes no
such master of the recordings, and leaves the tiles alone whose recordings, settings and program are still those of
their stacking; the others it stacks anew with the chosen masters.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diskmosaic.errors import bad_input
from diskmosaic.job.job import MASTERS, Job
from diskmosaic.job.mending import STEP as REMAINDER
from diskmosaic.steps import STEPS_FOLDER, fingerprint

NOTE = "chosen.json"


@dataclass(frozen=True)
class Chosen:
    """What ``masters/chosen.json`` notes.

    Attributes
    ----------
    masters : dict
        Role -> ``{name, pixels}``: the file that was given, and the SHA-256 of the master's pixels.
    stacked : dict
        ``{offset, masters, remainders, tiles}`` as the tiles were stacked: ADU, role -> digest of the master's file,
        tile -> digest of its remainder, tile -> fingerprint of its step.
    """

    masters: dict[str, dict[str, str]]
    stacked: dict[str, Any]

    def identity(self, as_stacked: str) -> str:
        """Fingerprint of the step of a tile that carries the chosen masters."""
        return fingerprint(["reflat", as_stacked, {role: entry["pixels"] for role, entry in self.masters.items()}])


def read_chosen(job: Job) -> Chosen | None:
    """Return what is noted; None where no master was chosen."""
    path = job.out / MASTERS / NOTE
    if not path.exists():
        return None
    try:
        return Chosen(**json.loads(path.read_text("utf-8")))
    except (ValueError, TypeError) as error:
        raise bad_input(
            path, found="a damaged file", expected="what reflat wrote", todo="remove it and run reflat again"
        ) from error


def chosen_master(job: Job, chosen: Chosen | None, role: str) -> Path | None:
    """Return the master that was chosen for a role, and say that it is used; None where none was.

    Raises
    ------
    InputError
        A choice that is not carried out: reflat was stopped.
    """
    if chosen is None or role not in chosen.masters:
        return None
    from diskmosaic.files.masterfile import pixels_sha256, read_master

    path, note = job.out / MASTERS / f"{role}.fits", job.out / MASTERS / NOTE
    name, pixels = chosen.masters[role]["name"], chosen.masters[role]["pixels"]
    if not path.exists() or pixels_sha256(read_master(path).image) != pixels:
        raise bad_input(
            note,
            found=f"a reflat with {name} that was stopped",
            expected=f"its {role} in {path.name}",
            todo="run the same reflat again, or remove the file to go back to the session's own recordings",
        )
    told = f"the {role} that reflat put on the tiles is used ({name}); remove {MASTERS}/{NOTE} to go back"
    job.outcome.warn([told])
    job.outcome.files.append(path)
    return path


def stored_offset(job: Job) -> float:
    """ADU that were taken off the tiles where there was no dark; 0 where nothing is known."""
    file = job.out / STEPS_FOLDER / "offset" / "offset.json"
    return float(json.loads(file.read_text("utf-8"))["offset"]) if file.exists() else 0.0


def choose(job: Job, given: dict[str, dict[str, str]], paths: Sequence[Path]) -> Chosen:
    """Compose the note: how the tiles were stacked is known from the first time on.

    Parameters
    ----------
    job : Job
    given : dict
        As `Chosen.masters`; roles that are not given keep what was chosen before.
    paths : sequence of path
        The tiles.
    """
    before = read_chosen(job)
    if before is not None:
        # the same pixels under another name are no other choice
        kept = {role: entry for role, entry in before.masters.items() if _same(entry, given.get(role, entry))}
        return Chosen({**before.masters, **given, **kept}, before.stacked)
    digests = {
        role: job.steps.digest(role, job.out / MASTERS / f"{role}.fits")
        for role in ("dark", "flat")
        if (job.out / MASTERS / f"{role}.fits").exists()
    }
    remainders, tiles = {}, {}
    for path in paths:
        left = job.out / STEPS_FOLDER / REMAINDER / f"{path.stem}.npy"
        if left.exists():
            remainders[path.stem] = job.steps.digest(REMAINDER, left)
        identity = job.steps.identity(f"tile {path.stem}")
        if identity is not None:
            tiles[path.stem] = identity
    stacked = {"offset": stored_offset(job), "masters": digests, "remainders": remainders, "tiles": tiles}
    return Chosen(given, stacked)


def _same(entry: dict[str, str], other: dict[str, str]) -> bool:
    return entry["pixels"] == other["pixels"]


def note_tile(job: Job, chosen: Chosen, path: Path) -> bool:
    """Let a tile's step tell that it carries the chosen masters; return whether that is new."""
    step = f"tile {path.stem}"
    as_stacked = chosen.stacked["tiles"].get(path.stem)
    if as_stacked is None or job.steps.done(step, chosen.identity(as_stacked)):
        return False
    job.steps.finish(step, chosen.identity(as_stacked), [path])
    return True
