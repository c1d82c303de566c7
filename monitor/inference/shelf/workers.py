"""The same work for many boxes, spread over all cores where that pays; answers come in the order of the jobs."""

from __future__ import annotations

import logging
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Generic, TypeVar

Shared = TypeVar("Shared")
Job = TypeVar("Job")
Answer = TypeVar("Answer")

PAYS_FROM = 24
"""Boxes from which on starting processes, about a second of work each, is worth it. [boxes] Measured: a box costs some
80 ms (DEVELOPERS.md), so two dozen cost a process what it takes to start."""
_AT_A_TIME = 4
"""Boxes sent to a process at once. [boxes] Judgement: sending costs little then, and none waits long at the end."""

_log = logging.getLogger(__name__)


class WorkerPool(Generic[Shared]):
    """Processes that do a piece of work for each of many jobs; each has what the jobs share."""

    def __init__(self, shared: Shared, pool: ProcessPoolExecutor | None) -> None:
        self._shared, self._pool = shared, pool

    def each(self, work: Callable[[Shared, Job], Answer], jobs: Sequence[Job]) -> Iterator[Answer]:
        """Yield an answer for each job, in order; what a pool that died left undone is done here.

        Parameters
        ----------
        work : callable
            Is given what is shared and a job; can be pickled.
        jobs : sequence
            Can be pickled.

        Yields
        ------
        answer
            In the order of the jobs.
        """
        done = 0
        if self._pool is not None:
            try:
                for answer in self._pool.map(_work, [work] * len(jobs), jobs, chunksize=_AT_A_TIME):
                    done += 1
                    yield answer
            except (BrokenProcessPool, OSError) as error:
                _log.warning("the other cores can't be used (%s); going on with one", error)
                self._pool = None
        for job in jobs[done:]:
            yield work(self._shared, job)


@contextmanager
def worker_pool(shared: Shared, boxes: int, workers: int | None) -> Iterator[WorkerPool[Shared]]:
    """Start a pool of processes for so many boxes, shut down when the body ends.

    Parameters
    ----------
    shared : any
        What all jobs share; can be pickled.
    boxes : int
        How many jobs are to be expected; few of them are done in this process.
    workers : int or None
        Processes; None takes as many as there are cores.

    Yields
    ------
    WorkerPool
        To be used within the body.
    """
    workers = min(os.cpu_count() or 1 if workers is None else workers, boxes // _AT_A_TIME)
    if workers < 2 or boxes < PAYS_FROM:
        yield WorkerPool(shared, None)
        return
    # spawned, not forked: a page assesses from a thread, and a fork takes other threads' locks with it
    pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _begin, (shared,))
    try:
        yield WorkerPool(shared, pool)
    finally:
        pool.shutdown(cancel_futures=True)


_at_work: dict[str, Any] = {}
"""What is shared, once in each process of a pool."""


def _begin(shared: object) -> None:
    _at_work["shared"] = shared


def _work(work: Callable[[Any, Any], Any], job: Any) -> Any:
    return work(_at_work["shared"], job)
