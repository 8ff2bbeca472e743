"""The ``diskmosaic`` command: reads the command line, calls the library, tells what came of it."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from diskmosaic._version import __version__
from diskmosaic.errors import DiskmosaicError
from diskmosaic.progress import choose

Command = TypeVar("Command", bound=Callable[..., Any])

DONE, CANNOT, INTERRUPTED = 0, 1, 130
CAUTION = (
    "Caution: never look at the Sun through optics, and never point optics at it, without a certified "
    "full-aperture filter or a dedicated solar telescope in good order; cover finders; never leave the "
    "instrument unattended. Follow the makers' instructions and local rules; no program replaces them."
)


def processors() -> int:
    """Number of processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def common_options(command: Command) -> Command:
    """Add the options that all commands share."""
    for option in (
        click.option("--verbose", is_flag=True, help="Tell each step; show where an error came from."),
        click.option("--quiet", is_flag=True, help="Show no progress; warnings and errors stay."),
        click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text."),
        click.option(
            "--jobs",
            type=click.IntRange(min=1),
            default=processors,
            show_default="all processors",
            help="Threads; the results are the same for any number.",
        ),
    ):
        command = option(command)
    return command


def out_option(command: Command) -> Command:
    """Add ``--out``."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="OUT",
        help="Folder of the results (FOLDER/assembled).",
    )(command)


def folder_argument(command: Command) -> Command:
    """Add the session's folder."""
    return click.argument("folder", type=click.Path(path_type=Path))(command)


class Console:
    """Where a command's words go: results to stdout, everything else to stderr.

    Parameters
    ----------
    command : str
    as_json, quiet, verbose : bool
    """

    def __init__(self, command: str, *, as_json: bool, quiet: bool, verbose: bool) -> None:
        self.command, self.as_json, self.quiet, self.verbose = command, as_json, quiet, verbose
        self.progress = choose(quiet=quiet)

    def say(self, text: str) -> None:
        """Print a line of the result."""
        if not self.as_json:
            click.echo(text)

    def warn(self, texts: list[str]) -> None:
        """Print warnings, also when quiet."""
        for text in texts:
            click.echo(f"warning: {text}", err=True)

    def finish(self, document: dict[str, Any]) -> None:
        """Print the JSON document, if it is wanted."""
        if self.as_json:
            click.echo(json.dumps({"command": self.command, **document}, indent=1, ensure_ascii=False))


class Several(DiskmosaicError):
    """Some of several sessions could not be done.

    Parameters
    ----------
    failed : dict
        Session -> sentence.
    done : dict
        Session -> document.
    """

    def __init__(self, failed: dict[str, str], done: dict[str, Any]) -> None:
        first, sentence = next(iter(failed.items()))
        super().__init__(f"{len(failed)} of {len(failed) + len(done)} sessions failed; the first, {first}: {sentence}")
        self.document = {"sessions": done, "failed": failed}


def work(name: str, action: Callable[[Console], dict[str, Any]], **flags: bool) -> None:
    """Run a command's action; turn what it raises into a sentence and an exit code."""
    console = Console(name, **flags)
    try:
        console.finish(action(console))
    except DiskmosaicError as error:
        _fail(console, str(error), error)
    except MemoryError as error:
        _fail(console, "The memory is full: found too little, expected more; close other programs.", error)
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        name = error.filename or "a file"
        reason = (error.strerror or str(error)).lower()
        _fail(
            console,
            f"{name}: found {reason}, expected to work with it; check the disk and permissions.",
            error,
        )


def _fail(console: Console, sentence: str, error: BaseException) -> None:
    if console.verbose:
        import traceback

        traceback.print_exception(error)
    console.finish({"error": sentence, **(error.document if isinstance(error, Several) else {})})
    click.echo(f"error: {sentence}", err=True)
    raise click.exceptions.Exit(CANNOT)


@click.group(epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="diskmosaic")
def commands() -> None:
    """Build the full disk of the Sun from overlapping tiles, recorded at long focal length.

    FOLDER holds the recordings of one session: tiles, and a flat and a dark if there are any. Nothing in it
    is changed, except session.toml, which is yours to edit, and the folder of the results.
    """


def _tell_steps(console: Console, outcome: Any) -> None:
    done = sum(state == "done" for state in outcome.steps.values())
    console.say(f"{done} steps done, {len(outcome.steps) - done} unchanged. Results: {outcome.out}")


def _tell_disk(console: Console, outcome: Any) -> None:
    if outcome.placed is not None:
        console.say(f"{outcome.placed} tiles placed, {len(outcome.left_out)} left out.")
    _tell_steps(console, outcome)


def _add(name: str, tell: Callable[[Console, Any], None], explanation: str) -> None:
    """Add the command that calls the function of that name in the pipeline."""

    @commands.command(name, help=explanation)
    @folder_argument
    @out_option
    @common_options
    def body(folder: Path, out: Path | None, jobs: int, as_json: bool, quiet: bool, verbose: bool) -> None:
        def action(console: Console) -> dict[str, Any]:
            from diskmosaic import pipeline

            outcome = getattr(pipeline, name)(folder, out, jobs=jobs, progress=console.progress)
            console.warn(outcome.warnings)
            if verbose:
                for step, state in outcome.steps.items():
                    console.say(f"{step}: {state}")
            tell(console, outcome)
            return outcome.document()

        work(name, action, as_json=as_json, quiet=quiet, verbose=verbose)


