"""Rows of a text table (CSV): our own columns, or any columns by name, with their units, zone and decimal sign."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, cast

from monitor.errors import ImportFileError, UnusableMessageError
from monitor.feed.decode import Decoded
from monitor.feed.formats import values
from monitor.feed.formats.headings import DATE, recognize
from monitor.feed.formats.local_time import LocalClock
from monitor.records import Reading, ReadingSource, Rejection
from monitor.records.names import (
    NAME_RULE,
    is_name,
    tidy,
)
from monitor.records.readings import ROWS_AT_ONCE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

_ROWS_FOR_ORDER = 200  # judgement: a day above 12 comes up among so many dates, or never
_MAX_DIGITS = 20
"""A judgement: more digits than any sequence number has; turning thousands of them into a number would take long."""
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d\d")
_BY_DOTS = ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M")
"""Dates with dots that are read without being told: where dots are written, the day comes first."""
_TIME_FORMAT_HINT = "a time like 2026-03-01T07:30:00Z, or give its pattern with --time-format"


@dataclass(frozen=True, slots=True)
class TableShape:
    """How the columns of a table are read."""

    columns: Mapping[str, str] = field(default_factory=dict)
    """Our name for a column to the name it has in the file; see ``headings.recognize``."""
    box: str | None = None
    """The box that all rows are of, where no column says so."""
    temperature_unit: str | None = None
    """C, F or K; None takes what the heading says, else °C."""
    humidity_unit: str = "%"
    time_unit: str = "iso8601"
    time_format: str | None = None
    """A pattern of ``datetime.strptime``."""
    timezone: tzinfo | None = None
    """Zone of instants that name none, where a person gave it."""
    local_zone: tzinfo = UTC
    """Their zone where nobody gave it and the heading doesn't say that they are in UTC."""
    delimiter: str = ","
    """What stands between the columns of a rejected row as it is kept."""
    decimal_comma: bool = False


