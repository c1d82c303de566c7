"""Many boxes on all cores: the same answers as on one, in order; a process that dies takes nothing with it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from simulated_shelf import outlooks, simulated_shelf

from monitor.inference.shelf import workers
from monitor.inference.shelf.workers import PAYS_FROM, worker_pool

BOXES = 24
"""Boxes from which on processes are started here: enough for six portions."""


@pytest.fixture
def processes_pay(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let fewer boxes than usual start processes."""
    monkeypatch.setattr(workers, "PAYS_FROM", BOXES)


@pytest.mark.usefixtures("processes_pay")
def test_two_processes_answer_as_one_does_and_are_gone_afterwards() -> None:
    histories, as_of = simulated_shelf(BOXES, 12)
    spoiled = replace(histories[3].readings, temperature_degc=np.full(2, 20.0))
    histories[3] = replace(histories[3], readings=spoiled)
    shares: list[float] = []
    spread = outlooks(histories, as_of, workers=2, progress=shares.append)
    assert multiprocessing.active_children() == []
    assert spread == outlooks(histories, as_of, workers=1)
    assert shares == sorted(shares)
    assert (len(shares), shares[-1]) == (2 * BOXES, 1.0)
    assert "please report it" in spread[3].refusal
    assert [one.forecast is None for one in spread] == [k == 3 for k in range(BOXES)]


@pytest.mark.usefixtures("processes_pay")
def test_what_a_process_that_dies_left_undone_is_done_here() -> None:
    with worker_pool(10, BOXES, 2) as hands:
        assert list(hands.each(_times_but_once_dying, range(BOXES))) == [10 * k for k in range(BOXES)]
    assert multiprocessing.active_children() == []


def test_this_process_works_as_well_as_the_others() -> None:
    with worker_pool(10, PAYS_FROM, 2) as hands:
        done_by = list(hands.each(_process, range(200)))
    assert os.getpid() in done_by
    assert len(set(done_by)) <= 2


def test_a_few_boxes_start_no_process() -> None:
    with worker_pool(0, PAYS_FROM - 1, None) as hands:
        assert set(hands.each(_process, range(3))) == {os.getpid()}


def test_processes_end_with_the_one_that_started_them_though_it_is_killed() -> None:
    """Nobody holds their standard output any more: it ends."""
    lines = (
        "import os, signal",
        "from monitor.inference.shelf.workers import PAYS_FROM, worker_pool",
        "with worker_pool(1, PAYS_FROM, 2) as hands:",
        "    written = list(hands.each(os.write, [b'x'] * 200))",
        "    os.kill(os.getpid(), signal.SIGKILL)",
    )
    assert output_until_its_end("\n".join(lines)) == b"x" * 200


def output_until_its_end(program: str) -> bytes:
    """Return what a program and all the processes that it started wrote until the last of them ended."""
    started = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, start_new_session=True)
    try:
        return started.communicate(timeout=60.0)[0]
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(started.pid, signal.SIGKILL)


def _process(shared: int, job: int) -> int:
    return os.getpid()


def _times_but_once_dying(shared: int, job: int) -> int:
    if job == 9 and multiprocessing.parent_process() is not None:
        os._exit(1)
    return shared * job
