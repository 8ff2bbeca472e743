"""Which steps of a job are done, so that a run goes on where the last one stopped.

A *step* has a name, a fingerprint of all it depends on (contents of its inputs, the settings that act on it,
the program itself) and the files it wrote. Its record is written after its files: what has a record is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import cache
from pathlib import Path
from typing import Any

from diskmosaic._version import __version__
from diskmosaic.errors import bad_input
from diskmosaic.files.atomic import write_json
from diskmosaic.progress import Progress, silent

STEPS_FOLDER = ".steps"
_BLOCK = 1 << 20


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes as 64 hexadecimal digits; raises `InputError` where it cannot be read."""
    digest = hashlib.sha256()
    buffer = bytearray(_BLOCK)
    view = memoryview(buffer)
    try:
        with open(path, "rb", buffering=0) as handle:
            while count := handle.readinto(buffer):
                digest.update(view[:count])
    except OSError as error:
        reason = (error.strerror or "an error").lower()
        raise bad_input(
            path, found=reason, expected="a readable file", todo="check the disk and its permissions"
        ) from error
    return digest.hexdigest()


@cache
def code_identity() -> str:
    """Version of the program and a digest of its own source files."""
    digest = hashlib.sha256(__version__.encode())
    root = Path(__file__).parent
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def fingerprint(parts: Any) -> str:
    """Digest of everything a step depends on, the program included.

    Parameters
    ----------
    parts : JSON-able
        Contents of the inputs (digests) and settings; never the number of threads.
    """
    text = json.dumps([code_identity(), parts], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def stamp(path: Path) -> list[int]:
    """Size and time of change of a file: while they stay, its contents are taken to be the same."""
    status = path.stat()
    return [status.st_size, status.st_mtime_ns]


class Cache:
    """Facts about files that are costly to find, kept under OUT as long as the files do not change.

    Parameters
    ----------
    path : pathlib.Path
        JSON file; a damaged one counts as empty.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._entries: dict[str, Any] = _read_json(path) or {}
        self._changed = False

    def get(self, file: Path, key: str, validity: Any = None) -> Any:
        """Return the fact `key` of `file`, None where there is none that still holds."""
        entry = self._entries.get(os.path.abspath(file), {}).get(key)
        if entry is None or entry["stamp"] != stamp(file) or entry["validity"] != validity:
            return None
        return entry["value"]

    def put(self, file: Path, key: str, value: Any, validity: Any = None) -> None:
        """Keep a fact; `validity` is what it depends on besides the file."""
        facts = self._entries.setdefault(os.path.abspath(file), {})
        facts[key] = {"stamp": stamp(file), "validity": validity, "value": value}
        self._changed = True

    def save(self) -> None:
        """Write what is new; raises `OutputError`."""
        if self._changed:
            write_json(self._path, dict(sorted(self._entries.items())))
            self._changed = False


def content_hashes(files: Sequence[Path], known: Cache, *, jobs: int, progress: Progress = silent) -> dict[Path, str]:
    """SHA-256 of each file, reading only those that have changed since the last time.

    Parameters
    ----------
    files : sequence of Path
    known : Cache
        Read and added to, and saved after each file: a killed run need not begin again.
    jobs : int
        Files read at a time.
    progress : callable
        See `diskmosaic.progress`.
    """
    hashes = {file: known.get(file, "sha256") for file in files}
    missing = [file for file, digest in hashes.items() if digest is None]
    if missing:
        with ThreadPoolExecutor(max_workers=jobs) as pool:
            futures = {pool.submit(file_sha256, file): file for file in missing}
            try:
                for future in progress(as_completed(futures), "reading recordings", len(missing), "files"):
                    file = futures[future]
                    hashes[file] = future.result()
                    known.put(file, "sha256", hashes[file])
                    known.save()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    return hashes


def _read_json(path: Path) -> Any:
    try:
        return json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None


class Steps:
    """The records of the steps of one OUT.

    Parameters
    ----------
    out : pathlib.Path
    """

    def __init__(self, out: Path) -> None:
        self._out = out
        self._folder = out / STEPS_FOLDER

    def done(self, name: str, identity: str) -> bool:
        """Tell whether a step need not run: same fingerprint, and every file as it was written."""
        record = self._record(name)
        if record is None or record.get("fingerprint") != identity:
            return False
        return all(self._unchanged(path, was) for path, was in record["outputs"].items())

    def finish(self, name: str, identity: str, outputs: Iterable[Path]) -> None:
        """Record a step whose files are all written; remove what it wrote before and no longer does."""
        old = self._record(name)
        files = {}
        for path in outputs:
            relative = path.relative_to(self._out).as_posix()
            files[relative] = {"stamp": stamp(path), "sha256": file_sha256(path)}
        if old is not None:
            self._remove(path for path in old["outputs"] if path not in files)
        write_json(self._path(name), {"fingerprint": identity, "outputs": files})

    def run(self, name: str, parts: Any, action: Callable[[], Iterable[Path]]) -> bool:
        """Do a step unless it is done.

        Parameters
        ----------
        name : str
        parts : JSON-able
            See `fingerprint`.
        action : callable
            Does it and returns the files written.

        Returns
        -------
        bool
            Whether it was run.
        """
        identity = fingerprint(parts)
        if self.done(name, identity):
            return False
        self.finish(name, identity, action())
        return True

    def identity(self, name: str) -> str | None:
        """Return the fingerprint with which a step was last done; None where it was not."""
        record = self._record(name)
        return None if record is None else record.get("fingerprint")

    def forget(self, name: str) -> None:
        """Remove a step's files and its record."""
        record = self._record(name)
        if record is not None:
            self._remove(record["outputs"])
            self._path(name).unlink(missing_ok=True)

    def digest(self, name: str, path: Path) -> str:
        """SHA-256 of a file of a step, read again only where it is not as the step left it."""
        relative = path.relative_to(self._out).as_posix()
        record = self._record(name)
        was = None if record is None else record["outputs"].get(relative)
        return was["sha256"] if was is not None and self._unchanged(relative, was) else file_sha256(path)

    def _path(self, name: str) -> Path:
        return self._folder / f"{name.replace('/', '.')}.json"

    def _record(self, name: str) -> Mapping[str, Any] | None:
        record = _read_json(self._path(name))
        return record if isinstance(record, dict) and "outputs" in record else None

    def _unchanged(self, relative: str, was: Mapping[str, Any]) -> bool:
        path = self._out / relative
        try:
            now = stamp(path)
        except OSError:
            return False
        # a copied OUT has other times: then the contents decide
        return now == was["stamp"] or (now[0] == was["stamp"][0] and file_sha256(path) == was["sha256"])

    def _remove(self, relatives: Iterable[str]) -> None:
        for relative in relatives:
            (self._out / relative).unlink(missing_ok=True)
