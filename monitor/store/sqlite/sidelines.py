"""What the readings table alone can't tell: repeats without a time, halves that wait, rows thinned out before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.records import HalfReading, Quantity
from monitor.store.sqlite.rows import AT, HUMIDITY, SEQ, TEMPERATURE, Row, from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

REMEMBERED_MS = 86_400_000
"""For so long a repeat of a reading without a time is known by its sequence number and its values."""

_PRUNE_EVERY = 256


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
        box_id, at_ms, *told = row
        first, end = self._full.get(box_id, (0, 0))
        if not first <= at_ms < end:
            first, end = at_ms, at_ms + 1
        self._full[box_id] = (first, end + 1)
        return (box_id, end, *told)  # type: ignore[return-value]  # a list has no known length


def came_before(connection: sqlite3.Connection, row: Row) -> bool:
    """Return whether a reading without a time came before under its sequence number, and remember it if not.

    A node that restarts counts from 0 again, so the values have to agree too. Once they don't, it counts anew: what it
    sent under its old numbers is forgotten, or steady air would make its new readings look like repeats of them.
    """
    box_id, seq = row[0], row[SEQ]
    if seq is None:
        return False
    told = (row[TEMPERATURE], row[HUMIDITY])
    the_day = (row[AT] - REMEMBERED_MS, row[AT] + REMEMBERED_MS)  # on both sides: a clock may have been set back
    held = connection.execute(
        "SELECT temperature, humidity FROM timeless WHERE box_id = ? AND seq = ? AND at_ms > ? AND at_ms < ?",
        (box_id, seq, *the_day),
    ).fetchone()
    if held == told:
        return True
    if held is not None:
        connection.execute("DELETE FROM timeless WHERE box_id = ?", (box_id,))
    elif row[AT] % _PRUNE_EVERY == 0:
        connection.execute(
            "DELETE FROM timeless WHERE box_id = ? AND NOT (at_ms > ? AND at_ms < ?)", (box_id, *the_day)
        )
    connection.execute("INSERT OR REPLACE INTO timeless VALUES (?, ?, ?, ?, ?)", (box_id, seq, row[AT], *told))
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


def thinned(connection: sqlite3.Connection) -> dict[int, tuple[int, int]]:
    """Return, for each box that was thinned, up to which instant and to one row in how many milliseconds."""
    return {row[0]: (row[1], row[2]) for row in connection.execute("SELECT box_id, before_ms, step_ms FROM thinned")}


def was_thinned(connection: sqlite3.Connection, thinned: dict[int, tuple[int, int]], row: Row) -> bool:
    """Return whether a reading may have been here before it was thinned out; adding it again would count it twice."""
    before_ms, step_ms = thinned.get(row[0], (row[AT], 1))
    if row[AT] >= before_ms:
        return False
    start_ms = row[AT] // step_ms * step_ms
    kept = connection.execute(
        "SELECT 1 FROM readings WHERE box_id = ? AND at_s >= ? AND at_s < ?",
        (row[0], start_ms / 1000.0, (start_ms + step_ms) / 1000.0),
    )
    return kept.fetchone() is not None
