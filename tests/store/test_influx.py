"""InfluxDB 2: exact words on the wire, a server with every kind of trouble, and real engines behind the same bytes.

No InfluxDB 2 server is in Debian, PyPI or npm: writes go to two real engines that take the same line protocol, Flux is
held against golden text and a stand-in, and a live server is tested where SICCAST_TEST_INFLUX_URL names one.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from monitor.presentation.clock import utc_now
from monitor.records import InfluxAddress, Mark, Reading, ReadingSource
from monitor.store.influx import outbox as outbox_module
from monitor.store.influx.outbox import Outbox
from monitor.store.influx.wire import flux_hourly, flux_series, line
from monitor.store.opening import open_stores
from monitor.store.sqlite import connection as connection_module
from monitor.store.sqlite.connection import Database
from tests.conftest import free_port, require_program
from tests.store.influx_fake import InfluxFake

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

START = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
TOLD = Reading("pla white", START, 21.4, 0.172, 2.98, 10234)


def readings(count: int, box: str = "box1") -> list[Reading]:
    return [Reading(box, START + timedelta(minutes=m), 20.0 + m % 7, 0.1 + m % 3 / 100, seq=m) for m in range(count)]


# --- golden text -----------------------------------------------------------------------------------------------------


def test_a_reading_as_line_protocol() -> None:
    """Spaces in a tag are escaped, whole numbers end in i, times are milliseconds (line protocol reference, v2)."""
    assert line(TOLD) == (
        'reading,box=pla\\ white battery_v=2.98,rh_pct=17.2,sent_at_known=true,seq=10234i,source="sensor",'
        "temperature_c=21.4 1772350200000"
    )


def test_questions_in_flux() -> None:
    assert flux_series("farm", "box1", START, None) == (
        'from(bucket: "farm")\n'
        "  |> range(start: 2026-03-01T07:30:00.000Z, stop: 2200-01-01T00:00:00Z)\n"
        '  |> filter(fn: (r) => r._measurement == "reading" and r.box == "box1")\n'
        '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        "  |> group()\n"
        '  |> sort(columns: ["_time"])\n'
    )
    assert flux_hourly("farm", "box1", None, START) == (
        'from(bucket: "farm")\n'
        "  |> range(start: 1970-01-01T00:00:00Z, stop: 2026-03-01T07:30:00.000Z)\n"
        '  |> filter(fn: (r) => r._measurement == "reading" and r.box == "box1")\n'
        '  |> filter(fn: (r) => r._field == "temperature_c" or r._field == "rh_pct")\n'
        '  |> aggregateWindow(every: 1h, fn: mean, createEmpty: false, timeSrc: "_start")\n'
        '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        "  |> group()\n"
        '  |> sort(columns: ["_time"])\n'
    )


def test_a_box_name_can_not_leave_its_string() -> None:
    name = 'x") |> drop() //${r._time}\\'
    assert 'r.box == "x\\") |> drop() //\\${r._time}\\\\")' in flux_series("b", name, None, None)


# --- a server with troubles ------------------------------------------------------------------------------------------


@contextmanager
def site(folder: Path, fake: InfluxFake, said: list[str]) -> Iterator[tuple[Any, Outbox]]:
    address = InfluxAddress(fake.url, "org", "farm", fake.token)
    path = folder / "siccast.sqlite3"
    with open_stores(path, influx=address, report=said.append) as stores:
        database = Database(path)
        outbox = Outbox(database, address, said.append, clock=utc_now)
        yield stores, outbox
        outbox.close()
        database.close()


@pytest.fixture
def said() -> list[str]:
    return []


def drain(outbox: Outbox, calls: int = 50) -> list[float]:
    pauses = []
    while outbox.waiting() and len(pauses) < calls:
        pauses.append(outbox.forward())
    return pauses


def test_what_was_forwarded_is_read_back_through_flux(tmp_path: Path, said: list[str]) -> None:
    told = [*readings(200), replace(TOLD, sent_at_known=False, source=ReadingSource.hand, marks=Mark.step.bit)]
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        assert stores.readings.add(told) == 201
        drain(outbox)
        local = open_stores(tmp_path / "siccast.sqlite3", read_only=True)
        with local as plain:
            for box in ("box1", "pla white"):
                ours, theirs = plain.readings.series(box), stores.readings.series(box)
                assert theirs.at_s.tolist() == ours.at_s.tolist()
                assert theirs.relative_humidity.tolist() == pytest.approx(ours.relative_humidity.tolist())
                assert theirs.marks.tolist() == ours.marks.tolist()
                assert list(stores.readings.each(box)) == [
                    replace(r, relative_humidity=pytest.approx(r.relative_humidity)) for r in plain.readings.each(box)
                ]
                hourly = stores.readings.hourly(box)
                assert hourly.temperature_degc.tolist() == pytest.approx(
                    plain.readings.hourly(box).temperature_degc.tolist()
                )
        assert len(fake.points) == 201
    assert said == []


@pytest.mark.parametrize("fault", ["503", "500", "401", "404", "429:7", "hang", "half-close"])
def test_trouble_is_waited_out_and_told_once(
    tmp_path: Path, said: list[str], fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outbox_module, "_TIMEOUT_MS", 200)
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(readings(10))
        fake.faults.extend([fault, fault])
        pauses = drain(outbox)
        assert pauses == ([7.0, 7.0, 0.0] if fault == "429:7" else [2.0, 4.0, 0.0])
        assert len(fake.points) == 10
        assert len(said) == 2, said
        assert "readings wait in the shelf's own database" in said[0]
        assert said[1].endswith("accepts readings again; 0 wait")


def test_a_batch_too_large_is_halved(tmp_path: Path, said: list[str]) -> None:
    with InfluxFake(largest_lines=10) as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(readings(100))
        drain(outbox, calls=100)
        assert len(fake.points) == 100


def test_a_line_the_server_will_never_take_is_set_aside(tmp_path: Path, said: list[str]) -> None:
    with InfluxFake(refused_box="bad") as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add([*readings(20), Reading("bad", START, 20.0, 0.5)])
        drain(outbox, calls=100)
        assert len(fake.points) == 20
        (kept,) = stores.ledger.rejected()
        assert "InfluxDB refuses this reading (400); it stays in the shelf's own database" in kept.reason
        assert stores.readings.latest()["bad"].relative_humidity == 0.5


def test_an_outage_loses_nothing_and_blocks_nothing(tmp_path: Path, said: list[str]) -> None:
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        fake.faults.extend(["503"] * 20)
        for first in range(0, 1000, 100):
            assert stores.readings.add(readings(1000)[first : first + 100]) == 100
            outbox.forward()
        assert outbox.waiting() == 1000
        assert len(stores.readings.series("box1")) == 1000, "read from the shelf's own file meanwhile"
        fake.faults.clear()
        drain(outbox)
        assert len(fake.points) == 1000
        assert len(stores.readings.series("box1")) == 1000


def test_a_busy_store_is_waited_out(tmp_path: Path, said: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process held the file for more than five seconds, and forwarding was over for good."""
    monkeypatch.setattr(connection_module, "BUSY_TIMEOUT_S", 0.05)
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(readings(10))
        holder = sqlite3.connect(tmp_path / "siccast.sqlite3", isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        assert [outbox.forward(), outbox.forward()] == [2.0, 4.0]
        holder.execute("ROLLBACK")
        holder.close()
        assert drain(outbox) == [0.0]
        assert len(fake.points) == 10
    assert "another process is using it; wait a moment" in said[0]
    assert len(said) == 2, said


def test_what_waits_and_is_thinned_out_waits_no_longer(tmp_path: Path, said: list[str]) -> None:
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(readings(120))
        stores.upkeep.thin(START + timedelta(days=1), timedelta(hours=1))
        for _ in range(3):
            outbox.forward()
        assert outbox.waiting() == 0
        assert len(fake.points) == stores.readings.count() == 3


def test_hours_from_before_the_server_come_from_the_shelf_s_own_file(tmp_path: Path, said: list[str]) -> None:
    told = readings(600)
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        stores.readings.add(told[:300])
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(told[300:])
        drain(outbox)
        hourly = stores.readings.hourly("box1")
        with open_stores(tmp_path / "siccast.sqlite3", read_only=True) as plain:
            assert hourly.at_s.tolist() == plain.readings.hourly("box1").at_s.tolist()


def test_what_came_late_to_the_server_changes_the_digest(tmp_path: Path, said: list[str]) -> None:
    """As where another listener of the same farm forwards to it: nothing of that is in the file here."""
    end = START + timedelta(hours=5)
    with InfluxFake() as fake, site(tmp_path, fake, said) as (stores, outbox):
        stores.readings.add(readings(200))
        drain(outbox)
        seen = {stores.readings.digest("box1", None, end)}
        assert stores.readings.digest("box1", None, end) in seen
        (_, told), *_ = fake.points.items()
        for late_at in (START + timedelta(minutes=10.5), end - timedelta(minutes=2)):
            fake.points["box1", int(late_at.timestamp() * 1000)] = dict(told)
            seen.add(stores.readings.digest("box1", None, end))
        assert len(seen) == 3
        fake.points["box2", int(START.timestamp() * 1000)] = dict(told)
        fake.points["box1", int(end.timestamp() * 1000)] = dict(told)
        assert stores.readings.digest("box1", None, end) in seen


def test_a_server_that_gives_no_answer_is_asked_once_for_all_boxes(tmp_path: Path, said: list[str]) -> None:
    address = InfluxAddress(f"http://127.0.0.1:{free_port()}", "org", "farm", "t")
    with open_stores(tmp_path / "siccast.sqlite3", influx=address, report=said.append) as stores:
        for number in range(50):
            stores.readings.series(f"box{number}")
    assert len(said) == 1


def test_a_server_that_is_not_there(tmp_path: Path, said: list[str]) -> None:
    address = InfluxAddress(f"http://127.0.0.1:{free_port()}", "org", "farm", "t")
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path, influx=address, report=said.append) as stores:
        stores.readings.add(readings(3))
        assert len(stores.readings.series("box1")) == 3
        outbox = Outbox(Database(path), address, said.append, clock=utc_now)
        assert outbox.forward() == 2.0
        outbox._database.close()
        outbox.close()
    assert any("readings wait in the shelf's own database" in text for text in said)


