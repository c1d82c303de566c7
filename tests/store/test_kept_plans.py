"""The row of the kept plan: what comes back, what is passed over, and a file that another process writes to."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from monitor.records import AnnouncedDay, KeptPlan
from monitor.store.opening import Stores, open_stores

AT = datetime(2026, 3, 1, 7, 30, 0, 123_000, tzinfo=UTC)
ONE = KeptPlan(b"rests", b"asked", b"plan")
DAY = AnnouncedDay("pla", date(2026, 3, 7), AT, date(2026, 3, 9), leaked_more=True)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path, begin=True):
        pass
    return path


@pytest.fixture
def stores(path: Path) -> Iterator[Stores]:
    """Give what a command has, which only reads."""
    with open_stores(path, read_only=True) as opened:
        yield opened


def test_a_plan_comes_back_and_its_days_are_announced_with_it(stores: Stores) -> None:
    assert stores.plans.newest() is None
    assert stores.plans.keep(ONE, [DAY], AT)
    assert stores.plans.newest() == ONE
    assert stores.plan_decisions.announced() == {"pla": DAY}
    another = KeptPlan(b"others", b"asked", b"another")
    assert stores.plans.keep(another, [], AT)
    assert stores.plans.newest() == another
    assert stores.plan_decisions.announced() == {}


@pytest.mark.parametrize("column", ["rests_on", "asked", "plan", "checksum"])
def test_a_damaged_row_is_passed_over_and_replaced(stores: Stores, path: Path, column: str) -> None:
    stores.plans.keep(ONE, [], AT)
    with closing(sqlite3.connect(path)) as other, other:
        other.execute(f"UPDATE kept_plan SET {column} = ?", (7 if column == "checksum" else b"damaged",))
    assert stores.plans.newest() is None
    assert stores.plans.keep(ONE, [], AT)
    assert stores.plans.newest() == ONE


def test_where_another_process_writes_neither_is_kept(stores: Stores, path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert not stores.plans.keep(ONE, [DAY], AT)
        other.execute("ROLLBACK")
    assert stores.plans.newest() is None
    assert stores.plan_decisions.announced() == {}


def test_where_the_table_is_gone_nothing_is_kept_and_nothing_said(stores: Stores, path: Path) -> None:
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("DROP TABLE kept_plan")
    assert stores.plans.newest() is None
    assert not stores.plans.keep(ONE, [DAY], AT)
    assert stores.plan_decisions.announced() == {}
