"""The database file: schemas of the past, trouble with folder and disk, copies and thinning."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import StoreBusyError, StoreError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry, Reading, ReadingSource
from monitor.store.opening import open_stores
from monitor.store.sqlite import connection as connection_module
from monitor.store.sqlite.copies import create_privately
from monitor.store.sqlite.migrations import MIGRATIONS, migrate
from tests.reliability.trouble import remount, small_disk

START = datetime(2026, 3, 1, tzinfo=UTC)


def readings(count: int = 100, box: str = "box1", first: int = 0) -> list[Reading]:
    return [Reading(box, START + timedelta(minutes=first + m), 20.0 + m % 7, 0.1) for m in range(count)]


@pytest.mark.parametrize("steps", range(len(MIGRATIONS) + 1))
def test_a_file_of_each_earlier_schema_is_brought_up_to_date(tmp_path: Path, steps: int) -> None:
    path = tmp_path / "siccast.sqlite3"
    old = sqlite3.connect(path, isolation_level=None)
    migrate(old, MIGRATIONS[:steps])
    if steps >= 1:
        old.execute("INSERT INTO boxes VALUES (1, 'box1')")
        odd = ", (1, 1772323199999, 2150, 1730, NULL, NULL, 5), (1, 1772323199998, 2150, 1730, NULL, 0, 2)"
        row = "(1, 1772323200000, 2140, 1720, 2980, 7, 0)"
        if "shorter rows of readings" not in dict(MIGRATIONS[:steps]):
            old.execute(f"INSERT INTO readings VALUES {row}{odd}")
        else:
            into = "INSERT INTO readings (box_id, at_s, temperature, humidity, battery, told)"
            old.execute(f"{into} VALUES (1, 1772323200, 2140, 1720, 2980, 7)")
            old.execute(f"{into} VALUES (1, 1772323199.999, 2150, 1730, NULL, -5)")
            old.execute(f"{into} VALUES (1, 1772323199.998, 2150, 1730, NULL, -10)")
        old.execute("INSERT INTO latest VALUES (1, 1772323200000, 2140, 1720, 2980, 7, 0, 1000)")
        extremes = ", 1720, 1720" if "hours without least and greatest humidity" not in dict(MIGRATIONS[:steps]) else ""
        old.execute(f"INSERT INTO hourly VALUES (1, 492312, 1, 2140, 1720{extremes})")
    if steps >= 2:
        old.execute("INSERT INTO ledger (kind, box, at_ms, note, logged_at_ms) VALUES ('opening', 'box1', 0, 'old', 0)")
        old.execute(
            "INSERT INTO rejected (arrived_at_ms, feed, topic, payload, reason) VALUES (0, 'f', 't', x'00', 'r')"
        )
    old.close()
    with open_stores(path) as stores:
        stores.readings.add(readings())
        stores.ledger.log(LedgerEntry(EntryKind.opening, "box1", START), utc_now())
        if steps >= 1:
            second, first, held = (each for each in stores.readings.each("box1", end=START + timedelta(seconds=1)))
            assert (held.at, held.battery_v, held.seq, held.source) == (START, 2.98, 7, ReadingSource.sensor)
            assert (first.at, first.seq) == (START - timedelta(milliseconds=1), None)
            assert (first.source, first.sent_at_known) == (ReadingSource.hand, False)
            assert (second.at, second.seq) == (START - timedelta(milliseconds=2), 0)
            assert (second.source, second.sent_at_known) == (ReadingSource.imported, True)
        # one old row is at the first instant of the new ones
        assert stores.readings.count() == (102 if steps >= 1 else 100)
        assert [entry.note for entry in stores.ledger.entries()] == (["old", ""] if steps >= 2 else [""])
        contested = 1 if steps >= 1 else 0
        assert stores.ledger.rejected_count() == contested + (1 if steps >= 2 else 0)
        assert stores.upkeep.faults() == []


def test_the_steps_of_a_new_file_are_dated(tmp_path: Path) -> None:
    with open_stores(tmp_path / "siccast.sqlite3", now=START):
        pass
    with contextlib.closing(sqlite3.connect(tmp_path / "siccast.sqlite3")) as file:
        dates = file.execute("SELECT DISTINCT applied_at FROM migrations").fetchall()
    assert dates == [("2026-03-01 00:00:00",)]


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    database = sqlite3.connect(tmp_path / "x", isolation_level=None)
    migrate(database)
    broken = (*MIGRATIONS, ("fine", "CREATE TABLE fine (x)"), ("broken", "CREATE TABLE boxes (x)"))
    with pytest.raises(sqlite3.OperationalError, match="boxes already exists"):
        migrate(database, broken)
    assert migrate(database) == []
    assert not database.execute("SELECT 1 FROM sqlite_master WHERE name = 'fine'").fetchone()
    database.close()


def test_a_file_of_a_newer_siccast_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    newer = sqlite3.connect(path, isolation_level=None)
    migrate(newer, (*MIGRATIONS, ("from the future", "CREATE TABLE future (x)")))
    newer.close()
    with pytest.raises(StoreError, match="newer siccast \\(it knows 'from the future'\\)"), open_stores(path):
        pass


def test_migrations_have_names_of_their_own() -> None:
    assert len({name for name, _ in MIGRATIONS}) == len(MIGRATIONS)


def test_a_file_that_is_no_database(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    path.write_bytes(b"this is no database, and long enough to be looked at" * 100)
    with pytest.raises(StoreError, match="is damaged, or not a database of siccast"), open_stores(path):
        pass


def test_a_database_locked_by_another_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "siccast.sqlite3"
    monkeypatch.setattr(connection_module, "BUSY_TIMEOUT_S", 0.05)
    with open_stores(path) as stores:
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusyError, match="another process is using it"):
            stores.readings.add(readings())
        holder.execute("ROLLBACK")
        holder.close()
        assert stores.readings.add(readings()) == 100


def test_two_that_begin_a_database_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One reads the new file while the other turns the log on, for which SQLite would not wait."""
    path, tried = tmp_path / "siccast.sqlite3", []
    create_privately(path)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM sqlite_master").fetchone()

        def meanwhile(pause_s: float) -> None:
            tried.append(pause_s)
            other.execute("ROLLBACK")

        monkeypatch.setattr(connection_module.time, "sleep", meanwhile)
        with open_stores(path) as stores:
            assert stores.readings.add(readings()) == 100
    assert len(tried) == 1


