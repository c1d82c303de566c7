"""What the shelf's file holds and InfluxDB does not yet: forwarded in batches, kept until the server has said yes.

The server's own trouble is waited out, a line it will never take is set aside with its reason, and a listener that
dies in between sends the batch again: the same box and instant is the same point, so that changes nothing.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from influxdb_client import InfluxDBClient, WritePrecision
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from monitor.errors import StoreBusyError
from monitor.records import Forwarding, InfluxAddress, Reading, Rejection
from monitor.retrying import BackOff
from monitor.store.influx.wire import flux_series, line
from monitor.store.sqlite.ledger import add_rejections
from monitor.store.sqlite.rows import from_ms_or_none, to_reading

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

BATCH = 5000  # lines a request; judgement: some 400 KiB
_TIMEOUT_MS = 10_000  # judgement: a server that is busy answers by then, one that is gone holds nothing up
_LONGEST_PAUSE_S = 60.0  # judgement: a server that comes back is found within a minute
_TOO_LARGE, _BAD_LINE = 413, 400  # HTTP status (RFC 9110, section 15.5)

_PENDING = """
SELECT boxes.name, outbox.box_id, readings.at_ms, temperature, humidity, battery, seq, origin
FROM outbox JOIN readings ON readings.box_id = outbox.box_id AND at_s = outbox.at_ms / 1000.0
JOIN boxes ON boxes.box_id = outbox.box_id
ORDER BY outbox.box_id, outbox.at_ms LIMIT ?
"""
_FORGOTTEN = """
DELETE FROM outbox WHERE NOT EXISTS (
    SELECT 1 FROM readings WHERE readings.box_id = outbox.box_id AND at_s = outbox.at_ms / 1000.0
)
"""
_DONE = "DELETE FROM outbox WHERE box_id = ? AND at_ms = ?"

Pending = tuple[tuple[int, int], Reading]
"""A row's key in the outbox, and the reading."""


def open_client(address: InfluxAddress) -> InfluxDBClient:
    """Return a client of the server; it connects when it is first used."""
    return InfluxDBClient(
        url=address.url, token=address.token or "", org=address.org, timeout=_TIMEOUT_MS, enable_gzip=False
    )


