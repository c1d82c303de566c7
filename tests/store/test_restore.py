"""Backup and restore as a drill: on a running site, over a damaged file, and with what must not be restored."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from monitor.errors import StoreBusyError, StoreError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.store.opening import open_stores, restore_backup
from monitor.store.sqlite import connection as connection_module
from monitor.store.sqlite import restoring
from monitor.store.sqlite.migrations import MIGRATIONS, migrate
from tests.store.test_file import START, readings


def held(path: Path, box: str = "box1") -> int:
    with open_stores(path, read_only=True) as stores:
        return len(stores.readings.series(box))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "siccast.sqlite3"


@pytest.fixture
def backup(path: Path, tmp_path: Path) -> Path:
    """Give a backup of 50 readings and one entry, made while the store is open; 50 more were stored since."""
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
        stores.ledger.log(LedgerEntry(EntryKind.opening, "box1", START), utc_now())
        stores.upkeep.back_up(tmp_path / "backup.sqlite3")
        stores.readings.add(readings(50, first=50))
    return tmp_path / "backup.sqlite3"


def test_a_copy_of_the_file_alone_is_no_backup(path: Path, tmp_path: Path) -> None:
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
        (tmp_path / "copied.sqlite3").write_bytes(path.read_bytes())
        stores.upkeep.back_up(tmp_path / "backup.sqlite3")
    with pytest.raises(StoreError, match="is empty"):
        restore_backup(path, tmp_path / "copied.sqlite3")
    restore_backup(path, tmp_path / "backup.sqlite3")
    assert held(path) == 50


def test_a_restore_under_a_running_writer_goes_on_in_what_was_restored(path: Path, backup: Path) -> None:
    with open_stores(path) as stores:
        stores.readings.add(readings(10, box="later"))  # numbered after the backup was made
        kept = restore_backup(path, backup)
        assert stores.readings.count() == 50
        assert [entry.kind for entry in stores.ledger.entries()] == [EntryKind.opening]
        stores.readings.add(readings(5, box="another"))
        stores.readings.add(readings(5, box="later", first=5))
        assert stores.readings.count() == 60
        assert len(stores.readings.series("later")) == 5
    assert kept is not None
    assert (held(kept), held(kept, "later")) == (100, 10), "what was there stays"
    assert (held(path, "another"), held(path, "later")) == (5, 5)
    with open_stores(path) as stores:
        assert stores.upkeep.faults() == []


def happens_after_the_first_copy(monkeypatch: pytest.MonkeyPatch, happens: Callable[[], object]) -> None:
    """Stand between the copy of what was there and its replacement, once."""
    usual, left = restoring.write_copy, [happens]

    def write_copy(source: sqlite3.Connection, copy: Path) -> None:
        usual(source, copy)
        if "before-restore" in copy.name and left:
            left.pop()()

    monkeypatch.setattr(restoring, "write_copy", write_copy)


def test_what_a_listener_stores_while_the_old_state_is_copied_stays_too(
    path: Path, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_stores(path) as listener:
        happens_after_the_first_copy(monkeypatch, lambda: listener.readings.add(readings(7, box="meanwhile")))
        kept = restore_backup(path, backup)
    assert kept is not None
    assert (held(kept), held(kept, "meanwhile")) == (100, 7)
    assert (held(path), held(path, "meanwhile")) == (50, 0)


def test_two_restores_at_once_keep_what_was_there_before_both(
    path: Path, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    others: list[Path | None] = []
    happens_after_the_first_copy(monkeypatch, lambda: others.append(restore_backup(path, backup)))
    kept = restore_backup(path, backup)
    assert kept is not None
    assert others[0] not in (None, kept)
    assert sorted(held(each) for each in (kept, *others) if each) == [50, 100]


def test_a_reader_sees_all_of_the_old_or_all_of_the_new(path: Path, backup: Path) -> None:
    with open_stores(path, read_only=True) as stores:
        rows = stores.readings.each("box1")
        next(rows)
        restore_backup(path, backup)
        assert len(list(rows)) == 99
        assert stores.readings.count() == 50


def test_a_damaged_database_is_moved_aside_with_its_log(path: Path, backup: Path) -> None:
    path.write_bytes(b"no database at all " * 1000)
    Path(f"{path}-wal").write_bytes(b"and no log")
    kept = restore_backup(path, backup)
    assert kept is not None
    assert kept.read_bytes().startswith(b"no database")
    assert Path(f"{kept}-wal").read_bytes() == b"and no log"
    assert held(path) == 50


def test_a_database_that_is_gone_comes_back(path: Path, backup: Path) -> None:
    path.unlink()
    assert restore_backup(path, backup) is None
    assert held(path) == 50


def test_an_older_backup_is_brought_up_to_date_and_itself_left_as_it_is(path: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        migrate(connection, MIGRATIONS[:9])
        connection.execute("INSERT INTO boxes VALUES (1, 'box1')")
        connection.execute("INSERT INTO readings VALUES (1, 1772323200000, 2140, 1720, 2980, 7, 0)")
    before = old.read_bytes()
    restore_backup(path, old)
    assert held(path) == 1
    assert old.read_bytes() == before


def test_the_way_back_from_a_newer_version(path: Path, backup: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as newer:
        migrate(newer, (*MIGRATIONS, ("from the future", "ALTER TABLE readings ADD COLUMN pressure INTEGER")))
    restore_backup(path, backup)
    assert held(path) == 50


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "is empty"), (b"no database " * 1000, "is damaged, or not a backup of siccast"), (None, "there is no file")],
)
def test_what_is_no_backup_changes_nothing(
    path: Path, backup: Path, tmp_path: Path, content: bytes | None, said: str
) -> None:
    wrong = tmp_path / "wrong.sqlite3"
    if content is not None:
        wrong.write_bytes(content)
    before = {each.name for each in tmp_path.iterdir()}
    with pytest.raises(StoreError, match=said):
        restore_backup(path, wrong)
    assert held(path) == 100
    assert {each.name for each in tmp_path.iterdir()} - {f"{path.name}-wal", f"{path.name}-shm"} == before


def test_a_backup_of_a_newer_siccast_is_refused(path: Path, backup: Path) -> None:
    with closing(sqlite3.connect(backup, isolation_level=None)) as newer:
        migrate(newer, (*MIGRATIONS, ("from the future", "CREATE TABLE future (x)")))
    with pytest.raises(StoreError, match="newer siccast"):
        restore_backup(path, backup)
    assert held(path) == 100


def test_a_database_that_another_process_holds_is_said(
    path: Path, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(restoring, "BUSY_TIMEOUT_S", 0.05)
    monkeypatch.setattr(connection_module, "BUSY_TIMEOUT_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusyError, match="another process is using it"):
            restore_backup(path, backup)
        holder.execute("ROLLBACK")
    assert held(path) == 100
