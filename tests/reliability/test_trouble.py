"""A listener under trouble of disk and file: one clear line, nothing stored is lost, and on it goes by itself."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import time
from typing import TYPE_CHECKING

import pytest

from monitor.store.sqlite.migrations import MIGRATIONS, migrate
from tests.conftest import require_program
from tests.reliability.harness import Listener, Stream, stored
from tests.reliability.trouble import fill, remount, small_disk

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto

pytestmark = pytest.mark.broker


def lines_with(listener: Listener, words: str) -> list[str]:
    return [line for line in listener.log.read_text().splitlines() if words in line]


def wait_for_line(listener: Listener, words: str, patience_s: float = 30.0) -> None:
    """Wait until the listener says it, or nothing was stored for as long as our patience lasts."""
    held, changed = listener.held(), time.monotonic()
    while not lines_with(listener, words):
        time.sleep(0.05)
        if (now_held := listener.held()) != held:
            held, changed = now_held, time.monotonic()
        assert time.monotonic() - changed < patience_s, listener.log.read_text()


def assert_whole(listener: Listener, stream: Stream) -> None:
    assert listener.wait_until_held(stream.total, patience_s=40.0) == stream.total, listener.log.read_text()
    assert listener.stop() == 0
    rows, verdict, rolled_up = stored(listener.database)
    assert set(rows) == stream.expected()
    assert len(rows) == rolled_up == stream.total
    assert verdict == "ok"


def listener_on(shelf: Path, log: Path, port: int) -> Listener:
    listener = Listener.at(shelf, port)
    listener.log = log
    listener.start()
    listener.wait_until_connected()
    return listener


def test_a_full_disk(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=4) as disk:
        listener = listener_on(disk / "shelf", tmp_path / "log", mosquitto.port)
        stream = Stream(mosquitto.port, total=9_000, per_s=3_000).start()
        listener.wait_until_held(1_000)
        filler = fill(disk)
        wait_for_line(listener, "the disk is full")
        stream.wait()
        filler.unlink()
        assert_whole(listener, stream)
        assert len(lines_with(listener, "the disk is full")) == 1
        assert lines_with(listener, "the database can be written again; nothing was lost")


def test_a_read_only_folder(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=16) as disk:
        listener = listener_on(disk / "shelf", tmp_path / "log", mosquitto.port)
        listener.stop()
        remount(disk, "ro")
        listener.start()
        wait_for_line(listener, "The folder must exist and be writable")
        stream = Stream(mosquitto.port, total=2_000, per_s=4_000).start()
        stream.wait()
        remount(disk, "rw")
        assert_whole(listener, stream)
        assert len(lines_with(listener, "be writable")) == 1


def test_a_database_locked_by_another_process(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = listener_on(tmp_path / "shelf", tmp_path / "log", mosquitto.port)
    holder = sqlite3.connect(listener.database, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    stream = Stream(mosquitto.port, total=2_000, per_s=4_000).start()
    wait_for_line(listener, "another process is using it")
    stream.wait()
    holder.execute("ROLLBACK")
    holder.close()
    assert_whole(listener, stream)


def test_the_log_removed_and_the_listener_killed(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = listener_on(tmp_path / "shelf", tmp_path / "log", mosquitto.port)
    stream = Stream(mosquitto.port, total=20_000, per_s=3_000).start()
    listener.wait_until_held(2_000)
    os.unlink(f"{listener.database}-wal")  # noqa: PTH108
    wait_for_line(listener, "was deleted while in use. Its content is in the database now")
    listener.kill()
    listener.start()
    stream.wait()
    assert_whole(listener, stream)


def test_a_database_that_a_newer_siccast_changed_ends_the_listener_in_one_line(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listener = listener_on(tmp_path / "shelf", tmp_path / "log", mosquitto.port)
    newer = sqlite3.connect(listener.database, isolation_level=None)
    migrate(newer, (*MIGRATIONS, ("from the future", "ALTER TABLE readings ADD COLUMN pressure INTEGER")))
    Stream(mosquitto.port, total=10, per_s=1_000).start().wait()
    assert listener.wait() == 1
    (line,) = lines_with(listener, "was upgraded by a newer siccast")
    assert "Install that version here" in line
    assert "Traceback" not in listener.log.read_text()
    assert newer.execute("SELECT count(*) FROM readings").fetchone() == (0,)
    newer.close()
    listener.start()
    assert listener.wait() == 1
    assert len(lines_with(listener, "was upgraded by a newer siccast")) == 2


def test_a_half_written_backlog_does_not_stop_the_feed(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = listener_on(tmp_path / "shelf", tmp_path / "log", mosquitto.port)
    half = b'[{"t": 1772350200, "temperature_c": 21.4, "rh_pct": 17.2}, {"t": 17723'
    topic = "siccast/1/attic/box1/reading"
    command = [require_program("mosquitto_pub"), "-p", str(mosquitto.port), "-q", "1", "-t", topic, "-s"]
    subprocess.run(command, input=half, check=True)
    stream = Stream(mosquitto.port, total=500, per_s=4_000).start()
    stream.wait()
    assert_whole(listener, stream)
    (line,) = lines_with(listener, "rejected siccast/1/attic/box1/reading")
    assert "is not JSON" in line
