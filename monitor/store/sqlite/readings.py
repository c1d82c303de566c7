"""The time series in SQLite: one row a reading, the newest of each box and the hourly roll-up kept beside them."""

from __future__ import annotations

import math
import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.records import Reading, ReadingSeries, Rejection
from monitor.records.readings import ROWS_AT_ONCE
from monitor.series.spans import unmarked
from monitor.store.sqlite import set_aside
from monitor.store.sqlite.digests import Digests
from monitor.store.sqlite.ledger import add_rejections, take_in
from monitor.store.sqlite.rows import (
    AT,
    FIRST_MS,
    HUMIDITY,
    MS_PER_HOUR,
    PER_DEGC,
    PER_HUMIDITY,
    TEMPERATURE,
    Row,
    as_columns,
    span_ms,
    to_ms,
    to_reading,
    to_row,
)
from monitor.store.sqlite.thinned_hours import roll_up_whole, with_thinned_hours

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from monitor.records import HalfReading
    from monitor.store.sqlite.connection import Database

Held = tuple[int, int, int | None]
"""Temperature and humidity that are held for an instant, and the number of the import that brought them."""

_NUMBERS_REMEMBERED = 10_000  # of boxes; judgement: ten times a large site

_WONT_GO_IN = (
    ValueError, OverflowError, TypeError,
    sqlite3.IntegrityError, sqlite3.DataError, sqlite3.InterfaceError, sqlite3.ProgrammingError,
)  # fmt: skip
"""What a single row is to blame for; a file that is locked, full or damaged says something else."""

_INSERT = """
INSERT OR IGNORE INTO readings (box_id, at_s, temperature, humidity, battery, told, import_number) VALUES (
    ?1, CASE ?2 % 1000 WHEN 0 THEN ?2 / 1000 ELSE ?2 / 1000.0 END, ?3, ?4, ?5,
    CASE ?7 WHEN 0 THEN ?6 ELSE -(?7 + 8 * (coalesce(?6, -1) + 1)) END, ?8
)
"""
_INSERT_OF_NO_IMPORT = _INSERT.replace("?8", "NULL")
_INSERT_MARKS = "INSERT INTO marks VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET bits = bits | excluded.bits"
_MARK_WHAT_IS_HELD = """
INSERT INTO marks SELECT box_id, ?2, ?3 FROM readings WHERE box_id = ?1 AND at_s = ?2 / 1000.0
ON CONFLICT DO UPDATE SET bits = bits | excluded.bits
"""
"""Another process may have withdrawn or thinned out what was looked at."""
_KEEP_NEWEST = """
INSERT INTO latest VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (box_id) DO UPDATE SET
    at_ms = excluded.at_ms, temperature = excluded.temperature, humidity = excluded.humidity,
    battery = excluded.battery, seq = excluded.seq, origin = excluded.origin,
    floor = coalesce(excluded.floor, floor)
WHERE excluded.at_ms > at_ms
"""
_ADD_TO_HOUR = """
INSERT INTO hourly VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET
    count = count + excluded.count, sum_temperature = sum_temperature + excluded.sum_temperature,
    sum_humidity = sum_humidity + excluded.sum_humidity
"""


@dataclass(slots=True)
class Landed:
    """What became of the readings that were to be stored."""

    new: list[tuple[Row, Reading]] = field(default_factory=list)
    differing: list[tuple[Row, Reading, Held]] = field(default_factory=list)
    refused: list[Rejection] = field(default_factory=list)
    """What the file can't hold, each for a reason of its own."""
    held: int = 0
    thinned_out: int = 0
    """Not held, and another row was kept in their stead when readings were thinned out."""
    back: list[tuple[Row, Reading]] = field(default_factory=list)
    """Of those, the ones that were put in again; the roll-up knows them still."""


