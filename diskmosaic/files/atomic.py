"""Writing a file whole or not at all.

A file is written under a temporary name in its own folder, flushed to the disk and then renamed, so that a
reader (or the run after a crash) sees the old file or the new one, never a half.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from diskmosaic.errors import OutputError

PART_PREFIX = ".part-"

_NO_SPACE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NOT_ALLOWED = {errno.EROFS, errno.EACCES, errno.EPERM}
# numpy's tofile tells a full disk in these words and without an error number
_SHORT_WRITE = re.compile(r"\d+ requested and \d+ written")
_NOT_A_FOLDER = {errno.ENOTDIR, errno.EEXIST}


def cannot_write(path: str | os.PathLike[str], error: BaseException) -> OutputError:
    """Tell in one sentence why a file could not be written.

    Parameters
    ----------
    path : path
        The file that should have been written.
    error : exception
        What was raised; the causes behind it are searched for the system's error number, since libraries
        wrap it.

    Returns
    -------
    OutputError
        To be raised by the caller.
    """
    number, text = _system_error(error)
    if number in _NO_SPACE:
        found, expected, todo = (
            "no space left on the disk",
            "room for the file",
            "free some space and run again",
        )
    elif number in _NOT_ALLOWED:
        found, expected = "a folder that must not be written to", "a writable one"
        todo = "choose another folder with --out"
    elif number in _NOT_A_FOLDER:
        found, expected = "a file where a folder is needed", "a folder"
        todo = "choose another folder with --out"
    else:
        found, expected, todo = text, "a folder that takes the file", "mend that or choose another with --out"
    return OutputError(f"{path}: found {found}, expected {expected}; {todo}.")


def _system_error(error: BaseException) -> tuple[int | None, str]:
    """Return the first error number along the chain of causes, and the plainest text there is."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno is not None:
            return seen.errno, (seen.strerror or str(seen)).lower()
        if isinstance(seen, OSError) and _SHORT_WRITE.search(str(seen)):
            return errno.ENOSPC, "no space left"
        seen = seen.__cause__ or seen.__context__
    return None, str(error).splitlines()[0] if str(error) else type(error).__name__


@contextlib.contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path to write to, and put it in the place of `path` once all went well.

    Parameters
    ----------
    path : path
        Where the file is wanted; missing folders are made.

    Yields
    ------
    pathlib.Path
        A path in the same folder with the same suffix, for the caller to write.

    Raises
    ------
    OutputError
        When the system refuses; `path` is then as it was before.

    Notes
    -----
    Only write inside the block: a failure to *read* something there would be told as a failure to write.
    """
    path = Path(path)
    part = path.with_name(PART_PREFIX + path.name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        with open(part, "rb+") as handle:
            os.fsync(handle.fileno())
        os.replace(part, path)
        _sync_folder(path.parent)
    except OSError as error:
        _drop(part)
        raise cannot_write(path, error) from error
    except BaseException:  # Ctrl-C as well: leave no half file
        _drop(part)
        raise


def _drop(part: Path) -> None:
    with contextlib.suppress(OSError):
        part.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last through a power cut, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network file systems refuse to sync a folder
            os.fsync(handle)
    finally:
        os.close(handle)


def write_bytes(path: str | os.PathLike[str], data: bytes) -> None:
    """Write `data` to `path`, whole or not at all; raises `OutputError`."""
    with replacing(path) as part:
        part.write_bytes(data)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write `text` as UTF-8 with its line ends as they are, whole or not at all; raises `OutputError`."""
    write_bytes(path, text.encode("utf-8"))


def plain(value: Any) -> Any:
    """Turn numpy's numbers into Python's, and what is no number into None, as JSON takes them."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def write_json(path: str | os.PathLike[str], document: Any) -> None:
    """Write a document as JSON, whole or not at all; raises `OutputError`.

    NaN and infinity are refused (``ValueError``): JSON does not know them.
    """
    write_text(path, json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def sweep(folder: str | os.PathLike[str]) -> list[Path]:
    """Remove the temporary files that a killed run left in `folder` and below; return what was removed."""
    removed = []
    for part in sorted(Path(folder).rglob(f"{PART_PREFIX}*")):
        if part.is_file():
            _drop(part)
            removed.append(part)
    return removed
