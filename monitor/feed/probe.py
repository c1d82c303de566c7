"""What a client can find out about a broker: is it there, does it keep our session, does it drop messages."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from monitor.feed.mqtt import SHORT_WAIT_S, MqttFeed

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import BrokerAddress

_LISTEN_S = 1.5  # judgement: a broker sends what it retains at once; a person waits
_LOOK_EVERY_S = 0.2  # judgement: fine enough against the silence above
_TRIAL_WITHIN_S = 10.0  # judgement: a broker takes a thousand messages in well under a second
_DROPPED_TOPIC = "$SYS/broker/publish/messages/dropped"
STOCK_QUEUE = 1000
"""Messages that mosquitto 2.0 queues for an absent listener when nobody told it otherwise (measured); more than that is
sent by way of trial."""
TRIAL_MESSAGES = STOCK_QUEUE + 100  # messages; judgement: so many more that a drop can't be missed


@dataclass(slots=True)
class BrokerFindings:
    """What was found out."""

    keeps_session: bool = False
    queue_held: int | None = None
    """How many of the trial messages waited for us; None where the trial was not made."""
    dropped: int | None = None
    """Messages the broker says it dropped since its start, where it says so."""
    health: dict[str, bytes] = field(default_factory=dict)
    """Last words of each listener, by the topic they stand under."""


def probe(address: BrokerAddress, health_filter: str, now: datetime, trial_topic: str | None = None) -> BrokerFindings:
    """Look at a broker under a name of our own, so that no listener is disturbed.

    What is heard is dated ``now``, and nothing of it is kept. With a trial topic, more messages than a stock broker
    queues are sent to ourselves while we are away.

    Raises
    ------
    FeedError
        When the broker is not there or refuses us.
    """
    ourselves = replace(address, client_id=f"{address.client_id}-check", share=None)
    filters = [health_filter, _DROPPED_TOPIC] + ([trial_topic] if trial_topic else [])
    findings = BrokerFindings()
    with MqttFeed(ourselves, filters, clock=lambda: now) as feed:
        feed.connect()
        _listen(feed, findings)
    if trial_topic:
        _send_trial(replace(ourselves, client_id=f"{address.client_id}-trial"), trial_topic, now)
    with MqttFeed(ourselves, filters, clock=lambda: now) as feed:
        feed.connect()
        findings.keeps_session = bool(feed.session_was_kept)
        trial = _listen(feed, findings)
        findings.queue_held = trial if trial_topic else None
        feed.forget_session()
    return findings


def _listen(feed: MqttFeed, findings: BrokerFindings) -> int:
    """Hear what the broker has for us until it falls silent; return how many messages were of the trial."""
    trial, heard_at = 0, time.monotonic()
    while time.monotonic() - heard_at < _LISTEN_S:
        messages = feed.receive(_LOOK_EVERY_S)
        feed.acknowledge(messages)
        for message in messages:
            if message.topic == _DROPPED_TOPIC:
                findings.dropped = int(message.payload) if message.payload.isdigit() else None
            elif message.topic.startswith("siccast/") and "/health/" in message.topic:
                findings.health[message.topic] = message.payload
            else:
                trial += 1
                heard_at = time.monotonic()
    return trial


def _send_trial(address: BrokerAddress, topic: str, now: datetime) -> None:
    with MqttFeed(address, clock=lambda: now) as feed:
        feed.connect()
        sent = [feed.send(topic, b"trial") for _ in range(TRIAL_MESSAGES)]
        deadline = time.monotonic() + _TRIAL_WITHIN_S
        while not all(message.is_published() for message in sent) and time.monotonic() < deadline:
            feed.receive(SHORT_WAIT_S)
        feed.forget_session()