_add(
    "run",
    _tell_disk,
    "Do everything: from the recordings to the disk, pictures and report. What is done and still valid is "
    "not done again; a run that was stopped goes on where it was.",
)
_add("masters", _tell_steps, "Average the darks and the flats.")
_add("tiles", _tell_steps, "Stack each tile recording, masters first.")
_add("assemble", _tell_disk, "Assemble the stacked tiles into the disk; the recordings are not needed.")
_add("present", _tell_steps, "Export pictures and the report of the finished disk.")


@commands.command("survey")
@folder_argument
@out_option
@common_options
def survey_command(folder: Path, out: Path | None, jobs: int, as_json: bool, quiet: bool, verbose: bool) -> None:
    """Find the recordings, tell what each one is, and note it in session.toml."""

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic.checks import check
        from diskmosaic.survey import survey

        found = survey(folder, out, jobs=jobs, progress=console.progress)
        for line in _table(found.recordings):
            console.say(line)
        if len(found.groups) > 1:
            console.say("Camera settings:")
            for key, members in found.groups.items():
                console.say(f"  {', '.join(key)}: {', '.join(member.path for member in members)}")
        console.say(f"Noted in {found.session_file}")
        console.warn(list(found.warnings))
        check(found)
        return {
            "session_file": str(found.session_file),
            "recordings": [
                {
                    "path": recording.path,
                    "role": recording.role,
                    "by": recording.by,
                    "height": recording.height,
                    "width": recording.width,
                    "bits": recording.bits,
                    "frames": recording.frames,
                    "start_utc": recording.start_utc,
                    "camera": recording.camera,
                }
                for recording in found.recordings
            ],
            "warnings": list(found.warnings),
        }

    work("survey", action, as_json=as_json, quiet=quiet, verbose=verbose)


def _table(recordings: Any) -> list[str]:
    """Lay the recordings out in columns."""
    rows = [("recording", "role", "by", "frames", "size", "bits", "start (UTC)")]
    for found in recordings:
        start = (found.start_utc or "").replace("T", " ")[:19]
        size = f"{found.width}x{found.height}" if found.frames else ""
        bits = "" if found.bits is None else str(found.bits)
        rows.append((found.path, found.role, found.by, str(found.frames or ""), size, bits, start))
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


@commands.command("reflat")
@folder_argument
@click.option(
    "--flat",
    type=click.Path(path_type=Path),
    required=True,
    metavar="NEW",
    help="The new flat: a master that this program wrote, or a recording.",
)
@click.option("--dark", type=click.Path(path_type=Path), metavar="NEW", help="A new dark, likewise.")
@out_option
@common_options
def reflat_command(
    folder: Path, flat: Path, dark: Path | None, out: Path | None, jobs: int, as_json: bool, quiet: bool, verbose: bool
) -> None:
    """Put a better flat on the archived tiles and assemble them again; the recordings are not needed.

    FOLDER may also be a tree of sessions, each with its results in assembled: all of them are done.
    """

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic import pipeline

        options = {"flat": flat, "dark": dark, "jobs": jobs, "progress": console.progress}
        if out is not None or pipeline.has_tiles(folder):
            outcome = pipeline.reflat(folder, out, **options)
            console.warn(outcome.warnings)
            _tell_disk(console, outcome)
            return outcome.document()
        done, failed = {}, {}
        for session in pipeline.sessions_below(folder):
            console.say(f"{session}:")
            try:
                outcome = pipeline.reflat(session, **options)
            except DiskmosaicError as error:
                failed[str(session)] = str(error)
                console.warn([str(error)])
                continue
            console.warn(outcome.warnings)
            _tell_disk(console, outcome)
            done[str(session)] = outcome.document()
        console.say(f"{len(done)} sessions done, {len(failed)} failed.")
        if failed:
            raise Several(failed, done)
        return {"sessions": done, "failed": failed}

    work("reflat", action, as_json=as_json, quiet=quiet, verbose=verbose)


@commands.command("demo")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("demo-session"))
@common_options
def demo_command(folder: Path, jobs: int, as_json: bool, quiet: bool, verbose: bool) -> None:
    """Simulate a session whose truth is known, run it, and tell how far off the result is.

    About 100 MB are written into FOLDER (demo-session).
    """

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic.demo import run_demo

        return run_demo(folder, jobs=jobs, progress=console.progress, say=console.say, warn=console.warn)

    work("demo", action, as_json=as_json, quiet=quiet, verbose=verbose)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code: 0 done, 1 cannot, 2 wrong usage, 130 interrupted."""
    # small systems of equations are solved often: the algebra library's own threads would only get in our threads' way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        # without standalone mode an exit code set inside comes back as the result
        code = commands.main(arguments, prog_name="diskmosaic", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted; the same command goes on from here", err=True)
        code = INTERRUPTED
    except BrokenPipeError:
        # the reader has gone: nothing more to say, not even at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = CANNOT
    sys.exit(code if isinstance(code, int) else DONE)
