"""The whole job, step by step: survey, masters, tiles, assemble, present.

Each function does what is not done yet and returns an `Outcome`. Every stage reads what the one before wrote, also
within one run, so that a run in one go and a run that was killed go through the same numbers.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.errors import OutputError, bad_input
from diskmosaic.files.atomic import cannot_write, sweep, write_json
from diskmosaic.finding import open_session_file
from diskmosaic.progress import Progress, silent
from diskmosaic.session import SESSION_FILE, SessionDocument, observation_of, read_session
from diskmosaic.settings import Settings
from diskmosaic.steps import STEPS_FOLDER, Cache, Steps, content_hashes
from diskmosaic.survey import Found, Survey, check, check_distinct
from diskmosaic.survey import survey as make_survey

if TYPE_CHECKING:
    from diskmosaic.masters import Calibration
    from diskmosaic.records import Master, Tile

MASTERS, TILES, DISK, ASSEMBLY, PICTURES = "masters", "tiles", "disk.fits", "assembly.json", "pictures"


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
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        out: str | os.PathLike[str] | None = None,
        *,
        jobs: int = 1,
        progress: Progress = silent,
        settings: Settings | None = None,
    ) -> None:
        self.folder = Path(folder)
        self.given_out = out
        self.out = self.folder / "assembled" if out is None else Path(out)
        self.jobs = jobs
        self.progress = progress
        self.given_settings = settings
        self.steps = Steps(self.out)
        self.outcome = Outcome(self.out)
        self.document = SessionDocument()

    @property
    def settings(self) -> Settings:
        """The settings that count."""
        return self.document.settings if self.given_settings is None else self.given_settings

    def step(self, name: str, parts: Any, outputs: Sequence[Path], action: Any) -> None:
        """Do a step unless it is done, and note its files."""
        ran = self.steps.run(name, parts, action)
        self.outcome.steps[name] = "done" if ran else "unchanged"
        self.outcome.files += outputs

    # -- survey ---------------------------------------------------------------------------------------------

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

    def sources(self, recordings: Sequence[Found]) -> list[list[str]]:
        """Names and contents of recordings."""
        return [[recording.path, self.hashes[recording.file]] for recording in recordings]

    # -- masters --------------------------------------------------------------------------------------------

    def masters(self, found: Survey) -> None:
        """Average the darks and the flats; without a dark, estimate the offset."""
        settings = self.settings.masters
        darks, flats, tiles = found.of("dark"), found.of("flat"), found.of("tile")
        offset_file = self.out / STEPS_FOLDER / "offset" / "offset.json"
        self.has = {role: True for role, there in (("dark", darks), ("flat", flats)) if there}
        for role, there in (("dark", darks), ("flat", flats)):
            self.has[role] = bool(there) or self._archived(role, found)
        if darks:
            path = self.out / MASTERS / "dark.fits"
            parts = [self.sources(darks), settings.model_dump()]
            self.step("dark", parts, [path], lambda: self._make("dark", darks, path, 0.0))
        if self.has["dark"]:
            self.steps.forget("offset")
            self.offset = 0.0
        else:
            self.step("offset", self.sources(tiles), [], lambda: self._estimate_offset(tiles, offset_file))
            estimate = json.loads(offset_file.read_text("utf-8"))
            self.offset = estimate["offset"]
            self.outcome.warn([estimate["sentence"]])
        if flats:
            path = self.out / MASTERS / "flat.fits"
            parts = [self.sources(flats), settings.model_dump(), self._master_digests(("dark",)), self.offset]
            self.step("flat", parts, [path], lambda: self._make("flat", flats, path, self.offset))

    def _archived(self, role: str, found: Survey) -> bool:
        """Tell whether a master whose recordings are gone is there to be used; drop one that is no longer wanted."""
        path = self.out / MASTERS / f"{role}.fits"
        if found.of(role) or not path.exists():
            return False
        from diskmosaic.files.products import read_master

        present = {recording.path for recording in found.recordings}
        if present.isdisjoint(source.name for source in read_master(path).sources):
            self.outcome.warn([f"{path.name}: its recordings are gone; the archived master is used."])
            self.outcome.files.append(path)
            return True
        self.steps.forget(role)
        return False

    def _make(self, role: str, recordings: Sequence[Found], path: Path, offset: float) -> list[Path]:
        from diskmosaic import masters
        from diskmosaic.files.products import write_master
        from diskmosaic.recordings import open_recording
        from diskmosaic.records import Source

        sources = tuple(Source(*source) for source in self.sources(recordings))
        common = {"sources": sources, "jobs": self.jobs, "progress": self.progress}
        with contextlib.ExitStack() as stack:
            opened = [stack.enter_context(open_recording(recording.file)) for recording in recordings]
            if role == "dark":
                master = masters.make_dark(opened, self.settings.masters, **common)
            else:
                dark = self._master("dark")
                master = masters.make_flat(opened, dark, self.settings.masters, offset=offset, **common)
        write_master(path, master)
        return [path]

    def _estimate_offset(self, tiles: Sequence[Found], path: Path) -> list[Path]:
        from diskmosaic.masters import sky_offset
        from diskmosaic.recordings import open_recording

        with contextlib.ExitStack() as stack:
            opened = [stack.enter_context(open_recording(tile.file)) for tile in tiles]
            offset, sentence = sky_offset(opened)
        write_json(path, {"offset": float(offset), "sentence": sentence})
        return [path]

    def _master(self, role: str) -> Master | None:
        from diskmosaic.files.products import read_master

        return read_master(self.out / MASTERS / f"{role}.fits") if self.has[role] else None

    def _master_digests(self, roles: Sequence[str] = ("dark", "flat")) -> dict[str, str]:
        return {
            role: self.steps.digest(role, self.out / MASTERS / f"{role}.fits")
            for role in roles
            if self.has[role]
        }

    # -- tiles ----------------------------------------------------------------------------------------------

    def tiles(self, found: Survey) -> list[Path]:
        """Stack each recording; a step of its own each, so that little is lost when a run is stopped."""
        names = tile_names(found.of("tile"))
        common = [self.settings.tiles.model_dump(), self._master_digests(), self.offset]
        self.calibration: tuple[Calibration, dict[str, str]] | None = None
        paths = []
        for recording, name in self.progress(names, "stacking tiles", len(names), "tiles"):
            path = self.out / TILES / f"{name}.fits"
            times = [recording.start_utc, recording.end_utc, recording.camera]
            parts = [name, self.sources([recording]), times, common]
            self.step(f"tile {name}", parts, [path], lambda r=recording, n=name, p=path: self._stack(r, n, p))
            paths.append(path)
        self.calibration = None
        unused = sorted(set((self.out / TILES).glob("[!.]*.fits")) - set(paths))
        self.outcome.warn(
            [f"{path.name}: no tile recording for it any more; not used in this run." for path in unused]
        )
        return paths

    def _stack(self, recording: Found, name: str, path: Path) -> list[Path]:
        from diskmosaic.files.products import pixels_sha256, write_tile
        from diskmosaic.masters import Calibration
        from diskmosaic.recordings import open_recording
        from diskmosaic.tiles import stack_tile

        if self.calibration is None:
            made = {role: self._master(role) for role in ("dark", "flat")}
            shape = (recording.height, recording.width)
            identities = {
                role: pixels_sha256(master.image) for role, master in made.items() if master is not None
            }
            self.calibration = Calibration(made["dark"], made["flat"], self.offset, shape), identities
        calibration, identities = self.calibration
        with open_recording(recording.file) as opened:
            tile = stack_tile(
                opened,
                calibration,
                self.settings.tiles,
                masters=identities,
                jobs=self.jobs,
                progress=self.progress,
            )
        write_tile(path, dataclasses.replace(tile, name=name, recording=recording.path))
        return [path]

    # -- assemble -------------------------------------------------------------------------------------------

    def archived_tiles(self) -> list[Path]:
        """List the stacked tiles in OUT, those whose recording a person ignores left out."""
        from diskmosaic.files.products import tile_recording

        ignored = {path for path, entry in self.document.recordings.items() if entry.role == "ignore"}
        paths = sorted((self.out / TILES).glob("[!.]*.fits"))
        kept = [path for path in paths if not ignored or tile_recording(path) not in ignored]
        if not kept:
            raise bad_input(
                self.out / TILES, found="no tiles", expected="stacked tiles", todo="stack them first"
            )
        return kept

    def assemble(self, tiles: Sequence[Path]) -> None:
        """Place, level and blend the tiles, find the limb, finish the disk."""
        paths = sorted(tiles)
        outputs = [self.out / DISK, self.out / ASSEMBLY]
        settings, observation = self.settings, observation_of(self.document)
        masters = sorted((self.out / MASTERS).glob("[!.]*.fits"))
        parts = [
            {path.name: self.steps.digest(f"tile {path.stem}", path) for path in paths},
            {path.name: self.steps.digest(path.stem, path) for path in masters},
            {
                stage: getattr(settings, stage).model_dump()
                for stage in ("placement", "levels", "limb", "disk")
            },
            dataclasses.asdict(observation),
            self._early_warnings(),
        ]
        self.step("assemble", parts, outputs, lambda: self._assemble(paths, masters, outputs))
        self._read_outcome()

    def _assemble(self, paths: Sequence[Path], masters: Sequence[Path], outputs: list[Path]) -> list[Path]:
        from diskmosaic.blend import blend_tiles
        from diskmosaic.disk import finish_disk, plan_layout
        from diskmosaic.files.assembly import assembly_document, placed_only, write_assembly
        from diskmosaic.files.products import read_master, read_tile, write_disk
        from diskmosaic.levels import solve_levels
        from diskmosaic.limb import fit_limb
        from diskmosaic.placement import place_tiles

        settings, observation = self.settings, observation_of(self.document)
        tiles = [read_tile(path) for path in self.progress(paths, "reading tiles", len(paths), "tiles")]
        _check_shapes(tiles, paths)
        placement = place_tiles(tiles, settings.placement, jobs=self.jobs, progress=self.progress)
        levels = solve_levels(tiles, placement, settings.levels)
        layout = plan_layout(placement, tiles[0].image.shape, observation)
        mosaic = blend_tiles(tiles, placement, levels, layout)
        limb = fit_limb(mosaic.image, settings.limb)
        disk = finish_disk(mosaic, layout, placement, limb, tiles, observation)
        disk = placed_only(disk, placement)
        told = [*self._early_warnings(), *(text for path in masters for text in read_master(path).warnings)]
        told += [text for tile in tiles for text in tile.warnings]
        told += [*placement.warnings, *levels.warnings, *disk.warnings]
        write_disk(outputs[0], disk)
        write_assembly(outputs[1], assembly_document(tiles, placement, levels, disk, told))
        return outputs

    def _early_warnings(self) -> list[str]:
        """Return what survey and offset warned of, as the last run noted it."""
        told = []
        for path, key in (("survey.json", "warnings"), ("offset/offset.json", "sentence")):
            file = self.out / STEPS_FOLDER / path
            if file.exists():
                said = json.loads(file.read_text("utf-8"))[key]
                told += [said] if isinstance(said, str) else said
        return told

    def _read_outcome(self) -> None:
        from diskmosaic.files.assembly import read_assembly

        document = read_assembly(self.out / ASSEMBLY)
        self.outcome.placed = len(document["tiles"])
        self.outcome.left_out = document["left_out"]
        self.outcome.warn(document["warnings"])

    # -- present --------------------------------------------------------------------------------------------

    def present(self) -> None:
        """Export the pictures and write the report."""
        disk, assembly = self.out / DISK, self.out / ASSEMBLY
        if not disk.exists():
            raise bad_input(
                disk, found="no such file", expected="the finished disk", todo="assemble the tiles first"
            )
        self._read_outcome()
        digests = {path.name: self.steps.digest("assemble", path) for path in (disk, assembly)}
        observation = dataclasses.asdict(observation_of(self.document))
        parts = [digests, self.settings.pictures.model_dump(), observation]
        self.step("pictures", parts, [], self._export)
        self.outcome.files += sorted((self.out / PICTURES).glob("[!.]*"))
        files = [*(self.out / MASTERS).glob("[!.]*.fits"), *(self.out / TILES).glob("[!.]*.fits")]
        for path in sorted(files):
            step = f"tile {path.stem}" if path.parent.name == TILES else path.stem
            digests[path.relative_to(self.out).as_posix()] = self.steps.digest(step, path)
        text = self._settings_text()
        self.step(
            "report", [digests, observation, text], [self.out / "report.html"], lambda: self._report(text)
        )

    def _export(self) -> list[Path]:
        import numpy as np

        from diskmosaic.files.assembly import read_assembly
        from diskmosaic.files.products import read_disk
        from diskmosaic.pictures import export_pictures

        tiles = read_assembly(self.out / ASSEMBLY)["tiles"]
        matrices = np.array([tile["to_disk"] for tile in tiles], float).reshape(-1, 2, 3)
        disk = read_disk(self.out / DISK, matrices)
        observation = observation_of(self.document)
        return list(export_pictures(disk, self.out / PICTURES, observation, self.settings.pictures))

    def _report(self, settings_text: str) -> list[Path]:
        from diskmosaic.report import write_report

        title = self.document.session.name or self.folder.resolve().name
        return [
            write_report(self.out, title=title, settings_text=settings_text, warnings=self._early_warnings())
        ]

    def _settings_text(self) -> str:
        path = open_session_file(self.folder, self.out)
        text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
        if self.given_settings is not None:
            text += (
                f"\n# given by the caller instead of [settings]:\n# {self.given_settings.model_dump_json()}\n"
            )
        return f"# diskmosaic run {self.folder.resolve().name}\n{text}"


def _check_shapes(tiles: Sequence[Tile], paths: Sequence[Path]) -> None:
    """Refuse archived tiles of several sizes: the sensor's pattern is shared by all."""
    for tile, path in zip(tiles, paths, strict=True):
        if tile.image.shape != tiles[0].image.shape:
            height, width = tile.image.shape
            first_height, first_width = tiles[0].image.shape
            raise bad_input(
                path,
                found=f"{width}x{height} px",
                expected=f"{first_width}x{first_height} px as in {paths[0].name}",
                todo=f'set role = "ignore" for its recording in {SESSION_FILE}',
            )


