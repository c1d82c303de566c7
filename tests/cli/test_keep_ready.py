"""The process beside a listener: it leaves outlooks in the database and at the broker, and ends when it is told to."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.site.keep_ready import KeepReady
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import BrokerAddress
from monitor.store.opening import open_stores

pytestmark = pytest.mark.broker


def test_outlooks_are_kept_and_sent(site: Path, mosquitto: Any) -> None:
    assert KeepReady(site, mosquitto.port).start().wait(120) == 0
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        assert set(stores.outlooks.all()) == {"pa6-dry", "pla-white", "petg-new", "empty"}
    address = BrokerAddress("127.0.0.1", mosquitto.port, client_id="newcomer")
    with MqttFeed(address, ["siccast/1/attic/pa6-dry/outlook"], clock=utc_now) as feed:
        (told,) = next(iter(messages for _ in range(100) if (messages := feed.receive(0.1))))
    assert json.loads(told.payload)["leak_g_per_day_per_kpa"]["p50"] > 0.0


def test_without_a_broker_they_are_kept_all_the_same(site: Path) -> None:
    assert KeepReady(site, None).start().wait(120) == 0
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        assert stores.outlooks.all()


def test_it_ends_when_the_listener_stops(site: Path) -> None:
    beside = KeepReady(site, None)
    beside.stop()  # nothing is going on yet
    work = beside.start()
    beside.stop()  # long before it can have imported what it works with
    assert work.poll() == -signal.SIGTERM
    beside.stop()
