"""The same work for many boxes: in this process, in others of this machine, or on a cluster; answers come in order.

No more jobs are on their way than the workers need, so that however many boxes there are, few are in memory.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from itertools import islice
from typing import Any, Generic, Protocol, TypeVar

Shared = TypeVar("Shared")
Job = TypeVar("Job")
Answer = TypeVar("Answer")

PAYS_FROM = 64
"""Boxes from which on starting processes, about three quarters of a second of work each, is worth it. [boxes] Measured:
the fit of a box costs some 30 ms (DEVELOPERS.md), so that two processes have won what it takes to start them."""
_AT_A_TIME = 4
"""Boxes sent to a process at once. [boxes] Judgement: sending costs little then, and none waits long at the end."""
_WAITING = 4
"""So many portions of jobs are on their way for each process. Judgement: none runs dry while the first of them is slow,
and a dozen boxes a process are in memory."""

_LOST = (BrokenProcessPool, OSError)
"""What an executor fails with that has no processes left, or can't be reached."""

_log = logging.getLogger(__name__)


class Future(Protocol):
    """An answer to come."""

    def result(self) -> Any:
        """Wait for it.

        Returns
        -------
        any
            The answer.
        """
        ...


class Executor(Protocol):
    """Processes that do work elsewhere, each with what the jobs share at hand."""

    def submit(self, work: Callable[[Any, Any], Any], jobs: list[Any]) -> Future:
        """Have a portion of jobs done.

        Parameters
        ----------
        work : callable
            Is given what is shared and a job.
        jobs : list
            The portion.

        Returns
        -------
        Future
            The list of their answers, in order.
        """
        ...

    @property
    def processes(self) -> int:
        """How many work at once. [1]"""
        ...


class Cluster(Protocol):
    """Where work is done for whoever names one."""

    def executor(self, shared: object) -> AbstractContextManager[Executor]:
        """Give every worker what the jobs share, until the end of the body.

        Parameters
        ----------
        shared : any
            Can be pickled.

        Returns
        -------
        context manager of Executor
            Raises ``ClusterError`` where the cluster can't do the work.
        """
        ...


Workers = int | Cluster | None
"""So many processes of this machine, one for each core, or a cluster."""


class WorkerPool(Generic[Shared]):
    """Does a piece of work for each of many jobs, each time with what the jobs share."""

    def __init__(self, shared: Shared, executor: Executor | None) -> None:
        self._shared, self._executor = shared, executor

    def each(self, work: Callable[[Shared, Job], Answer], jobs: Iterable[Job]) -> Iterator[Answer]:
        """Yield an answer for each job, in order; what processes that died left undone is done here.

        Parameters
        ----------
        work : callable
            Is given what is shared and a job; can be pickled.
        jobs : iterable
            Can be pickled; they are taken as they are sent.

        Yields
        ------
        answer
            In the order of the jobs.
        """
        jobs, sent = iter(jobs), deque[tuple[list[Job], Future | None]]()
        while (portion := list(islice(jobs, _AT_A_TIME))) or sent:
            if portion:
                sent.append((portion, self._submit(work, portion)))
            if not portion or self._executor is None or len(sent) > _WAITING * self._executor.processes:
                yield from self._answers(work, *sent.popleft())

    def _submit(self, work: Callable[[Shared, Job], Answer], portion: list[Job]) -> Future | None:
        if self._executor is not None:
            try:
                return self._executor.submit(work, portion)
            except _LOST as error:
                self._go_on_alone(error)
        return None

    def _answers(
        self, work: Callable[[Shared, Job], Answer], portion: list[Job], future: Future | None
    ) -> Iterator[Answer]:
        if future is not None:
            try:
                answers = future.result()
            except _LOST as error:
                self._go_on_alone(error)
            else:
                yield from answers
                return
        for job in portion:
            yield work(self._shared, job)

    def _go_on_alone(self, error: BaseException) -> None:
        if self._executor is not None:
            _log.warning("the other processes can't be used (%s); going on with this one", error)
        self._executor = None


@contextmanager
def worker_pool(shared: Shared, boxes: int, workers: Workers) -> Iterator[WorkerPool[Shared]]:
    """Have work done for so many boxes where it pays; processes that were started end when the body ends.

    Parameters
    ----------
    shared : any
        What all jobs share; can be pickled.
    boxes : int
        How many jobs are to be expected; few of them are done in this process.
    workers : int, Cluster or None
        Processes; None takes as many as there are cores. A cluster is taken however few the jobs are.

    Yields
    ------
    WorkerPool
        To be used within the body.
    """
    if workers is not None and not isinstance(workers, int):
        with workers.executor(shared) as executor:
            yield WorkerPool(shared, executor)
        return
    workers = min(os.cpu_count() or 1 if workers is None else workers, boxes // _AT_A_TIME)
    if workers < 2 or boxes < PAYS_FROM:
        yield WorkerPool(shared, None)
        return
    executor = _Processes(shared, workers)
    try:
        yield WorkerPool(shared, executor)
    finally:
        executor.pool.shutdown(cancel_futures=True)


class _Processes:
    """An executor on this machine."""

    def __init__(self, shared: object, processes: int) -> None:
        # spawned, not forked: a page assesses from a thread, and a fork takes other threads' locks with it
        self.pool = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _begin, (shared,))
        self.processes = processes

    def submit(self, work: Callable[[Any, Any], Any], jobs: list[Any]) -> Future:
        return self.pool.submit(_work, work, jobs)


_at_work: dict[str, Any] = {}
"""What is shared, once in each process of a pool."""


def _begin(shared: object) -> None:
    _at_work["shared"] = shared


def _work(work: Callable[[Any, Any], Any], jobs: list[Any]) -> list[Any]:
    return [work(_at_work["shared"], job) for job in jobs]