# --- real engines behind the same bytes ------------------------------------------------------------------------------


def fetch(url: str, body: bytes | None = None) -> bytes:
    with urllib.request.urlopen(urllib.request.Request(url, body), timeout=100) as answer:
        return bytes(answer.read())


@contextmanager
def running(command: list[str], ready_url: str) -> Iterator[None]:
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        while True:
            try:
                fetch(ready_url)
                break
            except (urllib.error.URLError, ConnectionError):
                assert process.poll() is None, f"{command[0]} ended with {process.returncode} before it answered"
                time.sleep(0.05)
        yield
    finally:
        process.kill()
        process.wait(20)


def test_the_write_bytes_are_taken_by_a_time_series_engine(tmp_path: Path, said: list[str]) -> None:
    """victoria-metrics takes `/api/v2/write` of the official client; fields become series `measurement_field`."""
    program, port = require_program("victoria-metrics"), free_port()
    url = f"http://127.0.0.1:{port}"
    command = [
        program, f"-storageDataPath={tmp_path}/vm", f"-httpListenAddr=127.0.0.1:{port}", "-retentionPeriod=100y"
    ]  # fmt: skip
    told = readings(120)
    with running(command, f"{url}/health"):
        address = InfluxAddress(url, "org", "farm", "token")
        path = tmp_path / "siccast.sqlite3"
        with open_stores(path, influx=address, report=said.append) as stores:
            stores.readings.add(told)
        outbox = Outbox(database := Database(path), address, said.append, clock=utc_now)
        drain(outbox)
        outbox.close()
        database.close()
        fetch(f"{url}/internal/force_flush")
        match = urllib.parse.quote('reading_rh_pct{box="box1"}')
        (series,) = (json.loads(text) for text in fetch(f"{url}/api/v1/export?match[]={match}").splitlines())
    assert series["timestamps"] == [round(reading.at.timestamp() * 1000) for reading in told]
    assert series["values"] == pytest.approx([100.0 * reading.relative_humidity for reading in told])


