"""The events of the recharge desk: added or taken back, never edited; a box's own entry lands with its event."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import asdict, fields
from datetime import date
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, get_args

import orjson

from monitor.errors import UnknownNameError
from monitor.records.desk_events import DeskEvent, LoggedEvent
from monitor.store.sqlite.ledger import INSERT_ENTRY, entry_row
from monitor.store.sqlite.rows import from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from monitor.records import LedgerEntry
    from monitor.store.sqlite.connection import Database

_KINDS = MappingProxyType({kind.__name__: kind for kind in get_args(DeskEvent)})
_INSERT = "INSERT INTO deeds (kind, at_ms, body, ledger_entry_id, logged_at_ms) VALUES (?, ?, ?, ?, ?)"
_SELECT = "SELECT deed_id, kind, at_ms, body, ledger_entry_id FROM deeds WHERE taken_back_at_ms IS NULL"


class SqliteDeskEvents:
    """Keeps the ``Deeds`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything logged or taken back in the body lands, or nothing does; nobody else writes meanwhile."""
        with self._database.transaction():
            yield

    def log(self, event: DeskEvent, at: datetime, now: datetime, box_entry: LedgerEntry | None = None) -> LoggedEvent:
        """Keep an event and, where it touches a box, that box's ledger entry: both or neither."""
        with self._database.transaction() as connection:
            entry_id = connection.execute(INSERT_ENTRY, entry_row(box_entry, now)).lastrowid if box_entry else None
            row = (type(event).__name__, to_ms(at), orjson.dumps(asdict(event)).decode(), entry_id, to_ms(now))
            event_id = int(connection.execute(_INSERT, row).lastrowid or 0)
        return LoggedEvent(event_id, at, event)

    def undo(self, event_id: int, now: datetime) -> LoggedEvent:
        """Take an event back, and the box's ledger entry that landed with it."""
        with self._database.transaction() as connection:
            row = connection.execute(f"{_SELECT} AND deed_id = ?", (event_id,)).fetchone()
            if row is None:
                raise UnknownNameError(
                    f"there is no number {event_id} in the log, or it was undone before. `siccast lot log` lists them"
                )
            _take_back(connection, "deeds", "deed_id", event_id, now)
            if row[4] is not None:
                _take_back(connection, "ledger", "entry_id", row[4], now)
        return _to_event(row)

    def events(self) -> Sequence[LoggedEvent]:
        """Return the events that count, in the order in which they were logged."""
        with self._database.errors():
            rows = self._database.connection.execute(f"{_SELECT} ORDER BY deed_id")
            return [_to_event(row) for row in rows]

    def stamp(self) -> object:
        """Return the number of the newest event, and how many were taken back."""
        with self._database.errors():
            row = self._database.connection.execute("SELECT max(deed_id), count(taken_back_at_ms) FROM deeds")
            return row.fetchone()


def _take_back(connection: sqlite3.Connection, table: str, key: str, number: int, now: datetime) -> None:
    connection.execute(
        f"UPDATE {table} SET taken_back_at_ms = ? WHERE {key} = ? AND taken_back_at_ms IS NULL", (to_ms(now), number)
    )


def _to_event(row: tuple[Any, ...]) -> LoggedEvent:
    event_id, kind, at_ms, body, _ = row
    values = orjson.loads(body)
    for field in fields(_KINDS[kind]):
        value = values.get(field.name)
        if isinstance(value, list):
            values[field.name] = tuple(value)
        elif field.name.endswith("_on") and value is not None:
            values[field.name] = date.fromisoformat(value)
    return LoggedEvent(event_id, from_ms(at_ms), _KINDS[kind](**values))
