"""``movie``: the disks of several sessions one after the other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.options import common_options, folder_argument


@click.command("movie")
@folder_argument
@click.option("--to", type=click.Path(path_type=Path), metavar="FILE", help="The movie (FOLDER/movie.mp4).")
@click.option("--side", type=click.IntRange(64, 4096), default=1080, show_default=True, help="Of its frames, px.")
@click.option("--fps", type=click.FloatRange(0.1, 120), default=8.0, show_default=True, help="Frames a second.")
@click.option("--natural", is_flag=True, help="Keep the limb darkening.")
@common_options
def movie_command(
    folder: Path,
    to: Path | None,
    side: int,
    fps: float,
    natural: bool,
    jobs: int,
    as_json: bool,
    quiet: bool,
    verbose: bool,
) -> None:
    """Make a movie of the disks in a tree of sessions, in the order of their times.

    All are shown at the same place, size, orientation and brightness, each with its time.
    """

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic import pipeline

        made = pipeline.movie(folder, to, side=side, frames_per_s=fps, natural=natural, progress=console.progress)
        console.say(f"{made['frames']} frames. Movie: {made['file']}")
        return made

    work("movie", action, as_json=as_json, quiet=quiet, verbose=verbose)
