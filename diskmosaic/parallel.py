"""Threads over ordered work, with results that do not depend on how many there are."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2
import numpy as np

Item = TypeVar("Item")
Result = TypeVar("Result")


def ordered_map(function: Callable[[Item], Result], items: Iterable[Item], *, jobs: int) -> Iterator[Result]:
    """Yield ``function(item)`` in the order of `items`, with at most ``jobs + 1`` items under way.

    OpenCV's own threads are switched off for the process: they would fight with these (its functions release the
    interpreter lock, so Python threads alone use all cores).

    Parameters
    ----------
    function : callable
        Called in a worker thread; must not depend on the order of calls.
    items : iterable
    jobs : int
        Threads; 1 runs in the calling thread.
    """
    cv2.setNumThreads(1)
    if jobs <= 1:
        for item in items:
            yield function(item)
        return
    pool = ThreadPoolExecutor(jobs)
    waiting: deque = deque()
    try:
        for item in items:
            waiting.append(pool.submit(function, item))
            if len(waiting) > jobs:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
        pool.shutdown(wait=True, cancel_futures=True)


def chunks(count: int, size: int) -> list[range]:
    """Split ``range(count)`` into consecutive ranges of `size`, independent of the number of threads."""
    return [range(start, min(start + size, count)) for start in range(0, count, size)]


def spread_over(count: int, wanted: int) -> list[int]:
    """Return `wanted` indices spread evenly over ``range(count)``, both ends included; all where there are fewer."""
    return [int(index) for index in np.unique(np.linspace(0, count - 1, min(wanted, count)).astype(int))]


def each_counted(results: Iterable[Result], parts: Iterable[range]) -> Iterator[Result | None]:
    """Yield each part's result, then None for its further items: progress then counts items, not parts."""
    for result, part in zip(results, parts, strict=True):
        yield result
        for _ in range(len(part) - 1):
            yield None
