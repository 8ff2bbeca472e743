"""The whole job, step by step: survey, masters, tiles, assemble, present.

Each function does what is not done yet and returns an `Outcome`. Every stage reads what the one before wrote,
also within one run, so that a run in one go and a run that was killed go through the same numbers.
"""

from __future__ import annotations

import os
from typing import Any

from diskmosaic.errors import bad_input
from diskmosaic.finding import find_files
from diskmosaic.finish import archived_tiles, assemble_tiles, present_disk
from diskmosaic.job import Job, Outcome, alone
from diskmosaic.prepare import make_masters, stack_tiles


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
    with alone(job.out):
        found = job.survey()
        assemble_tiles(job, stack_tiles(job, found, make_masters(job, found)))
        present_disk(job)
    return job.outcome


def masters(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Make the master dark and flat; like `run`."""
    job = _begin(folder, out, options)
    with alone(job.out):
        make_masters(job, job.survey())
    return job.outcome


def tiles(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Stack every recording into a tile, masters first; like `run`."""
    job = _begin(folder, out, options)
    with alone(job.out):
        found = job.survey()
        stack_tiles(job, found, make_masters(job, found))
    return job.outcome


def assemble(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Assemble the archived tiles of OUT into the disk; needs no raw video. Like `run`."""
    job = _begin(folder, out, options, raw=False)
    with alone(job.out):
        job.load_session()
        assemble_tiles(job, archived_tiles(job))
    return job.outcome


def present(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Export pictures and report of the finished disk; like `run`."""
    job = _begin(folder, out, options, raw=False)
    with alone(job.out):
        job.load_session()
        present_disk(job)
    return job.outcome


def _begin(folder: Any, out: Any, options: dict[str, Any], *, raw: bool = True) -> Job:
    """Look before the first write: a mistyped folder gets no folder of results."""
    job = Job(folder, out, **options)
    if raw:
        find_files(job.folder, job.out)
    elif not job.out.is_dir():
        raise bad_input(job.out, found="no such folder", expected="results of a run", todo="stack tiles first")
    return job
