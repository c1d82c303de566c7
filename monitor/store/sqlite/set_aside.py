"""What the readings table alone can't tell: repeats without a time, halves that wait, rows thinned out or withdrawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.records import HalfReading, Quantity, ReadingSource
from monitor.store.sqlite.rows import AT, HUMIDITY, SEQ, TEMPERATURE, Row, from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from monitor.records import Reading

REMEMBERED_MS = 86_400_000
"""A day, a judgement: brokers redeliver within hours. For so long a repeat of a reading without a time is known by its
sequence number and its values."""

_PRUNE_EVERY = 256  # how many readings; judgement: a search once in so many costs nothing


class StandIns:
    """Instants for readings without a time: the arrival's own millisecond, or the first after it that is free.

    One of these serves one transaction: it remembers which stretch of a box it found full, so that a thousand readings
    of one arrival don't each look through it again.
    """

    def __init__(self) -> None:
        self._full: dict[int, tuple[int, int]] = {}

    def next_after(self, row: Row) -> Row:
        """Return the row at the next instant that may be free, where its own is taken.

        Whether that one was free or not, it is full once the row was tried there.
        """
        box_id, at_ms, *given = row
        first, end = self._full.get(box_id, (0, 0))
        if not first <= at_ms < end:
            first, end = at_ms, at_ms + 1
        self._full[box_id] = (first, end + 1)
        return (box_id, end, *given)  # type: ignore[return-value]  # a list has no known length


class Beside:
    """What else decides whether a reading is new, looked up once for a transaction."""

    def __init__(self, connection: sqlite3.Connection, *, imported: bool) -> None:
        self.stand_ins = StandIns()
        self._connection = connection
        self._thinned = _thinned(connection)
        anything_aside = connection.execute("SELECT 1 FROM set_aside LIMIT 1").fetchone() is not None
        self._withdrawn = anything_aside and not imported

    @property
    def has_nothing(self) -> bool:
        """Whether the readings table alone tells if a reading with a time of its own is held."""
        return not self._thinned and not self._withdrawn

    def knows(self, reading: Reading, row: Row) -> bool:
        """Return whether a reading was here before, although its row may not be."""
        if not reading.sent_at_known:
            if came_before(self._connection, row):
                return True
        elif self._withdrawn and reading.source is ReadingSource.sensor and was_withdrawn(self._connection, row):
            return True
        return not reading.sent_at_known and self._kept(row) == 1

    def was_thinned_out(self, row: Row) -> bool:
        """Return whether a reading may have been here before it was thinned out; as a new one it would count twice."""
        return self._kept(row) == 0

    def _kept(self, row: Row) -> int | None:
        """Return 1 where thinning kept a row at just this instant, 0 where it kept another in its stead, else None."""
        before_ms, step_ms = self._thinned.get(row[0], (row[AT], 1))
        if row[AT] >= before_ms:
            return None
        start_ms = row[AT] // step_ms * step_ms
        kept = self._connection.execute(
            "SELECT max(at_s = ?2 / 1000.0) FROM readings WHERE box_id = ?1 AND at_s >= ?3 / 1000.0"
            " AND at_s < ?4 / 1000.0",
            (*row[: AT + 1], start_ms, start_ms + step_ms),
        )
        return kept.fetchone()[0]  # type: ignore[no-any-return]  # the driver is untyped


def came_before(connection: sqlite3.Connection, row: Row) -> bool:
    """Return whether a reading without a time came before under its sequence number, and remember it if not.

    A node that restarts counts from 0 again, so the values have to agree too. Once they don't, it counts anew: what it
    sent under its old numbers is forgotten, or steady air would make its new readings look like repeats of them.
    """
    box_id, seq = row[0], row[SEQ]
    if seq is None:
        return False
    given = (row[TEMPERATURE], row[HUMIDITY])
    the_day = (row[AT] - REMEMBERED_MS, row[AT] + REMEMBERED_MS)  # on both sides: a clock may have been set back
    held = connection.execute(
        "SELECT temperature, humidity FROM timeless WHERE box_id = ? AND seq = ? AND at_ms > ? AND at_ms < ?",
        (box_id, seq, *the_day),
    ).fetchone()
    if held == given:
        return True
    if held is not None:
        connection.execute("DELETE FROM timeless WHERE box_id = ?", (box_id,))
    elif row[AT] % _PRUNE_EVERY == 0:
        connection.execute(
            "DELETE FROM timeless WHERE box_id = ? AND NOT (at_ms > ? AND at_ms < ?)", (box_id, *the_day)
        )
    connection.execute("INSERT OR REPLACE INTO timeless VALUES (?, ?, ?, ?, ?)", (box_id, seq, row[AT], *given))
    return False


def replace_halves(connection: sqlite3.Connection, halves: Sequence[HalfReading] | None) -> None:
    """Keep these halves in place of those that waited; None leaves them."""
    if halves is None:
        return
    connection.execute("DELETE FROM halves")
    connection.executemany(
        "INSERT INTO halves VALUES (?, ?, ?, ?, ?)",
        [(each.feed, each.box, each.quantity.value, to_ms(each.at), each.value) for each in halves],
    )


def halves(connection: sqlite3.Connection) -> list[HalfReading]:
    """Return the halves that wait."""
    rows = connection.execute("SELECT feed, box, quantity, at_ms, value FROM halves")
    return [HalfReading(feed, box, Quantity(quantity), from_ms(at), value) for feed, box, quantity, at, value in rows]


def _thinned(connection: sqlite3.Connection) -> dict[int, tuple[int, int]]:
    """Return, for each box that was thinned, up to which instant and to one row in how many milliseconds."""
    return {row[0]: (row[1], row[2]) for row in connection.execute("SELECT box_id, before_ms, step_ms FROM thinned")}


def was_withdrawn(connection: sqlite3.Connection, row: Row) -> bool:
    """Return whether somebody withdrew just this reading; a node that tells it again does not bring it back."""
    found = connection.execute(
        "SELECT 1 FROM set_aside JOIN imports USING (number) WHERE box_id = ? AND at_s = ? / 1000.0"
        " AND temperature = ? AND humidity = ? AND kind = 'withdrawal'",
        (row[0], row[AT], row[TEMPERATURE], row[HUMIDITY]),
    )
    return found.fetchone() is not None
