"""What goes over the wire to InfluxDB 2: readings as line protocol, questions as Flux, answers as columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from influxdb_client import Point, WritePrecision

from monitor.store.sqlite.rows import to_ms

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import Reading

MEASUREMENT = "reading"
_FIRST, _LAST = "1970-01-01T00:00:00Z", "2200-01-01T00:00:00Z"


def line(reading: Reading) -> str:
    """Return a reading as a line of line protocol, in milliseconds; the same reading is always the same line."""
    point = (
        Point(MEASUREMENT)
        .tag("box", reading.box)
        .field("temperature_c", round(reading.temperature_degc, 2))
        .field("rh_pct", round(100.0 * reading.relative_humidity, 2))
        .field("battery_v", None if reading.battery_v is None else round(reading.battery_v, 3))
        .field("seq", reading.seq)
        .field("source", reading.source.value)
        .field("sent_at_known", reading.sent_at_known)
        .time(to_ms(reading.at), WritePrecision.MS)
    )
    return str(point.to_line_protocol())


def flux_series(bucket: str, box: str, start: datetime | None, end: datetime | None) -> str:
    """Return the question for every reading of a box, whole, in time order."""
    return (
        _source(bucket, box, start, end)
        + '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        + '  |> group()\n  |> sort(columns: ["_time"])\n'
    )


def flux_hourly(bucket: str, box: str, start: datetime | None, end: datetime | None) -> str:
    """Return the question for hourly means of a box, stamped at the start of the hour."""
    return (
        _source(bucket, box, start, end)
        + '  |> filter(fn: (r) => r._field == "temperature_c" or r._field == "rh_pct")\n'
        + '  |> aggregateWindow(every: 1h, fn: mean, createEmpty: false, timeSrc: "_start")\n'
        + '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        + '  |> group()\n  |> sort(columns: ["_time"])\n'
    )


def _source(bucket: str, box: str, start: datetime | None, end: datetime | None) -> str:
    return (
        f"from(bucket: {_quoted(bucket)})\n"
        f"  |> range(start: {_instant(start, _FIRST)}, stop: {_instant(end, _LAST)})\n"
        f'  |> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and r.box == {_quoted(box)})\n'
    )


def _quoted(text: str) -> str:
    """Return a Flux string that holds a text and nothing that Flux would run."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${").replace("\n", "\\n")
    return f'"{escaped}"'


def _instant(at: datetime | None, otherwise: str) -> str:
    return otherwise if at is None else at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"