class SqliteReadings:
    """Keeps the ``Readings`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._box_ids: dict[str, int] = {}
        self._generation = database.generation
        self.contested: list[Rejection] = []
        self._digests = Digests()

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel to another process as the place of the file."""
        return type(self), (self._database,)

    def add(
        self,
        readings: Iterable[Reading],
        rejections: Iterable[Rejection] = (),
        halves: Sequence[HalfReading] | None = None,
        taken_in: Mapping[int, datetime] = MappingProxyType({}),
    ) -> int:
        """Store readings and rejections in one transaction and return how many readings were new."""
        with self.writing() as connection:
            landed = self.land(connection, readings)
            self.contested = [_contest(reading, held) for _, reading, held in landed.differing] + landed.refused
            add_rejections(connection, [*rejections, *self.contested])
            take_in(connection, taken_in)
            set_aside.replace_halves(connection, halves)
        return len(landed.new)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Everything written in the body lands, or nothing does."""
        try:
            with self._database.transaction() as connection:
                self._forget_void_numbers()
                yield connection
        except BaseException:
            self._box_ids.clear()  # numbers given in a transaction that failed were never given
            raise

    def land(
        self,
        connection: sqlite3.Connection,
        readings: Iterable[Reading],
        number: int | None = None,
        *,
        bring_back: bool = False,
    ) -> Landed:
        """Store readings, of the import of this number where there is one, with all that is kept beside them.

        Those that were thinned out before stay out, or come in again where they are to be brought back.
        """
        landed = self._insert(connection, readings, number, bring_back=bring_back)
        new, put_in = landed.new, [*landed.new, *landed.back]
        connection.executemany(_INSERT_MARKS, [(*row[:2], reading.marks) for row, reading in put_in if reading.marks])
        _keep_newest(connection, new)
        _roll_up(connection, (row for row, _ in new))
        roll_up_whole(connection, {(row[0], row[AT] // MS_PER_HOUR) for row, _ in landed.back})
        self.inserted(connection, (row[:2] for row, _ in put_in))
        return landed

    def series(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return the readings of one box with ``start <= at < end``, in time order."""
        box_id, start_ms, end_ms = self._known_box_id(box), *span_ms(start, end)
        with self._database.errors():
            connection = self._database.connection
            rows = connection.execute(
                "SELECT at_s, temperature, humidity FROM readings WHERE box_id = ? AND at_s >= ? AND at_s < ?",
                (box_id, start_ms / 1000.0, end_ms / 1000.0),
            )
            at_s, temperature, humidity = as_columns(rows)
            marked = connection.execute(
                "SELECT at_ms, bits FROM marks WHERE box_id = ? AND at_ms >= ? AND at_ms < ?",
                (box_id, start_ms, end_ms),
            ).fetchall()
        marks = np.zeros(len(at_s), dtype=np.uint16)
        if marked and len(at_s):
            at_ms, bits = np.array(marked, dtype=np.int64).T
            places = np.minimum(np.searchsorted(at_s, at_ms / 1000.0), len(at_s) - 1)
            held = at_s[places] == at_ms / 1000.0  # not what came, or was withdrawn, between the two questions
            marks[places[held]] = bits[held]
        return ReadingSeries(box, at_s, temperature / PER_DEGC, humidity / PER_HUMIDITY, marks)

    def evidence(self, box: str, end: datetime | None = None, *, start: datetime | None = None) -> ReadingSeries:
        """Return what estimates rest on: readings, and where they were thinned one value an hour."""
        start = None if start is None else start.replace(minute=0, second=0, microsecond=0)
        series = self.series(box, start, end)
        span_s = -math.inf if start is None else start.timestamp(), math.inf if end is None else end.timestamp()
        with self._database.errors():
            return with_thinned_hours(self._database.connection, self._known_box_id(box), series, *span_s)

    def hourly(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return hourly means of one box from the roll-up, stamped at the start of the hour; marks are 0."""
        start_ms, end_ms = span_ms(start, end)
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT hour, sum_temperature / (100.0 * count), sum_humidity / (10000.0 * count) FROM hourly"
                " WHERE box_id = ? AND hour >= ? AND hour < ?",
                (self._known_box_id(box), -(-start_ms // MS_PER_HOUR), -(-end_ms // MS_PER_HOUR)),
            )
            at_s, temperature_degc, humidity = as_columns(rows)
        at_s *= MS_PER_HOUR / 1000.0  # where the hours were: pages hold a month of hundreds of boxes
        return unmarked(box, at_s, temperature_degc, humidity)

    def marked(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return the marked readings of one box with ``start <= at < end``: few, found without reading the others."""
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT at_s, temperature, humidity, bits FROM marks CROSS JOIN readings"
                " ON readings.box_id = marks.box_id AND readings.at_s = marks.at_ms / 1000.0"
                " WHERE marks.box_id = ? AND marks.at_ms >= ? AND marks.at_ms < ? ORDER BY marks.at_ms",
                (self._known_box_id(box), *span_ms(start, end)),
            )
            at_s, temperature, humidity, bits = as_columns(rows)
        return ReadingSeries(box, at_s, temperature / PER_DEGC, humidity / PER_HUMIDITY, bits.astype(np.uint16))

    def latest(self, before: datetime | None = None, *, removed: bool = False) -> Mapping[str, Reading]:
        """Return the newest reading of each box (before an instant); of those taken off the shelf only when asked."""
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT boxes.name, coalesce(marks.bits, 0), latest.floor, latest.at_ms, latest.temperature,"
                " latest.humidity, latest.battery, latest.seq, latest.origin"
                " FROM latest JOIN boxes USING (box_id)"
                " LEFT JOIN marks ON marks.box_id = latest.box_id AND marks.at_ms = latest.at_ms"
                " LEFT JOIN removed ON removed.box_id = latest.box_id"
                " WHERE ? OR removed_at_ms IS NULL OR latest.at_ms > removed_at_ms ORDER BY boxes.name",
                (removed,),
            ).fetchall()
        found = {name: to_reading(name, row, floor, marks) for name, marks, floor, *row in rows}
        if before is None:
            return found
        older = ((name, each if each.at < before else self._newest(name, before)) for name, each in found.items())
        return {name: reading for name, reading in older if reading is not None}

    def count(self) -> int:
        """Return how many readings are held."""
        with self._database.errors():
            return int(self._database.connection.execute("SELECT count(*) FROM readings").fetchone()[0])

    def digest(self, box: str, start: datetime | None, end: datetime) -> bytes:
        """Return a digest of the readings of a span and of their marks, from the roll-up and what came since."""
        first = -(FIRST_MS // -MS_PER_HOUR) if start is None else to_ms(start) // MS_PER_HOUR
        with self._database.errors():
            return self._digests.of(self._database.connection, self._known_box_id(box), first, to_ms(end))

    def each(self, box: str, start: datetime | None = None, end: datetime | None = None) -> Iterator[Reading]:
        """Yield whole readings of one box in time order without holding them all."""
        box_id, start_ms, end_ms = self._known_box_id(box), *span_ms(start, end)
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT coalesce(marks.bits, 0), at_ms, temperature, humidity, battery, seq, origin"
                " FROM readings LEFT JOIN marks USING (box_id, at_ms) WHERE box_id = ? AND at_s >= ? AND at_s < ?",
                (box_id, start_ms / 1000.0, end_ms / 1000.0),
            )
            for marks, *row in rows:
                yield to_reading(box, row, marks=marks)

    def _newest(self, box: str, before: datetime) -> Reading | None:
        with self._database.errors():
            row = self._database.connection.execute(
                "SELECT coalesce(marks.bits, 0), at_ms, temperature, humidity, battery, seq, origin"
                " FROM readings LEFT JOIN marks USING (box_id, at_ms) WHERE box_id = ? AND at_s < ?"
                " ORDER BY at_s DESC LIMIT 1",
                (self._known_box_id(box), to_ms(before) / 1000.0),
            ).fetchone()
        return None if row is None else to_reading(box, row[1:], marks=row[0])

    def mark(self, series: ReadingSeries) -> None:
        """Replace the marks of these readings by those in the series; values, and other readings, stay as they are."""
        at_ms = np.rint(series.at_s * 1000.0).astype(np.int64).tolist()
        if not at_ms:
            return
        box_id, marked = self._known_box_id(series.box), np.flatnonzero(series.marks)
        rows = [(box_id, at_ms[place], int(series.marks[place])) for place in marked]
        with self._database.transaction() as connection:
            connection.executemany("DELETE FROM marks WHERE box_id = ? AND at_ms = ?", [(box_id, at) for at in at_ms])
            connection.executemany(_MARK_WHAT_IS_HELD, rows)

    def halves(self) -> Sequence[HalfReading]:
        """Return the halves that wait for their other quantity."""
        with self._database.errors():
            return set_aside.halves(self._database.connection)

    def _insert(
        self, connection: sqlite3.Connection, readings: Iterable[Reading], number: int | None, *, bring_back: bool
    ) -> Landed:
        """Insert what is not held yet; return that, and what was at odds with a reading held already or won't go in."""
        landed, beside = Landed(), set_aside.Beside(connection, imported=number is not None)
        some = iter(readings)
        while batch := list(islice(some, ROWS_AT_ONCE)):
            if beside.has_nothing and (rows := self._insert_all_new(connection, batch, number)):
                landed.new += zip(rows, batch, strict=True)
            else:
                self._insert_each(connection, batch, number, beside, landed, bring_back=bring_back)
        return landed

    def _insert_all_new(
        self, connection: sqlite3.Connection, readings: Sequence[Reading], number: int | None
    ) -> list[Row]:
        """Insert readings by one statement and return their rows; unless each is new, insert nothing and return none.

        Nearly all that a feed brings is new, and one by one each row takes a microsecond more.
        """
        if not all(reading.sent_at_known for reading in readings):
            return []
        connection.execute("SAVEPOINT all_new")
        try:
            known = self._box_ids.get
            rows = [to_row(known(one.box) or self.box_id(connection, one.box), one) for one in readings]
            before = connection.total_changes
            if number is None:
                connection.executemany(_INSERT_OF_NO_IMPORT, rows)
            else:
                connection.executemany(_INSERT, [(*row, number) for row in rows])
            if connection.total_changes - before == len(rows):
                connection.execute("RELEASE all_new")
                return rows
        except _WONT_GO_IN:
            pass  # which of them it is, the other way finds out
        connection.execute("ROLLBACK TO all_new")
        connection.execute("RELEASE all_new")
        self._box_ids.clear()  # as for a whole transaction
        return []

    def _insert_each(
        self,
        connection: sqlite3.Connection,
        readings: Iterable[Reading],
        number: int | None,
        beside: set_aside.Beside,
        landed: Landed,
        *,
        bring_back: bool,
    ) -> None:
        """Insert readings row by row, and note of each what became of it."""
        for reading in readings:
            try:
                row = to_row(self.box_id(connection, reading.box), reading)
                thinned_out = beside.was_thinned_out(row)
                if thinned_out and not bring_back:
                    landed.thinned_out += 1
                elif not thinned_out and beside.knows(reading, row):
                    landed.held += 1
                elif (given := _insert_one(connection, (reading, row, number), beside.stand_ins, landed)) is not None:
                    (landed.back if thinned_out else landed.new).append((given, reading))
            except _WONT_GO_IN as error:
                landed.refused.append(_refuse(reading, error))

    def inserted(self, connection: sqlite3.Connection, keys: Iterable[tuple[int, int]]) -> None:
        """Called within the transaction with box and instant of new rows; a store that forwards them hooks in here."""

    def _forget_void_numbers(self) -> None:
        if self._generation != self._database.generation:
            self._generation = self._database.generation
            self._box_ids.clear()

    def box_id(self, connection: sqlite3.Connection, name: str) -> int:
        """Return the number of a box, given now where it has none yet."""
        box_id = self._box_ids.get(name)
        if box_id is None:
            if len(self._box_ids) >= _NUMBERS_REMEMBERED:
                self._box_ids.clear()  # a stranger may make up names for ever; the file knows every number
            connection.execute("INSERT OR IGNORE INTO boxes (name) VALUES (?)", (name,))
            box_id = self._box_ids[name] = self._known_box_id(name)
        return box_id

    def _known_box_id(self, name: str) -> int:
        """Return the number of a box, or one that no box has."""
        row = self._database.connection.execute("SELECT box_id FROM boxes WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0


def _insert_one(
    connection: sqlite3.Connection,
    given: tuple[Reading, Row, int | None],
    stand_ins: set_aside.StandIns,
    landed: Landed,
) -> Row | None:
    """Insert a reading and return its row, or note that it is held or at odds with what is held.

    An arrival that stands in for a time says nothing against a second reading: that one goes to the next instant.
    """
    reading, row, number = given
    while not connection.execute(_INSERT, (*row, number)).rowcount:
        if reading.sent_at_known:
            held = _held(connection, row)
            if held[:2] == row[TEMPERATURE : HUMIDITY + 1]:
                landed.held += 1
            else:
                landed.differing.append((row, reading, held))
            return None
        row = stand_ins.next_after(row)
    return row


def _held(connection: sqlite3.Connection, row: Row) -> Held:
    temperature, humidity, number = connection.execute(
        "SELECT temperature, humidity, import_number FROM readings WHERE box_id = ? AND at_s = ? / 1000.0", row[:2]
    ).fetchone()
    return temperature, humidity, number


def _contest(reading: Reading, held: Held) -> Rejection:
    given = f"{reading.temperature_degc:.2f} °C and {reading.relative_humidity:.2%}"
    return Rejection(
        arrived_at=reading.at,
        feed="store",
        topic=reading.box,
        payload=given.encode(),
        reason=f"box '{reading.box}' already has {held[0] / 100:.2f} °C and {held[1] / 100:.2f}% at"
        f" {reading.at:%Y-%m-%dT%H:%M:%SZ}; {given} came later for the same time and does not replace it",
    )


def _refuse(reading: Reading, error: Exception) -> Rejection:
    return Rejection(
        arrived_at=reading.at,
        feed="store",
        topic=reading.box,
        payload=repr(reading).encode("utf-8", "replace"),
        reason=f"the database can't store this reading ({type(error).__name__}: {error}); please report it as a defect",
    )


def _keep_newest(connection: sqlite3.Connection, new: Iterable[tuple[Row, Reading]]) -> None:
    newest: dict[int, tuple[Row, Reading]] = {}
    for one in new:
        row = one[0]
        held = newest.get(row[0])
        if held is None or held[0][AT] < row[AT]:
            newest[row[0]] = one
    add_newest(connection, [(*row, _floor(reading)) for row, reading in newest.values()])


def add_newest(connection: sqlite3.Connection, rows: Iterable[tuple[int | None, ...]]) -> None:
    """Keep each row, with its floor at its end, as the newest of its box where it is."""
    connection.executemany(_KEEP_NEWEST, rows)


def _floor(reading: Reading) -> int | None:
    floor = reading.floor_relative_humidity
    return None if floor is None else round(floor * PER_HUMIDITY)


def add_to_hours(connection: sqlite3.Connection, hours: Iterable[tuple[int, ...]]) -> None:
    """Add to the roll-up: box, hour, count, sums of temperature and humidity."""
    connection.executemany(_ADD_TO_HOUR, hours)


def _roll_up(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
    hours: dict[tuple[int, int], list[int]] = {}
    for box_id, at_ms, temperature, humidity, _, _, _ in rows:
        key = (box_id, at_ms // MS_PER_HOUR)
        hour = hours.get(key)
        if hour is None:
            hours[key] = [1, temperature, humidity]
        else:
            hour[0] += 1
            hour[1] += temperature
            hour[2] += humidity
    add_to_hours(connection, [(*key, *hour) for key, hour in hours.items()])
