"""Rows of a text table (CSV): our own columns, or any columns by name, with their units, zone and decimal sign."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

from monitor.errors import ImportFileError, UnusableMessageError
from monitor.feed.decode import Decoded
from monitor.feed.formats import values
from monitor.names import NAME_RULE, is_name, tidy
from monitor.records import Reading, ReadingSource, Rejection

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

OWN_COLUMNS = ("box", "t", "temperature_c", "rh_pct", "battery_v", "seq", "origin")
"""The columns that an export has and an import reads; the last three may be missing."""

_ROWS_AT_ONCE = 10_000
_TIME_FORMAT_HINT = "an instant as in 2026-03-01T07:30:00Z, or give its pattern with --time-format"


@dataclass(frozen=True, slots=True)
class TableShape:
    """How the columns of a table are read."""

    columns: Mapping[str, str] = field(default_factory=dict)
    """Our name for a column to the name it has in the file; a column not named here has our name."""
    box: str | None = None
    """The box that all rows are of, where no column says so."""
    temperature_unit: str = "C"
    humidity_unit: str = "%"
    time_unit: str = "iso8601"
    time_format: str | None = None
    """A pattern of ``datetime.strptime``."""
    timezone: tzinfo = UTC
    """Zone of instants that name none."""
    delimiter: str = ","
    """What stands between the columns of a rejected row as it is kept."""
    decimal_comma: bool = False

    def column(self, name: str) -> str:
        """Return what the file calls one of our columns."""
        return self.columns.get(name, name)


def read_table(
    headings: Sequence[str], rows: Iterator[Mapping[str, str]], shape: TableShape, now: datetime, file_name: str
) -> Iterator[Decoded]:
    """Yield the readings of a table, some thousand rows at a time, with a rejection for each row that can't be used."""
    _require_columns(headings, shape, file_name)
    decoded, line = Decoded(), 1
    try:
        for line, row in enumerate(rows, start=2):
            try:
                decoded.readings.append(_reading(row, shape, now))
            except UnusableMessageError as error:
                text = shape.delimiter.join(str(value) for value in row.values())
                reason = f"line {line}: {error}"
                decoded.rejections.append(Rejection(now, "import", file_name, text.encode("utf-8", "replace"), reason))
            if line % _ROWS_AT_ONCE == 0:
                yield decoded
                decoded = Decoded()
    except (csv.Error, UnicodeDecodeError) as error:
        raise ImportFileError(f"{file_name}, after line {line}: {error}; it has to be a UTF-8 text table") from error
    yield decoded


def _require_columns(found: Iterable[str], shape: TableShape, file_name: str) -> None:
    needed = ["t", "temperature_c", "rh_pct"] + ([] if shape.box else ["box"])
    columns = set(found)
    for name in needed:
        if shape.column(name) not in columns:
            there = ", ".join(sorted(filter(None, columns))) or "none"
            raise ImportFileError(
                f"{file_name} has no column '{shape.column(name)}' for {name}; it has {there}."
                f" Name the right one with --column {name}=NAME, or another --delimiter"
            )


def _reading(row: Mapping[str, str], shape: TableShape, now: datetime) -> Reading:
    cell = {name: (row.get(shape.column(name)) or "").strip() for name in OWN_COLUMNS}
    box = tidy(shape.box or cell["box"])
    if not is_name(box):
        raise UnusableMessageError(f"box name {values.shown(box)} won't do; it has to be {NAME_RULE}")
    return Reading(
        box,
        _instant(cell["t"], shape, now),
        values.temperature_degc(_number(cell["temperature_c"], shape), shape.temperature_unit),
        values.relative_humidity(_number(cell["rh_pct"], shape), shape.humidity_unit),
        float(_number(cell["battery_v"], shape)) if cell["battery_v"] else None,
        int(cell["seq"]) if cell["seq"].isdecimal() else None,
        source=ReadingSource.hand if cell["origin"] == ReadingSource.hand else ReadingSource.imported,
    )


def _instant(text: str, shape: TableShape, now: datetime) -> datetime:
    if shape.time_unit != "iso8601":
        return values.instant(_number(text, shape), shape.time_unit, now)
    try:
        at = datetime.strptime(text, shape.time_format) if shape.time_format else datetime.fromisoformat(text)  # noqa: DTZ007
    except ValueError:
        raise UnusableMessageError(f"t is {values.shown(text)}; it has to be {_TIME_FORMAT_HINT}") from None
    aware = at if at.tzinfo else at.replace(tzinfo=shape.timezone)
    return values.instant(aware.isoformat(), "iso8601", now)


def _number(text: str, shape: TableShape) -> float | str:
    """Return the number in a cell, or its text for the check that follows to refuse by name."""
    try:
        return float(text.replace(".", "").replace(",", ".") if shape.decimal_comma else text)
    except ValueError:
        return text