class Table:
    """A table whose headings are understood: its readings, and what is worth saying about how it was read."""

    def __init__(self, headings: Sequence[str], shape: TableShape, file_name: str) -> None:
        self._file_name = file_name
        self.headings = recognize(headings, shape.columns, box=shape.box, file_name=file_name)
        self.shape = replace(shape, temperature_unit=shape.temperature_unit or self.headings.temperature_unit or "C")
        self._clock = LocalClock(shape.timezone or (UTC if self.headings.in_utc else shape.local_zone))

    def remarks(self) -> list[str]:
        """Return what a person should know who imports this, one line each."""
        return [line for line in (self.headings.given(), self._clock.told_apart()) if line]

    def portions(self, rows: Iterator[Mapping[str, str]], now: datetime) -> Iterator[Decoded]:
        """Yield the readings, some thousand rows at a time, with a rejection for each row that can't be used."""
        line = 1
        try:
            for portion in _portions(rows):
                if line == 1:
                    self._clock.newest_first = self._is_newest_first(portion)
                yield self._decode(portion, line + 1, now)
                line += len(portion)
        except (csv.Error, UnicodeDecodeError) as error:
            raise ImportFileError(f"{self._file_name}, after line {line}: {error}; it must be a text table") from error

    def _decode(self, rows: Sequence[Mapping[str, str]], first_line: int, now: datetime) -> Decoded:
        decoded = Decoded()
        for line, row in enumerate(rows, start=first_line):
            try:
                _require_no_more(row)
                decoded.readings.append(self._reading(row, now))
            except UnusableMessageError as error:
                text = self.shape.delimiter.join(_written(row))
                decoded.rejections.append(
                    Rejection(now, "import", self._file_name, text.encode("utf-8", "replace"), f"line {line}: {error}")
                )
        return decoded

    def _reading(self, row: Mapping[str, str], now: datetime) -> Reading:
        cell = {ours: (row.get(theirs) or "").strip() for ours, theirs in self.headings.columns.items()}
        box = tidy(self.shape.box or cell["box"])
        if not is_name(box):
            raise UnusableMessageError(f"box name {values.shown(box)} is not valid; it must be {NAME_RULE}")
        unit, battery, seq = self.shape.temperature_unit or "C", cell.get("battery_v"), cell.get("seq")
        return Reading(
            box,
            self._instant(_time_in(cell), box, now),
            values.temperature_degc(self._number(cell["temperature_c"]), unit),
            values.relative_humidity(self._number(cell["rh_pct"]), self.shape.humidity_unit),
            values.battery_v(self._number(battery)) if battery else None,
            values.seq(_whole(seq)) if seq else None,
            source=ReadingSource.hand if cell.get("origin") == ReadingSource.hand else ReadingSource.imported,
        )

    def _instant(self, text: str, box: str, now: datetime) -> datetime:
        if self.shape.time_unit != "iso8601":
            return values.instant(self._number(text), self.shape.time_unit, now)
        given = self._told_time(text)
        try:
            at = given.astimezone(UTC) if given.tzinfo else self._clock.instant(box, given)
        except OverflowError:
            raise UnusableMessageError(f"t is {values.shown(text)}; it must be between 2000 and now") from None
        return values.within_reach(at, text, now)

    def _told_time(self, text: str) -> datetime:
        given = self.shape.time_format
        for pattern in (given,) if given else (None, *_BY_DOTS):
            try:
                return datetime.strptime(text, pattern) if pattern else datetime.fromisoformat(text)  # noqa: DTZ007
            except ValueError:
                continue
        raise UnusableMessageError(f"t is {values.shown(text)}; it must be {_TIME_FORMAT_HINT}")

    def _is_newest_first(self, rows: Sequence[Mapping[str, str]]) -> bool:
        """Return whether a box's rows go back in time; told by its clock times from the first to the last."""
        if self.shape.time_unit != "iso8601":
            return False
        given: dict[str, list[datetime]] = {}
        for row in (*rows[:_ROWS_FOR_ORDER], *rows[-_ROWS_FOR_ORDER:]):
            cell = {ours: (row.get(theirs) or "").strip() for ours, theirs in self.headings.columns.items()}
            try:
                at = self._told_time(_time_in(cell)).replace(tzinfo=None)
            except UnusableMessageError:
                continue
            given.setdefault(cell.get("box", ""), []).append(at)
        return sum(times[-1] < times[0] for times in given.values()) > len(given) / 2

    def _number(self, text: str) -> float | str:
        """Return the number in a cell, or its text for the check that follows to refuse by name.

        A comma without a dot is a decimal one: nothing that is read here comes in thousands.
        """
        try:
            if self.shape.decimal_comma:
                return float(text.replace(".", "").replace(",", "."))
            return float(text if "." in text else text.replace(",", ".", 1))
        except ValueError:
            return text


def _written(row: Mapping[str, str]) -> list[str]:
    """Return all values of a row as texts, in their order."""
    more = _left_over(row)
    return [str(value) for value in row.values() if value is not more] + [*more]


def _left_over(row: Mapping[str, str]) -> Sequence[str]:
    """Return the values that stand under no heading: the reader of tables keeps them under none."""
    return cast("Mapping[str | None, Sequence[str]]", row).get(None, ())


def _require_no_more(row: Mapping[str, str]) -> None:
    """Refuse a row with more values than headings: which of them belongs to which nobody can tell."""
    more = _left_over(row)
    if any(value.strip() for value in more):
        headings = len(row) - 1
        raise UnusableMessageError(
            f"it has {headings + len(more)} values for {headings} headings. Where numbers have a decimal comma, "
            "something else has to stand between them"
        )


def _portions(rows: Iterator[Mapping[str, str]]) -> Iterator[list[Mapping[str, str]]]:
    """Yield some thousand rows at a time; those before a fault of the file come before the fault."""
    portion: list[Mapping[str, str]] = []
    try:
        for row in rows:
            portion.append(row)
            if len(portion) == ROWS_AT_ONCE:
                yield portion
                portion = []
    except csv.Error:
        yield portion
        raise
    if portion:
        yield portion


def _time_in(cell: Mapping[str, str]) -> str:
    """Return what a row tells of its time; the day stands in a column of its own in some tables."""
    day = cell.get(DATE)
    return f"{day} {cell['t']}" if day and _TIME_OF_DAY.match(cell["t"]) else cell["t"]


def _whole(text: str) -> int | str:
    """Return the whole number in a cell, also as a table of floats writes it, or its text to be refused by name."""
    digits = text.removesuffix(".0")
    return int(digits) if digits.isdecimal() and len(digits) <= _MAX_DIGITS else text
