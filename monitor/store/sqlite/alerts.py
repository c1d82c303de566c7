"""Alerts that were found and the messages about them: an outbox that outlives whoever sends."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import orjson

from monitor.records.alerts import (
    Alert,
    AlertKind,
    HeldMessage,
    Message,
    MessageKind,
    RouteState,
    Sent,
    StandingAlert,
    Told,
)
from monitor.store.sqlite.rows import from_ms, from_ms_or_none, to_ms, to_ms_or_none

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

_COLUMNS = "box, matter, about, text, urgent, since_ms, clear_since_ms, heard_at_ms, ended_at_ms, matter_id"
_STANDING = f"SELECT {_COLUMNS} FROM alert_matters WHERE ended_at_ms IS NULL"
_INSERT = (
    "INSERT INTO alert_matters (box, matter, about, text, urgent, since_ms, clear_since_ms, heard_at_ms, ended_at_ms)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_UPDATE = "UPDATE alert_matters SET text = ?, urgent = ?, clear_since_ms = ?, ended_at_ms = ? WHERE matter_id = ?"
_PUT = (
    "INSERT INTO alert_messages (uid, route, kind, matter_id, step, made_at_ms) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (route, matter_id, kind, step) DO NOTHING"
)
_SAID = """
SELECT matter_id, count(*), CASE WHEN count(sent_at_ms) = count(*) THEN max(sent_at_ms) END
FROM alert_messages JOIN alert_matters USING (matter_id)
WHERE route = ? AND kind <> 'over' AND ended_at_ms IS NULL GROUP BY matter_id
"""
_HELD = f"""
SELECT message_id, kind, made_at_ms, {_COLUMNS} FROM alert_messages JOIN alert_matters USING (matter_id)
WHERE route = ? AND sent_at_ms IS NULL AND content IS NULL AND part_of IS NULL AND withdrawn_at_ms IS NULL
ORDER BY message_id
"""
_READY = """
SELECT message_id, uid, kind, made_at_ms, content FROM alert_messages
WHERE route = ? AND sent_at_ms IS NULL AND content IS NOT NULL ORDER BY message_id
"""
_TOLD = f"""
SELECT uid, {_COLUMNS} FROM alert_messages JOIN alert_matters USING (matter_id)
WHERE message_id IN (SELECT max(message_id) FROM alert_messages
                     WHERE route = ? AND kind <> 'over' AND sent_at_ms IS NOT NULL GROUP BY matter_id)
      AND ended_at_ms IS NULL ORDER BY message_id
"""
_ROUTES = """
SELECT route, (SELECT count(*) FROM alert_messages AS m
               WHERE m.route = r.route AND m.sent_at_ms IS NULL AND m.content IS NOT NULL),
       sent_at_ms, failing_since_ms, trouble FROM alert_routes AS r
"""
_FAILED = """
INSERT INTO alert_routes VALUES (?, NULL, ?, ?)
ON CONFLICT (route) DO UPDATE SET failing_since_ms = coalesce(failing_since_ms, excluded.failing_since_ms),
                                  trouble = excluded.trouble
