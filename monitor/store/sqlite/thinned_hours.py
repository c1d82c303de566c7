"""What estimates rest on where readings were thinned out: the value that each hour had before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.hourly_values import HOUR_S
from monitor.records import ReadingSeries

if TYPE_CHECKING:
    import sqlite3

_NEVER_S = 2.0**40


def with_thinned_hours(
    connection: sqlite3.Connection, box_id: int, series: ReadingSeries, end_s: float
) -> ReadingSeries:
    """Return a series with the values of thinned hours in place of what is left of their readings."""
    rows = connection.execute(
        "SELECT hour, temperature, humidity FROM thinned_hours WHERE box_id = ? AND hour < ? ORDER BY hour",
        (box_id, int(min(end_s, _NEVER_S) // HOUR_S)),
    ).fetchall()
    if not rows:
        return series
    hour, temperature, humidity = np.array(rows, dtype=np.float64).T
    rest = ~np.isin(np.floor(series.at_s / HOUR_S), hour)
    at_s = np.concatenate((series.at_s[rest], (hour + 0.5) * HOUR_S))
    order = np.argsort(at_s, kind="stable")
    return ReadingSeries(
        series.box,
        at_s[order],
        np.concatenate((series.temperature_degc[rest], temperature / 100.0))[order],
        np.concatenate((series.relative_humidity[rest], humidity / 10_000.0))[order],
        np.concatenate((series.marks[rest], np.zeros(len(hour), dtype=np.uint16)))[order],
    )
