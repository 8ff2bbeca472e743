"""The step in which a session's flat is tried against the recordings it is meant for."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.job.job import MASTERS, Job
from diskmosaic.trial.document import DOCUMENT, PICTURES, document_of, pictures_of, read_document

if TYPE_CHECKING:
    from diskmosaic.session.found import Found

STEP = "trial"


def try_masters(job: Job, tiles: Sequence[Found], flats: Sequence[Found], flat: Path | None, common: list, masters):
    """Try the flat, one step for all recordings; its warnings go to the outcome.

    Parameters
    ----------
    job : Job
    tiles, flats : sequence of Found
        The recordings; `flats` may be empty where the master is an archived one.
    flat : path or None
        The master flat.
    common : list
        Digests of the masters and the offset.
    masters : callable
        ``masters() -> (dark or None, offset)``, called only when the step runs.
    """
    if flat is None or not tiles:
        job.steps.forget(STEP)
        return
    files = [job.out / MASTERS / DOCUMENT, job.out / MASTERS / PICTURES]
    settings = [job.settings.tiles.model_dump(), job.settings.masters.model_dump()]
    parts = [job.inputs(tiles), [one.camera for one in (*tiles, *flats)], common, settings]
    job.step(STEP, parts, files, lambda: _try(job, tiles, flats, flat, masters, files))
    job.outcome.warn(read_document(files[0])["warnings"])


def follow_flat(job: Job, recorded: Path, path: Path) -> list[Path]:
    """Write the flat that is used: moved where the trial found it displaced, else as it was recorded."""
    from diskmosaic.files.masterfile import read_master, write_master
    from diskmosaic.trial.moving import moved_by

    flat = read_master(recorded)
    follow = read_document(job.out / MASTERS / DOCUMENT)["follow"]
    write_master(path, flat if follow is None else moved_by(flat, **follow))
    return [path]


def _try(job: Job, tiles, flats, flat: Path, masters, files: list[Path]) -> list[Path]:
    from diskmosaic.files.atomic import write_bytes, write_json
    from diskmosaic.files.masterfile import read_master
    from diskmosaic.masters.calibration import Calibration
    from diskmosaic.trial.moving import follow_of
    from diskmosaic.trial.samples import take_samples
    from diskmosaic.trial.trial import try_flat
    from diskmosaic.trial.verdicts import say

    master = read_master(flat)
    dark, offset = masters()
    calibration = Calibration(dark, None, offset, (tiles[0].height, tiles[0].width))
    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(tile.open()) for tile in tiles]
        samples = take_samples(opened, calibration, jobs=job.jobs, progress=job.progress)
    trial = try_flat(master, samples, job.settings.tiles)
    followed = trial.kind == "displaced" and job.settings.masters.follow_shift
    said = say(
        trial,
        master,
        followed=followed,
        mended=job.settings.masters.mend,
        flat_camera=flats[0].camera if flats else {},
        tile_cameras={tile.path: tile.camera for tile in tiles},
    )
    write_json(files[0], document_of(trial, said, master, follow_of(trial) if followed else None))
    write_bytes(files[1], pictures_of(trial))
    return files
