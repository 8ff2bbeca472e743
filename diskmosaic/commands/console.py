"""What a command says, and how it ends: results, warnings, one sentence on an error, the exit code."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click

from diskmosaic.errors import DiskmosaicError
from diskmosaic.progress import choose

CANNOT = 1


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
