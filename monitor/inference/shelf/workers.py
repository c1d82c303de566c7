"""The same work for many boxes: in this process, in others of this machine, or on a cluster; answers come in order.

No more jobs are on their way than the workers need, so that however many boxes there are, few are in memory.
"""

from __future__ import annotations

import concurrent.futures
import logging
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from itertools import islice
from multiprocessing import connection
from typing import Any, Generic, Protocol, TypeVar

from monitor.inference.shelf.process_memory import prepare_memory

Shared = TypeVar("Shared")
Job = TypeVar("Job")
Answer = TypeVar("Answer")

PAYS_FROM = 64
"""Boxes from which on starting processes, about three quarters of a second of work each, is worth it. [boxes]
Judgement: fit and forecast of a box cost 15 ms after two months and more with every episode, so that about here two
processes have won what it takes to start them."""
_AT_A_TIME = 4
"""Boxes sent to a process at once. [boxes] Judgement: sending costs little then, and none waits long at the end."""
_WAITING = 4
"""So many portions of jobs are on their way for each process. Judgement: none runs dry while the first of them is slow,
and a dozen boxes a process are in memory."""
_HELD = 4
"""While this process works, so many times as many portions are held, where the first of them is slow. Judgement: some
sixty answers for each process, six megabytes."""

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

    def __init__(self, shared: Shared, executor: Executor | None, *, here_too: bool = False) -> None:
        """``here_too`` has this process work as well, where it would only wait."""
        self._shared, self._executor, self._here_too = shared, executor, here_too

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
        jobs, sent = iter(jobs), deque[_Portion[Job]]()
        while portion := list(islice(jobs, _AT_A_TIME)):
            if self._executor is None and not sent:
                yield from self._done_here(work, portion)
                continue
            sent.append(self._begun(work, portion, sent))
            while sent and (sent[0].is_done or self._are_enough(sent)):
                yield from self._answers(work, sent.popleft())
        while sent:
            while self._here_too and not sent[0].is_done and (taken := _taken_back(sent)):
                taken.answers = list(self._done_here(work, taken.jobs))
            yield from self._answers(work, sent.popleft())

    def _begun(
        self, work: Callable[[Shared, Job], Answer], jobs: list[Job], sent: deque[_Portion[Job]]
    ) -> _Portion[Job]:
        """A portion on its way; or one done here, where enough are on their way and none can be handed on yet."""
        portion = _Portion(jobs)
        if self._executor is not None:
            if self._here_too and sum(not one.is_done for one in sent) >= _WAITING * self._executor.processes:
                portion.answers = list(self._done_here(work, jobs))
                return portion
            try:
                portion.future = self._executor.submit(work, jobs)
            except _LOST as error:
                self._go_on_alone(error)
        return portion

    def _are_enough(self, sent: deque[_Portion[Job]]) -> bool:
        """Whether the first is to be waited for before more are sent."""
        if self._executor is None:
            return True
        ahead = _HELD if self._here_too else 1
        return len(sent) > ahead * _WAITING * self._executor.processes

    def _done_here(self, work: Callable[[Shared, Job], Answer], jobs: list[Job]) -> Iterator[Answer]:
        for job in jobs:
            yield work(self._shared, job)

    def _answers(self, work: Callable[[Shared, Job], Answer], portion: _Portion[Job]) -> Iterator[Answer]:
        if portion.answers is None and portion.future is not None:
            try:
                portion.answers = portion.future.result()
            except _LOST as error:
                self._go_on_alone(error)
        yield from self._done_here(work, portion.jobs) if portion.answers is None else portion.answers

    def _go_on_alone(self, error: BaseException) -> None:
        if self._executor is not None:
            _log.warning("the other processes can't be used (%s); going on with this one", error)
        self._executor = None


@dataclass(eq=False)
class _Portion(Generic[Job]):
    """Jobs that are sent together."""

    jobs: list[Job]
    future: Future | None = None
    """Of their answers, where another process works on them."""
    answers: list[Any] | None = None
    """Of all of them, where they are there."""

    @property
    def is_done(self) -> bool:
        """Whether answers are there, or will be at once; of a cluster nobody asks."""
        if self.answers is not None:
            return True
        return isinstance(self.future, concurrent.futures.Future) and self.future.done()


def _taken_back(sent: deque[_Portion[Job]]) -> _Portion[Job] | None:
    """The last portion that no other process has begun, so that none waits for one that has more to do than it."""
    for portion in reversed(sent):
        if isinstance(portion.future, concurrent.futures.Future) and portion.future.cancel():
            portion.future = None
            return portion
    return None


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
        Processes; None takes as many as there are cores. This is one of them where its main thread asks. A cluster is
        taken however few the jobs are.

    Yields
    ------
    WorkerPool
        To be used within the body.
    """
    prepare_memory()
    if workers is not None and not isinstance(workers, int):
        with workers.executor(shared) as executor:
            yield WorkerPool(shared, executor)
        return
    workers = min(os.cpu_count() or 1 if workers is None else workers, boxes // _AT_A_TIME)
    if workers < 2 or boxes < PAYS_FROM:
        yield WorkerPool(shared, None)
        return
    here_too = threading.current_thread() is threading.main_thread()  # in another, pages are answered beside it
    executor = _Processes(shared, workers - here_too)
    try:
        yield WorkerPool(shared, executor, here_too=here_too)
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


def end_with_parent() -> None:
    """End this process of a pool as soon as the one that started it is gone: killed, it can't tell."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent.sentinel,), daemon=True).start()


def _end_after(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


def _begin(shared: object) -> None:
    end_with_parent()
    prepare_memory()
    _at_work["shared"] = shared


def _work(work: Callable[[Any, Any], Any], jobs: list[Any]) -> list[Any]:
    return [work(_at_work["shared"], job) for job in jobs]
