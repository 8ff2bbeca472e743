"""A session at work in one OUT: what is known, what is done, and what came of it."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diskmosaic.errors import OutputError
from diskmosaic.files.atomic import cannot_write, sweep, write_json
from diskmosaic.interrupt import heed
from diskmosaic.job.checks import check, check_distinct
from diskmosaic.observation import Observation
from diskmosaic.pictures.recipe import Recipe
from diskmosaic.progress import Progress, silent
from diskmosaic.session.finding import open_session_file
from diskmosaic.session.found import Found, Survey
from diskmosaic.session.session import SessionDocument, observation_of, read_session
from diskmosaic.session.survey import survey as make_survey
from diskmosaic.settings import Settings
from diskmosaic.steps import STEPS_FOLDER, Cache, Steps, content_hashes

# where the products lie under OUT
MASTERS, TILES, PICTURES, ZOOM, ONTO = "masters", "tiles", "pictures", "zoom", "onto"
DISK, ASSEMBLY, REPORT = "disk.fits", "assembly.json", "report.html"


@dataclass
class Outcome:
    """What a command did.

    Attributes
    ----------
    out : pathlib.Path
    steps : dict
        Step -> 'done' or 'unchanged' (nothing to do).
    files : list of pathlib.Path
        The results, whether written now or before.
    warnings : list of str
        Everything a person should know, each once.
    placed : int or None
        Tiles that have a place; None before the assembly.
    left_out : list of dict
        ``{recording, reason, best_score}``.
    """

    out: Path
    steps: dict[str, str] = field(default_factory=dict)
    files: list[Path] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    placed: int | None = None
    left_out: list[dict[str, Any]] = field(default_factory=list)

    def warn(self, texts: Sequence[str]) -> None:
        """Add warnings that are not there yet."""
        self.warnings += [text for text in dict.fromkeys(texts) if text not in self.warnings]

    def document(self) -> dict[str, Any]:
        """Return it as JSON takes it, files relative to `out`."""
        return {
            "out": str(self.out),
            "steps": self.steps,
            "files": [file.relative_to(self.out).as_posix() for file in self.files],
            "placed": self.placed,
            "left_out": self.left_out,
            "warnings": self.warnings,
        }


class Job:
    """A session at work in one OUT: its steps, its settings, and what has come of it so far.

    Parameters
    ----------
    folder : path
    out : path, optional
        ``FOLDER/assembled`` by default.
    jobs : int
        Threads; the results do not depend on it.
    progress : callable
        See `diskmosaic.progress`.
    settings : Settings, optional
        Instead of those in ``session.toml``.
    cluster : str, optional
        Address of the scheduler of a cluster that works on the recordings; see `diskmosaic.cluster`.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        out: str | os.PathLike[str] | None = None,
        *,
        jobs: int = 1,
        progress: Progress = silent,
        settings: Settings | None = None,
        cluster: str | None = None,
    ) -> None:
        self.folder = Path(folder)
        self.given_out = out
        self.out = self.folder / "assembled" if out is None else Path(out)
        self.jobs = jobs
        self.cluster = cluster
        self.progress = progress
        self.given_settings = settings
        self.steps = Steps(self.out)
        self.outcome = Outcome(self.out)
        self.document = SessionDocument()
        self.hashes: dict[Path, str] = {}

    @property
    def settings(self) -> Settings:
        """The settings that count."""
        return self.document.settings if self.given_settings is None else self.given_settings

    @property
    def recipes(self) -> Mapping[str, Recipe]:
        """The pictures that ``session.toml`` asks for; empty: the usual ones."""
        return self.document.recipes

    @property
    def observation(self) -> Observation:
        """What ``session.toml`` tells of instrument, place and sky."""
        return observation_of(self.document)

    def step(self, name: str, parts: Any, outputs: Sequence[Path], action: Callable[[], Iterable[Path]]) -> None:
        """Do a step unless it is done (see `Steps.run`), and note its files."""
        heed()
        ran = self.steps.run(name, parts, action)
        self.outcome.steps[name] = "done" if ran else "unchanged"
        self.outcome.files += outputs

    def survey(self) -> Survey:
        """Find the recordings, check them, and know their contents."""
        found = make_survey(self.folder, self.given_out, jobs=self.jobs, progress=self.progress)
        self.document = found.document
        self.outcome.warn(found.warnings)
        check(found)
        known = Cache(self.out / STEPS_FOLDER / "contents.json")
        used = [recording.file for recording in found.recordings if recording.role != "ignore"]
        self.hashes = content_hashes(used, known, jobs=self.jobs, progress=self.progress)
        check_distinct(found, self.hashes)
        # assembling the archived tiles again, without raw video, must not forget what was warned of
        write_json(self.out / STEPS_FOLDER / "survey.json", {"warnings": list(found.warnings)})
        return found

    def load_session(self) -> None:
        """Read ``session.toml`` where there is one; for work that needs no recordings."""
        path = open_session_file(self.folder, self.out)
        if path.exists():
            self.document = read_session(path)

    def sources(self, recordings: Sequence[Found]) -> list[list[str]]:
        """Names and contents of recordings."""
        return [[recording.path, self.hashes[recording.file]] for recording in recordings]

    def inputs(self, recordings: Sequence[Found]) -> list[list[str]]:
        """All that a step takes from recordings: names, contents, and what is taken of a colour camera."""
        seen = ["" if recording.channel is None else recording.channel.text for recording in recordings]
        return [[*source, text] for source, text in zip(self.sources(recordings), seen, strict=True)]

    def early_warnings(self) -> list[str]:
        """Return what survey, offset and the flat's trial warned of, as the last run noted it."""
        told = []
        noted = self.out / STEPS_FOLDER
        files = {
            noted / "survey.json": "warnings",
            noted / "offset" / "offset.json": "sentence",
            self.out / MASTERS / "trial.json": "warnings",
        }
        for file, key in files.items():
            if file.exists():
                said = json.loads(file.read_text("utf-8"))[key]
                told += [said] if isinstance(said, str) else said
        return told

    def read_outcome(self) -> None:
        """Note what ``assembly.json`` tells."""
        from diskmosaic.files.assembly import read_assembly

        document = read_assembly(self.out / ASSEMBLY)
        self.outcome.placed = len(document["tiles"])
        self.outcome.left_out = document["left_out"]
        self.outcome.warn(document["warnings"])

    def settings_text(self) -> str:
        """Return what repeats this run."""
        path = open_session_file(self.folder, self.out)
        text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
        if self.given_settings is not None:
            text += f"\n# given by the caller instead of [settings]:\n# {self.given_settings.model_dump_json()}\n"
        return f"# diskmosaic run {self.folder.resolve().name}\n{text}"


@contextlib.contextmanager
def alone(out: Path) -> Iterator[None]:
    """Be the only run in an OUT, and clear what a killed one left half written.

    The lock belongs to the process: the system lets go of it however the process ends.
    """
    path = out / STEPS_FOLDER / "lock"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = open(path, "ab")  # noqa: SIM115 - held for the length of the run
    except OSError as error:
        raise cannot_write(out, error) from error
    with handle:
        try:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:  # no such locks on this system: two runs at once are then the person's care
            pass
        except OSError as error:
            raise OutputError(
                f"{out}: found another run at work in it, expected none; wait for it or choose another --out."
            ) from error
        sweep(out)
        yield
