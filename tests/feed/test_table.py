"""Readings from tables: our own columns, anybody's columns, and a line for each row that can't be used."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import ImportFileError
from monitor.feed.decode import Decoded
from monitor.feed.table import Table, TableShape
from monitor.records import ReadingSource

NOW = datetime(2026, 3, 2, tzinfo=UTC)
AT = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
VIENNA = ZoneInfo("Europe/Vienna")


def read(text: str, shape: TableShape | None = None) -> Decoded:
    whole = Decoded()
    shape = shape or TableShape()
    rows = csv.DictReader(io.StringIO(text), delimiter=shape.delimiter)
    for part in Table(rows.fieldnames or (), shape, "x.csv").portions(rows, NOW):
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
        ("b1,2026-03-01T07:30:00Z,warm,17.2", "line 3: temperature_c is 'warm'; it must be a number"),
        ("b1,2026-03-01T07:30:00Z,21.4,", "line 3: rh_pct is ''; it must be a number"),
        ("b1,2026-03-01T07:30:00Z,nan,17", "line 3: temperature_c is nan; it must be a finite number"),
        ("b1,yesterday,21.4,17.2", "line 3: t is 'yesterday'; it must be a time"),
        (",2026-03-01T07:30:00Z,21.4,17.2", "line 3: box name '' is not valid"),
        ("b1,1999-01-01,21.4,17.2", "line 3: t is '1999-01-01', before the year 2000"),
        ("b1", "line 3: t is ''"),
        ("b1,2026-03-01T07:30:00Z,21.4,17.2,abc", "line 3: battery_v is 'abc'; it must be a number"),
        ("b1,2026-03-01T07:30:00Z,21.4,17.2,nan", "line 3: battery_v is nan; it must be a finite number"),
        ("b1,2026-03-01T07:30:00Z,21.4,17.2,1e300", "line 3: battery_v is 1e+300; it must be volts from 0 to 60"),
        ("b1,2026-03-01T07:30:00Z,21.4,17.2,,12345678901234567890123", "line 3: seq is '12345678901234567890123'"),
        ("b1,2026-03-01T07:30:00Z,21,4,17,2,2.98,4", "line 3: it has 8 values for 6 headings. Where numbers have a"),
        ("b1,2026-03-01T07:30:00Z,21.4,17.2,,-4", "line 3: seq is '-4'; it must be a whole number"),
    ],
)
def test_a_bad_row_is_told_by_its_line_and_the_others_kept(row: str, reason: str) -> None:
    good = "b1,2026-03-01T07:30:00Z,21.4,17.2"
    decoded = read(f"box,t,temperature_c,rh_pct,battery_v,seq\n{good}\n{row}\n{good}\n")
    assert len(decoded.readings) == 2
    (rejection,) = decoded.rejections
    assert rejection.reason.startswith(reason)
    assert rejection.payload.decode().startswith(row)


def test_a_comma_at_the_end_of_a_row_is_no_value() -> None:
    assert len(read("box,t,temperature_c,rh_pct\nb1,2026-03-01T07:30:00Z,21.4,17.2,, \n").readings) == 1


def test_a_missing_column_is_named_with_those_there_are() -> None:
    with pytest.raises(
        ImportFileError, match=r"has no column 'rh_pct' for rh_pct. It has Dampness, box, t, temperature_c"
    ):
        read("box,t,temperature_c,Dampness\n")
    with pytest.raises(ImportFileError, match=r"x\.csv is empty"):
        read("")


def told(text: str, **shape: Any) -> tuple[Table, Decoded]:
    """Return the table as it was understood, and what came of its rows."""
    rows = csv.DictReader(io.StringIO(text), delimiter=shape.get("delimiter", ","))
    table = Table(rows.fieldnames or (), TableShape(**shape), "x.csv")
    (decoded,) = table.portions(rows, NOW)
    return table, decoded


@pytest.mark.parametrize(
    ("headings", "said"),
    [
        ("box,t,temperature_c,rh_pct", []),
        ("box,time,temp,humidity", ["read as: time → t, temp → temperature_c, humidity → rh_pct"]),
        (
            "Device,Timestamp (UTC),Temperature (°C),Relative Humidity (%)",
            [
                "read as: Device → box, Timestamp (UTC) → t in UTC, Temperature (°C) → temperature_c in C,"
                " Relative Humidity (%) → rh_pct"
            ],
        ),
        (
            "box,Zeit,Temperatur [°C],rel. Feuchte [%rF]",
            ["read as: Zeit → t, Temperatur [°C] → temperature_c in C, rel. Feuchte [%rF] → rh_pct"],
        ),
        ("box,DateTime,Temp °C,RH %", ["read as: DateTime → t, Temp °C → temperature_c in C, RH % → rh_pct"]),
    ],
)
def test_usual_headings_are_recognized_and_said(headings: str, said: list[str]) -> None:
    row = "b1,2026-03-01T07:30:00Z,21.4,17.2"
    table, decoded = told(f"{headings}\n{row}\n")
    assert table.remarks() == said
    assert [reading.relative_humidity for reading in decoded.readings] == pytest.approx([0.172])


def test_the_unit_in_a_heading_counts_unless_one_is_given() -> None:
    """70.52 °F = 21.4 °C."""
    text = "box,time,temp_f,rh\nb1,2026-03-01T07:30:00Z,70.52,17\n"
    table, decoded = told(text)
    assert decoded.readings[0].temperature_degc == pytest.approx(21.4)
    assert table.remarks() == ["read as: time → t, temp_f → temperature_c in F, rh → rh_pct"]
    assert told(text, temperature_unit="C")[1].readings[0].temperature_degc == pytest.approx(70.52)


@pytest.mark.parametrize(
    ("headings", "timezone", "hour"),
    [
        ("box,Time (UTC),temp,rh", None, 7),
        ("box,utc_time,temp,rh", None, 7),
        ("box,Time (GMT),temp,rh", None, 7),
        ("box,Time (UTC),temp,rh", VIENNA, 6),
        ("box,Local time,temp,rh", None, 6),
        ("box,t,temp,rh", None, 6),
    ],
)
def test_a_heading_that_says_utc_counts_before_the_zone_of_the_shelf(
    headings: str, timezone: ZoneInfo | None, hour: int
) -> None:
    table, decoded = told(f"{headings}\nb1,2026-03-01 07:30,21,17\n", timezone=timezone, local_zone=VIENNA)
    assert [reading.at for reading in decoded.readings] == [AT.replace(hour=hour)]
    assert ("→ t in UTC" in table.remarks()[0]) == ("t," not in headings and "Local" not in headings)


def test_a_day_and_a_time_of_day_in_columns_apart() -> None:
    _, decoded = told("Date,Time,Temp,RH\n2026-03-01,07:30,21.4,17\n", box="b1")
    assert [reading.at for reading in decoded.readings] == [AT]


def test_two_headings_that_may_both_be_meant_are_asked_about() -> None:
    text = "box,t,Temperature,Temp,rh_pct\nb1,2026-03-01T07:30:00Z,21.4,3.0,17\n"
    with pytest.raises(ImportFileError, match=r"'Temperature' and 'Temp' may both be temperature_c. Choose one with"):
        told(text)
    assert told(text, columns={"temperature_c": "Temp"})[1].readings[0].temperature_degc == 3.0


FIRST_PASS_AT = datetime(2025, 10, 26, 0, 0, tzinfo=UTC)
"""02:00 summer time in Vienna; at 03:00, 01:00 UTC, clocks there went back to 02:00."""


def clock_rows(instants: list[datetime], boxes: tuple[str, ...] = ("b1",)) -> str:
    rows = [f"{box},{at.astimezone(VIENNA):%Y-%m-%d %H:%M},21.4,17" for at in instants for box in boxes]
    return "box,t,temperature_c,rh_pct\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize("minutes", [1, 7, 10, 30, 60])
@pytest.mark.parametrize("newest_first", [False, True])
def test_the_hour_that_comes_twice_is_told_apart_by_the_order_of_the_file(minutes: int, newest_first: bool) -> None:
    instants = [FIRST_PASS_AT + timedelta(minutes=minutes * k) for k in range(-300 // minutes, 480 // minutes)]
    instants = instants[::-1] if newest_first else instants
    table, decoded = told(clock_rows(instants, ("b1", "b2")), timezone=VIENNA)
    for box in ("b1", "b2"):
        assert [reading.at for reading in decoded.readings if reading.box == box] == instants
    assert table.remarks() == [
        "on 2025-10-26 one hour came twice: siccast used the order of the rows to tell which is which"
    ]


def test_a_row_that_stands_twice_begins_no_second_pass() -> None:
    instants = [FIRST_PASS_AT + timedelta(minutes=10 * k) for k in (-1, 0, 1, 1, 2, 3)]
    _, decoded = told(clock_rows(instants), timezone=VIENNA)
    assert [reading.at for reading in decoded.readings] == instants


def test_the_hour_that_never_came_is_named() -> None:
    """On 2026-03-29 clocks in Vienna went from 02:00 to 03:00."""
    text = "box,t,temperature_c,rh_pct\n" + "".join(f"b1,2026-03-29 {t},21.4,17\n" for t in ("01:50", "02:10", "03:00"))
    rows = csv.DictReader(io.StringIO(text))
    table = Table(rows.fieldnames or (), TableShape(timezone=VIENNA), "x.csv")
    (decoded,) = table.portions(rows, datetime(2026, 4, 1, tzinfo=UTC))
    assert [f"{reading.at:%H:%M}" for reading in decoded.readings] == ["00:50", "01:00"]
    (rejection,) = decoded.rejections
    assert rejection.reason.startswith(
        "line 3: t is '2026-03-29 02:10', which did not exist in Europe/Vienna: clocks skipped that hour. Give the zone"
    )


def test_readings_before_a_fault_of_the_file_are_not_lost_with_it() -> None:
    good = "b1,2026-03-01T07:30:00Z,21.4,17.2\n" * 3
    rows = csv.DictReader(io.StringIO("box,t,temperature_c,rh_pct\n" + good + "x" * 200_000 + "\n"))
    portions = Table(rows.fieldnames or (), TableShape(), "x.csv").portions(rows, NOW)
    assert len(next(portions).readings) == 3
    with pytest.raises(ImportFileError, match="after line 4: field larger than field limit"):
        next(portions)
