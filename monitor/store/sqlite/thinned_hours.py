"""What estimates rest on where readings were thinned out: the value that each hour had before.

It stands for the hour until as many readings are there as were; they speak for themselves then, and it waits, for they
may be withdrawn again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.records import ReadingSeries
from monitor.series.hourly_values import HOUR_S
from monitor.store.sqlite.rows import PER_DEGC, PER_HUMIDITY

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable

_NEVER_S = 2.0**40  # judgement: 35,000 years from now is never

_ROWS = "FROM readings WHERE box_id = ?1 AND at_s >= hour * 3600.0 AND at_s < (hour + 1) * 3600.0"
_WHOLE = f"box_id = ?1 AND count <= (SELECT count(*) {_ROWS})"
_ROLL_UP_ANEW = f"""
INSERT OR REPLACE INTO hourly
SELECT box_id, ?2, count(*), sum(temperature), sum(humidity)
{_ROWS.replace("hour", "?2")} AND EXISTS (SELECT 1 FROM thinned_hours WHERE hour = ?2 AND {_WHOLE})
GROUP BY box_id
"""


def with_thinned_hours(
    connection: sqlite3.Connection, box_id: int, series: ReadingSeries, start_s: float, end_s: float
) -> ReadingSeries:
    """Return a series with the values of thinned hours in place of what is left of their readings.

    The series begins with a whole hour.
    """
    rows = connection.execute(
        "SELECT hour, temperature, humidity, count FROM thinned_hours WHERE box_id = ? AND hour >= ? AND hour < ?"
        " ORDER BY hour",
        (box_id, int(max(start_s, 0.0) // HOUR_S), int(min(end_s, _NEVER_S) // HOUR_S)),
    ).fetchall()
    if not rows:
        return series
    held_hour = np.floor(series.at_s / HOUR_S)
    some = np.array(rows, dtype=np.float64)
    here = np.searchsorted(held_hour, some[:, 0], "right") - np.searchsorted(held_hour, some[:, 0])
    hour, temperature, humidity, _ = some[here < some[:, 3]].T
    rest = ~np.isin(held_hour, hour)
    at_s = np.concatenate((series.at_s[rest], (hour + 0.5) * HOUR_S))
    order = np.argsort(at_s, kind="stable")
    return ReadingSeries(
        series.box,
        at_s[order],
        np.concatenate((series.temperature_degc[rest], temperature / PER_DEGC))[order],
        np.concatenate((series.relative_humidity[rest], humidity / PER_HUMIDITY))[order],
        np.concatenate((series.marks[rest], np.zeros(len(hour), dtype=np.uint16)))[order],
    )


def roll_up_whole(connection: sqlite3.Connection, hours: Iterable[tuple[int, int]]) -> None:
    """Roll those of some hours up anew, each with its box, that were thinned and are whole again."""
    connection.executemany(_ROLL_UP_ANEW, sorted(hours))


def forget_whole(connection: sqlite3.Connection, box_id: int) -> None:
    """Forget the values of hours that are whole again; thinning makes new ones."""
    connection.execute(
        f"DELETE FROM thinned_imports WHERE box_id = ?1 AND hour IN (SELECT hour FROM thinned_hours WHERE {_WHOLE})",
        (box_id,),
    )
    connection.execute(f"DELETE FROM thinned_hours WHERE {_WHOLE}", (box_id,))
