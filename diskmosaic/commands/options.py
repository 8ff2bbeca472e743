"""Options and arguments that several commands have, the same everywhere."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])


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


def cluster_option(command: Command) -> Command:
    """Add ``--cluster``."""
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Stack the tiles on the machines of a dask cluster: the address of its scheduler.",
    )(command)
