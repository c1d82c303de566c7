"""Alerts at a real broker: each has a topic, which is empty once it is over."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

import jsonschema
import pytest
from alert_servers import MESSAGE, TOLD

from monitor.alerts.retained import RetainedRoute
from monitor.cli.site.publish import retain
from monitor.errors import FeedError
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import BrokerAddress
from monitor.records.alerts import MessageKind, Route
from monitor.services.watch import trial_message

pytestmark = pytest.mark.broker
SCHEMA = json.loads(
    (Path(__file__).resolve().parent.parent.parent / "firmware_notes/alert.schema.json").read_text(encoding="utf-8")
)


def held(address: BrokerAddress) -> dict[str, Any]:
    """Return what a newcomer is handed; the last is a message of our own that marks the end."""
    retain([("siccast/1/attic/end", b"{}")], address, "end")
    found: dict[str, Any] = {}
    with MqttFeed(replace(address, client_id=f"newcomer-{uuid4().hex}"), ["siccast/1/#"], clock=utc_now) as feed:
        while "siccast/1/attic/end" not in found:
            for message in feed.receive(0.1):
                found[message.topic] = json.loads(message.payload)
                feed.acknowledge([message])
    return {topic: content for topic, content in found.items() if not topic.endswith("/end")}


def test_an_alert_is_retained_until_it_is_over(mosquitto: Any) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    route = RetainedRoute("attic", partial(retain, address=address, purpose="alert"))
    route.send(trial_message(Route("house", "mqtt"), "attic", "9", MESSAGE.made_at))
    route.send(MESSAGE)
    day = replace(TOLD, box="", matter="drying day", about="2026-03-05")
    route.send(replace(MESSAGE, told=(day,)))
    found = held(address)
    assert sorted(found) == ["siccast/1/attic/alert/plan/2026-03-05", "siccast/1/attic/left/alert/over-limit"]
    left = found["siccast/1/attic/left/alert/over-limit"]
    jsonschema.validate(left, {**SCHEMA, "$ref": "#/$defs/retained"})
    assert (left["id"], left["box"], left["matter"], left["text"]) == ("5f3c", "left", "over limit", TOLD.text)
    route.send(replace(MESSAGE, kind=MessageKind.over, told=(replace(TOLD, kind="over"),)))
    assert sorted(held(address)) == ["siccast/1/attic/alert/plan/2026-03-05"]


def test_a_broker_that_is_away_is_said(mosquitto: Any) -> None:
    mosquitto.stop()
    away = partial(retain, address=BrokerAddress("127.0.0.1", mosquitto.port), purpose="alert")
    with pytest.raises(FeedError, match="no broker answers"):
        RetainedRoute("attic", away).send(MESSAGE)
