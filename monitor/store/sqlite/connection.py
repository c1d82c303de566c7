"""One connection to the database file, and the rules by which it is read and written."""

from __future__ import annotations

import contextlib
import platform
import sqlite3
import time
from typing import TYPE_CHECKING

from monitor.errors import StoreBusyError, StoreError, UnknownNameError
from monitor.store.sqlite.copies import create_privately
from monitor.store.sqlite.held_files import HeldFiles
from monitor.store.sqlite.schema import bring_up_to_date, require_begun, require_ours, require_present

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

_TRIES, _BETWEEN_TRIES_S = 20, 0.05  # judgements: a new file is begun within some milliseconds
BUSY_TIMEOUT_S = 5.0  # judgement: longer than any transaction of ours, shorter than a person waits
_PAGE_CACHE_KIB = 16_384
"""Room for the pages that a thousand boxes are written to at once, four times over; more gains nothing (a
judgement)."""
_MAY_PASS = {
    "SQLITE_BUSY": "another process is using it; wait a moment",
    "SQLITE_LOCKED": "another connection is using it; wait a moment",
    "SQLITE_FULL": "the disk is full; free some space",
    "SQLITE_IOERR": "the disk failed to read or write; check its space and health",
    "SQLITE_READONLY": "it is read-only; make the file and its folder writable",
    "SQLITE_CANTOPEN": "it can't be opened; the folder must exist and be writable",
}


class Database:
    """The shelf's SQLite file: write-ahead log, every commit on the disk before it returns."""

    def __init__(
        self,
        path: Path,
        *,
        read_only: bool = False,
        any_schema: bool = False,
        synchronous: str = "FULL",
        report: Callable[[str], None] = lambda _: None,
        now: datetime | None = None,
    ) -> None:
        self.path = path
        self.generation = 0
        """Counts how often another process changed the tables or put a backup in: numbers kept from before are void."""
        self._read_only = read_only
        self._any_schema = any_schema
        self._synchronous = synchronous
        self._report = report
        self._now = now
        self._log = path.with_name(path.name + "-wal")
        self._held: HeldFiles | None = None
        with self.errors():
            self.connection = self._open()
            self._schema_version = self._read_schema_version()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Everything written in the body lands in the files that bear our names, or nothing does.

        Within another transaction it lands with that one.
        """
        if self.connection.in_transaction:
            with self._part_of_one():
                yield self.connection
            return
        with self.errors():
            self._outlive_a_removed_log()
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                self._notice_another_schema()
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
        except (sqlite3.Error, UnicodeDecodeError) as error:  # a message may quote what is no text any more
            raise explain(self.path, error) from error
        except OverflowError as error:
            raise UnknownNameError(
                f"{self.path} holds no number that is so long. Check the number that you gave"
            ) from error

    def close(self) -> None:
        """Close; the last one to close folds the log into the file."""
        if self._held is not None:
            self._held.let_go()
            self._held = None
        self.connection.close()

    def __reduce__(self) -> tuple[Callable[..., Database], tuple[Path, Place]]:
        """Travel as the place of the file: it is opened to read where this arrives."""
        path = self.path.absolute()
        return _opened_to_read, (path, place_of(path))

    def _open(self) -> sqlite3.Connection:
        if self._read_only:
            return self._open_to_read()
        try:
            if not self.path.exists():
                create_privately(self.path)
        except OSError as error:
            raise StoreBusyError(
                f"{self.path} can't be made: {error.strerror}. The folder must exist and be writable"
            ) from error
        connection = self._connect("mode=rw")
        try:
            self._prepare_to_write(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _prepare_to_write(self, connection: sqlite3.Connection) -> None:
        connection.execute(f"PRAGMA cache_size = -{_PAGE_CACHE_KIB}")
        require_ours(self.path, connection)
        _write_ahead(connection)
        connection.execute(f"PRAGMA synchronous = {self._synchronous}")
        connection.execute("PRAGMA foreign_keys = ON")
        bring_up_to_date(self.path, connection, self._report, self._now)
        self._held = HeldFiles(self.path, self._log)

    def _open_to_read(self) -> sqlite3.Connection:
        connection = self._connect("mode=ro")
        try:
            if not _is_readable(connection):  # a folder nobody can write to
                self._require_an_empty_log()
                connection.close()
                connection = self._connect("mode=ro&immutable=1")
            connection.execute(f"PRAGMA cache_size = -{_PAGE_CACHE_KIB}")
            (require_begun if self._any_schema else require_present)(self.path, connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _require_an_empty_log(self) -> None:
        if self._log.exists() and self._log.stat().st_size:
            raise StoreError(
                f"{self._log} has what was written last, but it can't be read here because nothing may be written. "
                "Copy both files into a folder of yours, and give that folder with --shelf"
            )

    def _connect(self, mode: str) -> sqlite3.Connection:
        if self.path.exists() and not self.path.is_file():  # a pipe would be waited for
            raise StoreError(
                f"{self.path} is a folder, a pipe or a device, not a database. `siccast restore` moves it aside and"
                " puts a backup in its place"
            )
        address = self.path.absolute().as_uri() + "?" + mode
        return sqlite3.connect(
            address, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S, check_same_thread=not self._read_only
        )

    def _outlive_a_removed_log(self) -> None:
        """Fold the log into the file and start anew where someone deleted it under us.

        Without this, commits would go on into a file that no longer has a name and would be gone at a crash. What was
        written into a database that itself is gone can't be answered for.
        """
        if self._read_only:
            return
        if self._held is None:  # it could not be opened again
            self.connection = self._open()
        held = self._held
        assert held is not None
        if held.database_is_another():
            raise StoreError(
                f"{self.path} was deleted or replaced while siccast had it open. What was being written is not"
                " saved. "
                "Restore a backup with `siccast restore`, or put the file back, and start again"
            )
        if not held.log_is_another():
            return
        if held.log_was_folded():
            before, self.connection = self.connection, self._open()  # the last to close would fold what is stale
            before.close()
            held.let_go()
            return
        if held.log_was_continued_elsewhere():
            raise StoreError(
                f"{self._log} was deleted, and another process went on without its content. Stop siccast, and"
                " restore "
                "a backup with `siccast restore`"
            )
        if self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]:
            raise StoreBusyError(
                f"{self._log} was deleted. Another process is using the database, so its content can't be "
                "written there yet; wait a moment"
            )
        self._report(f"{self._log} was deleted while in use. Its content is in the database now. Never delete it")
        self.close()
        self.connection = self._open()

    def _notice_another_schema(self) -> None:
        version = self._read_schema_version()
        if version != self._schema_version:
            require_present(self.path, self.connection)
            self._schema_version = version
            self.generation += 1

    def _read_schema_version(self) -> int:
        return int(self.connection.execute("PRAGMA schema_version").fetchone()[0])


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Turn the write-ahead log on; SQLite itself does not wait where another process does so to the same new file."""
    for left in reversed(range(_TRIES)):
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if not left or not error.sqlite_errorname.startswith("SQLITE_BUSY"):
                raise
            time.sleep(_BETWEEN_TRIES_S)
        else:
            return


