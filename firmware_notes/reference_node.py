"""A sensor node to copy from: it measures, keeps what can't be sent yet, and forgets only what is safe.

For a small Linux board with Python and paho-mqtt whose hygrometer has a driver in the kernel (its files are described
in Documentation/ABI/testing/sysfs-bus-iio of the kernel). Any other sensor: write another ``measure``. A
microcontroller does the same steps in the same order.

    python reference_node.py --broker 192.168.1.10 --box pla-white --sensor /sys/bus/iio/devices/iio:device0
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections import deque
from pathlib import Path
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

KEPT = 20_000
"""Readings kept while the broker is away: ten weeks at one in five minutes. Then the oldest go first."""

AT_ONCE = 500
"""Readings in one backlog message; some 50 kB, a fifth of what siccast reads."""

SENT_AGAIN_S = 10.0
"""A broker that loses its power may lose what it took in the last moment. After a broken connection we send that
again: siccast knows a reading by its box and its instant, so twice costs nothing."""

CLOCK_IS_SET_AFTER_S = 1_700_000_000
"""A board without a battery starts in 1970; until its clock is set, a reading goes without ``t``."""

Reading = dict[str, Any]


def measure(sensor: Path) -> tuple[float, float]:
    """Return temperature and humidity [°C, %]; the kernel tells thousandths of both."""
    temperature = float((sensor / "in_temp_input").read_text())
    humidity = float((sensor / "in_humidityrelative_input").read_text())
    return temperature / 1000.0, humidity / 1000.0


class Node:
    """One sensor, one box, one loop."""

    def __init__(self, topic: str, every_s: float, connect: Any) -> None:
        self.topic = topic
        self.every_s = every_s
        self.connect = connect
        self.kept: deque[Reading] = deque(maxlen=KEPT)
        self.under_way: list[Reading] = []
        self.packet_id: int | None = None
        self.acknowledged: deque[tuple[float, Reading]] = deque()
        self.seq = 0
        # QoS 1 needs the client id to be ours alone. A clean session: a node has nothing to receive.
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=topic.replace("/", "-"), clean_session=True)
        self.client.on_publish = lambda _client, _userdata, packet_id, *_: self.broker_has_it(packet_id)
        self.client.on_connect = lambda *_: self.take_back()

    def run(self, sensor: Path) -> None:
        """Measure and send for ever."""
        next_at, try_again_at, pause_s = time.monotonic(), 0.0, 1.0
        while True:
            now = time.monotonic()
            if now >= next_at:
                next_at = now + self.every_s  # a turn that was slept through is not made up for
                self.sample(sensor)
            if self.client.is_connected():
                pause_s = 1.0
                self.send()
            elif now >= try_again_at:
                try_again_at, pause_s = now + pause_s, min(2.0 * pause_s, 60.0)
                self.try_to_connect()
            self.client.loop(min(0.1, self.every_s))  # without a connection this returns at once
            if self.client.socket() is None:
                time.sleep(min(0.1, self.every_s))

    def sample(self, sensor: Path) -> None:
        """Take one reading; a sensor that fails now is asked again at the next turn."""
        try:
            temperature_c, rh_pct = measure(sensor)
        except (OSError, ValueError) as error:
            print(f"the sensor gives nothing ({error})", flush=True)
            return
        now = time.time()
        reading = {"temperature_c": temperature_c, "rh_pct": rh_pct, "seq": self.seq}
        if now > CLOCK_IS_SET_AFTER_S:
            reading["t"] = round(now) if self.every_s >= 1.0 else round(now, 3)
        self.kept.append(reading)
        self.seq += 1

    def send(self) -> None:
        """Send the oldest readings, one message at a time: the next one waits for the broker's answer."""
        if self.under_way or not self.kept:
            return
        self.under_way = [self.kept.popleft() for _ in range(min(AT_ONCE, len(self.kept)))]
        payload = self.under_way[0] if len(self.under_way) == 1 else self.under_way
        self.packet_id = self.client.publish(self.topic, json.dumps(payload), qos=1).mid

    def broker_has_it(self, packet_id: int) -> None:
        """Forget what was under way, though not at once; paho sends a message of the last connection again itself."""
        if packet_id != self.packet_id:
            return
        now = time.monotonic()
        self.acknowledged.extend((now, reading) for reading in self.under_way)
        self.under_way = []
        while self.acknowledged and self.acknowledged[0][0] < now - SENT_AGAIN_S:
            self.acknowledged.popleft()

    def take_back(self) -> None:
        """A new connection: what had no answer, and what had one only just before, waits again in front."""
        again = [reading for _, reading in self.acknowledged] + self.under_way
        self.under_way = []
        self.acknowledged.clear()
        room = KEPT - len(self.kept)
        self.kept.extendleft(reversed(again[max(0, len(again) - room) :]))

    def try_to_connect(self) -> None:
        """Connect; a broker that isn't there is no news."""
        try:
            self.connect(self.client)
        except OSError as error:
            print(f"no broker ({error}); {len(self.kept)} readings wait", flush=True)


def main() -> None:
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description="Send one box's temperature and humidity to an MQTT broker.")
    parser.add_argument("--broker", required=True)
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--ca", help="certificate authority of the broker; turns TLS on")
    parser.add_argument("--site", default="home")
    parser.add_argument("--box", required=True)
    parser.add_argument("--sensor", type=Path, required=True, help="folder of the sensor's driver")
    parser.add_argument("--every", type=float, default=300.0, help="seconds from one reading to the next")
    given = parser.parse_args()
    node = Node(
        f"siccast/1/{given.site}/{given.box}/reading",
        given.every,
        lambda client: client.connect(given.broker, given.port, keepalive=60),
    )
    if given.ca:
        node.client.tls_set(ca_certs=given.ca)
    if "NODE_USER" in os.environ:  # never on the command line, where everybody on the machine can read it
        node.client.username_pw_set(os.environ["NODE_USER"], os.environ.get("NODE_PASSWORD"))
    node.run(given.sensor)


if __name__ == "__main__":
    main()
