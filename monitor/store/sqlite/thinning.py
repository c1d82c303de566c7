"""Thinning old readings out so that every estimate stays as it was, and bringing them back from a file.

Estimates rest on one robust value an hour. That value is kept of every hour that a reading is deleted from, and stands
for the hour until all its readings are back. Around what people did to a box its readings stay: there they are held
against the room's, minute by minute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.hourly_values import hourly_values
from monitor.records import ReadingSeries
from monitor.store.sqlite import sidelines
from monitor.store.sqlite.readings import MS_PER_HOUR, put_in
from monitor.store.sqlite.rows import AT, to_row

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from monitor.records import Reading
    from monitor.store.sqlite.rows import Row

_SPARED_BEFORE_MS, _SPARED_AFTER_MS = MS_PER_HOUR, 3 * MS_PER_HOUR // 2
"""Of a box that is opened or filled: an hour in which it may stand open before, and as it is open."""

_SPARED = """
SELECT ledger.at_ms FROM ledger JOIN boxes ON boxes.name = ledger.box
WHERE box_id = ? AND taken_back_at_ms IS NULL AND kind IN ('opening', 'charge', 'recharge')
"""
_WHOLE_AGAIN = """
box_id = ?1 AND hour = ?2 AND (
    SELECT count(*) FROM readings WHERE box_id = ?1 AND at_s >= ?2 * 3600.0 AND at_s < (?2 + 1) * 3600.0
) >= (SELECT count FROM hourly WHERE box_id = ?1 AND hour = ?2)
"""
_ROLL_UP_ANEW = """
INSERT OR REPLACE INTO hourly
SELECT box_id, ?2, count(*), sum(temperature), sum(humidity), min(humidity), max(humidity)
FROM readings WHERE box_id = ?1 AND at_s >= ?2 * 3600.0 AND at_s < (?2 + 1) * 3600.0
AND NOT EXISTS (SELECT 1 FROM thinned_hours WHERE box_id = ?1 AND hour = ?2)
GROUP BY box_id
"""


def thin_box(connection: sqlite3.Connection, box_id: int, before_ms: int, step_ms: int) -> int:
    """Keep one reading a step of what is older, and return how many were deleted."""
    series = _series_until(connection, box_id, -(-before_ms // MS_PER_HOUR) * MS_PER_HOUR)
    at_ms = np.rint(series.at_s * 1000.0).astype(np.int64)
    slot = at_ms // step_ms
    kept = np.r_[True, np.diff(slot) > 0] if len(slot) else np.empty(0, bool)
    doomed = ~kept & (at_ms < before_ms) & ~_spared(connection, box_id, at_ms)
    hour = at_ms // MS_PER_HOUR
    _keep_values(connection, box_id, series, np.isin(hour, hour[doomed]))
    gone = [(box_id, float(at_s)) for at_s in series.at_s[doomed]]
    connection.executemany("DELETE FROM readings WHERE box_id = ? AND at_s = ?", gone)
    connection.executemany(
        "DELETE FROM marks WHERE box_id = ? AND at_ms = ?", [(box_id, int(at)) for at in at_ms[doomed]]
    )
    connection.execute(
        "INSERT INTO thinned VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET"
        " before_ms = max(before_ms, excluded.before_ms), step_ms = max(step_ms, excluded.step_ms)",
        (box_id, before_ms, step_ms),
    )
    return len(gone)


def thinned_out(connection: sqlite3.Connection, readings: Iterable[Reading]) -> list[Row]:
    """Return those of some readings that are not held and may have been here before they were thinned out."""
    thinned = sidelines.thinned(connection)
    numbers = dict(connection.execute("SELECT name, box_id FROM boxes")) if thinned else {}
    rows = [to_row(numbers[each.box], each) for each in readings if numbers.get(each.box) in thinned]
    return [row for row in rows if sidelines.was_thinned(connection, thinned, row) and not _held(connection, row)]


def bring_back(connection: sqlite3.Connection, readings: Iterable[Reading]) -> int:
    """Put readings back that were thinned out, and return how many; an hour that is whole again speaks for itself."""
    rows = thinned_out(connection, readings)
    for row in rows:
        put_in(connection, row)
    for box_id, hour in sorted({(row[0], row[AT] // MS_PER_HOUR) for row in rows}):
        connection.execute(f"DELETE FROM thinned_hours WHERE {_WHOLE_AGAIN}", (box_id, hour))
        connection.execute(_ROLL_UP_ANEW, (box_id, hour))
    return len(rows)


def _series_until(connection: sqlite3.Connection, box_id: int, end_ms: int) -> ReadingSeries:
    rows = connection.execute(
        "SELECT at_s, temperature, humidity, coalesce(bits, 0) FROM readings LEFT JOIN marks USING (box_id, at_ms)"
        " WHERE box_id = ? AND at_s < ? / 1000.0 ORDER BY at_s",
        (box_id, end_ms),
    ).fetchall()
    at_s, temperature, humidity, bits = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    return ReadingSeries("", at_s, temperature / 100.0, humidity / 10_000.0, bits.astype(np.uint16))


def _spared(connection: sqlite3.Connection, box_id: int, at_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which readings lie in hours in which the box stood open."""
    spared = np.zeros(len(at_ms), dtype=bool)
    for (done_ms,) in connection.execute(_SPARED, (box_id,)):
        first = (done_ms - _SPARED_BEFORE_MS) // MS_PER_HOUR * MS_PER_HOUR
        last = -(-(done_ms + _SPARED_AFTER_MS) // MS_PER_HOUR) * MS_PER_HOUR
        spared[slice(*np.searchsorted(at_ms, (first, last)))] = True
    return spared


def _keep_values(connection: sqlite3.Connection, box_id: int, series: ReadingSeries, chosen: NDArray[np.bool_]) -> None:
    """Keep the value of each hour; one that was thinned before keeps the value of then."""
    some = ReadingSeries(
        series.box,
        series.at_s[chosen],
        series.temperature_degc[chosen],
        series.relative_humidity[chosen],
        series.marks[chosen],
    )
    connection.executemany(
        "INSERT OR IGNORE INTO thinned_hours VALUES (?, ?, ?, ?)",
        [
            (box_id, int(hour), round(100.0 * float(warm)), 10_000.0 * float(humidity))
            for hour, warm, humidity in zip(*hourly_values(some), strict=True)
        ],
    )


def _held(connection: sqlite3.Connection, row: Row) -> bool:
    found = connection.execute("SELECT 1 FROM readings WHERE box_id = ? AND at_s = ? / 1000.0", row[:2])
    return found.fetchone() is not None