class Outbox:
    """Forwards what waits, one batch a call."""

    def __init__(
        self,
        database: Database,
        address: InfluxAddress,
        report: Callable[[str], None] = lambda _: None,
        *,
        clock: Callable[[], datetime],
    ) -> None:
        self._clock = clock
        self._database = database
        self._address = address
        self._report = report
        self._client = open_client(address)
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._batch = BATCH
        self._back_off = BackOff(first_s=2.0, longest_s=_LONGEST_PAUSE_S)
        self._told = ""

    def close(self) -> None:
        """Let go of the server."""
        self._write.close()
        self._client.close()

    def waiting(self) -> int:
        """Return how many readings the server does not have yet."""
        with self._database.errors():
            return int(self._database.connection.execute("SELECT count(*) FROM outbox").fetchone()[0])

    def forward(self) -> float:
        """Send one batch and return how long to pause before the next call; 0 where more waits. [s]"""
        try:
            return self._forward()
        except StoreBusyError as error:
            return self._wait_out(str(error))
        except (HTTPError, OSError) as error:
            return self._wait_out(f"InfluxDB at {self._address.url} does not answer ({type(error).__name__})")

    def _forward(self) -> float:
        pending = self._pending(self._batch)
        if not pending:
            self._forget_the_thinned()
            return 1.0
        try:
            self._send(pending)
        except ApiException as error:
            return self._answer(error, pending)
        self._settle(pending)
        if self._told:
            self._report(f"InfluxDB at {self._address.url} accepts readings again; {self.waiting()} wait")
        self._back_off.succeeded()
        self._told = ""
        self._batch = min(BATCH, 2 * self._batch)
        return 0.0

    def _forget_the_thinned(self) -> None:
        """Strike out what waits and was deleted in the meantime; else the server would seem behind for ever."""
        if self.waiting():
            with self._database.transaction() as connection:
                connection.execute(_FORGOTTEN)

    def _pending(self, how_many: int) -> list[Pending]:
        with self._database.errors():
            rows = self._database.connection.execute(_PENDING, (how_many,)).fetchall()
        return [((box_id, row[0]), to_reading(name, row)) for name, box_id, *row in rows]

    def _send(self, pending: Sequence[Pending]) -> None:
        lines = "\n".join(line(reading) for _, reading in pending)
        self._write.write(self._address.bucket, self._address.org, lines, write_precision=WritePrecision.MS)

    def _settle(self, pending: Sequence[Pending], refused: Sequence[Rejection] = ()) -> None:
        with self._database.transaction() as connection:
            connection.executemany(_DONE, [key for key, _ in pending])
            add_rejections(connection, refused)

    def _answer(self, error: ApiException, pending: Sequence[Pending]) -> float:
        """Do what the server's refusal asks for and return how long to pause. [s]"""
        if error.status in {_TOO_LARGE, _BAD_LINE} and len(pending) > 1:
            self._batch = max(1, len(pending) // 2)
            return 0.0
        if error.status in {_TOO_LARGE, _BAD_LINE}:
            self._set_aside(pending, error)
            return 0.0
        asked_s = str((error.headers or {}).get("Retry-After", ""))
        line_ = (
            f"InfluxDB at {self._address.url} answers {error.status} {error.reason}; {_REMEDIES.get(error.status, '')}"
        )
        return self._wait_out(line_.rstrip("; "), float(asked_s) if asked_s.isdecimal() else None)

    def _set_aside(self, pending: Sequence[Pending], error: ApiException) -> None:
        (_, reading) = pending[0]
        reason = f"InfluxDB refuses this reading ({error.status}); it stays in the shelf's own database"
        refused = Rejection(self._clock(), "influxdb", reading.box, line(reading).encode(), reason)
        self._settle(pending, [refused])
        self._report(f"{reading.box}: {reason}")

    def _wait_out(self, trouble: str, asked_s: float | None = None) -> float:
        if trouble != self._told:
            self._told = trouble
            self._report(f"{trouble}; readings wait in the shelf's own database")
        pause_s = self._back_off.after_failure_s()
        return pause_s if asked_s is None else min(_LONGEST_PAUSE_S, asked_s)


# by HTTP status (RFC 9110, section 15; 429: RFC 6585, section 4)
_REMEDIES = {
    401: "the token is wrong: set SICCAST_INFLUX_TOKEN or token_file",
    403: "the token may not write to this bucket",
    404: "the bucket or the organization does not exist",
    429: "it asks siccast to slow down",
    503: "it is overloaded or starting",
}


def queue_all(database: Database) -> int:
    """Let every reading be forwarded once more, and return how many wait then; the server takes each as the same."""
    with database.transaction() as connection:
        connection.execute("INSERT OR IGNORE INTO outbox SELECT box_id, at_ms FROM readings")
        return int(connection.execute("SELECT count(*) FROM outbox").fetchone()[0])


def look_at(database: Database, address: InfluxAddress, now: datetime) -> Forwarding:
    """Ask the server for readings that there are none of, and count what waits for it."""
    with database.errors():
        waiting, oldest_ms = database.connection.execute("SELECT count(*), min(at_ms) FROM outbox").fetchone()
    trouble, client = "", open_client(address)
    try:
        question = flux_series(address.bucket, "", now, now + timedelta(seconds=1))
        list(client.query_api().query_stream(question, org=address.org))
    except ApiException as error:
        trouble = "; ".join(filter(None, (f"answers {error.status} {error.reason}", _REMEDIES.get(error.status, ""))))
    except (HTTPError, OSError) as error:
        trouble = f"does not answer ({type(error).__name__})"
    finally:
        client.close()
    return Forwarding(trouble, int(waiting), from_ms_or_none(oldest_ms))


def keep_forwarding(
    open_database: Callable[[], Database],
    address: InfluxAddress,
    stopped: Callable[[], bool],
    pause: Callable[[float], object],
    report: Callable[[str], None],
    *,
    clock: Callable[[], datetime],
) -> None:
    """Forward until told to stop; meant for a thread of its own, so that the feed never waits for the server."""
    database = open_database()
    outbox = Outbox(database, address, report, clock=clock)
    try:
        while not stopped():
            pause_s = outbox.forward()
            if pause_s:
                pause(pause_s)
    finally:
        outbox.close()
        database.close()
