"""The feed of the days of drying: what a calendar program that looks again is handed, and the key it brings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from icalendar import Calendar, Event
from in_process import InProcess, in_process
from shelf_on_page import keeper_by_hand, make_shelf
from starlette.types import Scope
from typer.testing import CliRunner

from monitor.cli.app import app as command
from monitor.records import PlannedDay
from monitor.store.opening import open_stores
from monitor.web.access.secret import SecretFile
from monitor.web.access.who import NOBODY, Access
from monitor.web.app import create_app
from monitor.web.snapshot import Keeper

SATURDAY = date(2026, 3, 7)


class BySession(Access):
    """Everybody has a session but who says not to."""

    def who(self, scope: Scope) -> str:
        return NOBODY if (b"x-out", b"1") in scope["headers"] else "a session"


@dataclass
class Feed:
    folder: Path
    keeper: Keeper
    ask: InProcess
    day: PlannedDay
    """As it was planned at first."""

    @property
    def address(self) -> str:
        """The address that the page of the plan tells."""
        told = re.search(r"<code>http://127\.0\.0\.1(/drying[^<]*)</code>", self.ask.get("/plan").text)
        assert told is not None
        return told[1]

    def events(self) -> list[Event]:
        return list(Calendar.from_ical(self.ask.get(self.address, headers={"x-out": "1"}).content).walk("VEVENT"))

    def plan(self, on: date | None) -> None:
        """Plan all boxes for one day, or nothing."""
        newest = self.keeper.newest
        assert newest is not None
        assert newest.plan is not None
        days = () if on is None else (replace(self.day, on=on),)
        self.keeper.newest = replace(newest, plan=replace(newest.plan, days=days))


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[Feed]:
    shelf, secret = make_shelf(tmp_path), SecretFile(tmp_path)
    secret.begin()
    keeper = keeper_by_hand(shelf)
    with in_process(create_app(shelf, keeper, access=BySession(secret))) as ask:
        assert keeper.newest is not None
        assert keeper.newest.plan is not None
        [day] = keeper.newest.plan.days
        yield Feed(tmp_path, keeper, ask, day)


def test_a_day_that_moves_and_then_goes_is_one_event_throughout(feed: Feed) -> None:
    [first] = feed.events()
    feed.plan(SATURDAY + timedelta(days=1))
    [moved] = feed.events()
    feed.plan(None)
    [gone] = feed.events()
    assert first["uid"] == moved["uid"] == gone["uid"]
    assert [event["sequence"] for event in (first, moved, gone)] == [0, 1, 2]
    assert moved.decoded("dtstart") == SATURDAY + timedelta(days=1)
    assert gone["status"] == "CANCELLED"
    with open_stores(feed.folder / "siccast.sqlite3", read_only=True) as stores:
        assert [one.is_cancelled for one in stores.announcements.all()] == [True]


def test_a_program_that_has_the_newest_is_told_so(feed: Feed) -> None:
    first = feed.ask.get(feed.address)
    assert first.headers["content-type"] == "text/calendar; charset=utf-8"
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT12H" in first.content
    known = {"If-None-Match": first.headers["etag"]}
    assert feed.ask.get(feed.address, headers=known).status_code == 304
    feed.keeper.newest = replace(feed.keeper.newest)  # looked again, found the same
    assert feed.ask.get(feed.address, headers=known).status_code == 304
    feed.plan(SATURDAY + timedelta(days=1))
    assert feed.ask.get(feed.address, headers=known).status_code == 200


def test_the_key_in_the_address_can_be_made_anew_and_the_one_before_opens_nothing(feed: Feed) -> None:
    before = feed.address
    out = {"x-out": "1"}
    assert feed.ask.get(before, headers=out).status_code == 200
    token = re.search(r'name="token" value="(\w+)"', feed.ask.get("/plan").text)
    assert token is not None
    assert feed.ask.post("/plan/feed-key", data={"token": token[1]}, headers=out).status_code == 401
    assert feed.address == before
    answer = feed.ask.post("/plan/feed-key", data={"token": token[1]})
    assert answer.headers["location"] == "/plan?new_key=1#feed"
    assert feed.address != before
    assert feed.ask.get(before, headers=out).status_code == 303
    assert feed.ask.get(feed.address, headers=out).status_code == 200
    assert feed.ask.get("/", headers=out).status_code == 303


def test_the_command_line_shows_the_same_key_and_renews_it(feed: Feed) -> None:
    def keys(*words: str) -> str:
        return CliRunner().invoke(command, ["--shelf", str(feed.folder), "page-keys", *words]).output

    assert f"calendar  {feed.address}\n" in keys()
    before = feed.address
    renewed = keys("--renew", "calendar")
    assert before not in renewed
    assert f"calendar  {feed.address}\n" in renewed
    assert "write calendar or metrics" in keys("--renew", "pages")


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that nobody can write to, root neither")
def test_no_key_is_shown_that_could_not_be_kept() -> None:
    """It would open nothing: the next command, and the page, would make up another one."""
    refused = CliRunner().invoke(command, ["--shelf", "/proc", "page-keys"])
    assert "can't write /proc/" in str(refused.exception)
    assert str(refused.exception).endswith("Make its folder writable")
    assert refused.output == ""
