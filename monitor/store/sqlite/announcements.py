"""Days of drying that calendars were told of; a look writes them as it keeps outlooks, where nobody has to wait."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from monitor.records.announced import AnnouncedEvent, DryingSession
from monitor.store.sqlite.beside import log_was_taken_away, writing_beside
from monitor.store.sqlite.rows import from_ms, from_ms_or_none, to_ms, to_ms_or_none

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.store.sqlite.connection import Database

_SELECT = "SELECT uid, on_day, sequence, changed_at_ms, cancelled, session FROM announced_events ORDER BY on_day, uid"


class SqliteAnnouncements:
    """Keeps the ``Announcements`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self) -> Sequence[AnnouncedEvent]:
        """Return the events as they were told last, in the order of their days."""
        with contextlib.suppress(sqlite3.Error):
            return _read(self._database.connection)
        return []

    def renew(self, change: Callable[[Sequence[AnnouncedEvent]], Sequence[AnnouncedEvent]]) -> Sequence[AnnouncedEvent]:
        """Keep what these events become, and return that; where it can't be kept at once, return it all the same."""
        there = self.all()
        told = change(there)
        if list(told) == list(there) or log_was_taken_away(self._database.path):
            return told
        with contextlib.suppress(sqlite3.Error), writing_beside(self._database.path) as connection:
            there = _read(connection)
            told = change(there)
            _write(connection, there, told)
        return told


def rename_announced(connection: sqlite3.Connection, old: str, new: str) -> None:
    """Give a box another name in what was announced, so that its events are known again."""
    for one in _read(connection):
        if old in one.session.boxes:
            boxes = tuple(new if box == old else box for box in one.session.boxes)
            body = _packed(replace(one.session, boxes=boxes))
            connection.execute(
                "UPDATE announced_events SET session = ?, sequence = sequence + 1 WHERE uid = ?", (body, one.uid)
            )


def _write(connection: sqlite3.Connection, there: Sequence[AnnouncedEvent], told: Sequence[AnnouncedEvent]) -> None:
    connection.executemany(
        "INSERT OR REPLACE INTO announced_events VALUES (?, ?, ?, ?, ?, ?)",
        [_to_row(one) for one in told if one not in there],
    )
    kept = {one.uid for one in told}
    connection.executemany(
        "DELETE FROM announced_events WHERE uid = ?", [(one.uid,) for one in there if one.uid not in kept]
    )


def _read(connection: sqlite3.Connection) -> Sequence[AnnouncedEvent]:
    found = (_to_event(row) for row in connection.execute(_SELECT).fetchall())
    return [one for one in found if one is not None]


def _to_row(one: AnnouncedEvent) -> tuple[object, ...]:
    session = one.session
    return (
        one.uid,
        session.on.isoformat(),
        one.sequence,
        to_ms(one.changed_at),
        int(one.is_cancelled),
        _packed(session),
    )


def _packed(session: DryingSession) -> str:
    body = {
        "appliance": session.appliance,
        "boxes": session.boxes,
        "details": session.details,
        "starts_at_ms": to_ms_or_none(session.starts_at),
        "ends_at_ms": to_ms_or_none(session.ends_at),
        "alarms_at_ms": [to_ms(at) for at in session.alarms_at],
        "spares": session.spares,
    }
    return json.dumps(body, ensure_ascii=False)


def _to_event(row: tuple[Any, ...]) -> AnnouncedEvent | None:
    """Return a row as an event; None where it can't be one."""
    uid, on_day, sequence, changed_at_ms, cancelled, packed = row
    try:
        body = json.loads(packed)
        session = DryingSession(
            date.fromisoformat(on_day),
            body["appliance"],
            tuple(body["boxes"]),
            body["details"],
            from_ms_or_none(body["starts_at_ms"]),
            from_ms_or_none(body["ends_at_ms"]),
            tuple(from_ms(at) for at in body["alarms_at_ms"]),
            tuple(body.get("spares", ())),
        )
        return AnnouncedEvent(uid, session, from_ms(changed_at_ms), sequence, bool(cancelled))
    except (ValueError, TypeError, KeyError, OverflowError):
        return None
