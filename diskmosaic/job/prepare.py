"""From recordings to masters and tiles, each a step of its own: little is lost when a run is stopped."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.cluster import Cluster, connected
from diskmosaic.files.atomic import write_json
from diskmosaic.job.chosen import Chosen, chosen_master, read_chosen
from diskmosaic.job.job import MASTERS, TILES, Job
from diskmosaic.job.making import exposures_of, make_dark, make_flat
from diskmosaic.job.mending import STEP as REMAINDER
from diskmosaic.job.mending import load, mend
from diskmosaic.job.trying import STEP as TRIAL
from diskmosaic.job.trying import follow_flat, try_masters
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.exposures import common_exposure
from diskmosaic.session.found import Found, Survey
from diskmosaic.steps import STEPS_FOLDER, fingerprint
from diskmosaic.trial.document import DOCUMENT

if TYPE_CHECKING:
    from diskmosaic.masters.calibration import Calibration
    from diskmosaic.records.master import Master
    from diskmosaic.settings import TileSettings

RECORDED = "flat as recorded"  # step of a flat that may be moved before it is used


@dataclass(frozen=True)
class Prepared:
    """What tiles are calibrated with: the masters there are, the offset (ADU) where there is no dark.

    `tried` is True once the flat was held against the recordings.
    """

    dark: Path | None
    flat: Path | None
    offset: float
    tried: bool = False

    def digests(self, job: Job) -> dict[str, str]:
        """Role -> SHA-256 of the master's file."""
        masters = {"dark": self.dark, "flat": self.flat}
        return {role: job.steps.digest(role, path) for role, path in masters.items() if path is not None}


def make_masters(job: Job, found: Survey) -> Prepared:
    """Average the darks and the flats; without a dark, estimate the offset from the sky in the tiles.

    Parameters
    ----------
    job : Job
    found : Survey
        Checked.

    Returns
    -------
    Prepared
    """
    settings = job.settings.masters
    chosen = read_chosen(job)
    dark = chosen_master(job, chosen, "dark") or _dark(job, found)
    offset = 0.0
    if dark is not None:
        job.steps.forget("offset")
    else:
        file = job.out / STEPS_FOLDER / "offset" / "offset.json"
        tiles = found.of("tile")
        job.step("offset", job.inputs(tiles), [], lambda: _estimate_offset(tiles, file))
        estimate = json.loads(file.read_text("utf-8"))
        offset = estimate["offset"]
        job.outcome.warn([estimate["sentence"]])
    own = chosen_master(job, chosen, "flat")
    if own is not None:
        return Prepared(dark, own, offset)
    flats = found.of("flat")
    if not flats:
        return Prepared(dark, _archived(job, "flat", found), offset)
    path = job.out / MASTERS / "flat.fits"
    parts = [job.inputs(flats), settings.model_dump(), Prepared(dark, None, offset).digests(job), offset]
    own_dark = chosen is None or "dark" not in chosen.masters
    darks = found.of("dark") if own_dark else ()
    exposures = [common_exposure([recording.camera for recording in found.of(role)]) for role in ("tile", "flat")]
    parts += [exposures, exposures_of(darks)]
    if not settings.follow_shift:
        job.steps.forget(RECORDED)
        job.step("flat", parts, [path], lambda: make_flat(job, flats, path, dark, offset, darks, exposures))
        return Prepared(dark, path, offset)
    # the flat that is used may have to be moved first: it is tried before it is a master
    recorded = job.out / STEPS_FOLDER / RECORDED / "flat.fits"
    job.step(RECORDED, parts, [], lambda: make_flat(job, flats, recorded, dark, offset, darks, exposures))
    _try_flat(job, found, Prepared(dark, recorded, offset))
    known = [job.steps.digest(RECORDED, recorded), job.steps.digest(TRIAL, job.out / MASTERS / DOCUMENT)]
    job.step("flat", known, [path], lambda: follow_flat(job, recorded, path))
    return Prepared(dark, path, offset, tried=True)


