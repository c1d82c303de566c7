"""What people did to their boxes, and the messages that could not be used: added or taken back, never edited."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.errors import LedgerError, UnknownNameError
from monitor.records import EntryKind, LedgerEntry, RejectedMessage, Rejection
from monitor.store.contracts import REJECTED_LISTED
from monitor.store.sqlite.rows import LAST_MS, from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

_COLUMNS = (
    "kind, box, at_ms, mass_g, scale_resolution_g, desiccant, dry_mass_g, method,"
    " loading_p05, loading_p50, loading_p95, note, logged_at_ms,"
    " conductance_p05, conductance_p50, conductance_p95, color"
)
INSERT_ENTRY = f"INSERT INTO ledger ({_COLUMNS}) VALUES ({', '.join('?' for _ in _COLUMNS.split(','))})"
_SELECT = f"SELECT entry_id, {_COLUMNS} FROM ledger"

ALLOWANCE_BYTES = 64 * 1024 * 1024  # of rejections; judgement: weeks of a broken node, and no disk is filled by it
_ROW_BYTES = 200
"""What a rejection takes besides its texts and its payload, about (a judgement)."""

_LARGE_BYTES = 4096
"""Rejections are counted up a thousand at a time, and at once where one is larger than this (a
judgement)."""

_PRUNE = """
DELETE FROM rejected WHERE rejection_id <= (
    SELECT max(rejection_id) FROM (
        SELECT rejection_id, sum(
            length(payload) + length(CAST(topic AS BLOB)) + length(CAST(reason AS BLOB)) + ?
        ) OVER (ORDER BY rejection_id DESC) AS so_far FROM rejected
    ) WHERE so_far > ?
)
"""


class SqliteLedger:
    """Keeps the ``Ledger`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def log(self, entry: LedgerEntry, now: datetime) -> int:
        """Keep an entry and return its number."""
        with self._database.transaction() as connection:
            return int(connection.execute(INSERT_ENTRY, entry_row(entry, now)).lastrowid or 0)

    def undo(self, entry_id: int, now: datetime) -> LedgerEntry:
        """Mark an entry as taken back; it stays readable, and no longer counts."""
        with self._database.transaction() as connection:
            row = connection.execute(
                f"{_SELECT} WHERE entry_id = ? AND taken_back_at_ms IS NULL", (entry_id,)
            ).fetchone()
            if row is None:
                raise UnknownNameError(
                    f"there is no entry {entry_id} in the log, or it was undone before. `siccast log show` lists them"
                )
            event = connection.execute(
                "SELECT deed_id FROM deeds WHERE ledger_entry_id = ? AND taken_back_at_ms IS NULL", (entry_id,)
            ).fetchone()
            if event is not None:
                raise LedgerError(
                    f"entry {entry_id} came from the recharge desk. `siccast lot undo {event[0]}` undoes both"
                )
            connection.execute("UPDATE ledger SET taken_back_at_ms = ? WHERE entry_id = ?", (to_ms(now), entry_id))
        return _to_entry(row)

    def entries(self, box: str | None = None, before: datetime | None = None) -> Sequence[LedgerEntry]:
        """Return the entries that count, in the order of the instants they speak of."""
        with self._database.errors():
            rows = self._database.connection.execute(
                f"{_SELECT} WHERE taken_back_at_ms IS NULL AND box = coalesce(?, box) AND at_ms < ?"
                " ORDER BY at_ms, entry_id",
                (box, LAST_MS if before is None else to_ms(before)),
            )
            return [_to_entry(row) for row in rows]

    def entry(self, entry_id: int, *, undone: bool = False) -> LedgerEntry | None:
        """Return the entry of a number that counts, or one that was undone; None where there is no such."""
        with self._database.errors():
            row = self._database.connection.execute(
                f"{_SELECT} WHERE entry_id = ? AND (taken_back_at_ms IS NOT NULL) = ?", (entry_id, undone)
            ).fetchone()
            return None if row is None else _to_entry(row)

    def from_desk(self, box: str) -> Mapping[int, int]:
        """Return which entries of a box landed with an event of the desk, each with the number of that."""
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT ledger_entry_id, deed_id FROM deeds JOIN ledger ON entry_id = ledger_entry_id"
                " WHERE box = ? AND deeds.taken_back_at_ms IS NULL",
                (box,),
            )
            return dict(rows.fetchall())

    def stamp(self) -> object:
        """Return the number of the newest entry, and how many were taken back."""
        with self._database.errors():
            row = self._database.connection.execute("SELECT max(entry_id), count(taken_back_at_ms) FROM ledger")
            return row.fetchone()

    def rejected(self, newest: int = REJECTED_LISTED) -> Sequence[RejectedMessage]:
        """Return the newest rejected messages, newest first."""
        with self._database.errors():
            rows = self._database.connection.execute(
                f"{_SELECT_REJECTED} ORDER BY rejection_id DESC LIMIT ?", (newest,)
            )
            return [_to_rejected(row) for row in rows]

    def rejected_from(self, feed: str, after: int, at_most: int) -> Sequence[RejectedMessage]:
        """Return rejected messages of one feed with a higher number, oldest first."""
        with self._database.errors():
            rows = self._database.connection.execute(
                f"{_SELECT_REJECTED} AND feed = ? AND rejection_id > ? ORDER BY rejection_id LIMIT ?",
                (feed, after, at_most),
            )
            return [_to_rejected(row) for row in rows]

    def rejected_count(self) -> int:
        """Return how many messages were ever rejected."""
        with self._database.errors():
            return _rejection_count(self._database.connection)


def entry_row(entry: LedgerEntry, now: datetime) -> tuple[object, ...]:
    """Return the columns of an entry that is logged now, in the order of ``INSERT_ENTRY``."""
    return (
        entry.kind.value,
        entry.box,
        to_ms(entry.at),
        entry.mass_g,
        entry.scale_resolution_g,
        entry.desiccant,
        entry.dry_mass_g,
        entry.method,
        *(entry.loading_g_per_g or (None, None, None)),
        entry.note,
        to_ms(now),
        *(entry.conductance_g_per_day_per_kpa or (None, None, None)),
        entry.color,
    )


def _to_entry(row: tuple[object, ...]) -> LedgerEntry:
    entry_id, kind, box, at_ms, mass, resolution, desiccant, dry_mass, method, *loading, note, logged_ms = row[:-4]
    return LedgerEntry(
        EntryKind(kind), box, from_ms(at_ms), mass, resolution, desiccant, dry_mass, method,  # type: ignore[arg-type]
        loading_g_per_g=_three(loading), conductance_g_per_day_per_kpa=_three(row[-4:-1]),
        color=row[-1], note=note, entry_id=entry_id, logged_at=from_ms(logged_ms),  # type: ignore[arg-type]
    )  # fmt: skip


def _three(points: Sequence[object]) -> tuple[float, float, float] | None:
    return None if points[1] is None else (points[0], points[1], points[2])  # type: ignore[return-value]


def add_rejections(connection: sqlite3.Connection, rejections: Sequence[Rejection]) -> None:
    """Keep rejections, and forget the oldest where all together take more than their allowance."""
    if not rejections:
        return
    rows = [
        (to_ms(each.arrived_at), each.feed, _storable(each.topic), each.payload, _storable(each.reason), each.retained)
        for each in rejections
    ]
    connection.executemany(
        "INSERT INTO rejected (arrived_at_ms, feed, topic, payload, reason, retained) VALUES (?, ?, ?, ?, ?, ?)", rows
    )
    newest = int(connection.execute("SELECT max(rejection_id) FROM rejected").fetchone()[0])
    if newest // 1000 != (newest - len(rejections)) // 1000 or any(
        len(topic) + len(payload) + len(reason) > _LARGE_BYTES for _, _, topic, payload, reason, _ in rows
    ):
        connection.execute(_PRUNE, (_ROW_BYTES, ALLOWANCE_BYTES))


def _storable(text: str) -> str:
    """Return a text that UTF-8 can say; the name of a file may hold what it can't."""
    return text.encode("utf-8", "replace").decode()


def take_in(connection: sqlite3.Connection, taken_in: Mapping[int, datetime]) -> None:
    """Note when these were taken in after all; they stay, and are no longer listed."""
    connection.executemany(
        "UPDATE rejected SET taken_in_at_ms = ? WHERE rejection_id = ?",
        [(to_ms(at), rejection_id) for rejection_id, at in taken_in.items()],
    )


_SELECT_REJECTED = (
    "SELECT arrived_at_ms, feed, topic, payload, reason, retained, rejection_id FROM rejected"
    " WHERE taken_in_at_ms IS NULL"
)


def _to_rejected(row: tuple[Any, ...]) -> RejectedMessage:
    at_ms, feed, topic, payload, reason, retained, rejection_id = row
    return RejectedMessage(from_ms(at_ms), feed, topic, payload, reason, bool(retained), rejection_id)


def _rejection_count(connection: sqlite3.Connection) -> int:
    """Return how many messages were ever rejected, those no longer kept included."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'rejected'").fetchone()
    return int(row[0]) if row else 0
