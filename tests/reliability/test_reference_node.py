"""The node program that people copy from, run against a broker that is killed under it: every reading arrives once."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from monitor.store.opening import open_stores
from tests.conftest import RECOMMENDED, Mosquitto
from tests.reliability.harness import STARTED, Listener

if TYPE_CHECKING:
    from collections.abc import Callable

PROGRAM = Path(__file__).resolve().parents[2] / "firmware_notes" / "reference_node.py"


@pytest.mark.broker
def test_every_reading_arrives_once_though_broker_and_sensor_fail(
    start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    lasting = ("persistence true", f"persistence_location {tmp_path}/", "autosave_on_changes true")
    broker = start_mosquitto((*RECOMMENDED, *lasting, "autosave_interval 1"))
    listener = Listener.at(tmp_path / "shelf", broker.port)
    listener.start().wait_until_connected()
    sensor = tmp_path / "sensor"
    sensor.mkdir()
    (sensor / "in_temp_input").write_text("21400\n")
    (sensor / "in_humidityrelative_input").write_text("17200\n")
    command = [sys.executable, str(PROGRAM), "--broker", "127.0.0.1", "--port", str(broker.port)]
    command += ["--site", "attic", "--box", "box1", "--sensor", str(sensor), "--every", "0.02"]
    STARTED.append(subprocess.Popen(command, stdout=subprocess.DEVNULL))
    held = listener.wait_until_held(20)
    for _ in range(2):
        broker.kill()
        (sensor / "in_temp_input").rename(sensor / "gone")
        time.sleep(0.3)  # offline, with readings and without
        (sensor / "gone").rename(sensor / "in_temp_input")
        time.sleep(0.7)
        broker.start()
        held = listener.wait_until_held(held + 100)
    STARTED[-1].kill()
    listener.wait_until_held(10**6, patience_s=1.0)
    assert listener.stop() == 0
    with open_stores(listener.database) as stores:
        readings = list(stores.readings.each("box1"))
    assert [reading.seq for reading in readings] == list(range(len(readings))), "one is missing or there twice"
    assert len(readings) >= held > 200
    assert {(reading.temperature_degc, reading.relative_humidity) for reading in readings} == {(21.4, 0.172)}