def test_a_folder_that_can_not_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    path = tmp_path / "file" / "shelf" / "siccast.sqlite3"
    with pytest.raises(StoreError, match="can't make the folder"), open_stores(path, begin=True):
        pass


@pytest.mark.parametrize("read_only", [True, False])
def test_a_slip_in_the_name_of_a_shelf_makes_no_folder(tmp_path: Path, read_only: bool) -> None:
    with (
        pytest.raises(StoreError, match="there is no shelf in"),
        open_stores(tmp_path / "typo" / "siccast.sqlite3", read_only=read_only),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_reading_makes_no_database_where_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no database"), open_stores(tmp_path / "x.sqlite3", read_only=True):
        pass
    assert list(tmp_path.iterdir()) == []


def test_readers_go_on_beside_a_writer_and_the_writer_beside_them(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as writing:
        writing.readings.add(readings(50))
        with open_stores(path, read_only=True) as reading:
            rows = reading.readings.each("box1")
            next(rows)
            assert writing.readings.add(readings(50, first=50)) == 50
            assert reading.readings.count() in (50, 100)
            with pytest.raises(StoreBusyError, match="read-only"):
                reading.readings.add(readings(1, "box2"))


@pytest.mark.skipif(os.name != "posix" or os.getuid() == 0, reason="needs a user whom permissions bind")
def test_a_read_only_folder_can_still_be_read(tmp_path: Path) -> None:
    path = tmp_path / "shelf" / "siccast.sqlite3"
    with open_stores(path, begin=True) as stores:
        stores.readings.add(readings())
    path.chmod(0o400)
    path.parent.chmod(0o500)
    try:
        with open_stores(path, read_only=True) as stores:
            assert stores.readings.count() == 100
        with pytest.raises(StoreError, match=r"read-only|can't be opened"), open_stores(path) as stores:
            stores.readings.add(readings(1, "box2"))
    finally:
        path.parent.chmod(0o700)


def test_a_shelf_on_a_full_disk_can_still_be_read(tmp_path: Path) -> None:
    """The last one to close it took along the file by which several share it, and there is no room for another."""
    with small_disk(tmp_path / "disk", megabytes=4) as disk:
        path = disk / "siccast.sqlite3"
        with open_stores(path) as stores:
            stores.readings.add(readings())
        with contextlib.suppress(OSError), (disk / "rest").open("wb", buffering=0) as rest:
            while True:
                rest.write(b"x" * 4096)
        with open_stores(path, read_only=True) as stores:
            assert stores.readings.count() == 100


@pytest.mark.parametrize("log", ["closed", "in use"])
def test_a_read_only_mount_can_still_be_read(tmp_path: Path, log: str) -> None:
    with small_disk(tmp_path / "disk", megabytes=16) as disk:
        path = disk / "siccast.sqlite3"
        with open_stores(path) as stores:
            stores.readings.add(readings())
        if log == "in use":  # as a power cut leaves it
            run_beside("add(readings(50, first=100))", path)
            Path(f"{path}-shm").unlink()
        remount(disk, "ro")
        if log == "in use":
            with (
                pytest.raises(
                    StoreError, match="-wal has what was written last, but it can't be read here because nothing"
                ),
                open_stores(path, read_only=True),
            ):
                pass
            return
        with open_stores(path, read_only=True) as stores:
            assert stores.readings.count() == 100
        with pytest.raises(StoreError, match=r"read-only|can't be opened"), open_stores(path):
            pass


ROOT = str(Path(__file__).resolve().parents[2])
READER_MAKES_ANOTHER_LOG = """
reader = sqlite3.connect(path)
try: reader.execute('SELECT count(*) FROM readings').fetchone()
except sqlite3.OperationalError: pass
reader.close()
assert os.path.exists(path + '-wal')
"""


def run_beside(program: str, path: Path) -> subprocess.CompletedProcess[str]:
    """Run a program with open stores in a process of its own, which ends without a good-bye."""
    lines = (
        "import os, sqlite3, sys; from pathlib import Path; path, *roots = sys.argv[1:]; sys.path[:0] = roots\n"
        "from monitor.errors import StoreError\n"
        "from monitor.store.opening import open_stores; from tests.store.test_file import readings\n"
        "with open_stores(Path(path), report=print) as stores:\n"
        "    add = stores.readings.add\n"
        + "".join(f"    {line}\n" for line in program.splitlines())
        + "    sys.stdout.flush(); os._exit(9)\n"
    )
    roots = (ROOT, str(Path(ROOT) / "tests"))  # as pytest itself finds what tests share
    done = subprocess.run([sys.executable, "-c", lines, str(path), *roots], capture_output=True, text=True, check=False)
    assert done.returncode == 9, done.stderr
    return done


REMOVED_TOO = "os.unlink(path + '-shm')"
BOTH = REMOVED_TOO + READER_MAKES_ANOTHER_LOG


@pytest.mark.parametrize("then", ["", READER_MAKES_ANOTHER_LOG, REMOVED_TOO, BOTH])
def test_a_log_removed_under_a_listener_loses_nothing_it_acknowledged(tmp_path: Path, then: str) -> None:
    path = tmp_path / "siccast.sqlite3"
    program = f"add(readings(50)); os.unlink(path + '-wal')\n{then}\nadd(readings(50, first=50))\n"
    said = run_beside(program + "add(readings(50, first=100))", path).stdout
    assert said.count("siccast.sqlite3-wal was deleted while in use. Its content is in the database now") == 1
    with open_stores(path) as stores:
        assert stores.readings.count() == 150
        assert stores.upkeep.faults() == []


def test_nothing_is_acknowledged_while_a_reader_keeps_a_removed_log_from_being_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "siccast.sqlite3"
    monkeypatch.setattr(connection_module, "BUSY_TIMEOUT_S", 0.05)
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
        reader = sqlite3.connect(path, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM readings").fetchone()
        stores.readings.add(readings(50, first=50))
        Path(f"{path}-wal").unlink()
        with pytest.raises(StoreBusyError, match=r"-wal was deleted\. Another process is using the database"):
            stores.readings.add(readings(50, first=100))
        reader.close()
        stores.readings.add(readings(50, first=100))
        assert sqlite3.connect(f"file:{path}?immutable=1", uri=True).execute(
            "SELECT count(*) FROM readings"
        ).fetchone() == (100,), "what the lost log held is in the file itself"
        assert stores.readings.count() == 150


def test_two_writers_outlive_a_removed_log(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as one, open_stores(path) as other:
        one.readings.add(readings(50))
        other.readings.add(readings(50, first=50))
        Path(f"{path}-wal").unlink()
        one.readings.add(readings(50, first=100))
        one.readings.add(readings(50, first=150))
        other.readings.add(readings(50, first=200))
        one.readings.add(readings(50, first=250))
        assert one.readings.count() == other.readings.count() == 300
    with open_stores(path) as stores:
        assert stores.readings.count() == 300
        assert stores.upkeep.faults() == []


def test_a_log_removed_and_begun_anew_by_another_is_not_folded_over_it(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("PRAGMA wal_checkpoint(PASSIVE)")
        other.close()
        Path(f"{path}-wal").unlink()
        with open_stores(path) as beside:
            beside.readings.add(readings(50, box="box2"))
            beside.ledger.log(LedgerEntry(EntryKind.opening, "box1", START), utc_now())
        stores.readings.add(readings(50, first=50))
        assert stores.readings.count() == 150
    with open_stores(path) as stores:
        assert stores.readings.count() == 150
        assert len(stores.ledger.entries()) == 1
        assert stores.upkeep.faults() == []


def test_a_log_removed_and_continued_by_another_is_said(tmp_path: Path) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
    with open_stores(path) as stores:
        stores.readings.add(readings(1, first=50))  # its pages are in the log, those of the ledger are not
        Path(f"{path}-wal").unlink()
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("INSERT INTO thinned VALUES (1, 0, 1)")
        with pytest.raises(StoreError, match="another process went on without its content"):
            stores.readings.add(readings(1, first=51))
        other.close()


@pytest.mark.parametrize("then", ["deleted", "replaced"])
def test_nothing_is_acknowledged_that_only_a_vanished_database_holds(tmp_path: Path, then: str) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings(50))
        path.unlink()
        if then == "replaced":
            path.touch()
        with pytest.raises(StoreError, match="was deleted or replaced while siccast had it open"):
            stores.readings.add(readings(50, first=50))


def test_a_copy_beside_a_working_store(tmp_path: Path) -> None:
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        stores.readings.add(readings())
        size = stores.upkeep.back_up(tmp_path / "copy.sqlite3")
        stores.readings.add(readings(box="box2"))
        with pytest.raises(StoreError, match="exists already"):
            stores.upkeep.back_up(tmp_path / "copy.sqlite3")
        with pytest.raises(StoreError, match="nowhere"):
            stores.upkeep.back_up(tmp_path / "nowhere" / "copy.sqlite3")
    assert size == (tmp_path / "copy.sqlite3").stat().st_size
    with open_stores(tmp_path / "copy.sqlite3") as copy:
        assert copy.readings.count() == 100


def test_thinning_keeps_hourly_means_and_is_not_undone_by_a_replay(tmp_path: Path) -> None:
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        stores.readings.add(readings(240))
        hourly = stores.readings.hourly("box1")
        assert stores.upkeep.thin(START + timedelta(hours=2), timedelta(minutes=30)) == 116
        assert stores.readings.count() == 240 - 116
        assert stores.readings.add(readings(240)) == 0
        again = stores.readings.hourly("box1")
        assert again.temperature_degc.tolist() == hourly.temperature_degc.tolist()
        assert stores.readings.add(readings(1, first=-60)) == 1, "what was never here is welcome, however old"
