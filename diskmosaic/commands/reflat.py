"""``reflat``: a better flat on archived tiles, of one session or of many."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.job import tell_disk
from diskmosaic.commands.options import common_options, folder_argument, out_option
from diskmosaic.commands.trees import over_sessions


@click.command("reflat")
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
            tell_disk(console, outcome)
            return outcome.document()
        sessions = pipeline.sessions_below(folder)
        return over_sessions(console, sessions, lambda session: pipeline.reflat(session, **options), tell_disk)

    work("reflat", action, as_json=as_json, quiet=quiet, verbose=verbose)
