"""Slow questions of pages: two at a time, a few waiting, the rest sent away, and pages stay quick beside them."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from urllib.parse import urlsplit

import httpx
import pytest
from shelf_on_page import got, keeper_by_hand, make_shelf, serving

from monitor.errors import StoreError
from monitor.web import connections
from monitor.web.box import question

QUESTION = "/box/soon?limit=30"


class Slow:
    """Stands in for the calculation, which ends when the test says so."""

    def __init__(self) -> None:
        self.begun = 0
        self.may_end = threading.Event()
        self._one_at_a_time = threading.Lock()

    def __call__(self, *asked: object) -> str:
        with self._one_at_a_time:
            self.begun += 1
        self.may_end.wait(60)
        return "There is too little to tell."


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[Slow]:
    slow = Slow()
    monkeypatch.setattr(question, "suppose", slow)
    yield slow
    slow.may_end.set()


@pytest.fixture
def address(slow: Slow, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, keeper_by_hand(shelf)) as address:
        yield address
        slow.may_end.set()


@contextmanager
def ending(slow: Slow) -> Iterator[None]:
    """Let the calculation end with the body, so that nobody waits for one that failed."""
    try:
        yield
    finally:
        slow.may_end.set()


def until(holds: Callable[[], bool]) -> None:
    while not holds():
        time.sleep(0.01)


def test_pages_answer_while_more_is_asked_than_can_be_worked_out(
    monkeypatch: pytest.MonkeyPatch, slow: Slow, address: str
) -> None:
    monkeypatch.setattr(connections, "MOST_OF_ONE", 100)  # these are many people's
    with ThreadPoolExecutor(45) as people, ending(slow):
        asked = [people.submit(got, address + QUESTION) for _ in range(45)]
        until(lambda: sum(each.done() for each in asked) == 45 - 2 - 16)
        until(lambda: slow.begun == 2)
        for path in ("/", "/box/soon", "/box/over?limit=", "/assets/siccast.css"):
            assert got(address + path).status_code == 200
        sent_away = [each.result() for each in asked if each.done()]
        slow.may_end.set()
        answers = [each.result() for each in asked]
    assert {answer.status_code for answer in sent_away} == {503}
    assert {answer.headers["retry-after"] for answer in sent_away} == {"10"}
    assert "Try again in ten seconds" in sent_away[0].text
    assert "content-security-policy" in sent_away[0].headers
    assert [answer.status_code for answer in answers].count(200) == 18


def is_refused(address: str) -> bool:
    """Ask, and leave where no refusal comes at once."""
    try:
        return httpx.get(address + QUESTION, timeout=0.5).status_code == 503
    except httpx.ReadTimeout:
        return False


def test_a_question_is_dropped_when_its_asker_leaves_before_its_turn(slow: Slow, address: str) -> None:
    place = urlsplit(address)
    with ThreadPoolExecutor(2) as people, ending(slow):
        asked = [people.submit(got, address + QUESTION) for _ in range(2)]
        until(lambda: slow.begun == 2)
        leavers = [socket.create_connection((place.hostname, place.port)) for _ in range(16)]
        for leaver in leavers:
            leaver.sendall(f"GET {QUESTION} HTTP/1.1\r\nHost: {place.netloc}\r\n\r\n".encode())
        until(lambda: is_refused(address))
        for leaver in leavers:
            leaver.close()
        until(lambda: not is_refused(address))
        slow.may_end.set()
        assert [each.result().status_code for each in asked] == [200, 200]
    assert got(address + QUESTION).status_code == 200
    assert slow.begun <= 2 + 2  # the last one to ask whether it is refused may not be known yet to have left


def test_what_goes_wrong_in_there_is_said_as_anywhere_and_costs_no_place(
    monkeypatch: pytest.MonkeyPatch, slow: Slow, address: str
) -> None:
    def fail(*asked: object) -> str:
        raise StoreError("the disk is gone")

    slow.may_end.set()
    with monkeypatch.context() as failing:
        failing.setattr(question, "suppose", fail)
        for _ in range(2 + 16 + 1):
            assert "the disk is gone" in got(address + QUESTION).text
    assert got(address + QUESTION).status_code == 200
