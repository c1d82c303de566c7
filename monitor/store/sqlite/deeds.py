"""The deeds of the recharge desk: added or taken back, never edited; a box's own entry lands with its deed."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import asdict, fields
from datetime import UTC, date, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, get_args

import orjson

from monitor.deeds import Deed, LoggedDeed
from monitor.errors import LedgerError
from monitor.store.sqlite.ledger import INSERT_ENTRY, entry_row
from monitor.store.sqlite.rows import from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Sequence

    from monitor.records import LedgerEntry
    from monitor.store.sqlite.connection import Database

_KINDS = MappingProxyType({kind.__name__: kind for kind in get_args(Deed)})
_INSERT = "INSERT INTO deeds (kind, at_ms, body, ledger_entry_id, logged_at_ms) VALUES (?, ?, ?, ?, ?)"
_SELECT = "SELECT deed_id, kind, at_ms, body, ledger_entry_id FROM deeds WHERE taken_back_at_ms IS NULL"


class SqliteDeeds:
    """Keeps the ``Deeds`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @contextmanager
    def together(self) -> Iterator[None]:
        """Everything logged or taken back in the body lands, or nothing does; nobody else writes meanwhile."""
        with self._database.transaction():
            yield

    def log(self, deed: Deed, at: datetime, box_entry: LedgerEntry | None = None) -> LoggedDeed:
        """Keep a deed and, where it touches a box, that box's ledger entry: both or neither."""
        with self._database.transaction() as connection:
            entry_id = connection.execute(INSERT_ENTRY, entry_row(box_entry)).lastrowid if box_entry else None
            row = (type(deed).__name__, to_ms(at), orjson.dumps(asdict(deed)).decode(), entry_id, _now_ms())
            deed_id = int(connection.execute(_INSERT, row).lastrowid or 0)
        return LoggedDeed(deed_id, at, deed)

    def undo(self, deed_id: int) -> LoggedDeed:
        """Take a deed back, and the box's ledger entry that landed with it."""
        with self._database.transaction() as connection:
            row = connection.execute(f"{_SELECT} AND deed_id = ?", (deed_id,)).fetchone()
            if row is None:
                raise LedgerError(
                    f"there is no number {deed_id} in the log, or it was undone before. `siccast lot log` lists them"
                )
            _take_back(connection, "deeds", "deed_id", deed_id)
            if row[4] is not None:
                _take_back(connection, "ledger", "entry_id", row[4])
        return _to_deed(row)

    def deeds(self) -> Sequence[LoggedDeed]:
        """Return the deeds that count, in the order in which they were logged."""
        with self._database.errors():
            rows = self._database.connection.execute(f"{_SELECT} ORDER BY deed_id")
            return [_to_deed(row) for row in rows]


def _take_back(connection: sqlite3.Connection, table: str, key: str, number: int) -> None:
    connection.execute(
        f"UPDATE {table} SET taken_back_at_ms = ? WHERE {key} = ? AND taken_back_at_ms IS NULL", (_now_ms(), number)
    )


def _now_ms() -> int:
    return to_ms(datetime.now(tz=UTC))


def _to_deed(row: tuple[Any, ...]) -> LoggedDeed:
    deed_id, kind, at_ms, body, _ = row
    values = orjson.loads(body)
    for field in fields(_KINDS[kind]):
        value = values.get(field.name)
        if isinstance(value, list):
            values[field.name] = tuple(value)
        elif field.name.endswith("_on") and value is not None:
            values[field.name] = date.fromisoformat(value)
    return LoggedDeed(deed_id, from_ms(at_ms), _KINDS[kind](**values))
