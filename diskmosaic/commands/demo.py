"""``demo``: a session with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.options import common_options


@click.command("demo")
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
