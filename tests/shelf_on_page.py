"""A shelf of five boxes and a stranger on disk, a box in each state by hand, and its pages served as `serve` does."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
from answers_by_hand import AS_OF, LEAK, assessment_of, forecast_of

from monitor.planning.recharge import RechargePlan
from monitor.presentation.clock import utc_now
from monitor.records import (
    Assessment,
    Box,
    BoxState,
    EntryKind,
    FanDay,
    LedgerEntry,
    PlannedDay,
    Quantiles,
    Reading,
    VaporFan,
)
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores
from monitor.web.app import create_app
from monitor.web.serving import Server, uvicorn_settings
from monitor.web.snapshot import (
    HISTORY_DAYS,
    Keeper,
    Snapshot,
)

HOSTILE = '"><img src=x onerror=alert(1)> & co'
"""A name as only the network would send it."""

SHELF = """
site = "attic"
timezone = "Europe/Vienna"
recorded_until = 2026-03-04T12:00:00Z

[boxes.over]
[boxes.soon]
[boxes.far]
[boxes.young]
[boxes.empty]
"""


def make_shelf(folder: Path, more: str = "") -> Shelf:
    """Write a shelf file and fill its database."""
    (folder / "shelf.toml").write_text(more + SHELF, encoding="utf-8")
    shelf = load_shelf(folder, {})
    with open_stores(shelf.database_path) as stores:
        for place, name in enumerate(("over", "soon", "far", HOSTILE, "room")):
            stores.readings.add(history(name, 0.05 * (4 - place) + 0.05, days=60))
        stores.readings.add(history("young", 0.04, days=2))
        for name in ("over", "soon", "far"):
            stores.ledger.log(charge(name), utc_now())
        stores.ledger.log(
            LedgerEntry(EntryKind.opening, "soon", AS_OF - timedelta(days=3), note="<b>reel</b> & co"), utc_now()
        )
        stores.ledger.log(LedgerEntry(EntryKind.weighing, "soon", AS_OF - timedelta(days=2), mass_g=112.5), utc_now())
    return shelf


def history(name: str, highest: float, days: int) -> list[Reading]:
    """Return hourly readings that rise to a humidity."""
    hours = 24 * days
    return [
        Reading(
            name, AS_OF - timedelta(hours=hours - hour), 21.0 + hour % 24 / 12, highest * (0.4 + 0.6 * hour / hours)
        )
        for hour in range(hours)
    ]


def charge(name: str) -> LedgerEntry:
    """Return the beads of a box going in."""
    return LedgerEntry(
        EntryKind.charge, name, AS_OF - timedelta(days=58), desiccant="silica_gel", dry_mass_g=100.0, method="microwave"
    )


def assessments() -> tuple[Assessment, ...]:
    """Return one box in each state, worst first."""
    over = _with_fan("over", -4.0, 0.25)
    soon = _with_fan("soon", 12.0, 0.17)
    far = _with_fan("far", 400.0, 0.10)
    tells_change = replace(LEAK, changed_at=AS_OF - timedelta(days=20), change_factor=Quantiles(4.0, 6.0, 9.0))
    return (
        over,
        replace(soon, leak=tells_change),
        assessment_of("young", None),
        replace(assessment_of("empty", None, BoxState.no_readings), latest=None, charge=None),
        far,
        replace(assessment_of(HOSTILE, None, BoxState.undeclared), box=Box(HOSTILE, float("nan"))),
    )


def _with_fan(name: str, median_days: float, now: float) -> Assessment:
    slope = (0.20 - now) / median_days if median_days > 0 else 0.002
    fan = tuple(
        FanDay(
            (AS_OF + timedelta(days=day)).date(),
            Quantiles(now + 0.7 * slope * day, now + slope * day, now + 1.4 * slope * day + 0.01),
            (now + 0.9 * slope * day, now + 1.2 * slope * day + 0.004),
        )
        for day in range(1, 120)
    )
    answer = assessment_of(name, replace(forecast_of(median_days), fan=fan, vapor_fan=_vapor_fan(fan)))
    return replace(answer, latest=Reading(name, AS_OF - timedelta(minutes=20), 21.5, now), charge=charge(name))


def _vapor_fan(fan: tuple[FanDay, ...]) -> VaporFan:
    """Return the fan at 22 °C, where saturated air has 2.645 kPa (ASHRAE, Handbook: Fundamentals, 2017, ch. 1)."""
    shares = [(q.p05, a, q.p50, b, q.p95) for q, (a, b) in ((d.relative_humidity, d.quartiles or (0, 0)) for d in fan)]
    return VaporFan(*(tuple(2.645 * one for one in row) for row in zip(*shares, strict=True)), (22.0,) * len(fan))


def keeper_by_hand(shelf: Shelf) -> Keeper:
    """Return a keeper of the hand-written assessments."""
    return Keeper(partial(take_snapshot_by_hand, shelf), lambda _: 1)


def take_snapshot_by_hand(shelf: Shelf, _clock: datetime) -> Snapshot:
    """Return the hand-written assessments beside the real history."""
    start = AS_OF - timedelta(days=HISTORY_DAYS)
    with open_stores(shelf.database_path, read_only=True) as stores:
        recent = {a.box.name: stores.readings.hourly(a.box.name, start, AS_OF) for a in assessments()}
        room, logged = stores.readings.latest()["room"], stores.ledger.stamp()
    why = {"over": "over its limit already", "soon": "due by Thu 12 Mar"}
    drying = PlannedDay(datetime(2026, 3, 7, tzinfo=UTC).date(), "oven", ("over", "soon"), why)
    return Snapshot(AS_OF, assessments(), recent, 0.25, room, RechargePlan("oven", (drying,)), logged=logged)


@contextmanager
def serving(
    shelf: Shelf, keeper: Keeper | None = None, wait_for: str = 'id="headline"', port: int = 0, **settings: Any
) -> Iterator[str]:
    """Serve the page of a shelf, by default on a free port, as `siccast serve` does, and hand out its address."""
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    app = create_app(shelf, keeper, **settings)
    behind = settings["served"].behind if "served" in settings else ""
    server = Server(uvicorn_settings(app, behind=behind), app.state.subscribers)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    address = f"http://127.0.0.1:{listener.getsockname()[1]}"
    try:
        _wait_for(wait_for, address, thread)
        yield address
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


def _wait_for(words: str, address: str, thread: threading.Thread) -> None:
    """Wait until the page says these words, as long as its server runs; the background takes its first snapshot."""
    while thread.is_alive():
        with suppress(httpx.TransportError):
            if words in got(address).text:
                return
        time.sleep(0.05)
    raise AssertionError(f"the page ended before it said {words!r}")


def got(address: str) -> httpx.Response:
    """Return an answer of a page, however long a busy machine takes for it; the limit of the test ends the wait."""
    return httpx.get(address, timeout=None)
