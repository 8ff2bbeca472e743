"""Work on recordings, done by the machines of a cluster.

Recordings do not depend on one another, so any number of machines may work on them. What they share is a file system:
workers read the recordings and masters where this process sees them, and write what they make into a folder of this
run, from where this process takes it. A worker that was given up on, and still writes later, harms nothing.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from diskmosaic.errors import DiskmosaicError, OutputError, bad_input
from diskmosaic.files.atomic import replacing, write_text
from diskmosaic.steps import STEPS_FOLDER, code_identity

_WAIT_S = 20  # for a scheduler, and for the first worker
_PROBE = "probe.txt"


class Cluster:
    """Machines that make files, each from a recording.

    Parameters
    ----------
    client : distributed.Client
    folder : Path
        Of this run, on the file system that the machines share.
    """

    def __init__(self, client: Any, folder: Path) -> None:
        self._client, self._folder = client, folder
        self._futures: dict[Path, tuple[Path, Any]] = {}

    def ask(self, path: Path, work: Callable[..., None], *given: Any, reads: Sequence[Path]) -> None:
        """Have a file made.

        Parameters
        ----------
        path : Path
            Where it is wanted in the end.
        work : callable
            ``work(staged, *given)`` writes it to `staged`. A function of a module: the machines import it.
        *given
            What it needs besides; paths in it must be absolute.
        reads : sequence of Path
            Files that it reads.
        """
        staged = self._folder / path.name
        future = self._client.submit(_do, work, staged, given, [os.path.abspath(file) for file in reads], pure=False)
        self._futures[path] = staged, future

    def fetch(self, path: Path) -> Path:
        """Wait for a file and put it where it is wanted.

        Raises
        ------
        DiskmosaicError
            What the work itself raised; or the cluster is lost, or several workers in turn were while they made it.
        """
        from distributed import KilledWorker

        staged, future = self._futures.pop(path)
        try:
            future.result()
        except DiskmosaicError:
            raise
        except KilledWorker as error:
            raise OutputError(
                f"{path.name}: found workers that were lost each time they made it, expected one that stays; look at "
                "their logs (memory?) and run again."
            ) from error
        except (OSError, _cancelled()) as error:
            raise OutputError(
                f"{path.name}: found the cluster's scheduler gone, expected it to stay; run again: what is done stays."
            ) from error
        with replacing(path) as part:
            shutil.copyfile(staged, part)
        staged.unlink(missing_ok=True)
        return path

    def drop(self) -> None:
        """Give up what nobody fetched."""
        self._client.cancel([future for _, future in self._futures.values()])
        self._futures.clear()


@contextlib.contextmanager
def connected(address: str, out: Path) -> Iterator[Cluster]:
    """Join a cluster that runs already.

    Parameters
    ----------
    address : str
        Of its scheduler.
    out : Path
        Results of the session.

    Raises
    ------
    DiskmosaicError
        The extra is not installed, nobody answers, no worker comes, one has another version of the program, or one does
        not see `out`.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise bad_input(
            "--cluster",
            found="no package distributed",
            expected="the extra cluster",
            todo="install it: pip install 'diskmosaic[cluster]'",
        ) from error
    folder = Path(os.path.abspath(out)) / STEPS_FOLDER / f"cluster {secrets.token_hex(8)}"
    try:
        client = Client(address, timeout=_WAIT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise bad_input(
            f"--cluster {address}",
            found="nobody who answers",
            expected="the address of a scheduler, such as tcp://host:8786",
            todo="start it, or check the address",
        ) from error
    try:
        write_text(folder / _PROBE, "seen")
        _look_at(client, address, folder / _PROBE)
        cluster = Cluster(client, folder)
        try:
            yield cluster
        finally:
            cluster.drop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        client.close()


def _look_at(client: Any, address: str, probe: Path) -> None:
    """Check that there are workers, and that each has the same program and sees the same files."""
    try:
        client.wait_for_workers(1, timeout=_WAIT_S)
    except TimeoutError as error:
        raise bad_input(
            f"--cluster {address}",
            found="a scheduler without workers",
            expected="one at least",
            todo="start workers",
        ) from error
    for worker, said in sorted(client.run(_seen_by_worker, str(probe), on_error="return").items()):
        if not isinstance(said, tuple) or said[0] != code_identity():
            found = "another version of diskmosaic" if isinstance(said, tuple) else "no diskmosaic that works"
            raise bad_input(
                f"worker {worker}",
                found=found,
                expected="the one that runs here",
                todo="install the same on all machines",
            )
        if not said[1]:
            raise _not_shared(worker, probe.parents[2])


def _not_shared(worker: str, path: Path) -> DiskmosaicError:
    return bad_input(
        f"worker {worker}",
        found=f"no {path}",
        expected="the files of this session where they are here",
        todo="put the session on a file system that all machines mount at the same place",
    )


def _cancelled() -> type[BaseException]:
    from concurrent.futures import CancelledError

    return CancelledError


def _seen_by_worker(probe: str) -> tuple[str, bool]:
    """Run on each worker: which program it has, and whether it sees a file."""
    return code_identity(), os.path.exists(probe)


def _do(work: Callable[..., None], staged: Path, given: tuple[Any, ...], reads: list[str]) -> None:
    """Run on a worker: make a file of what lies on the shared file system."""
    from distributed import get_worker

    # workers that came later were not looked at before
    for path in [str(staged.parent), *reads]:
        if not os.path.exists(path):
            raise _not_shared(get_worker().address, Path(path))
    work(staged, *given)
