"""Work shared among processes: results come in the order of the tasks, and only so many wait at once."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")
_WAITING = 4
"""Tasks handed out for each process."""


def processes() -> int:
    """As many as this process may use cores."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1


def spread(
    work: Callable[[T], R],
    tasks: Iterable[T],
    hands: int,
    *,
    first: Callable[..., None] | None = None,
    told: tuple[Any, ...] = (),
) -> Iterator[R]:
    """The result of each task, in order.

    Args:
        work: a function of a module, so that another process finds it.
        tasks: small things: they travel.
        hands: how many processes; with one it is done right here.
        first: called with ``told`` in each process before its first task.
        told: what each process has to know.
    """
    if hands <= 1:
        if first is not None:
            first(*told)
        yield from map(work, tasks)
        return
    # A copy of this process is ready at once; with other threads at work in it, it could be caught with a lock held.
    start = "fork" if sys.platform == "linux" and threading.active_count() == 1 else "spawn"
    context = multiprocessing.get_context(start)
    with ProcessPoolExecutor(hands, context, first, told) as pool:
        waiting: deque[Future[R]] = deque()
        for task in tasks:
            waiting.append(pool.submit(work, task))
            if len(waiting) > _WAITING * hands:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
