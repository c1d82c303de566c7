"""Whether anybody wrote into the shelf's file, and what: asked often, so it has to cost next to nothing.

A connection is kept, which SQLite tells of commits of others (`PRAGMA data_version`) without reading the file. It is
given up where the file or its log bears another identity than it had, as after a restore, or a log that was deleted.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.errors import StoreError
from monitor.store.sqlite.connection import Database, place_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from monitor.store.sqlite.connection import Place

Row = tuple[int | None, ...]

_MARKS = (
    "SELECT count(*), sum(at_ms) FROM latest",
    "SELECT max(entry_id), count(taken_back_at_ms) FROM ledger",
    "SELECT max(deed_id), count(taken_back_at_ms) FROM deeds",
    "SELECT max(decision_id), count(taken_back_at_ms) FROM plan_decisions",
    "SELECT count(*), sum(as_of_ms) FROM kept_outlooks",  # of a row only the columns before its large ones are read
    "SELECT max(checksum), count(*) FROM kept_plan",
    "SELECT max(rejection_id) FROM rejected",
)


@dataclass(frozen=True, slots=True)
class Marks:
    """What differs from before where something of a kind was written."""

    readings: Row
    """Of the newest reading of each box."""
    ledger: Row
    desk: Row
    plan: Row
    outlooks: Row
    kept_plan: Row
    rejected: Row


class Watch:
    """Notices what other connections commit; threads take turns, as a server that ends may close it during a look."""

    def __init__(self, path: Path, require: Callable[[Path], None]) -> None:
        """``require`` says in words of ours where there is no such file."""
        self._path, self._require = path, require
        self._log = path.with_name(path.name + "-wal")
        self._turn = threading.Lock()
        self._database: Database | None = None
        self._identity: tuple[Place, Place] | None = None
        self._version: int | None = None
        self._marks: Marks | None = None

    def look(self) -> Marks | None:
        """Return the marks as they are now; None where nothing was written since the last look.

        Raises
        ------
        StoreError
            Where the file is gone or can't be read; the next look tries again.
        """
        with self._turn:
            try:
                return self._look()
            except StoreError:
                self._let_go()
                raise

    def close(self) -> None:
        """Let go of the file, once a look that is under way has ended."""
        with self._turn:
            self._let_go()

    def _let_go(self) -> None:
        if self._database is not None:
            self._database.close()
        self._database = self._version = None

    def _look(self) -> Marks | None:
        database = self._opened()
        with database.errors():
            version = int(database.connection.execute("PRAGMA data_version").fetchall()[0][0])
            if version == self._version:
                return None
            rows = [database.connection.execute(question).fetchall()[0] for question in _MARKS]
        self._version, before, self._marks = version, self._marks, Marks(*rows)
        return None if self._marks == before else self._marks

    def _opened(self) -> Database:
        """Return the connection to the file that bears the name now."""
        identity = place_of(self._path), place_of(self._log)
        if self._database is not None and identity != self._identity:
            self._let_go()
        if self._database is None:
            self._require(self._path)
            self._database = Database(self._path, read_only=True)
            self._identity = place_of(self._path), place_of(self._log)
        return self._database
