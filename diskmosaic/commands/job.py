"""``run``, ``masters``, ``tiles``, ``assemble``, ``present``: the steps of a session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.options import cluster_option, common_options, folder_argument, out_option
from diskmosaic.commands.trees import over_sessions


def tell_steps(console: Console, outcome: Any) -> None:
    """Tell how many steps were done, and where the results are."""
    done = sum(state == "done" for state in outcome.steps.values())
    console.say(f"{done} steps done, {len(outcome.steps) - done} unchanged. Results: {outcome.out}")


def tell_disk(console: Console, outcome: Any) -> None:
    """Tell how many tiles have a place, then the steps."""
    if outcome.placed is not None:
        console.say(f"{outcome.placed} tiles placed, {len(outcome.left_out)} left out.")
    tell_steps(console, outcome)


def _step(
    name: str, tell: Callable[[Console, Any], None], explanation: str, *own: Callable[[Any], Any]
) -> click.Command:
    """Make the command that calls the function of that name in the pipeline; `own` are its options."""

    @click.command(name, help=explanation)
    @folder_argument
    @out_option
    @common_options
    def body(folder: Path, out: Path | None, jobs: int, as_json: bool, quiet: bool, verbose: bool, **asked) -> None:
        def action(console: Console) -> dict[str, Any]:
            from diskmosaic import pipeline

            if name == "run" and out is None and (sessions := pipeline.sessions_to_run(folder)):
                options = {"jobs": jobs, "progress": console.progress, **asked}
                return over_sessions(console, sessions, lambda session: pipeline.run(session, **options), tell)
            outcome = getattr(pipeline, name)(folder, out, jobs=jobs, progress=console.progress, **asked)
            console.warn(outcome.warnings)
            if verbose:
                for step, state in outcome.steps.items():
                    console.say(f"{step}: {state}")
            tell(console, outcome)
            return outcome.document()

        work(name, action, as_json=as_json, quiet=quiet, verbose=verbose)

    for option in own:
        body = option(body)
    return body


run_command = _step(
    "run",
    tell_disk,
    "Do everything: from the recordings to the disk, pictures and report. What is done and still valid is "
    "not done again; a run that was stopped goes on where it was. FOLDER may also be a tree of sessions, each with its "
    "session.toml.",
    cluster_option,
)
masters_command = _step("masters", tell_steps, "Average the darks and the flats.")
tiles_command = _step("tiles", tell_steps, "Stack each tile recording, masters first.", cluster_option)
assemble_command = _step(
    "assemble",
    tell_disk,
    "Assemble the stacked tiles into the disk; the recordings are not needed.",
    click.option(
        "--onto",
        type=click.Path(path_type=Path),
        metavar="MAP",
        help="A solar map (FITS): the disk is put onto its grid and time too.",
    ),
)
present_command = _step(
    "present",
    tell_steps,
    "Export everything to show the finished disk: pictures, sizes for web and print, close-ups, a page to zoom; "
    "and the report.",
)
