"""First fits of many boxes and their worker processes at their borders."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fixed_draws import fixed_draws
from fixed_posteriors import BOX, START_S, fitted, observed, unchangeable

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.hours import Hours
from monitor.inference.shelf import workers
from monitor.inference.shelf.first_fit import BoxInput, FirstFit, first_fit, refused
from monitor.inference.shelf.needed import needed_of
from monitor.inference.shelf.workers import worker_pool
from monitor.records import BoxHistory

DAY_S = 86_400.0


def test_a_defect_of_ours_travels_with_its_trace() -> None:
    with pytest.raises(ZeroDivisionError) as caught:
        _ = 1 / 0
    found = refused(caught.value)
    assert found.refusal == "the estimate failed (ZeroDivisionError: division by zero); please report it"
    assert found.trace is not None
    assert "test_borders_of_shelf" in found.trace
    known = refused(TooLittleEvidence("made: too new"))
    assert (known.refusal, bool(known.trace)) == ("made: too new", False)
    assert (known.leak, known.forecast) == (None, None)


def test_a_first_fit_that_fails_is_refused_and_breaks_nothing() -> None:
    nothing = BoxHistory(BOX, SimpleNamespace())  # type: ignore[arg-type]
    one, rooms = BoxInput(nothing, None, needed_of((), START_S, START_S)), ()
    found = first_fit(one, rooms, START_S)
    assert found.posterior is None
    assert "please report it" in found.refused.refusal
    assert unchangeable(found, "remark")
    assert found != replace(found)
    assert one != replace(one)
    assert unchangeable(one, "room")
    assert one.name == "made"
    assert not FirstFit(None).leak_seen_before(START_S)
    assert FirstFit(None, observations=(observed(),)).leak_seen_before(START_S + 2 * DAY_S)
    assert (FirstFit(None).remark, FirstFit(None).change_point) == ("", None)


class Pool:
    """Stands in for processes: notes how it was asked."""

    def __init__(self, count: int, _context: Any, begin: Callable[..., None], shared: tuple[Any, ...]) -> None:
        self.count, self.portions, self.ended = count, list[int](), False
        begin(*shared)

    def submit(self, do: Any, work: Any, jobs: list[Any]) -> Future[Any]:
        self.portions.append(len(jobs))
        done: Future[Any] = Future()
        done.set_result(do(work, jobs))
        return done

    def shutdown(self, *, cancel_futures: bool) -> None:
        self.ended = cancel_futures


@pytest.mark.parametrize(("boxes", "asked_for", "cores", "count"), [
    (63, 8, 8, 0), (64, 8, 8, 7), (64, 1, 8, 0), (64, 2, 8, 1), (64, None, 3, 2), (64, None, 1, 0), (400, None, 16, 15),
    (67, 32, 2, 15), (68, 32, 2, 16), (64, None, None, 0),
])  # fmt: skip
def test_with_this_one_processes_are_as_many_as_pay(
    boxes: int, asked_for: int | None, cores: int | None, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Pool] = []
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])
    with worker_pool(10, boxes, asked_for) as executor:
        assert list(executor.each(lambda shared, job: shared + job, [1, 2, 3])) == [11, 12, 13]
        assert [one.count for one in begun] == ([count] if count else [])
        assert not any(one.ended for one in begun)
    assert all(one.ended and one.portions == [3] for one in begun)


def test_a_thread_leaves_all_work_to_other_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a server, whose pages are answered meanwhile."""
    begun: list[Pool] = []
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])

    def ask() -> list[int]:
        with worker_pool(10, 64, 2) as executor:
            return list(executor.each(lambda shared, job: shared + job, range(40)))

    with ThreadPoolExecutor(1) as thread:
        assert thread.submit(ask).result() == list(range(10, 50))
    assert begun[0].count == 2
    assert begun[0].portions == [4] * 10


def test_a_pool_that_breaks_is_left_and_the_rest_done_here(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(self: Pool, do: Any, work: Any, jobs: list[Any]) -> Future[Any]:
        self.portions.append(len(jobs))
        done: Future[Any] = Future()
        if len(self.portions) == 1:
            done.set_result(do(work, jobs))
        else:
            done.set_exception(OSError("no memory"))
        return done

    begun: list[Pool] = []
    monkeypatch.setattr(Pool, "submit", breaks)
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])
    with worker_pool(10, 64, 2) as executor:
        for _ in range(2):
            assert list(executor.each(lambda shared, job: shared * job, range(20))) == [10 * job for job in range(20)]
    assert begun[0].portions == [4] * 2  # an answer is looked at as soon as it is there; none is sent after it broke
    assert caplog.text.count("the other processes can't be used (no memory); going on with this one") == 1


def test_hours_of_nothing_are_no_room() -> None:
    empty = Hours(0, np.empty(0), np.empty(0))
    with fixed_draws():
        assert not fitted(room=empty).room_measured
        assert fitted().room_measured
