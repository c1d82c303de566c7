"""Boxes announced by the Homie convention: what is sent, what is taken back, and that we are there."""

from __future__ import annotations

import json
import threading
import time
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.errors import FeedError
from monitor.feed.mqtt import SHORT_WAIT_S, TAKEN_WITHIN_S, MqttFeed
from monitor.presentation.clock import utc_now
from monitor.presentation.homie import PREFIX, HomieDevice, device_id, topics_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.feed.mqtt import SentMessage
    from monitor.records import BrokerAddress

_SILENT_S = 0.5  # judgement: what a broker retains it sends at once after it took the subscription
_LEFT_WITHIN_S = 5.0  # judgement: whoever stops the listener waits for it
INIT, READY, SLEEPING, DISCONNECTED, LOST = b"init", b"ready", b"sleeping", b"disconnected", b"lost"
"""States of a device, by definition of the convention."""


def send_homie(device: HomieDevice, address: BrokerAddress, *, rests: bytes, will: bool) -> None:
    """Send a device with all its values, and take back what was retained of boxes that are no more.

    ``rests`` is its state afterwards. ``will``: where we die on the way, the broker says that it is lost; not where a
    listener holds the device, whose own last will says so.

    Raises
    ------
    FeedError
        When the broker is not there, refuses us or does not take all of it.
    """
    state = f"{device.root}/$state"
    with _connected(address, device.root, (state, LOST) if will else None) as feed:
        before = topics_of(_retained_description(feed))
        sent = [feed.send(state, INIT, retain=True)]
        sent += [feed.send(f"{device.root}/{gone}", b"", retain=True) for gone in sorted(before - device.values.keys())]
        description = json.dumps(device.description, ensure_ascii=False).encode()
        sent.append(feed.send(f"{device.root}/$description", description, retain=True))
        sent += [
            feed.send(f"{device.root}/{topic}", value.encode(), retain=True) for topic, value in device.values.items()
        ]
        sent.append(feed.send(state, rests, retain=True))
        _await_taken(feed, sent)
        feed.forget_session()


def forget_homie(site: str, address: BrokerAddress) -> int:
    """Take back all that the broker retains of a site's device, and return how many values that were.

    Raises
    ------
    FeedError
        As ``send_homie`` does.
    """
    root = f"{PREFIX}/{device_id(site)}"
    with _connected(address, root, None) as feed:
        values = topics_of(_retained_description(feed))
        topics = [f"{root}/{name}" for name in (*sorted(values), "$description", "$state")]
        _await_taken(feed, [feed.send(topic, b"", retain=True) for topic in topics])
        feed.forget_session()
    return len(values)


class Presence:
    """Holds a connection whose last will says that the device is lost, for as long as the listener is at work."""

    def __init__(self, site: str, address: BrokerAddress, report: Callable[[str], None]) -> None:
        self._root = f"{PREFIX}/{device_id(site)}"
        self._address, self._report = address, report
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._hold, name="homie", daemon=True)

    def start(self) -> None:
        """Begin; where the broker is not there, this goes on trying."""
        self._thread.start()

    def stop(self) -> None:
        """Say that the device is gone in good order."""
        self._stopped.set()
        self._thread.join(_LEFT_WITHIN_S)

    def _hold(self) -> None:
        state, told_on = f"{self._root}/$state", 0
        try:
            with MqttFeed(
                _named(self._address, "homie"), [f"{self._root}/$description"], clock=utc_now, will=(state, LOST)
            ) as feed:
                while not self._stopped.is_set():
                    messages = feed.receive(_SILENT_S)
                    feed.acknowledge(messages)
                    if feed.is_connected and feed.connections != told_on:
                        feed.send(state, INIT, retain=True)
                        told_on = feed.connections
                    if any(message.retained and message.payload for message in messages):
                        feed.send(state, READY, retain=True)  # what was described before holds on
                if feed.is_connected:
                    with suppress(FeedError):
                        _await_taken(feed, [feed.send(state, DISCONNECTED, retain=True)])
        except Exception as error:
            self._report(f"the boxes can't be announced by Homie: {error or type(error).__name__}")


def _connected(address: BrokerAddress, root: str, will: tuple[str, bytes] | None) -> MqttFeed:
    """Return a connection of its own that hears what is retained of a device's description."""
    feed = MqttFeed(_named(address, "homie-values"), [f"{root}/$description"], clock=utc_now, will=will)
    feed.connect()
    return feed


def _named(address: BrokerAddress, part: str) -> BrokerAddress:
    return replace(address, client_id=f"{address.client_id}-{part}", share=None)


def _retained_description(feed: MqttFeed) -> object:
    """Return the description that the broker holds; None where it has none that can be read."""
    found: object = None
    deadline = time.monotonic() + TAKEN_WITHIN_S
    silent_since = time.monotonic()
    while time.monotonic() < deadline and (not feed.is_subscribed or time.monotonic() - silent_since < _SILENT_S):
        for message in feed.receive(SHORT_WAIT_S):
            feed.acknowledge([message])
            with suppress(ValueError):
                found = json.loads(message.payload)
        if not feed.is_subscribed:
            silent_since = time.monotonic()
    return found


def _await_taken(feed: MqttFeed, sent: Sequence[SentMessage]) -> None:
    deadline = time.monotonic() + TAKEN_WITHIN_S
    while waiting := [message for message in sent if not message.is_published()]:
        if time.monotonic() > deadline:
            where = f"{feed.address.host}:{feed.address.port}"
            raise FeedError(
                f"{where} did not accept {len(waiting)} messages of Homie. Ask for the right to write there"
            )
        feed.acknowledge(feed.receive(SHORT_WAIT_S))
