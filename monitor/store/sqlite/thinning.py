"""Thinning old readings out so that every estimate stays as it was.

Estimates rest on one robust value an hour. That value is kept of every hour that a reading is deleted from, and stands
for the hour until all its readings are back. Around what people did to a box its readings stay: there they are held
against the room's, minute by minute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.records import ReadingSeries
from monitor.series.hourly_values import HOUR_S, hourly_values
from monitor.store.sqlite.rows import MS_PER_HOUR, PER_DEGC, PER_HUMIDITY
from monitor.store.sqlite.thinned_hours import forget_whole

if TYPE_CHECKING:
    import sqlite3

    from numpy.typing import NDArray

_SPARED_BEFORE_MS, _SPARED_AFTER_MS = MS_PER_HOUR, 3 * MS_PER_HOUR // 2
"""Of a box that is opened or filled: an hour in which it may stand open before, and as it is open (a judgement)."""

_SPARED = """
SELECT ledger.at_ms FROM ledger JOIN boxes ON boxes.name = ledger.box
WHERE box_id = ? AND taken_back_at_ms IS NULL AND kind IN ('opening', 'charge', 'recharge')
"""


def thin_box(connection: sqlite3.Connection, box_id: int, before_ms: int, step_ms: int) -> int:
    """Keep one reading a step of what is older, and return how many were deleted."""
    forget_whole(connection, box_id)
    series, numbers = _series_until(connection, box_id, -(-before_ms // MS_PER_HOUR) * MS_PER_HOUR)
    at_ms = np.rint(series.at_s * 1000.0).astype(np.int64)
    slot = at_ms // step_ms
    kept = np.r_[True, np.diff(slot) > 0] if len(slot) else np.empty(0, bool)
    doomed = ~kept & (at_ms < before_ms) & ~_spared(connection, box_id, at_ms)
    hour = at_ms // MS_PER_HOUR
    touched = np.isin(hour, np.setdiff1d(hour[doomed], _thinned_before(connection, box_id)))
    _keep_values(connection, box_id, series, touched)
    _keep_imports(connection, box_id, hour[touched], numbers[touched])
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


def _series_until(connection: sqlite3.Connection, box_id: int, end_ms: int) -> tuple[ReadingSeries, NDArray[np.int64]]:
    """Return the readings before an instant, and the import that brought each, or 0."""
    rows = connection.execute(
        "SELECT at_s, temperature, humidity, coalesce(bits, 0), coalesce(import_number, 0)"
        " FROM readings LEFT JOIN marks USING (box_id, at_ms)"
        " WHERE box_id = ? AND at_s < ? / 1000.0 ORDER BY at_s",
        (box_id, end_ms),
    ).fetchall()
    at_s, temperature, humidity, bits, numbers = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    series = ReadingSeries("", at_s, temperature / PER_DEGC, humidity / PER_HUMIDITY, bits.astype(np.uint16))
    return series, numbers.astype(np.int64)


def _thinned_before(connection: sqlite3.Connection, box_id: int) -> list[int]:
    """Return the hours that keep the value of an earlier thinning, and the imports that it was made of."""
    return [row[0] for row in connection.execute("SELECT hour FROM thinned_hours WHERE box_id = ?", (box_id,))]


def _spared(connection: sqlite3.Connection, box_id: int, at_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which readings lie in hours in which the box stood open."""
    spared = np.zeros(len(at_ms), dtype=bool)
    for (done_ms,) in connection.execute(_SPARED, (box_id,)):
        first = (done_ms - _SPARED_BEFORE_MS) // MS_PER_HOUR * MS_PER_HOUR
        last = -(-(done_ms + _SPARED_AFTER_MS) // MS_PER_HOUR) * MS_PER_HOUR
        spared[slice(*np.searchsorted(at_ms, (first, last)))] = True
    return spared


def _keep_values(connection: sqlite3.Connection, box_id: int, series: ReadingSeries, chosen: NDArray[np.bool_]) -> None:
    """Keep the value of each hour, and how many readings it had."""
    some = ReadingSeries(
        series.box,
        series.at_s[chosen],
        series.temperature_degc[chosen],
        series.relative_humidity[chosen],
        series.marks[chosen],
    )
    held = dict(zip(*np.unique(np.floor(some.at_s / HOUR_S).astype(np.int64), return_counts=True), strict=True))
    connection.executemany(
        "INSERT INTO thinned_hours VALUES (?, ?, ?, ?, ?)",
        [
            (box_id, int(hour), round(PER_DEGC * float(warm)), PER_HUMIDITY * float(humidity), int(held[hour]))
            for hour, warm, humidity in zip(*hourly_values(some), strict=True)
        ],
    )


def _keep_imports(
    connection: sqlite3.Connection, box_id: int, hour: NDArray[np.int64], numbers: NDArray[np.int64]
) -> None:
    """Keep which imports had a part in the value of each hour."""
    parts = {(box_id, int(at), int(number)) for at, number in zip(hour, numbers, strict=True) if number}
    connection.executemany("INSERT OR IGNORE INTO thinned_imports VALUES (?, ?, ?)", parts)
