"""Readings from tables: our own columns, anybody's columns, and a line for each row that can't be used."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import ImportFileError
from monitor.feed.decode import Decoded
from monitor.feed.formats.table import TableShape, read_table
from monitor.records import ReadingSource

NOW = datetime(2026, 3, 2, tzinfo=UTC)
AT = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)


def read(text: str, shape: TableShape | None = None) -> Decoded:
    whole = Decoded()
    shape = shape or TableShape()
    rows = csv.DictReader(io.StringIO(text), delimiter=shape.delimiter)
    for part in read_table(rows.fieldnames or (), rows, shape, NOW, "x.csv"):
        whole.readings += part.readings
        whole.rejections += part.rejections
    return whole


def test_own_columns() -> None:
    (reading,) = read("box,t,temperature_c,rh_pct,battery_v,seq\nb1,2026-03-01T07:30:00Z,21.4,17.2,2.98,7\n").readings
    assert (reading.box, reading.at, reading.seq, reading.battery_v) == ("b1", AT, 7, 2.98)
    assert reading.source is ReadingSource.imported


def test_anybodys_columns_with_units_zone_and_decimal_comma() -> None:
    """70.52 °F = 21.4 °C; 08:30 in Vienna in March is 07:30 UTC."""
    shape = TableShape(
        columns={"t": "Zeit", "temperature_c": "Temp", "rh_pct": "Feuchte"},
        box="b7",
        temperature_unit="F",
        humidity_unit="fraction",
        time_format="%d.%m.%Y %H:%M",
        timezone=ZoneInfo("Europe/Vienna"),
        delimiter=";",
        decimal_comma=True,
    )
    (reading,) = read("Zeit;Temp;Feuchte;mehr\n01.03.2026 08:30;70,52;0,172;x\n", shape).readings
    assert (reading.box, reading.at) == ("b7", AT)
    assert reading.temperature_degc == pytest.approx(21.4)
    assert reading.relative_humidity == pytest.approx(0.172)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("b1,2026-03-01T07:30:00Z,warm,17.2", "line 3: temperature_c is 'warm'; it has to be a number"),
        ("b1,2026-03-01T07:30:00Z,21.4,", "line 3: rh_pct is ''; it has to be a number"),
        ("b1,2026-03-01T07:30:00Z,nan,17", "line 3: temperature_c is nan; it has to be a finite number"),
        ("b1,yesterday,21.4,17.2", "line 3: t is 'yesterday'; it has to be an instant"),
        (",2026-03-01T07:30:00Z,21.4,17.2", "line 3: box name '' won't do"),
        ("b1,1999-01-01,21.4,17.2", "line 3: t is '1999-01-01T00:00:00+00:00', before the year 2000"),
        ("b1", "line 3: t is ''"),
    ],
)
def test_a_bad_row_is_told_by_its_line_and_the_others_kept(row: str, reason: str) -> None:
    good = "b1,2026-03-01T07:30:00Z,21.4,17.2"
    decoded = read(f"box,t,temperature_c,rh_pct\n{good}\n{row}\n{good}\n")
    assert len(decoded.readings) == 2
    (rejection,) = decoded.rejections
    assert rejection.reason.startswith(reason)


def test_a_missing_column_is_named_with_those_there_are() -> None:
    with pytest.raises(
        ImportFileError, match=r"has no column 'rh_pct' for rh_pct; it has Humidity, box, t, temperature_c"
    ):
        read("box,t,temperature_c,Humidity\n")
    with pytest.raises(ImportFileError, match="it has none"):
        read("")