def _try_flat(job: Job, found: Survey, prepared: Prepared) -> None:
    """Hold the flat against the recordings, a step of its own."""

    def masters() -> tuple[Master | None, float]:
        from diskmosaic.files.masterfile import read_master

        return None if prepared.dark is None else read_master(prepared.dark), prepared.offset

    common = [prepared.digests(job), prepared.offset]
    try_masters(job, found.of("tile"), found.of("flat"), prepared.flat, common, masters)


def _dark(job: Job, found: Survey) -> Path | None:
    darks = found.of("dark")
    if not darks:
        return _archived(job, "dark", found)
    path = job.out / MASTERS / "dark.fits"
    exposure = common_exposure([recording.camera for recording in found.of("tile")])
    parts = [job.inputs(darks), job.settings.masters.model_dump(), exposure, exposures_of(darks)]
    job.step("dark", parts, [path], lambda: make_dark(job, darks, path, exposure))
    return path


def _archived(job: Job, role: str, found: Survey) -> Path | None:
    """Return the master whose recordings are gone; drop one whose recordings have another role now."""
    path = job.out / MASTERS / f"{role}.fits"
    if not path.exists():
        return None
    from diskmosaic.files.masterfile import read_master

    present = {recording.path for recording in found.recordings}
    if present.isdisjoint(source.name for source in read_master(path).sources):
        job.outcome.warn([f"{path.name}: its recordings are gone; the archived master is used."])
        job.outcome.files.append(path)
        return path
    job.steps.forget(role)
    path.unlink(missing_ok=True)
    return None


def _estimate_offset(tiles: Sequence[Found], path: Path) -> list[Path]:
    from diskmosaic.masters.masters import sky_offset

    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(tile.open()) for tile in tiles]
        offset, sentence = sky_offset(opened)
    write_json(path, {"offset": float(offset), "sentence": sentence})
    return [path]


def stack_tiles(job: Job, found: Survey, prepared: Prepared) -> list[Path]:
    """Stack each tile recording, a step of its own each.

    Parameters
    ----------
    job : Job
    found : Survey
    prepared : Prepared
        See `make_masters`.

    Returns
    -------
    list of pathlib.Path
        The tiles, in order of their recordings.
    """
    if not prepared.tried:
        _try_flat(job, found, prepared)
    names = tile_names(found.of("tile"))
    common = [job.settings.tiles.model_dump(), prepared.digests(job), prepared.offset]
    carried = _carried(job, names, read_chosen(job))
    calibration = _OnFirstUse(prepared)
    remainders = {}
    if len(carried) < len(names):
        remainders = mend(job, names, common, calibration.get, prepared.flat)
    parts = {}
    for recording, name in names:
        remainder = remainders.get(name)
        left = None if remainder is None else job.steps.digest(REMAINDER, remainder)
        parts[name] = _parts(job, recording, name, common, left)
    paths = []
    with contextlib.ExitStack() as stack:
        makers = {name: _Stacking(rec, name, job.settings.tiles, remainders.get(name)) for rec, name in names}
        asked: dict[str, Cluster] = {}
        missing = [name for name in makers if name not in carried and not _is_stacked(job, name, parts[name])]
        if job.cluster is not None and missing:
            cluster = stack.enter_context(connected(job.cluster, job.out))
            for name in missing:
                _ask(cluster, job.out / TILES / f"{name}.fits", makers[name], prepared)
                asked[name] = cluster
        for _, name in job.progress(names, "stacking tiles", len(names), "tiles"):
            path = job.out / TILES / f"{name}.fits"
            paths.append(path)
            if name in carried:
                job.outcome.steps[f"tile {name}"] = "unchanged"
                job.outcome.files.append(path)
                continue

            def make(path: Path = path, name: str = name) -> list[Path]:
                if name in asked:
                    return [asked[name].fetch(path)]
                makers[name].write(path, calibration, jobs=job.jobs, progress=job.progress)
                return [path]

            job.step(f"tile {name}", parts[name], [path], make)
    unused = sorted(set((job.out / TILES).glob("[!.]*.fits")) - set(paths))
    job.outcome.warn([f"{path.name}: no tile recording for it any more; not used in this run." for path in unused])
    return paths


def _is_stacked(job: Job, name: str, parts: list) -> bool:
    return job.steps.done(f"tile {name}", fingerprint(parts))


