"""A large site as its person sees it: what is imported is forwarded, `check` tells how far behind the server is."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from answers_by_hand import StubInference
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.presentation.clock import utc_now
from monitor.settings import load_shelf
from monitor.store.influx.outbox import Outbox
from monitor.store.opening import open_stores
from monitor.store.sqlite.connection import Database
from monitor.web.snapshot import take_snapshot
from tests.store.influx_fake import InfluxFake

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@pytest.fixture
def server(site: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InfluxFake]:
    """Give a server that the shelf file names."""
    with InfluxFake() as fake:
        with (site / "shelf.toml").open("a") as text:
            text.write(f'\n[influx]\nurl = "{fake.url}"\norg = "org"\nbucket = "farm"\n')
        monkeypatch.setenv("SICCAST_INFLUX_TOKEN", fake.token)
        yield fake


@pytest.fixture
def run(site: Path, stub: StubInference) -> Callable[..., Result]:
    return lambda *words: CliRunner().invoke(app, ["--shelf", str(site), *words])


def forward(site: Path) -> None:
    """Forward what waits, as the listener does."""
    shelf = load_shelf(site)
    assert shelf.influx
    database = Database(shelf.database_path)
    outbox = Outbox(database, shelf.influx, clock=utc_now)
    while outbox.waiting():
        outbox.forward()
    outbox.close()
    database.close()


def influx_finding(run: Callable[..., Result]) -> dict[str, Any]:
    findings = json.loads(run("check", "--json").stdout)["findings"]
    (found,) = (each for each in findings if each["subject"] == "InfluxDB")
    return dict(found)


def test_imported_and_typed_readings_are_forwarded(
    server: InfluxFake, site: Path, tmp_path: Path, run: Callable[..., Result]
) -> None:
    file = tmp_path / "old.csv"
    file.write_text("box,t,temperature_c,rh_pct\nempty,2026-03-02T10:00:00Z,21.4,17.2\n")
    assert "1 new readings" in run("readings", "import", str(file)).stdout
    assert run("log", "reading", "empty", "18.5", "20.5").exit_code == 0
    found = influx_finding(run)
    assert found["verdict"] == "well"
    assert found["found"] == f"{server.url} answers; 2 readings wait for it, the oldest of 2026-03-02 10:00 UTC"
    forward(site)
    assert [fields["rh_pct"] for (box, _), fields in sorted(server.points.items()) if box == "empty"] == [17.2, 18.5]
    assert influx_finding(run)["found"] == f"{server.url} answers; 0 readings wait for it"


def test_what_was_there_before_the_server_can_be_sent(
    server: InfluxFake, site: Path, run: Callable[..., Result]
) -> None:
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        held = stores.readings.count()
    assert run("readings", "forward").stdout.startswith(f"{held} readings wait for {server.url}")
    assert influx_finding(run)["verdict"] == ("look" if held > 5000 else "well")
    forward(site)
    assert len(server.points) == held


def test_a_server_that_is_away_is_a_finding_and_answers_say_what_they_rest_on(
    server: InfluxFake, site: Path, run: Callable[..., Result]
) -> None:
    server.server.shutdown()
    server.server.server_close()
    found = influx_finding(run)
    assert found["verdict"] == "fault"
    assert found["found"].startswith(f"{server.url} does not answer (")
    assert "Nothing is lost" in found["remedy"]
    answer = run("forecast")
    assert answer.exit_code == 0
    told = (
        f"InfluxDB at {server.url} gives no answer (NewConnectionError). siccast uses the shelf's own database instead"
    )
    assert answer.stderr.count(told) == 1, "once, and not for each box"
    shelf = load_shelf(site)
    assert shelf.recorded_until
    assert take_snapshot(shelf, shelf.recorded_until).reservation.startswith(told)


def test_a_wrong_token_is_named(
    server: InfluxFake, run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SICCAST_INFLUX_TOKEN", "stale")
    found = influx_finding(run)
    assert found["verdict"] == "fault"
    assert f"{server.url} answers 401 Unauthorized; the token is wrong: set SICCAST_INFLUX_TOKEN" in found["found"]


def test_forwarding_needs_a_server_to_forward_to(run: Callable[..., Result]) -> None:
    assert "names no [influx], so readings can't be forwarded" in str(run("readings", "forward").exception)
