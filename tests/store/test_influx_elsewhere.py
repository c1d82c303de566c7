"""The readings of a large site on a machine where the shelf's file is not: the same, to the bit."""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import StoreError
from monitor.records import InfluxAddress, Mark, Reading, ReadingSeries
from monitor.store.influx.outbox import Outbox
from monitor.store.influx.readings import ReadingsElsewhere
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite import connection
from monitor.store.sqlite.connection import Database
from tests.store.influx_fake import InfluxFake

START = datetime(2026, 3, 1, tzinfo=UTC)
END = START + timedelta(days=3)


def readings(box: str, first_hour: int, hours: int) -> list[Reading]:
    return [
        Reading(box, START + timedelta(hours=hour / 3), 20.0 + hour % 7 / 10, (12.3 + hour % 11 / 10) / 100)
        for hour in range(3 * first_hour, 3 * (first_hour + hours))
    ]


def fill(stores: Stores, database: Path, address: InfluxAddress) -> None:
    """Some at the server, some waiting, some marked, some withdrawn, and some hours thinned before the server came."""
    stores.readings.add(readings("left", 0, 30) + readings("room", 0, 30))
    stores.upkeep.thin(START + timedelta(hours=10), timedelta(hours=1))
    file = Database(database)
    outbox = Outbox(file, address, clock=lambda: END)
    while outbox.waiting():
        outbox.forward()
    outbox.close()
    file.close()
    stores.readings.add(readings("left", 30, 6))
    for hour in (12, 33):
        span = START + timedelta(hours=hour), START + timedelta(hours=hour + 1)
        series = stores.readings.series("left", *span)
        stores.readings.mark(replace(series, marks=np.full(len(series), Mark.spike.bit, np.uint16)))
    stores.imports.withdraw_span("left", START + timedelta(hours=20), START + timedelta(hours=22), END)


def same(one: ReadingSeries, other: ReadingSeries) -> bool:
    columns = ("at_s", "temperature_degc", "relative_humidity", "marks")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in columns)


def test_the_server_and_what_was_sent_along_give_the_same_evidence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "siccast.sqlite3"
    with InfluxFake() as server:
        address = InfluxAddress(server.url, "org", "farm", server.token)
        with open_stores(path, influx=address, now=START) as stores:
            fill(stores, path, address)
        with open_stores(path, influx=address, read_only=True) as stores:
            sent = pickle.dumps(stores.readings)
            here = {box: stores.readings.evidence(box, END) for box in ("left", "room", "nobody")}
        assert type(pickle.loads(sent)) is not ReadingsElsewhere
        monkeypatch.setattr(connection.platform, "node", lambda: "another")
        there = pickle.loads(sent)
        assert type(there) is ReadingsElsewhere
        assert all(same(there.evidence(box, END), series) for box, series in here.items())
        assert len(here["left"]) > 60
        assert here["left"].marks.any()
        there.close()
    with pytest.raises(StoreError, match="gives it no answer, and the shelf's own database is on another machine"):
        pickle.loads(sent)


def test_a_file_on_another_machine_is_not_taken_for_one_of_the_same_name_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(readings("left", 0, 3))
        sent = pickle.dumps(stores.readings)
    assert same(pickle.loads(sent).series("left"), pickle.loads(sent).series("left"))
    assert len(pickle.loads(sent).series("left")) == 9
    monkeypatch.setattr(connection.platform, "node", lambda: "another")
    with pytest.raises(StoreError, match=r"is on the machine .* and can be read only there"):
        pickle.loads(sent)
