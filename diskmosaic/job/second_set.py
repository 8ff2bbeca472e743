"""The step that makes the second, longer-exposed set part of a session's pictures."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.errors import bad_input
from diskmosaic.job.job import ASSEMBLY, DISK, MASTERS, TILES, Job
from diskmosaic.steps import STEPS_FOLDER, Cache, content_hashes

if TYPE_CHECKING:
    from diskmosaic.records.image import FloatImage
    from diskmosaic.records.light import Disk
    from diskmosaic.session.found import Survey

STEP = "second set"


def second_set(job: Job, disk: Callable[[], Disk]) -> Path | None:
    """See what the second set shows beyond the limb, a step of its own.

    Parameters
    ----------
    job : Job
        Its setting ``pictures.longer`` names the folder.
    disk : callable
        Reads the finished disk; called only when the step runs.

    Returns
    -------
    pathlib.Path or None
        File with its light (see `load`); None where a session has no second set.

    Raises
    ------
    InputError
        There is no such folder, or no recording of tiles in it; see also `diskmosaic.longer.longer.see_beyond`.
    """
    from diskmosaic.session.survey import survey

    if not job.settings.pictures.longer:
        job.steps.forget(STEP)
        return None
    folder = job.folder / job.settings.pictures.longer
    own = job.out / STEPS_FOLDER / STEP
    found = survey(folder, own, jobs=job.jobs, progress=job.progress)
    if not found.of("tile"):
        raise bad_input(folder, found="no tiles", expected="recordings of the limb", todo="check their names or roles")
    files = [recording.file for role in ("tile", "dark") for recording in found.of(role)]
    hashes = content_hashes(files, Cache(own / "contents.json"), jobs=job.jobs, progress=job.progress)
    masters = {path.stem: job.steps.digest(path.stem, path) for path in _masters(job).values()}
    disks = [job.steps.digest("assemble", job.out / name) for name in (DISK, ASSEMBLY)]
    path = own / "light.npy"
    job.step(STEP, [sorted(hashes.values()), masters, disks], [], lambda: _see(job, found, disk(), path))
    return path


def load(path: Path) -> FloatImage:
    """Return the second set's light on the grid of the disk, float32 (h, w), NaN where there is none."""
    import numpy as np

    return np.load(path)


def _masters(job: Job) -> dict[str, Path]:
    paths = {role: job.out / MASTERS / f"{role}.fits" for role in ("dark", "flat")}
    return {role: path for role, path in paths.items() if path.exists()}


def _see(job: Job, found: Survey, disk: Disk, path: Path) -> list[Path]:
    import io

    import numpy as np

    from diskmosaic.files.atomic import write_bytes
    from diskmosaic.files.masterfile import read_master
    from diskmosaic.files.tilefile import tiles_channel
    from diskmosaic.longer.longer import see_beyond
    from diskmosaic.recordings.channels import take_colour
    from diskmosaic.recordings.recordings import open_recording

    made = {role: read_master(master) for role, master in _masters(job).items()}
    with contextlib.ExitStack() as stack:
        # a saturated disk looks gray: the colour is that of the first set, not what these recordings would tell
        colour = tiles_channel(job.out / TILES)
        tiles, darks = (
            [stack.enter_context(take_colour(open_recording(one.file), colour)) for one in found.of(role)]
            for role in ("tile", "dark")
        )
        masters = (made.get("dark"), made.get("flat"), made["flat"].offset if "flat" in made else 0.0)
        seen = see_beyond(tiles, darks, disk, masters, jobs=job.jobs, progress=job.progress)
    job.outcome.warn(seen.warnings)
    buffer = io.BytesIO()
    np.save(buffer, seen.image)
    write_bytes(path, buffer.getvalue())
    return [path]