def _is_readable(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_IOERR_SHM")):
            return False
        raise
    return True


def explain(path: Path, error: Exception) -> StoreError:
    """Return our error for one of SQLite's: which file, what is wrong, and what to do."""
    name = getattr(error, "sqlite_errorname", "") or ""
    for prefix, remedy in _MAY_PASS.items():
        if name.startswith(prefix):
            return StoreBusyError(f"{path}: {remedy} ({error})")
    if isinstance(error, UnicodeDecodeError) or name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return StoreError(f"{path} is damaged, or not a database of siccast ({error}). Put a backup in its place")
    if name == "SQLITE_ERROR":  # our questions are sound, so it is the tables that are not
        return StoreError(f"{path} lacks what every database of siccast has ({error}). Put a backup in its place")
    return StoreError(f"{path}: {error}")


Place = tuple[str, int, int]
"""Machine, device and number of a file."""


def place_of(path: Path) -> Place:
    """Return where a file is; a copy of it has another place."""
    try:
        status = path.stat()
    except OSError:
        return platform.node(), 0, 0
    return platform.node(), status.st_dev, status.st_ino


def _opened_to_read(path: Path, place: Place) -> Database:
    if place_of(path) != place:
        raise StoreError(
            f"{path} is on the machine {place[0]} and can be read only there. Start workers there, or keep readings in"
            " InfluxDB too: [influx] in shelf.toml"
        )
    return Database(path, read_only=True)