def _parts(job: Job, recording: Found, name: str, common: list, left: str | None) -> list:
    """Return all that a stacked tile depends on."""
    times = [recording.start_utc, recording.end_utc, recording.camera]
    return [name, job.inputs([recording]), times, common, left]


def _carried(job: Job, names: Sequence[tuple[Found, str]], chosen: Chosen | None) -> set[str]:
    """Name the tiles that carry chosen masters and are otherwise as they would be stacked now."""
    if chosen is None:
        return set()
    was = chosen.stacked
    common = [job.settings.tiles.model_dump(), was["masters"], was["offset"]]
    carried = set()
    for recording, name in names:
        as_stacked = fingerprint(_parts(job, recording, name, common, was["remainders"].get(name)))
        if job.steps.done(f"tile {name}", chosen.identity(as_stacked)):
            carried.add(name)
    return carried


class _OnFirstUse:
    """The calibration, read when the first tile needs it: finished work reads no masters."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._calibration: Calibration | None = None
        self.identities: dict[str, str] = {}

    def get(self, shape: tuple[int, int]) -> Calibration:
        from diskmosaic.files.masterfile import pixels_sha256, read_master
        from diskmosaic.masters.calibration import Calibration

        if self._calibration is None:
            paths = {"dark": self._prepared.dark, "flat": self._prepared.flat}
            made = {role: None if path is None else read_master(path) for role, path in paths.items()}
            self.identities = {role: pixels_sha256(m.image) for role, m in made.items() if m is not None}
            self._calibration = Calibration(made["dark"], made["flat"], self._prepared.offset, shape)
        return self._calibration


@dataclass(frozen=True)
class _Stacking:
    """A tile to be stacked: what it is made from besides the masters."""

    recording: Found
    name: str
    settings: TileSettings
    remainder: Path | None

    def write(self, path: Path, on_first_use: _OnFirstUse, *, jobs: int = 1, progress: Progress = silent) -> None:
        """Stack it and write it to `path`."""
        from diskmosaic.files.tilefile import write_tile
        from diskmosaic.tiles.finer import finer_grid
        from diskmosaic.tiles.tiles import stack_tile

        recording = self.recording
        calibration = on_first_use.get((recording.height, recording.width))
        left = None if self.remainder is None else load(self.remainder)
        if left is not None:
            calibration = calibration.less(left)
        with recording.open() as opened:
            tile = stack_tile(
                opened, calibration, self.settings, masters=on_first_use.identities, jobs=jobs, progress=progress
            )
        grid = finer_grid(opened.grid, (opened.height, opened.width), tile.finer)
        taken = {"grid": grid, "channel": opened.channel}
        write_tile(path, dataclasses.replace(tile, name=self.name, recording=recording.path, remainder=left, **taken))


def _ask(cluster: Cluster, path: Path, making: _Stacking, prepared: Prepared) -> None:
    """Have a tile stacked by a machine of the cluster: it works elsewhere, so that paths are made absolute."""

    def absolute(file: Path | None) -> Path | None:
        return None if file is None else Path(os.path.abspath(file))

    recording = dataclasses.replace(making.recording, file=absolute(making.recording.file))
    making = dataclasses.replace(making, recording=recording, remainder=absolute(making.remainder))
    prepared = dataclasses.replace(prepared, dark=absolute(prepared.dark), flat=absolute(prepared.flat))
    reads = [recording.file, prepared.dark, prepared.flat, making.remainder]
    cluster.ask(path, _stack_there, making, prepared, reads=[file for file in reads if file is not None])


def _stack_there(path: Path, making: _Stacking, prepared: Prepared) -> None:
    """Run on a worker, in one thread: each of its threads has a recording of its own."""
    making.write(path, _OnFirstUse(prepared))


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
    counts = [[names.count(name) for name in names] for names in ([n.casefold() for n in c] for c in candidates)]
    named, taken = [], set()
    for index, recording in enumerate(recordings):
        level = next((k for k in range(3) if counts[k][index] == 1), 2)
        name = candidates[level][index]
        while name.casefold() in taken:
            name += "_"
        taken.add(name.casefold())
        named.append((recording, name))
    return named
