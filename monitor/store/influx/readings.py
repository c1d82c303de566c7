"""The ``Readings`` contract of a large site: written through the outbox, read back from InfluxDB.

What the server has not got yet, or can't say because it is away, comes from the shelf's own file. So does all that
was ever set aside: the server is told no deletions, so what it has for those instants is passed over.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from typing import TYPE_CHECKING, Any

import numpy as np
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from monitor.errors import StoreError
from monitor.records import ROOM, Reading, ReadingSeries, ReadingSource
from monitor.retrying import BackOff
from monitor.series.spans import unmarked
from monitor.store.influx.elsewhere import Part, known_to_the_file_alone
from monitor.store.influx.outbox import open_client
from monitor.store.influx.wire import flux_hourly, flux_series
from monitor.store.sqlite.connection import Database, Place, place_of
from monitor.store.sqlite.readings import SqliteReadings
from monitor.store.sqlite.rows import to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from monitor.records import InfluxAddress


_LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
"""A question about then is answered with nothing. [UTC] Judgement: no sensor sent to any such server yet."""


class InfluxReadings(SqliteReadings):
    """Keeps the contract with a server that may be away."""

    def __init__(
        self, database: Database, address: InfluxAddress, report: Callable[[str], None] = lambda _: None
    ) -> None:
        super().__init__(database)
        self._address = address
        self._report = report
        self._client = open_client(address)
        self._back_off = BackOff(first_s=60.0, longest_s=600.0)  # judgement: each try costs a page its wait
        self._not_before = 0.0

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel as the places of file and server, with what the server can't say for where the file is not."""
        path = self._database.path.absolute()
        return _arrived, (path, place_of(path), known_to_the_file_alone(self._database), self._address)

    def close(self) -> None:
        """Let go of the server."""
        self._client.close()

    def series(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return the readings of one box with ``start <= at < end``, in time order."""
        local = super().series(box, start, end)
        given = self._ask(flux_series(self._address.bucket, box, start, end))
        if not given:
            return local
        given = self._in_force(box, given)
        at_s = np.array([record["_time"].timestamp() for record in given])
        marks = np.zeros(len(at_s), dtype=np.uint16)
        known = np.isin(at_s, local.at_s)
        marks[known] = local.marks[np.searchsorted(local.at_s, at_s[known])]
        theirs = ReadingSeries(box, at_s, _column(given, "temperature_c"), _column(given, "rh_pct") / 100.0, marks)
        return _joined(theirs, local)

    def hourly(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return hourly means of one box, stamped at the start of the hour; marks are 0."""
        local = super().hourly(box, start, end)
        only_local = self._waits(box) or self._set_aside(box)
        given = None if only_local else self._ask(flux_hourly(self._address.bucket, box, start, end))
        if not given:
            return local
        at_s = np.array([record["_time"].timestamp() for record in given])
        theirs = unmarked(box, at_s, _column(given, "temperature_c"), _column(given, "rh_pct") / 100.0)
        return _joined(theirs, local)

    def digest(self, box: str, start: datetime | None, end: datetime) -> bytes:
        """Return a digest of the hourly means of a span, of the readings in its last hour, and of the marks."""
        hour = end.replace(minute=0, second=0, microsecond=0)
        hourly, since = self.hourly(box, start, hour), self.series(box, hour, end)
        digest = blake2b(super().digest(box, start, end))
        for series in (hourly, since):
            for column in (series.at_s, series.temperature_degc, series.relative_humidity):
                digest.update(column.tobytes())
        return digest.digest()

    def each(self, box: str, start: datetime | None = None, end: datetime | None = None) -> Iterator[Reading]:
        """Yield whole readings of one box in time order; what the shelf's own file holds comes from there."""
        given = self._ask(flux_series(self._address.bucket, box, start, end))
        local = {reading.at: reading for reading in super().each(box, start, end)}
        theirs = (_to_reading(box, record) for record in self._in_force(box, given or []))
        merged = {reading.at: reading for reading in theirs} | local
        for at in sorted(merged):
            yield merged[at]

    def inserted(self, connection: sqlite3.Connection, keys: Iterable[tuple[int, int]]) -> None:
        """Let the new rows wait for the server."""
        connection.executemany("INSERT OR IGNORE INTO outbox VALUES (?, ?)", keys)

    def _waits(self, box: str) -> bool:
        """Return whether the server lacks some of a box's readings."""
        with self._database.errors():
            found = self._database.connection.execute(
                "SELECT 1 FROM outbox WHERE box_id = ? LIMIT 1", (self._known_box_id(box),)
            )
            return found.fetchone() is not None

    def _set_aside(self, box: str) -> set[int]:
        """Return the instants for which a reading of a box was ever set aside and is so still. [ms]"""
        with self._database.errors():
            rows = self._database.connection.execute(
                "SELECT at_ms FROM set_aside WHERE box_id = ?", (self._known_box_id(box),)
            )
            return {at_ms for (at_ms,) in rows}

    def _in_force(self, box: str, given: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Return what the server tells, without the instants that something was set aside for."""
        aside = self._set_aside(box)
        return [record for record in given if to_ms(record["_time"]) not in aside] if aside else given

    def _ask(self, flux: str) -> list[dict[str, Any]] | None:
        """Return the rows of an answer, or None where the server can't give one.

        One that gave none is left alone for a while: each box would wait for it again.
        """
        if time.monotonic() < self._not_before:
            return None
        try:
            records = self._client.query_api().query_stream(flux, org=self._address.org)
            rows = [record.values for record in records]
        except (ApiException, HTTPError, OSError) as error:
            self._not_before = time.monotonic() + self._back_off.after_failure_s()
            status = getattr(error, "status", None) or type(error).__name__
            self._report(
                f"InfluxDB at {self._address.url} gives no answer ({status}). siccast uses the shelf's own database"
                " instead. `siccast check` shows more"
            )
            return None
        self._back_off.succeeded()
        return rows


class ReadingsElsewhere(InfluxReadings):
    """Keeps the contract for reading where the shelf's file is not, so that a server that is away is an error."""

    def __init__(self, database: Database, address: InfluxAddress) -> None:
        super().__init__(database, address)
        self._ask(flux_series(address.bucket, ROOM, _LONG_AGO, _LONG_AGO + timedelta(seconds=1)))

    def _ask(self, flux: str) -> list[dict[str, Any]]:
        given = super()._ask(flux)
        if given is None:
            raise StoreError(
                f"InfluxDB at {self._address.url} gives it no answer, and the shelf's own database is on another"
                " machine"
            )
        return given


def _arrived(path: Path, place: Place, data: bytes, address: InfluxAddress) -> InfluxReadings:
    if place_of(path) == place:
        return InfluxReadings(Database(path, read_only=True), address)
    return ReadingsElsewhere(Part(path, data), address)


def _column(given: list[dict[str, Any]], name: str) -> Any:
    return np.array([record[name] for record in given], dtype=np.float64)


def _joined(theirs: ReadingSeries, local: ReadingSeries) -> ReadingSeries:
    """Return what the server has, and what only the shelf's own file has yet, in time order."""
    lacking = ~np.isin(local.at_s, theirs.at_s)
    at_s = np.concatenate((theirs.at_s, local.at_s[lacking]))
    order = np.argsort(at_s, kind="stable")
    return ReadingSeries(
        theirs.box,
        at_s[order],
        np.concatenate((theirs.temperature_degc, local.temperature_degc[lacking]))[order],
        np.concatenate((theirs.relative_humidity, local.relative_humidity[lacking]))[order],
        np.concatenate((theirs.marks, local.marks[lacking]))[order],
    )


def _to_reading(box: str, record: dict[str, Any]) -> Reading:
    seq = record.get("seq")
    return Reading(
        box,
        record["_time"],
        record["temperature_c"],
        record["rh_pct"] / 100.0,
        record.get("battery_v"),
        None if seq is None else int(seq),
        sent_at_known=bool(record["sent_at_known"]),
        source=ReadingSource(record["source"]),
    )
