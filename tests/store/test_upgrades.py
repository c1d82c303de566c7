"""A file of another version: an older one is upgraded, a copy beside it first, a newer one is said in a line."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

import pytest

from monitor.errors import OlderStoreError, StoreError
from monitor.store.listener_lock import lock_shelf
from monitor.store.opening import open_stores, open_to_read
from monitor.store.sqlite import connection as connection_module
from monitor.store.sqlite.migrations import MIGRATIONS, migrate
from tests.older_database import is_as_it_was, make_older_file, steps_of
from tests.reliability.trouble import remount, small_disk
from tests.store.test_file import readings

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
FUTURE = (*MIGRATIONS, ("from the future", "ALTER TABLE readings ADD COLUMN pressure INTEGER"))


class Disk(NamedTuple):
    total: int
    used: int
    free: int


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """Give a file with one reading as a siccast of some steps ago left it."""
    return make_older_file(tmp_path / "siccast.sqlite3")


def test_looking_at_an_older_file_changes_nothing_and_names_the_command(older: Path) -> None:
    before = older.read_bytes()
    with (
        pytest.raises(OlderStoreError, match=r"is from an older siccast. `siccast listen`, `siccast boxes` or a start"),
        open_stores(older, read_only=True),
    ):
        pass
    assert older.read_bytes() == before
    assert not list(older.parent.glob("*upgrade*"))


def test_who_only_looks_after_an_upgrade_of_siccast_upgrades_as_a_writer_does(older: Path) -> None:
    said: list[str] = []
    with open_to_read(older, tell=said.append, now=NOW) as stores:
        assert stores.readings.count() == 1
        with pytest.raises(StoreError, match=r"read-only|readonly"):
            stores.readings.add(readings(1))
    copy = older.with_name("siccast.before-upgrade-1.sqlite3")
    assert [line.split(". To go")[0] for line in said] == [
        f"upgrading {older} for this siccast. The old state is in {copy}"
    ]
    assert is_as_it_was(copy)
    assert steps_of(older) == {name for name, _ in MIGRATIONS}


def test_a_look_does_not_upgrade_under_a_listener_which_would_stop(older: Path) -> None:
    with (
        lock_shelf(older.parent, NOW),
        pytest.raises(OlderStoreError, match=rf"process {os.getpid()} listens on it. Restart that `siccast listen`"),
        open_to_read(older, tell=pytest.fail, now=NOW),
    ):
        pass
    assert is_as_it_was(older)


def test_a_look_at_an_older_file_where_nothing_can_be_written_is_one_line(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=4) as disk:
        older = make_older_file(disk / "siccast.sqlite3")
        remount(disk, "ro")
        said = r"is from an older siccast and can't be upgraded now: .* (read-only|Read-only|can't be opened)"
        with pytest.raises(OlderStoreError, match=said) as refused, open_to_read(older, tell=pytest.fail, now=NOW):
            pass
    assert "\n" not in str(refused.value)


def test_a_look_while_another_process_writes_is_one_line_and_the_next_look_upgrades(
    older: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_module, "BUSY_TIMEOUT_S", 0.05)
    with closing(sqlite3.connect(older, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with (
            pytest.raises(
                OlderStoreError, match=r"can't be upgraded now: .*another process is using it; wait a moment"
            ),
            open_to_read(older, tell=pytest.fail, now=NOW),
        ):
            pass
        other.execute("ROLLBACK")
    with open_to_read(older, tell=lambda _: None, now=NOW) as stores:
        assert stores.readings.count() == 1


def test_an_older_file_can_be_backed_up_as_it_is(older: Path) -> None:
    with open_stores(older, read_only=True, any_schema=True) as stores:
        stores.upkeep.back_up(older.with_name("backup.sqlite3"))
    assert is_as_it_was(older.with_name("backup.sqlite3"))


def test_writing_keeps_a_copy_first_and_says_the_way_back(older: Path) -> None:
    said: list[str] = []
    with open_stores(older, report=said.append) as stores:
        assert stores.readings.count() == 1
    copy = older.with_name("siccast.before-upgrade-1.sqlite3")
    assert said == [
        f"upgrading {older} for this siccast. The old state is in {copy}. To go back: stop siccast, install the older"
        " version, put the copy in the place of the database, and delete the -wal file"
    ]
    assert is_as_it_was(copy)
    assert copy.stat().st_mode & 0o777 == 0o600
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT seq FROM readings").fetchall() == [(7,)]
    with open_stores(older, report=said.append):
        assert len(said) == 1, "a file that is up to date needs no copy"


def test_without_room_for_a_copy_that_is_said(older: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Disk(10**6, 10**6, 1000))
    said: list[str] = []
    with open_stores(older, report=said.append):
        pass
    assert "There is no room for a copy of the old state" in said[0]
    assert [path.name for path in older.parent.iterdir()] == ["siccast.sqlite3"]


def test_an_upgrade_that_fails_leaves_file_and_folder_as_they_were(
    older: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = (*MIGRATIONS, ("broken", "CREATE TABLE boxes (x)"))
    monkeypatch.setattr(migrate, "__defaults__", (broken, *migrate.__defaults__[1:]))  # type: ignore[misc]
    with pytest.raises(StoreError, match="boxes already exists"), open_stores(older):
        pass
    assert is_as_it_was(older)
    assert not list(older.parent.glob("*upgrade*"))


def test_a_file_changed_by_a_newer_siccast_under_a_writer_is_said(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings(10))
        with closing(sqlite3.connect(path, isolation_level=None)) as newer:
            migrate(newer, FUTURE)
        with pytest.raises(StoreError, match=r"upgraded by a newer siccast .* Install that version here"):
            stores.readings.add(readings(10, first=10))
        assert stores.readings.count() == 10, "and nothing is half written"


def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipes (name)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="is a database of another program"), open_stores(path):
        pass
    assert path.read_bytes() == before


def test_only_its_owner_can_read_the_database_and_its_log(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings(10))
        stores.upkeep.back_up(tmp_path / "backup.sqlite3")
        modes = {each.name: each.stat().st_mode & 0o777 for each in tmp_path.iterdir()}
    names = ("siccast.sqlite3", "siccast.sqlite3-wal", "siccast.sqlite3-shm", "backup.sqlite3")
    assert modes == dict.fromkeys(names, 0o600)
