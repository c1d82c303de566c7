"""The watch of the pages: it tells what others wrote by kind, writes nothing, and outlives what happens to files."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import DecisionKind, EntryKind, KeptOutlook, LedgerEntry, PlanDecision, Reading, Rejection
from monitor.records.desk_events import LotBought
from monitor.store.opening import Marks, Watch, open_stores, restore_backup, watch

NOW = datetime(2026, 5, 2, 8, 0, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add([Reading("left", NOW, 21.0, 0.2)])
    return path


@pytest.fixture
def watched(path: Path) -> Iterator[Watch]:
    watched = watch(path)
    assert watched.look() is not None
    yield watched
    watched.close()


def differing(before: Marks | None, after: Marks | None) -> set[str]:
    assert before is not None
    assert after is not None
    return {one.name for one in fields(Marks) if getattr(before, one.name) != getattr(after, one.name)}


def test_nothing_written_is_nothing_told(watched: Watch) -> None:
    assert watched.look() is None
    assert watched.look() is None


def test_each_kind_is_told_by_itself(path: Path) -> None:
    watched = watch(path)
    marks = watched.look()
    with open_stores(path) as stores:
        stores.readings.add([Reading("left", NOW + timedelta(minutes=1), 21.0, 0.2)])
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"readings"}
        entry = stores.ledger.log(LedgerEntry(EntryKind.opening, "left", NOW), NOW)
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"ledger"}
        stores.ledger.undo(entry, NOW)
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"ledger"}
        stores.events.log(LotBought("spring", "silica_gel", NOW.date()), NOW, NOW)
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"desk"}
        stores.plan_decisions.keep(PlanDecision(DecisionKind.skip, NOW.date(), "left"), NOW)
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"plan"}
        stores.readings.add([], [Rejection(NOW, "shed", "a/topic", b"?", "no number")])
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"rejected"}
        assert stores.outlooks.keep([(KeptOutlook("left", NOW, b"1", b"2", b"3"), b"4")], ["left"])
        marks, before = watched.look(), marks
        assert differing(before, marks) == {"outlooks"}
    watched.close()


def test_what_was_written_before_the_first_look_is_in_its_marks(path: Path) -> None:
    one, other = watch(path), watch(path)
    assert one.look() == other.look()
    one.close()
    other.close()


def test_a_file_that_is_gone_is_an_error_until_it_is_back(path: Path, watched: Watch, tmp_path: Path) -> None:
    path.rename(tmp_path / "away")
    for _ in range(2):
        with pytest.raises(StoreError, match="there is no database"):
            watched.look()
    assert not path.exists()
    (tmp_path / "away").rename(path)
    watched.look()
    assert watched.look() is None


def test_another_file_in_its_place_is_noticed(path: Path, watched: Watch, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    with open_stores(other) as stores:
        stores.readings.add([Reading("right", NOW + timedelta(days=1), 21.0, 0.3)])
    for each in tmp_path.glob("siccast.sqlite3*"):
        each.unlink()
    other.rename(path)
    assert watched.look() is not None


def test_a_backup_is_put_back_while_we_watch(path: Path, watched: Watch, tmp_path: Path) -> None:
    backup = tmp_path / "backup.sqlite3"
    with open_stores(path) as stores:
        stores.upkeep.back_up(backup)
        stores.readings.add([Reading("left", NOW + timedelta(days=1), 21.0, 0.3)])
    assert watched.look() is not None
    restore_backup(path, backup)
    assert watched.look() is not None
    with open_stores(path, read_only=True) as stores:
        assert stores.readings.latest()["left"].at == NOW


def test_a_writer_whose_log_is_deleted_goes_on_beside_us(path: Path, watched: Watch) -> None:
    with open_stores(path) as stores:
        stores.readings.add([Reading("left", NOW + timedelta(days=1), 21.0, 0.3)])
        watched.look()
        path.with_name(path.name + "-wal").unlink()
        stores.readings.add([Reading("left", NOW + timedelta(days=2), 21.0, 0.4)])
        assert watched.look() is not None
        stores.readings.add([Reading("left", NOW + timedelta(days=3), 21.0, 0.5)])
        assert watched.look() is not None
    with open_stores(path, read_only=True) as stores:
        assert len(stores.readings.series("left")) == 4


def test_a_damaged_file_is_an_error_of_ours(path: Path) -> None:
    path.write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="damaged"):
        watch(path).look()


def test_closing_waits_for_a_look_under_way(path: Path) -> None:
    """A server that ends cancels the task that awaits a look, not its thread, and SQLite crashes if it is closed."""
    is_waiting = []

    def close_meanwhile(_path: Path) -> None:
        closer.start()
        closer.join(0.1)  # where it does not wait it is over at once
        is_waiting.append(closer.is_alive())

    watched = Watch(path, close_meanwhile)
    closer = threading.Thread(target=watched.close)
    assert watched.look() is not None
    closer.join()
    assert is_waiting == [True]
