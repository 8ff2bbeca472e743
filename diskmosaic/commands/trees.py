"""One command over a tree of sessions: one after the other, failures told at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from diskmosaic.commands.console import Console, Several
from diskmosaic.errors import DiskmosaicError


def over_sessions(
    console: Console, sessions: Iterable[Path], do: Callable[[Path], Any], tell: Callable[[Console, Any], None]
) -> dict[str, Any]:
    """Do something for each session.

    Parameters
    ----------
    console : Console
    sessions : iterable of Path
    do : callable
        ``do(session)`` returns its outcome.
    tell : callable
        ``tell(console, outcome)``.

    Returns
    -------
    dict
        The document of the command.

    Raises
    ------
    Several
        Some could not be done; the others are.
    """
    done, failed = {}, {}
    for session in sessions:
        console.say(f"{session}:")
        try:
            outcome = do(session)
        except DiskmosaicError as error:
            failed[str(session)] = str(error)
            console.warn([str(error)])
            continue
        console.warn(outcome.warnings)
        tell(console, outcome)
        done[str(session)] = outcome.document()
    console.say(f"{len(done)} sessions done, {len(failed)} failed.")
    if failed:
        raise Several(failed, done)
    return {"sessions": done, "failed": failed}
