"""The listener against real brokers: what is published is stored once, whatever happens in between."""

from __future__ import annotations

import json
import re
import select
import socket
import sqlite3
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.errors import FeedError, StoreBusyError
from monitor.feed import mqtt
from monitor.feed.decode import Decoder
from monitor.feed.embedded import EmbeddedBroker
from monitor.feed.formats.values import LARGEST_PACKET_BYTES
from monitor.feed.mqtt import BATCH_BYTES, MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import OWN_FEED, BrokerAddress, HalfReading, RawMessage, Reading, Rejection
from monitor.services import intake
from monitor.services.intake import Intake
from monitor.store.opening import Stores
from tests.conftest import RECOMMENDED, Mosquitto, free_port, require_program

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

NOTES = Path(__file__).resolve().parents[2] / "firmware_notes"
TOPIC = "siccast/1/attic/box1/reading"


def payload(number: int) -> bytes:
    return json.dumps({"t": 1772350200 + number, "temperature_c": 21.4, "rh_pct": 17.2, "seq": number}).encode()


def publish(port: int, payloads: list[bytes], topic: str = TOPIC) -> None:
    program = require_program("mosquitto_pub")
    lines = b"\n".join(payloads) + b"\n"
    subprocess.run([program, "-p", str(port), "-V", "311", "-q", "1", "-t", topic, "-l"], input=lines, check=True)


def listen(address: BrokerAddress, stores: Stores, messages: int) -> Intake:
    """Listen until so many messages went through."""
    decoder = Decoder((OWN_FEED,), "attic")
    intake = Intake(decoder, stores.readings)
    with MqttFeed(address, decoder.subscriptions, clock=utc_now) as feed:
        intake.run(feed, lambda: intake.tally.messages >= messages)
    return intake


def subscribe(address: BrokerAddress) -> None:
    """Leave a session behind that collects messages."""
    with MqttFeed(address, Decoder((OWN_FEED,), "attic").subscriptions, clock=utc_now) as feed:
        feed.connect()
        assert feed.receive(1.0) == []


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_was_published_while_away_is_stored(mosquitto: Mosquitto, stores: Stores, protocol: str) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port, protocol)
    subscribe(address)
    publish(mosquitto.port, [payload(number) for number in range(3000)])
    listen(address, stores, 3000)
    assert stores.readings.count() == 3000
    with MqttFeed(address, ["siccast/#"], clock=utc_now) as feed:
        feed.connect()
        assert feed.session_was_kept
        assert feed.receive(0.5) == []


@pytest.mark.broker
def test_unacknowledged_messages_come_again_and_are_stored_once(mosquitto: Mosquitto, stores: Stores) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    subscribe(address)
    publish(mosquitto.port, [payload(number) for number in range(10)])
    decoder = Decoder((OWN_FEED,), "attic")
    intake = Intake(decoder, stores.readings)
    with MqttFeed(address, decoder.subscriptions, clock=utc_now) as feed:
        feed.connect()
        while intake.tally.messages < 10:
            intake.keep(feed.receive(1.0))  # never acknowledged: as if we died here
    again = listen(address, stores, 10)
    assert (again.tally.readings, again.tally.new) == (10, 0)
    assert stores.readings.count() == 10


@pytest.mark.broker
@pytest.mark.parametrize("numbered", [True, False])
def test_readings_without_a_time_are_each_one_though_they_come_at_once(
    mosquitto: Mosquitto, stores: Stores, numbered: bool
) -> None:
    """Steady air, six readings while we were away, the third sent twice as a node does that had no answer."""
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    subscribe(address)
    told = [{"temperature_c": 21.0 + number // 2, "rh_pct": 17.0} for number in range(6)]
    if numbered:
        told = [reading | {"seq": 40 + number} for number, reading in enumerate(told)]
    told.insert(3, told[2])
    publish(mosquitto.port, [json.dumps(reading).encode() for reading in told])
    tally = listen(address, stores, 7).tally
    new = 6 if numbered else 7
    assert (tally.new, tally.repeated, tally.rejected) == (new, 7 - new, 0)
    assert str(tally) == f"{new} new readings, {7 - new} repeated, 0 rejected"
    series = stores.readings.series("box1")
    assert len(series) == new
    assert series.temperature_degc.tolist() == sorted(series.temperature_degc), "in the order in which they came"


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_large_messages_are_read_in_small_portions_and_longer_ones_never_held(
    mosquitto: Mosquitto, stores: Stores, protocol: str
) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port, protocol)
    subscribe(address)
    large = b"[" + b"7," * 120_000 + b"7]"
    publish(mosquitto.port, [large] * 60)
    publish(mosquitto.port, [b"x" * 3_000_000] * 4)
    publish(mosquitto.port, [payload(1)])
    portions: list[int] = []
    sizes: list[int] = []
    with MqttFeed(address, ["siccast/#"], clock=utc_now) as feed:
        while sizes[-1:] != [len(payload(1))]:
            messages = feed.receive(1.0)
            portions.append(sum(len(message.payload) for message in messages))
            sizes += [len(message.payload) + message.left_out_bytes for message in messages]
            feed.acknowledge(messages)
    assert max(portions) < BATCH_BYTES + 2 * LARGEST_PACKET_BYTES
    assert sizes == [len(large)] * 60 + [3_000_000] * 4 + [len(payload(1))]


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_message_too_long_to_be_read_is_kept_as_rejected_with_its_size(
    mosquitto: Mosquitto, stores: Stores, protocol: str
) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port, protocol)
    subscribe(address)
    publish(mosquitto.port, [payload(1), b"x" * 3_000_000, payload(2)])
    intake = listen(address, stores, 3)
    assert (intake.tally.new, intake.tally.rejected) == (2, 1)
    (rejected,) = stores.ledger.rejected()
    assert rejected.payload == b"x" * len(rejected.payload)
    assert rejected.reason == "payload of 3000000 bytes; siccast reads at most 262144 bytes"
    with MqttFeed(address, ["siccast/#"], clock=utc_now) as feed:
        assert feed.receive(0.5) == []


