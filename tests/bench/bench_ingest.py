"""How fast messages get from a broker into the store, as ratios to `mosquitto_sub -q 1` writing to a file, in one run.

pytest tests/bench/bench_ingest.py --benchmark-only -s

Live: the consumer is there first and publishers go at full speed. Drain: all of it waits in the broker's queue. What
limits siccast is one core of Python: a third to decode, a third for SQLite, the rest to frame, hand out and
acknowledge. On a busy machine only the processor time of this process, printed beside, says much.
"""

from __future__ import annotations

import subprocess
import time
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.feed.batched_socket import BatchingClient, PlainClient
from monitor.feed.clocks import MachineClock
from monitor.feed.decode import Decoder
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import steady_s, utc_now
from monitor.records import OWN_FEED, BrokerAddress, RawMessage
from monitor.services.intake import Intake
from monitor.store.opening import open_stores
from tests.conftest import Mosquitto, require_program

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MESSAGES = 100_000
NODES = 10
FILTER = "siccast/1/a/+/reading"
REFERENCE: dict[str, float] = {}
"""Seconds that `mosquitto_sub` took, live and draining."""


class Naive:
    """What first comes to mind: paho's own acknowledgment, one commit a message."""

    def __init__(self, port: int, folder: Path) -> None:
        self.done = 0
        self._decoder = Decoder([OWN_FEED], "a")
        self._stores = open_stores(folder / "naive.sqlite3")
        self._readings = self._stores.__enter__().readings
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "naive", clean_session=False, protocol=paho.MQTTv311)
        self._client.on_message = self._keep
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(FILTER, 1)

    def _keep(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        from datetime import UTC, datetime

        raw = RawMessage("naive", message.topic, bytes(message.payload), datetime.now(tz=UTC))
        self._readings.add(self._decoder.decode([raw]).readings)
        self.done += 1

    def until(self, messages: int) -> None:
        while self.done < messages:
            self._client.loop(0.5)

    def close(self) -> None:
        self._client.disconnect()
        self._stores.__exit__(None, None, None)


class Siccast:
    """The listener's own path, with every commit on the disk; by paho's own reading where ``plain``."""

    def __init__(self, port: int, folder: Path, protocol: str, *, plain: bool = False) -> None:
        decoder = Decoder([OWN_FEED], "a")
        self._stores = open_stores(folder / f"siccast-{protocol}.sqlite3")
        clock = MachineClock(print, utc_now, steady_s)
        self._intake = Intake(decoder, self._stores.__enter__().readings, clock=clock)
        address = BrokerAddress("127.0.0.1", port, protocol, f"siccast-{protocol}")
        with patch("monitor.feed.mqtt.client_class", lambda: PlainClient if plain else BatchingClient):
            self._feed = MqttFeed(address, decoder.subscriptions, clock=utc_now)
        self._feed.connect()
        self._feed.receive(0.5)

    def until(self, messages: int) -> None:
        self._intake.run(self._feed, lambda: self._intake.tally.messages >= messages)

    def close(self) -> None:
        self._feed.close()
        self._stores.__exit__(None, None, None)


class Subscriber:
    """mosquitto_sub writing topic and payload to a file."""

    def __init__(self, port: int, folder: Path, until: tuple[str, ...]) -> None:
        self._file = (folder / "messages").open("wb")
        command = [require_program("mosquitto_sub"), "-p", str(port), "-q", "1", "-c", "-i", "reference"]
        command += ["-t", FILTER, "-F", "%t %p", *until]
        self._process = subprocess.Popen(command, stdout=self._file)

    def until(self, messages: int) -> None:
        self._process.wait(120)

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(10)
        self._file.close()


def publish(port: int, messages: int) -> Callable[[], None]:
    """Publish from processes of their own; what is handed out waits for them."""
    script = (
        'seq -f "{\\"t\\":%.0f,\\"temperature_c\\":21.4,\\"rh_pct\\":17.2,\\"battery_v\\":2.98}" '
        f"1772350200 {1772350200 + messages // NODES - 1} | "
    )
    command = f"{script}{require_program('mosquitto_pub')} -p {port} -q 1 -l -t siccast/1/a/box%d/reading"
    nodes = [subprocess.Popen(["bash", "-c", command.replace("box%d", f"box{node}")]) for node in range(NODES)]
    return lambda: [node.wait(120) for node in nodes] and None


CONSUMERS: dict[str, tuple[Callable[..., Any], int]] = {
    "mosquitto_sub to a file": (lambda port, folder: Subscriber(port, folder, ("-C", str(MESSAGES))), MESSAGES),
    "siccast, MQTT 3.1.1": (lambda port, folder: Siccast(port, folder, "3.1.1"), MESSAGES),
    "siccast, MQTT 5": (lambda port, folder: Siccast(port, folder, "5"), MESSAGES),
    "by plain paho, MQTT 3.1.1": (lambda port, folder: Siccast(port, folder, "3.1.1", plain=True), MESSAGES),
    "by plain paho, MQTT 5": (lambda port, folder: Siccast(port, folder, "5", plain=True), MESSAGES),
    "naive: a commit a message": (Naive, MESSAGES // 10),
}


@pytest.mark.parametrize("case", ["live", "drain"])
@pytest.mark.parametrize("name", CONSUMERS)
def bench_ingest(benchmark: Any, tmp_path: Path, case: str, name: str) -> None:
    make, messages = CONSUMERS[name]
    broker = Mosquitto(tmp_path)
    took: list[float] = []
    computed: list[float] = []

    def once() -> None:
        broker.start()
        if name.startswith("mosquitto_sub") and case == "drain":
            only_subscribe = Subscriber(broker.port, tmp_path, ("-E",))
            only_subscribe.until(0)  # its session stays and collects
            only_subscribe.close()
            publish(broker.port, messages)()
            consumer = None
        else:
            consumer = make(broker.port, tmp_path)
            time.sleep(0.3)
        began = time.perf_counter()
        wait = publish(broker.port, messages) if case == "live" or consumer else lambda: None
        if case == "drain" and consumer:
            wait()  # the session is ours and unread meanwhile: the broker queues
            began = time.perf_counter()
        consumer = consumer or make(broker.port, tmp_path)
        computed_before = time.process_time()
        consumer.until(messages)
        took.append((time.perf_counter() - began) / messages)
        computed.append((time.process_time() - computed_before) / messages)
        wait()
        consumer.close()
        broker.kill()
        for path in tmp_path.glob("*.sqlite3*"):
            path.unlink()

    benchmark.group = case
    benchmark.pedantic(once, rounds=3, iterations=1)
    median_s = sorted(took)[1]
    REFERENCE.setdefault(case, median_s)
    ratio = REFERENCE[case] / median_s
    benchmark.extra_info |= {"messages_per_s": round(1 / median_s), "ratio_to_mosquitto_sub": round(ratio, 2)}
    print(
        f"\n{case:6} {name:28} {1 / median_s:8.0f} messages/s  ratio {ratio:.2f}  (runs {[round(1 / s) for s in took]})"
        f"  {1e6 * sorted(computed)[1]:.1f} µs of this process a message"
    )
