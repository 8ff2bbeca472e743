"""The whole job, step by step: survey, masters, tiles, assemble, present.

Each function does what is not done yet and returns an `Outcome`. Every stage reads what the one before wrote,
also within one run, so that a run in one go and a run that was killed go through the same numbers.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from diskmosaic.errors import bad_input
from diskmosaic.job.finish import archived_tiles, assemble_tiles, present_disk, put_on_map
from diskmosaic.job.job import DISK, TILES, Job, Outcome, alone
from diskmosaic.job.prepare import make_masters, stack_tiles
from diskmosaic.progress import Progress, silent
from diskmosaic.session.finding import find_files
from diskmosaic.settings import SESSION_FILE
from diskmosaic.steps import STEPS_FOLDER


def run(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Do everything that is not done yet, from the recordings to the pictures and the report.

    Parameters
    ----------
    folder : path
        The session.
    out : path, optional
        ``FOLDER/assembled`` by default.
    **options
        ``jobs``, ``progress``, ``settings``, ``cluster`` of `Job`; so for the other functions here.

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


def assemble(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    onto: str | os.PathLike[str] | None = None,
    **options: Any,
) -> Outcome:
    """Assemble the archived tiles of OUT into the disk; needs no raw video. Like `run`.

    Parameters
    ----------
    folder, out, **options
        As for `run`.
    onto : path, optional
        A helioprojective map (FITS), onto whose grid the finished disk is put too: ``OUT/onto/NAME.fits``.
    """
    job = _begin(folder, out, options, raw=False)
    with alone(job.out):
        job.load_session()
        assemble_tiles(job, archived_tiles(job))
        if onto is not None:
            put_on_map(job, Path(onto))
    return job.outcome


def present(folder: str | os.PathLike[str], out: str | os.PathLike[str] | None = None, **options: Any) -> Outcome:
    """Export everything that is made of the finished disk to show it, and the report; like `run`."""
    job = _begin(folder, out, options, raw=False)
    with alone(job.out):
        job.load_session()
        present_disk(job, everything=True)
    return job.outcome


def reflat(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    flat: str | os.PathLike[str],
    dark: str | os.PathLike[str] | None = None,
    **options: Any,
) -> Outcome:
    """Put a new flat on the archived tiles of OUT and do everything after it again; needs no raw video.

    Parameters
    ----------
    folder, out, **options
        As for `run`.
    flat, dark : path
        A master that this program wrote, or a recording.

    Returns
    -------
    Outcome
        Its step ``reflat`` is 'unchanged' where all tiles carry these masters already.

    Raises
    ------
    DiskmosaicError
        See `diskmosaic.job.reflatting.reflat_tiles`.
    """
    from diskmosaic.job.reflatting import reflat_tiles

    job = _begin(folder, out, options, raw=False)
    with alone(job.out):
        job.load_session()
        tiles = reflat_tiles(job, Path(flat), None if dark is None else Path(dark))
        assemble_tiles(job, tiles)
        present_disk(job)
    return job.outcome


def movie(
    folder: str | os.PathLike[str],
    to: str | os.PathLike[str] | None = None,
    *,
    side: int = 1080,
    frames_per_s: float = 8.0,
    natural: bool = False,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Make a movie of the finished disks in a tree of sessions, in the order of their times.

    Parameters
    ----------
    folder : path
        Holds folders with ``assembled/disk.fits``, at any depth.
    to : path, optional
        ``FOLDER/movie.mp4`` by default.
    side : int
        Of the square frames, px; an odd one is made even.
    frames_per_s : float
    natural : bool
        Keep the limb darkening.
    progress : callable

    Returns
    -------
    dict
        ``file``, ``frames``, ``disks`` in their order.

    Raises
    ------
    DiskmosaicError
        Fewer than two disks; see also `diskmosaic.pictures.movie.movie_frames`.
    """
    from diskmosaic.files.diskfile import read_layers
    from diskmosaic.files.videoout import write_mp4
    from diskmosaic.pictures.movie import movie_frames

    found = sorted(Path(folder).rglob(f"assembled/{DISK}"))
    if len(found) < 2:
        expected = f"two or more assembled/{DISK}"
        raise bad_input(folder, found=f"{len(found)} disks", expected=expected, todo="run the sessions first")
    paths = sorted(found, key=lambda path: (str(read_layers(path, ())[0].get("DATE-OBS", "")), path))
    path = Path(folder) / "movie.mp4" if to is None else Path(to)
    frames = movie_frames(paths, side=side + side % 2, kind="natural" if natural else "uniform")
    shown = progress(frames, "movie", len(paths), "disks")
    count = write_mp4(path, shown, frames_per_s=frames_per_s, title="The Sun")
    return {"file": str(path), "frames": count, "disks": [str(disk) for disk in paths]}


def has_tiles(folder: str | os.PathLike[str]) -> bool:
    """Tell whether a folder is a session with archived tiles in the usual place."""
    return (Path(folder) / "assembled" / TILES).is_dir()


def sessions_below(folder: str | os.PathLike[str]) -> list[Path]:
    """List the sessions with archived tiles in a tree: folders that hold ``assembled/tiles``.

    Raises
    ------
    InputError
        There is none.
    """
    found = sorted(path.parents[1] for path in Path(folder).rglob(f"assembled/{TILES}") if path.is_dir())
    if not found:
        raise bad_input(folder, found="no assembled/tiles", expected="results of a run", todo="stack tiles first")
    return found


def sessions_to_run(folder: str | os.PathLike[str]) -> list[Path]:
    """List the sessions in a tree: folders with a ``session.toml``, none above them. Empty where FOLDER is a session.

    A folder without ``session.toml`` is a session whose recordings may lie in folders, unless there are some below it
    that a survey has made sessions of.
    """
    found: list[Path] = []
    for top, folders, names in os.walk(folder):
        # results of a session that must not be written to have its session.toml, but are no session
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and not (Path(top) / name / STEPS_FOLDER).is_dir()
        )
        if SESSION_FILE in names:
            found.append(Path(top))
            folders.clear()
    return [] if found == [Path(folder)] else found


def _begin(folder: Any, out: Any, options: dict[str, Any], *, raw: bool = True) -> Job:
    """Look before the first write: a mistyped folder gets no folder of results."""
    job = Job(folder, out, **options)
    if raw:
        find_files(job.folder, job.out)
    elif not job.out.is_dir():
        raise bad_input(job.out, found="no such folder", expected="results of a run", todo="stack tiles first")
    return job