@pytest.mark.broker
@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_a_node_that_sends_too_much_is_answered_once_and_listed(
    start_mosquitto: Callable[..., Mosquitto], stores: Stores, protocol: MQTTProtocolVersion
) -> None:
    """By the limit of our own notes; 2 MB are what a reference node keeps, all in one message."""
    (limit,) = re.findall(r"^message_size_limit \d+$", (NOTES / "mosquitto.conf").read_text(), re.M)
    address = BrokerAddress("127.0.0.1", start_mosquitto((*RECOMMENDED, limit)).port)
    subscribe(address)
    connected: list[object] = []
    node = Client(CallbackAPIVersion.VERSION2, "node", protocol=protocol)
    node.on_connect = lambda *_: connected.append(protocol)
    node.connect("127.0.0.1", address.port)
    node.loop_start()
    for sent in (b"x" * 2_000_000, payload(1)):
        node.publish(TOPIC, sent, qos=1).wait_for_publish(10.0)
    node.disconnect()
    node.loop_stop()
    intake = listen(address, stores, 2)
    assert (intake.tally.new, intake.tally.rejected, len(connected)) == (1, 1, 1)
    assert stores.ledger.rejected()[0].reason == "payload of 2000000 bytes; siccast reads at most 262144 bytes"


@pytest.mark.broker
def test_a_bad_message_neither_blocks_nor_returns(mosquitto: Mosquitto, stores: Stores) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    subscribe(address)
    publish(mosquitto.port, [b"junk", payload(1)])
    intake = listen(address, stores, 2)
    assert (intake.tally.new, intake.tally.rejected) == (1, 1)
    assert stores.ledger.rejected()[0].payload == b"junk"
    with MqttFeed(address, ["siccast/#"], clock=utc_now) as feed:
        assert feed.receive(0.5) == []


@pytest.mark.broker
def test_the_connection_is_made_again(start_mosquitto: Callable[..., Mosquitto], stores: Stores) -> None:
    broker = start_mosquitto()
    address = BrokerAddress("127.0.0.1", broker.port)
    said: list[str] = []
    with MqttFeed(address, ["siccast/#"], report=said.append, clock=utc_now) as feed:
        feed.receive(0.2)
        broker.kill()
        while feed.is_connected:
            feed.receive(0.2)
        feed.receive(0.0)
        broker.start()
        while not feed.is_connected:
            feed.receive(0.2)
    assert [line.split(" ")[0] for line in said][:2] == ["connected", "lost"]
    assert said[-1].startswith("connected")


def test_a_port_that_another_program_has_is_said_with_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(FeedError) as caught, EmbeddedBroker(port):
            pass
    assert str(caught.value) == (
        f"another program has 127.0.0.1:{port}, where siccast's own broker would be. Choose another --port. Or, if it "
        "is a broker, name it in shelf.toml under [broker]"
    )


def test_the_embedded_broker_carries_a_reading(stores: Stores) -> None:
    with EmbeddedBroker() as broker, MqttFeed(broker.address, ["siccast/#"], clock=utc_now) as feed:
        feed.connect()
        feed.receive(0.2)
        with MqttFeed(BrokerAddress("127.0.0.1", broker.address.port, "3.1.1", "node"), clock=utc_now) as node:
            node.connect()
            node.send(TOPIC, payload(7))
            messages: list[RawMessage] = []
            while not messages:
                messages = feed.receive(1.0)
                node.receive(0.0)
    assert messages[0].topic == TOPIC
    assert Intake(Decoder((OWN_FEED,), "attic"), stores.readings).keep(messages) == 1


def test_no_broker_is_one_line() -> None:
    port = free_port()
    with pytest.raises(FeedError, match=rf"no broker answers at 127.0.0.1:{port} \(Connection refused\)"):
        MqttFeed(BrokerAddress("127.0.0.1", port), clock=utc_now).connect()


