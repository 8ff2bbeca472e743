"""Showing how far a long job is.

Everything long takes a ``progress`` argument: any callable
``progress(iterable, label, total=None, unit="frames")`` that yields the items. `silent` shows nothing,
`Lines` prints a line at start and end, `Bars` draws bars.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Protocol, TextIO, TypeVar

T = TypeVar("T")


class Progress(Protocol):
    """What every ``progress`` argument is."""

    def __call__(
        self, iterable: Iterable[T], label: str, total: int | None = None, unit: str = "frames"
    ) -> Iterator[T]:
        """Yield the items of `iterable`, showing how far along it is."""


def silent(iterable: Iterable[T], label: str, total: int | None = None, unit: str = "frames") -> Iterator[T]:
    """Yield the items and show nothing."""
    yield from iterable


def _length(iterable: Iterable[Any], total: int | None) -> int | None:
    if total is not None:
        return total
    return len(iterable) if hasattr(iterable, "__len__") else None


class Lines:
    """One plain line when a loop starts and one when it ends, for logs and pipes.

    Parameters
    ----------
    stream : text file
        Where the lines go.
    clock : callable
        Seconds; for tests.
    """

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock

    def __call__(
        self, iterable: Iterable[T], label: str, total: int | None = None, unit: str = "frames"
    ) -> Iterator[T]:
        """Yield the items of `iterable` between two lines."""
        total = _length(iterable, total)
        print(f"{label}: {'' if total is None else f'{total} {unit} '}...", file=self._stream, flush=True)
        start, count = self._clock(), 0
        try:
            for item in iterable:
                yield item
                count += 1
        finally:
            seconds = self._clock() - start
            rate = _rate(count, seconds, f" {unit}")
            rate = f", {rate}" if rate else ""
            done = "done" if total is None or count == total else "stopped"
            print(f"{label}: {done}, {count} {unit} in {seconds:.1f} s{rate}", file=self._stream, flush=True)


class Bars:
    """Bars with rate and time left, several at once when loops are nested.

    Parameters
    ----------
    stream : text file
        The terminal.
    """

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        self._display = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TaskProgressColumn(),
            TextColumn("{task.completed}/{task.total} {task.fields[unit]}", markup=False),
            TextColumn("{task.fields[rate]}", markup=False),
            TimeRemainingColumn(),
            console=Console(file=stream),
            transient=True,
        )

    def __call__(
        self, iterable: Iterable[T], label: str, total: int | None = None, unit: str = "frames"
    ) -> Iterator[T]:
        """Yield the items of `iterable` under a bar."""
        display = self._display
        if not display.tasks:
            display.start()
        task = display.add_task(label, total=_length(iterable, total), unit=unit, rate="")
        start, count = time.monotonic(), 0
        try:
            for item in iterable:
                yield item
                count += 1
                seconds = time.monotonic() - start
                display.update(task, completed=count, rate=_rate(count, seconds))
        finally:
            display.remove_task(task)
            if not display.tasks:
                display.stop()


def _rate(count: int, seconds: float, unit: str = "") -> str:
    """How fast it goes: items a second, or seconds for each of slow ones; empty where it is not known."""
    if not count or seconds <= 0:
        return ""
    rate = count / seconds
    return f"{rate:.1f}{unit}/s" if rate >= 1 else f"{1 / rate:.1f} s each"


def choose(*, quiet: bool, stream: TextIO | None = None) -> Progress:
    """Choose how to show progress: nothing when quiet, bars on a terminal, plain lines elsewhere."""
    stream = sys.stderr if stream is None else stream
    if quiet:
        return silent
    if stream.isatty():
        return Bars(stream)
    return Lines(stream)
