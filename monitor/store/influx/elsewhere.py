"""Of the shelf's file what the server can't say, for a machine where the file is not.

That is what still waits for the server, marks, what is set aside, and the values of thinned hours: little enough to be
sent along. Readings are looked for there as in the file.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from monitor.store.sqlite.connection import Database
from monitor.store.sqlite.migrations import migrate

if TYPE_CHECKING:
    from pathlib import Path

_WHOLE = ("boxes", "marks", "outbox", "set_aside", "thinned_hours")
_WAITING_OR_MARKED = """
FROM (SELECT box_id, at_ms FROM outbox UNION SELECT box_id, at_ms FROM marks) AS some
JOIN readings ON readings.box_id = some.box_id AND at_s = some.at_ms / 1000.0
"""


def known_to_the_file_alone(database: Database) -> bytes:
    """Return what the shelf's file knows and the server doesn't."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as part:
        migrate(part)
        part.execute("PRAGMA foreign_keys = OFF")
        part.execute("BEGIN")
        for table in (*_WHOLE, "readings"):
            names = [row[1] for row in part.execute(f"PRAGMA table_info({table})")]
            columns, places = ", ".join(f"{table}.{name}" for name in names), ", ".join("?" * len(names))
            source = _WAITING_OR_MARKED if table == "readings" else f"FROM {table}"
            with database.errors():
                rows = database.connection.execute(f"SELECT {columns} {source}")
                part.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({places})", rows)
        part.execute("COMMIT")
        return part.serialize()


class Part(Database):
    """What was sent along, in the place of the file."""

    def __init__(self, path: Path, data: bytes) -> None:
        self._data = data
        super().__init__(path, read_only=True)

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        connection.deserialize(self._data)
        return connection