def tile_names(recordings: Sequence[Found]) -> list[tuple[Found, str]]:
    """Give each tile a name of its own: the file's name without suffix, longer only where two are alike.

    Parameters
    ----------
    recordings : sequence of Found

    Returns
    -------
    list of (Found, str)
        In the order given; names differ also where capitals do not count.
    """
    candidates = [
        [Path(r.path).stem for r in recordings],
        [Path(r.path).name.replace(".", "_") for r in recordings],
        [r.path.replace("/", "_").replace(".", "_") for r in recordings],
    ]
    counts = [
        [names.count(name) for name in names] for names in ([n.casefold() for n in c] for c in candidates)
    ]
    named, taken = [], set()
    for index, recording in enumerate(recordings):
        level = next((k for k in range(3) if counts[k][index] == 1), 2)
        name = candidates[level][index]
        while name.casefold() in taken:
            name += "_"
        taken.add(name.casefold())
        named.append((recording, name))
    return named


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
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
                f"{out}: found another run at work in it, expected none; wait for that one or choose another --out."
            ) from error
        sweep(out)
        yield


def _load_session(job: Job) -> None:
    path = open_session_file(job.folder, job.out)
    if path.exists():
        job.document = read_session(path)


def run(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Do everything that is not done yet, from the recordings to the pictures and the report.

    Parameters
    ----------
    folder : path
        The session.
    out : path, optional
        ``FOLDER/assembled`` by default.
    **options
        ``jobs``, ``progress``, ``settings`` of `Job`; so for the other functions here.

    Returns
    -------
    Outcome

    Raises
    ------
    DiskmosaicError
        What cannot be done, in one sentence; all that was finished is kept.
    """
    job = _begin(folder, out, options)
    with _alone(job.out):
        found = job.survey()
        job.masters(found)
        job.assemble(job.tiles(found))
        job.present()
    return job.outcome


def masters(
    folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any
) -> Outcome:
    """Make the master dark and flat; like `run`."""
    job = _begin(folder, out, options)
    with _alone(job.out):
        job.masters(job.survey())
    return job.outcome


def tiles(
    folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any
) -> Outcome:
    """Stack every recording into a tile, masters first; like `run`."""
    job = _begin(folder, out, options)
    with _alone(job.out):
        found = job.survey()
        job.masters(found)
        job.tiles(found)
    return job.outcome


def assemble(
    folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any
) -> Outcome:
    """Assemble the archived tiles of OUT into the disk; needs no raw video. Like `run`."""
    job = _begin(folder, out, options)
    with _alone(job.out):
        _load_session(job)
        job.assemble(job.archived_tiles())
    return job.outcome


def present(
    folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any
) -> Outcome:
    """Export pictures and report of the finished disk; like `run`."""
    job = _begin(folder, out, options)
    with _alone(job.out):
        _load_session(job)
        job.present()
    return job.outcome


def _begin(folder: Any, out: Any, options: dict[str, Any]) -> Job:
    job = Job(folder, out, **options)
    if not job.folder.is_dir():
        found = "a file" if job.folder.exists() else "no such folder"
        raise bad_input(job.folder, found=found, expected="the folder of a session", todo="check the path")
    return job
