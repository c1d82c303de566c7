"""What calendars were told is kept by whoever looks, and only where something became another."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from monitor.records.announced import AnnouncedEvent, DryingSession
from monitor.store.opening import open_stores

NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)
WHOLE = AnnouncedEvent("one", DryingSession(date(2026, 3, 7), "oven", ("ä box", "b"), "a: 1\nb: 2"), NOW)
TIMED = AnnouncedEvent(
    "two",
    DryingSession(
        date(2026, 3, 8), "dryer", ("c",), "", NOW, NOW + timedelta(hours=1), (NOW - timedelta(hours=9),), ("jar",)
    ),
    NOW,
    sequence=3,
    is_cancelled=True,
)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path, begin=True):
        pass
    return path


def become(file: Path, *events: AnnouncedEvent) -> list[AnnouncedEvent]:
    with open_stores(file, read_only=True) as stores:
        stores.announcements.renew(lambda _: events)
        return list(stores.announcements.all())


def test_a_look_keeps_them_whole_and_drops_what_is_left_out(file: Path) -> None:
    assert become(file, TIMED, WHOLE) == [WHOLE, TIMED]
    assert become(file, replace(WHOLE, sequence=1)) == [replace(WHOLE, sequence=1)]


def test_where_nothing_changed_nothing_is_written(file: Path) -> None:
    become(file, WHOLE)
    with sqlite3.connect(file) as other:
        before = other.execute("PRAGMA data_version").fetchone()
        become(file, WHOLE)
        assert other.execute("PRAGMA data_version").fetchone() == before
        become(file, TIMED)
        assert other.execute("PRAGMA data_version").fetchone() != before


def test_while_another_writes_a_look_answers_and_keeps_nothing(file: Path) -> None:
    with sqlite3.connect(file, isolation_level=None) as other, open_stores(file, read_only=True) as stores:
        other.execute("BEGIN IMMEDIATE")
        assert stores.announcements.renew(lambda _: [WHOLE]) == [WHOLE]
        other.execute("ROLLBACK")
        assert stores.announcements.all() == []


def test_of_two_that_look_at_once_the_second_starts_from_what_the_first_kept(file: Path) -> None:
    seen: list[Sequence[AnnouncedEvent]] = []

    def change(there: Sequence[AnnouncedEvent]) -> Sequence[AnnouncedEvent]:
        if not seen:
            become(file, TIMED)  # the other one, between our look and our writing
        seen.append(there)
        return [*there, WHOLE]

    with open_stores(file, read_only=True) as stores:
        assert stores.announcements.renew(change) == [TIMED, WHOLE]
        assert stores.announcements.all() == [WHOLE, TIMED]


def test_what_is_damaged_is_passed_over(file: Path) -> None:
    become(file, WHOLE, TIMED)
    with sqlite3.connect(file) as other:
        other.execute("UPDATE announced_events SET session = '{' WHERE uid = 'one'")
    with open_stores(file, read_only=True) as stores:
        assert stores.announcements.all() == [TIMED]


def test_they_follow_a_box_to_its_new_name(file: Path) -> None:
    become(file, WHOLE)
    with open_stores(file) as stores:
        stores.boxes.rename("b", "nylon", NOW)
        [event] = stores.announcements.all()
    assert (event.session.boxes, event.sequence) == (("ä box", "nylon"), 1)
