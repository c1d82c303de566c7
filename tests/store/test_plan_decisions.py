"""Decisions about the plan: added and taken back, never edited; they follow a box to its new name."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.errors import LedgerError
from monitor.records import AnnouncedDay, DecisionKind, KeptPlan, PlanDecision
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite.migrations import MIGRATIONS, migrate

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
SATURDAY = date(2026, 3, 7)
MOVED = PlanDecision(DecisionKind.moved, SATURDAY, "box1")
DAY_OFF = PlanDecision(DecisionKind.not_that_day, SATURDAY)


def test_decisions_come_back_whole_in_the_order_in_which_they_were_made(stores: Stores) -> None:
    first = stores.plan_decisions.keep(MOVED, NOW)
    second = stores.plan_decisions.keep(DAY_OFF, NOW + timedelta(hours=1))
    assert stores.plan_decisions.counting() == [
        replace(MOVED, decision_id=first, decided_at=NOW),
        replace(DAY_OFF, decision_id=second, decided_at=NOW + timedelta(hours=1)),
    ]
    assert len(stores.plan_decisions.counting(before=NOW + timedelta(minutes=1))) == 1


def test_several_days_off_are_one_decision_taken_back_whole(stores: Stores) -> None:
    away = replace(DAY_OFF, last=SATURDAY + timedelta(days=20))
    number = stores.plan_decisions.keep(away, NOW)
    assert stores.plan_decisions.counting() == [replace(away, decision_id=number, decided_at=NOW)]
    assert stores.plan_decisions.undo(number, NOW).last == away.last
    assert stores.plan_decisions.counting() == []


def test_a_day_off_kept_by_an_older_siccast_is_still_that_day(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        migrate(old, [step for step in MIGRATIONS if step[0] != "several days in a row without drying"])
        old.execute("INSERT INTO plan_decisions VALUES (1, 'not that day', '', '2026-03-07', 1772350200000, NULL)")
    with open_stores(path) as stores:
        (kept,) = stores.plan_decisions.counting()
    assert (kept.on, kept.last, kept.days) == (SATURDAY, None, (SATURDAY,))


def test_a_decision_taken_back_no_longer_counts_and_the_one_before_does_again(stores: Stores) -> None:
    stores.plan_decisions.keep(MOVED, NOW)
    number = stores.plan_decisions.keep(replace(MOVED, on=SATURDAY + timedelta(days=1)), NOW)
    before = stores.plan_decisions.stamp()
    assert stores.plan_decisions.undo(number, NOW).on == SATURDAY + timedelta(days=1)
    assert stores.plan_decisions.stamp() != before
    assert [one.on for one in stores.plan_decisions.counting()] == [SATURDAY]
    with pytest.raises(LedgerError, match=f"no decision {number} about the plan, or it was undone before"):
        stores.plan_decisions.undo(number, NOW)


def test_decisions_follow_a_box_to_its_new_name(stores: Stores) -> None:
    stores.plan_decisions.keep(MOVED, NOW)
    stores.boxes.rename("box1", "nylon", NOW)
    assert [one.box for one in stores.plan_decisions.counting()] == ["nylon"]


def test_they_outlive_the_process(tmp_path: Path) -> None:
    for _ in range(2):
        with open_stores(tmp_path / "siccast.sqlite3") as stores:
            stores.plan_decisions.keep(DAY_OFF, NOW)
    with open_stores(tmp_path / "siccast.sqlite3", read_only=True) as stores:
        assert len(stores.plan_decisions.counting()) == 2


PLAN = KeptPlan(b"rests", b"asked", b"plan")


def test_what_was_announced_last_counts_and_what_came_before_stays(stores: Stores) -> None:
    first = AnnouncedDay("box1", SATURDAY, NOW, SATURDAY + timedelta(days=2), leaked_more=True)
    assert stores.plans.keep(PLAN, [first, replace(first, box="box2", due_on=None)], NOW)
    assert list(stores.plan_decisions.announced()) == ["box1", "box2"]
    assert stores.plans.keep(PLAN, [replace(first, due_on=None)], NOW + timedelta(days=1))
    assert stores.plan_decisions.announced() == {"box1": first}, "the same day is not said anew; box2 has none any more"
    later = NOW + timedelta(days=2)
    assert stores.plans.keep(PLAN, [replace(first, on=SATURDAY + timedelta(days=7))], later)
    assert stores.plan_decisions.announced()["box1"].on == SATURDAY + timedelta(days=7)
    assert stores.plan_decisions.announced(before=later)["box1"] == first