class OneBatch:
    """A feed with one batch of messages that remembers what was acknowledged."""

    def __init__(self, payloads: list[bytes]) -> None:
        arrived = datetime(2026, 3, 2, tzinfo=UTC)
        self.waiting = [RawMessage("made", TOPIC, each, arrived) for each in payloads]
        self.acknowledged: list[RawMessage] = []

    def receive(self, wait_s: float) -> list[RawMessage]:
        batch, self.waiting = self.waiting, []
        return batch

    def acknowledge(self, messages: Iterable[RawMessage]) -> None:
        self.acknowledged += messages

    def stay_connected(self) -> None:
        """There is no connection to lose."""


class BusyAtFirst:
    """A store that can't be written the first few times."""

    contested = ()

    def __init__(self, stores: Stores, failures: int) -> None:
        self._stores = stores
        self._failures = failures

    def halves(self) -> list[HalfReading]:
        return []

    def add(
        self,
        readings: Iterable[Reading],
        rejections: Iterable[Rejection] = (),
        halves: Sequence[HalfReading] | None = None,
    ) -> int:
        if self._failures:
            self._failures -= 1
            raise StoreBusyError("the disk is full; free some space")
        return self._stores.readings.add(readings, rejections)


def test_a_full_disk_holds_the_messages_until_it_has_space(stores: Stores) -> None:
    feed, said, pauses = OneBatch([payload(1), payload(2)]), [], []
    intake = Intake(
        Decoder((OWN_FEED,), "attic"),
        BusyAtFirst(stores, failures=3),  # type: ignore[arg-type]
        report=said.append,
        pause=lambda s: pauses.append((s, len(feed.acknowledged))),
    )
    intake.run(feed, lambda: bool(feed.acknowledged))
    assert pauses == [(1.0, 0), (2.0, 0), (4.0, 0)]
    assert said == ["the disk is full; free some space", "the database can be written again; nothing was lost"]
    assert len(feed.acknowledged) == stores.readings.count() == 2


class SilentClient:
    """A client that connects and says no more: the broker drops it when its patience is over."""

    def __init__(self, port: int, keepalive_s: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        body = b"\x00\x04MQTT\x04\x02" + keepalive_s.to_bytes(2, "big") + b"\x00\x06silent"
        self._socket.sendall(b"\x10" + bytes([len(body)]) + body)  # CONNECT: MQTT 3.1.1, section 3.1
        assert len(self._socket.recv(4)) == 4

    def was_dropped(self, within_s: float) -> bool:
        return bool(select.select([self._socket], [], [], within_s)[0]) and not self._socket.recv(1)

    def close(self) -> None:
        self._socket.close()


class LockedDatabase:
    """A database that somebody locks until a silent client was dropped, as a copy of it may that takes long."""

    def __init__(self, path: Path, port: int) -> None:
        self._lock = sqlite3.connect(path, isolation_level=None)
        self._lock.execute("BEGIN IMMEDIATE")
        self._port = port
        self._silent: SilentClient | None = None
        self._left = 3

    def pause(self, longest_s: float) -> None:
        """Wait as a listener does; the lock is let go a few waits after the broker dropped who was silent."""
        self._silent = self._silent or SilentClient(self._port, 1)
        self._left -= self._left < 3 or self._silent.was_dropped(min(longest_s, 0.2))
        if not self._left:
            self._silent.close()
            self._lock.close()


@pytest.mark.broker
def test_a_database_that_is_locked_for_longer_than_the_broker_waits(
    mosquitto: Mosquitto, stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings with neither time nor number show it best: what comes again would be stored again."""
    monkeypatch.setattr(mqtt, "_KEEPALIVE_S", 1)
    monkeypatch.setattr(intake, "_LONGEST_SILENCE_S", 0.2)
    stores.readings._database.connection.execute("PRAGMA busy_timeout = 20")  # type: ignore[attr-defined]
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    subscribe(address)
    publish(mosquitto.port, [json.dumps({"temperature_c": 20 + each, "rh_pct": 17}).encode() for each in range(5)])
    locked, said = LockedDatabase(stores.upkeep.path, mosquitto.port), []
    decoder = Decoder((OWN_FEED,), "attic")
    with MqttFeed(address, decoder.subscriptions, clock=utc_now) as feed:
        listener = Intake(decoder, stores.readings, report=said.append, pause=locked.pause)
        listener.run(feed, lambda: listener.tally.messages >= 5)
        publish(mosquitto.port, [payload(9)])
        listener.run(feed, lambda: stores.readings.count() >= 6)
        assert feed.connections == 1
    assert "the database can be written again; nothing was lost" in said
    assert (listener.tally.messages, listener.tally.new, stores.readings.count()) == (6, 6, 6)
    with MqttFeed(address, ["siccast/#"], clock=utc_now) as feed:
        feed.connect()
        assert feed.receive(0.3) == [], "all of it was acknowledged"
