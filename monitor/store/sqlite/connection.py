"""One connection to the database file, and the rules by which it is read and written."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from typing import TYPE_CHECKING

from monitor.errors import StoreBusyError, StoreError
from monitor.store.sqlite.migrations import MIGRATIONS, applied_steps, migrate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BUSY_TIMEOUT_S = 5.0
_PAGE_CACHE_KIB = 16_384
"""Room for the pages that a thousand boxes are written to at once, four times over; more gains nothing."""
_MAY_PASS = {
    "SQLITE_BUSY": "another process holds it; it is tried again",
    "SQLITE_LOCKED": "another connection holds it; it is tried again",
    "SQLITE_FULL": "the disk is full; free some space",
    "SQLITE_IOERR": "the disk failed to read or write; look at its space and health",
    "SQLITE_READONLY": "it is read-only; make the file and its folder writable",
    "SQLITE_CANTOPEN": "it can't be opened; the folder has to exist and be writable",
}


class Database:
    """The shelf's SQLite file: write-ahead log, every commit on the disk before it returns."""

    def __init__(self, path: Path, *, read_only: bool = False, synchronous: str = "FULL") -> None:
        self.path = path
        self._read_only = read_only
        self._synchronous = synchronous
        self._log = path.with_name(path.name + "-wal")
        with self.errors():
            self.connection = self._open()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Everything written in the body lands, or nothing does; within another one, it lands with that one."""
        if self.connection.in_transaction:
            with self._part_of_one():
                yield self.connection
            return
        with self.errors():
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # a full disk has rolled back already
                    self.connection.execute("ROLLBACK")
                raise
            self._outlive_a_removed_log()

    @contextlib.contextmanager
    def _part_of_one(self) -> Iterator[None]:
        self.connection.execute("SAVEPOINT part")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self.connection.execute("ROLLBACK TO part")
            raise
        finally:
            with contextlib.suppress(sqlite3.Error):
                self.connection.execute("RELEASE part")

    @contextlib.contextmanager
    def errors(self) -> Iterator[None]:
        """Turn errors of SQLite into ours, in one line."""
        try:
            yield
        except sqlite3.Error as error:
            raise _explain(self.path, error) from error

    def close(self) -> None:
        """Close; the last one to close folds the log into the file."""
        self.connection.close()

    def _open(self) -> sqlite3.Connection:
        if self._read_only:
            connection = self._connect("mode=ro")
            if not _is_readable(connection) and not self._log.exists():
                connection.close()
                connection = self._connect("mode=ro&immutable=1")  # a folder nobody can write to
            return self._brought_up_to_date(connection)
        connection = self._connect("mode=rwc")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {self._synchronous}")
        connection.execute("PRAGMA foreign_keys = ON")
        migrate(connection)
        _require_known_schema(self.path, connection)
        return connection

    def _brought_up_to_date(self, connection: sqlite3.Connection) -> sqlite3.Connection:
        """Let a reader that meets an older file bring it up to date, where it may."""
        if os.access(self.path, os.W_OK) and applied_steps(connection) < {name for name, _ in MIGRATIONS}:
            Database(self.path).close()
        _require_known_schema(self.path, connection)
        return connection

    def _connect(self, mode: str) -> sqlite3.Connection:
        address = self.path.absolute().as_uri() + "?" + mode
        connection = sqlite3.connect(
            address, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S, check_same_thread=not self._read_only
        )
        connection.execute(f"PRAGMA cache_size = -{_PAGE_CACHE_KIB}")
        return connection

    def _outlive_a_removed_log(self) -> None:
        """Fold the log into the file and start anew where someone deleted it under us.

        Without this, commits would go on into a file that no longer has a name and would be gone at a crash.
        """
        if not self._log.exists():
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self.connection.close()
            self.connection = self._open()


def _is_readable(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        return False
    return True


def _require_known_schema(path: Path, connection: sqlite3.Connection) -> None:
    applied, known = applied_steps(connection), {name for name, _ in MIGRATIONS}
    if applied - known:
        raise StoreError(f"{path} was written by a newer siccast (it knows '{min(applied - known)}'); update this one")
    if known - applied:
        raise StoreError(
            f"{path} is of an older siccast; open it once with write permission and it is brought up to date"
        )


def _explain(path: Path, error: sqlite3.Error) -> StoreError:
    name = getattr(error, "sqlite_errorname", "") or ""
    for prefix, remedy in _MAY_PASS.items():
        if name.startswith(prefix):
            return StoreBusyError(f"{path}: {remedy} ({error})")
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return StoreError(f"{path} is damaged or no database of ours ({error}); put a backup in its place")
    return StoreError(f"{path}: {error}")
