"""Sharing out work among threads. What compiled kernels do runs side by side; results do not depend on the number."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from typing import TypeVar

Work = TypeVar("Work")
Result = TypeVar("Result")


def n_workers(asked: int | None = None) -> int:
    """The number asked for, or as many as there are processors for this process; at least 1."""
    if asked is not None:
        return max(1, asked)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def each(
    todo: Sequence[Work],
    work: Callable[[Work], Result],
    workers: int = 1,
    done: Callable[[int], None] = lambda n: None,
) -> list[Result]:
    """Results in the order of ``todo``; ``done`` hears, in the thread of the caller, how many are there.

    When a piece fails, or the caller is interrupted, those that run are finished and no others are begun.
    """
    if workers == 1 or len(todo) < 2:
        results = []
        for piece in todo:
            results.append(work(piece))
            done(len(results))
        return results
    pool = ThreadPoolExecutor(min(workers, len(todo)), thread_name_prefix="lineside")
    try:
        futures = [pool.submit(work, piece) for piece in todo]
        waiting = set(futures)
        while waiting:
            finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                future.result()
            done(len(futures) - len(waiting))
        return [future.result() for future in futures]
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
