"""Outlooks go out as retained messages, through a real broker, in the form of `forecast --json`."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from answers_by_hand import StubInference

from monitor.cli.session import ask
from monitor.cli.site.publish import send_outlooks
from monitor.errors import FeedError
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import BrokerAddress
from monitor.settings import Shelf, load_shelf

pytestmark = pytest.mark.broker


@pytest.fixture
def address(mosquitto: Any) -> BrokerAddress:
    return BrokerAddress("127.0.0.1", mosquitto.port)


@pytest.fixture
def shelf(site: Path, stub: StubInference) -> Shelf:
    return load_shelf(site, {})


def retained(address: BrokerAddress, count: int) -> dict[str, Any]:
    """Return what a newcomer to the broker is handed at once."""
    held: dict[str, Any] = {}
    with MqttFeed(replace(address, client_id="newcomer"), ["siccast/1/+/+/outlook"], clock=utc_now) as feed:
        for _ in range(100):
            for message in feed.receive(0.1):
                held[message.topic] = json.loads(message.payload)
                feed.acknowledge([message])
            if len(held) >= count:
                break
    return held


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_every_declared_box_has_its_outlook_retained(address: BrokerAddress, shelf: Shelf, protocol: str) -> None:
    assert send_outlooks(ask(shelf), replace(address, protocol=protocol)) == 4
    held = retained(address, 4)
    assert sorted(held) == [f"siccast/1/attic/{box}/outlook" for box in ("empty", "pa6-dry", "petg-new", "pla-white")]
    due = held["siccast/1/attic/pa6-dry/outlook"]
    assert (due["as_of"], due["state"]) == ("2026-03-04T12:00:00Z", "due by 2026-03-13")
    assert held["siccast/1/attic/petg-new/outlook"]["cross_at"] is None


def test_the_message_is_what_forecast_answers(
    address: BrokerAddress, shelf: Shelf, siccast: Callable[..., Any]
) -> None:
    send_outlooks(ask(shelf), address)
    told = retained(address, 4)["siccast/1/attic/pla-white/outlook"]
    (asked,) = json.loads(siccast("forecast", "--json", "pla-white").stdout)["boxes"]
    assert told == {"as_of": "2026-03-04T12:00:00Z", **{key: asked[key] for key in asked if key != "box"}}


def test_the_command_sends_to_the_declared_broker(
    address: BrokerAddress, site: Path, siccast: Callable[..., Any]
) -> None:
    refused = siccast("publish")
    assert "names no [broker]" in str(refused.exception)
    with (site / "shelf.toml").open("a") as text:
        text.write(f'\n[broker]\nhost = "127.0.0.1"\nport = {address.port}\n')
    result = siccast("publish")
    assert result.exit_code == 0
    assert f"sent the outlooks of 4 boxes to 127.0.0.1:{address.port}" in result.stdout


def test_no_broker_is_named(shelf: Shelf, mosquitto: Any) -> None:
    mosquitto.stop()
    with pytest.raises(FeedError, match=f"no broker answers at 127.0.0.1:{mosquitto.port}"):
        send_outlooks(ask(shelf), BrokerAddress("127.0.0.1", mosquitto.port))