def test_the_line_protocol_is_read_back_from_influxdb_1(tmp_path: Path) -> None:
    """InfluxDB 1.6 has no v2 address; its own `/write` takes the same lines, and a point written twice is one point."""
    program, port = require_program("influxd"), free_port()
    url = f"http://127.0.0.1:{port}"
    settings = tmp_path / "influx.conf"
    settings.write_text(
        f'bind-address = "127.0.0.1:{free_port()}"\nreporting-disabled = true\n[meta]\ndir = "{tmp_path}/meta"\n'
        f'[data]\ndir = "{tmp_path}/data"\nwal-dir = "{tmp_path}/wal"\n[http]\nbind-address = "127.0.0.1:{port}"\n'
    )
    told = [*readings(120), TOLD]
    body = "\n".join(map(line, told)).encode()
    with running([program, "-config", str(settings)], f"{url}/ping"):
        fetch(f"{url}/query", urllib.parse.urlencode({"q": 'CREATE DATABASE "farm"'}).encode())
        for _ in range(2):
            fetch(f"{url}/write?db=farm&precision=ms", body)
        question = "SELECT temperature_c, rh_pct, seq, source, sent_at_known FROM reading GROUP BY box"
        query = urllib.parse.urlencode({"db": "farm", "epoch": "ms", "q": question})
        answer = json.loads(fetch(f"{url}/query?{query}"))
    series = {each["tags"]["box"]: each["values"] for each in answer["results"][0]["series"]}
    assert len(series["box1"]) == 120
    assert series["pla white"] == [[1772350200000, 21.4, 17.2, 10234, "sensor", True]]


@pytest.mark.skipif(
    "SICCAST_TEST_INFLUX_URL" not in os.environ, reason="no live InfluxDB 2 named by SICCAST_TEST_INFLUX_URL"
)
def test_a_live_server(tmp_path: Path, said: list[str]) -> None:
    """Needs SICCAST_TEST_INFLUX_URL, _ORG, _BUCKET and _TOKEN."""
    names = ("URL", "ORG", "BUCKET", "TOKEN")
    address = InfluxAddress(*(os.environ[f"SICCAST_TEST_INFLUX_{name}"] for name in names))
    path, box = tmp_path / "siccast.sqlite3", f"live {time.time_ns()}"
    with open_stores(path, influx=address, report=said.append) as stores:
        stores.readings.add(readings(120, box))
        outbox = Outbox(database := Database(path), address, said.append, clock=utc_now)
        drain(outbox)
        outbox.close()
        database.close()
        with open_stores(path, read_only=True) as plain:
            assert list(stores.readings.each(box)) == list(plain.readings.each(box))
            hourly = stores.readings.hourly(box).temperature_degc.tolist()
            assert hourly == pytest.approx(plain.readings.hourly(box).temperature_degc.tolist())
    assert said == []
