"""Care for the database file: a copy while it is in use, its own check of itself, thinning of what is old."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from monitor.errors import StoreError
from monitor.store.sqlite.connection import explain
from monitor.store.sqlite.copies import beside, faults_of
from monitor.store.sqlite.migrations import begun_at
from monitor.store.sqlite.rows import to_ms
from monitor.store.sqlite.thinning import thin_box

if TYPE_CHECKING:
    from datetime import datetime, timedelta
    from pathlib import Path

    from monitor.store.sqlite.connection import Database


class SqliteUpkeep:
    """What can be done for a shelf's file besides reading and writing it."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self._database.path

    def begun_at(self) -> datetime | None:
        """Return when the file was begun; None where that was not noted."""
        with self._database.errors():
            return begun_at(self._database.connection)

    def waiting(self) -> int:
        """Return how many readings a second store does not have yet."""
        with self._database.errors():
            return int(self._database.connection.execute("SELECT count(*) FROM outbox").fetchone()[0])

    def back_up(self, target: Path) -> int:
        """Write a copy of this very moment beside a working listener, check it, and return its size. [bytes]

        Raises
        ------
        StoreError
            When the target exists or can't be written.
        """
        try:
            if target.exists():
                raise StoreError(f"{target} exists already. Choose another file name")
            with beside(target) as unfinished:
                self._copy_to(unfinished, target)
                if faults := faults_of(unfinished):
                    raise StoreError(f"the copy is damaged ({faults[0]}). Check the disk of {target}")
                unfinished.replace(target)
            return target.stat().st_size
        except OSError as error:
            raise StoreError(
                f"can't write {target}: {error.strerror}. Choose another file, in a folder that you may write to"
            ) from error

    def _copy_to(self, unfinished: Path, target: Path) -> None:
        """Copy, and say of the right file that it is to blame."""
        try:
            self._database.connection.execute("VACUUM INTO ?", (str(unfinished),))
        except sqlite3.Error as error:
            damaged = error.sqlite_errorname.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))
            raise explain(self.path if damaged else target, error) from error

    def faults(self) -> list[str]:
        """Return what SQLite finds wrong with the file; empty where it is sound."""
        with self._database.errors():
            rows = self._database.connection.execute("PRAGMA integrity_check(10)").fetchall()
        return [row[0] for row in rows if row[0] != "ok"]

    def thin(self, before: datetime, step: timedelta) -> int:
        """Keep one reading a step of what is older, and return how many were deleted.

        Hourly means stay, and the value of each hour that estimates rest on.
        """
        before_ms, step_ms = to_ms(before), round(step.total_seconds() * 1000.0)
        deleted = 0
        for (box_id,) in self._database.connection.execute("SELECT box_id FROM boxes").fetchall():
            with self._database.transaction() as connection:
                deleted += thin_box(connection, box_id, before_ms, step_ms)
        return deleted

    def shrink(self) -> int:
        """Give space that nothing uses any more back to the disk, and return how much the file shrank. [bytes]

        The file is written anew beside itself, so the disk needs room for that; a listener waits meanwhile.

        Raises
        ------
        StoreBusyError
            When the disk has no room for it, or another process holds the file.
        """
        before = self.path.stat().st_size
        with self._database.errors():
            self._database.connection.execute("VACUUM")
            self._database.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return max(0, before - self.path.stat().st_size)
