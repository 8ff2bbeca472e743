"""Masters from the recordings of a session, as the steps of a job make them."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.job.job import Job
from diskmosaic.recordings.exposures import exposure_of, same_exposure

if TYPE_CHECKING:
    from diskmosaic.recordings.recordings import Recording
    from diskmosaic.session.found import Found


def exposures_of(recordings: Sequence[Found]) -> list[float | None]:
    """Return the recordings' exposures in seconds, None where one is not known."""
    return [exposure_of(recording.camera) for recording in recordings]


def _opened(stack: contextlib.ExitStack, recordings: Sequence[Found]) -> list[Recording]:

    return [stack.enter_context(recording.open()) for recording in recordings]


def _common(job: Job, recordings: Sequence[Found]) -> dict[str, Any]:
    from diskmosaic.records.master import Source

    sources = tuple(Source(*source) for source in job.sources(recordings))
    return {"sources": sources, "jobs": job.jobs, "progress": job.progress}


def make_dark(job: Job, darks: Sequence[Found], path: Path, exposure: float | None) -> list[Path]:
    """Write the dark for the tiles' exposure (s; None: not known, or several) to `path`; return the files written."""
    from diskmosaic.files.masterfile import write_master
    from diskmosaic.masters.darks import dark_for_exposure

    with contextlib.ExitStack() as stack:
        opened = _opened(stack, darks)
        master = dark_for_exposure(opened, exposure, job.settings.masters, **_common(job, darks))
    write_master(path, master)
    return [path]


def make_flat(
    job: Job,
    flats: Sequence[Found],
    path: Path,
    dark: Path | None,
    offset: float,
    darks: Sequence[Found],
    exposures: list[float | None],
) -> list[Path]:
    """Write the flat to `path`; return the files written.

    Parameters
    ----------
    job : Job
    flats : sequence of Found
    path : pathlib.Path
    dark : path or None
        The tiles' dark.
    offset : float
        ADU, where there is no dark.
    darks : sequence of Found
        Recordings, for a flat of another exposure than the tiles'; may be empty.
    exposures : list
        Of the tiles and of the flats, s.
    """
    from diskmosaic.files.masterfile import read_master, write_master
    from diskmosaic.masters.darks import dark_for_exposure
    from diskmosaic.masters.masters import make_flat as average

    settings = job.settings.masters
    with contextlib.ExitStack() as stack:
        base = None if dark is None else read_master(dark)
        told: tuple[str, ...] = ()
        tiles, own = exposures
        if darks and own is not None and (tiles is None or not same_exposure(tiles, own)):
            # the flat's own exposure: its dark need not be that of the tiles
            base = dark_for_exposure(_opened(stack, darks), own, settings, **_common(job, darks))
            told = tuple(f"flat: its {text}" for text in base.warnings)
        master = average(_opened(stack, flats), base, settings, offset=offset, **_common(job, flats))
    write_master(path, dataclasses.replace(master, warnings=(*master.warnings, *told)))
    return [path]