"""
_WORKED = """
INSERT INTO alert_routes VALUES (?, ?, NULL, '')
ON CONFLICT (route) DO UPDATE SET sent_at_ms = excluded.sent_at_ms, failing_since_ms = NULL, trouble = ''
"""


class SqliteAlerts:
    """Keeps the ``Alerts`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything kept in the body lands, or nothing does; nobody else writes meanwhile."""
        with self._database.transaction():
            yield

    def standing(self) -> Sequence[StandingAlert]:
        """Return the alerts that are not over, oldest first."""
        return [_to_standing(row) for row in self._rows(f"{_STANDING} ORDER BY matter_id")]

    def keep(self, standing: Iterable[StandingAlert]) -> Sequence[StandingAlert]:
        """Keep alerts as they stand now, and return them with the numbers of those that are new."""
        with self._database.transaction() as connection:
            return [_kept(connection, one) for one in standing]

    def hear(self, now: datetime, box: str | None = None) -> Sequence[StandingAlert]:
        """Note that a person has heard what stands of a box, or of all; return what they had not heard before."""
        with self._database.transaction() as connection:
            unheard = [one for one in self.standing() if one.heard_at is None and box in (None, one.alert.box)]
            connection.executemany(
                "UPDATE alert_matters SET heard_at_ms = ? WHERE matter_id = ?",
                [(to_ms(now), one.alert_id) for one in unheard],
            )
        return [replace(one, heard_at=now) for one in unheard]

    def said(self, route: str) -> Mapping[int, Sent]:
        """Return what was put on its way by a route, by the number of the alert; of those that stand."""
        return {
            alert_id: Sent(steps, from_ms_or_none(sent_at_ms))
            for alert_id, steps, sent_at_ms in self._rows(_SAID, route)
        }

    def put(self, route: str, alert_id: int, kind: MessageKind, step: int, now: datetime) -> None:
        """Put an alert on its way; one that is there already stays as it is."""
        with self._database.transaction() as connection:
            connection.execute(_PUT, (uuid4().hex, route, kind.value, alert_id, step, to_ms(now)))

    def held(self, route: str) -> Sequence[HeldMessage]:
        """Return the alerts on their way by a route that are not released, in the order in which they came."""
        return [
            HeldMessage(message_id, MessageKind(kind), from_ms(made_at_ms), _to_standing(row))
            for message_id, kind, made_at_ms, *row in self._rows(_HELD, route)
        ]

    def release(self, parts: Sequence[HeldMessage], message: Message) -> None:
        """Let alerts go out as this one message; from now on it stays as it is."""
        content = orjson.dumps(
            {"subject": message.subject, "text": message.text, "told": [asdict(told) for told in message.told]}
        ).decode()
        numbers = [(part.message_id,) for part in parts]
        with self._database.transaction() as connection:
            if len(parts) == 1:
                connection.execute(
                    "UPDATE alert_messages SET content = ?, made_at_ms = ? WHERE message_id = ?",
                    (content, to_ms(message.made_at), *numbers[0]),
                )
                return
            whole = connection.execute(
                "INSERT INTO alert_messages (uid, route, kind, made_at_ms, content) VALUES (?, ?, ?, ?, ?)",
                (uuid4().hex, message.route, message.kind.value, to_ms(message.made_at), content),
            ).lastrowid
            connection.executemany(f"UPDATE alert_messages SET part_of = {whole} WHERE message_id = ?", numbers)

    def withdraw(self, parts: Sequence[HeldMessage], now: datetime) -> None:
        """Let alerts never go out; that they were on their way stays readable."""
        with self._database.transaction() as connection:
            connection.executemany(
                "UPDATE alert_messages SET withdrawn_at_ms = ? WHERE message_id = ?",
                [(to_ms(now), part.message_id) for part in parts],
            )

    def ready(self, route: str) -> Sequence[Message]:
        """Return the messages that were released for a route and not sent, oldest first."""
        return [
            Message(
                uid=uid,
                route=route,
                kind=MessageKind(kind),
                made_at=from_ms(made_at_ms),
                message_id=message_id,
                **_read_content(content),
            )
            for message_id, uid, kind, made_at_ms, content in self._rows(_READY, route)
        ]

    def told_by(self, route: str) -> Mapping[str, StandingAlert]:
        """Return the alerts that stand that were sent by a route, by the uid of the newest."""
        return {uid: _to_standing(row) for uid, *row in self._rows(_TOLD, route)}

    def mark_sent(self, message: Message, now: datetime) -> None:
        """Note that a message was taken, and that its route works."""
        with self._database.transaction() as connection:
            connection.execute(
                "UPDATE alert_messages SET sent_at_ms = ? WHERE message_id = ? OR part_of = ?",
                (to_ms(now), message.message_id, message.message_id),
            )
            connection.execute(_WORKED, (message.route, to_ms(now)))

    def mark_failed(self, route: str, trouble: str, now: datetime) -> None:
        """Note that a route does not work, and why; since when stays as it was."""
        with self._database.transaction() as connection:
            connection.execute(_FAILED, (route, to_ms(now), trouble))

    def routes(self) -> Mapping[str, RouteState]:
        """Return how each route is doing that was ever used."""
        return {
            route: RouteState(route, waiting, from_ms_or_none(sent_at_ms), from_ms_or_none(failing_since_ms), trouble)
            for route, waiting, sent_at_ms, failing_since_ms, trouble in self._rows(_ROUTES)
        }

    def _rows(self, question: str, *values: object) -> list[tuple[Any, ...]]:
        with self._database.errors():
            return self._database.connection.execute(question, values).fetchall()


def _kept(connection: sqlite3.Connection, standing: StandingAlert) -> StandingAlert:
    alert, times = standing.alert, (to_ms_or_none(standing.clear_since), to_ms_or_none(standing.ended_at))
    if standing.alert_id:
        connection.execute(_UPDATE, (alert.text, alert.urgent, *times, standing.alert_id))
        return standing
    begin = (alert.box, alert.kind.value, alert.about, alert.text, alert.urgent, to_ms(standing.since))
    inserted = connection.execute(_INSERT, (*begin, times[0], to_ms_or_none(standing.heard_at), times[1]))
    return replace(standing, alert_id=int(inserted.lastrowid or 0))


def _to_standing(row: Sequence[Any]) -> StandingAlert:
    box, kind, about, text, urgent, since_ms, clear_since_ms, heard_at_ms, ended_at_ms, alert_id = row
    return StandingAlert(
        Alert(box, AlertKind(kind), text, about, bool(urgent)),
        from_ms(since_ms),
        from_ms_or_none(clear_since_ms),
        from_ms_or_none(heard_at_ms),
        from_ms_or_none(ended_at_ms),
        alert_id,
    )


def _read_content(content: str) -> dict[str, Any]:
    read = orjson.loads(content)
    return {**read, "told": tuple(Told(**told) for told in read["told"])}
