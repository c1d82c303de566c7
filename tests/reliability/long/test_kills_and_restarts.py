"""A hundred kills of the listener, ten restarts of the broker, two listeners that split a site: none lost or twice."""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING

import pytest

from tests.reliability.harness import Listener, Stream, stored, stored_numbers
from tests.reliability.trouble import PatientNodes

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Mosquitto

pytestmark = pytest.mark.broker


def assert_each_once(listener: Listener, expected: set[tuple[str, int]]) -> None:
    rows, verdict, rolled_up = stored(listener.database)
    print(f"\n{len(expected)} published, {len(rows)} stored, {len(expected - set(rows))} lost,", end=" ")
    print(f"{len(rows) - len(set(rows))} twice, integrity {verdict}")
    assert set(rows) == expected
    assert len(rows) == rolled_up == len(expected)
    assert verdict == "ok"


def test_a_hundred_kills_at_three_thousand_a_second(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = Listener.at(tmp_path / "shelf", mosquitto.port)
    stream = Stream(mosquitto.port, total=3_000_000, per_s=3_000)
    kill_again_and_again(listener, stream, kills=100)
    assert_each_once(listener, stream.expected())


def kill_again_and_again(listener: Listener, stream: Stream, kills: int) -> None:
    """Kill a listener so often under a stream that outlasts the kills, then let it take in the rest."""
    rng = random.Random(20260301)
    listener.start()
    listener.wait_until_connected()
    stream.start()
    for number in range(kills):
        time.sleep(rng.uniform(0.1, 0.6))
        assert stream.is_running
        listener.kill()
        listener.start()
        listener.wait_until_connected(times=number + 2)
    stream.finish()
    stream.wait()
    assert listener.wait_until_held(stream.total) == stream.total
    assert listener.stop() == 0


def test_a_hundred_kills_under_readings_that_tell_no_time(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = Listener.at(tmp_path / "shelf", mosquitto.port)
    stream = Stream(mosquitto.port, total=3_000_000, per_s=3_000, timed=False)
    kill_again_and_again(listener, stream, kills=100)
    rows, verdict, rolled_up = stored(listener.database)
    numbers, expected = stored_numbers(listener.database), stream.expected_numbers()
    print(f"\n{len(expected)} published without a time, {len(numbers)} stored,", end=" ")
    print(f"{len(expected - set(numbers))} lost, {len(numbers) - len(set(numbers))} twice, integrity {verdict}")
    assert set(numbers) == expected
    assert len(numbers) == len(set(rows)) == rolled_up == len(expected)
    assert verdict == "ok"


@pytest.mark.parametrize(("ending", "per_s", "autosave"), [
    ("stop", 200, True), ("kill", 200, True), ("stop", 3_000, False),
])  # fmt: skip
def test_ten_restarts_of_the_broker(
    start_mosquitto: Callable[..., Mosquitto], tmp_path: Path, ending: str, per_s: float, autosave: bool
) -> None:
    """Under the settings of firmware_notes/mosquitto.conf; for thousands a second without its two autosave lines."""
    broker = start_mosquitto(recommended(tmp_path, autosave))
    listener = Listener.at(tmp_path / "shelf", broker.port)
    listener.start()
    listener.wait_until_connected()
    rng = random.Random(1)
    with PatientNodes(broker.port, per_s) as nodes:
        for number in range(10):
            time.sleep(rng.uniform(1.0, 3.0))
            getattr(broker, ending)()
            time.sleep(rng.uniform(0.0, 1.0))
            broker.start()
            listener.wait_until_connected(times=number + 2)
        assert nodes.is_running
        nodes.finish()
        listener.wait_until_held(nodes.sent)
        assert listener.stop() == 0
        assert_each_once(listener, nodes.expected())


def recommended(folder: Path, autosave: bool) -> tuple[str, ...]:
    """Return the lines of the file we give to people, with the store in a folder of the test."""
    from pathlib import Path

    lines = (Path(__file__).resolve().parents[3] / "firmware_notes" / "mosquitto.conf").read_text().splitlines()
    settings = [line for line in lines if line and not line.startswith("#")]
    ours = () if autosave else ("autosave",)
    ours += ("listener", "persistence_location", "password_file", "acl_file", "allow_anonymous", "log_dest")
    kept = [line for line in settings if not line.startswith(ours)]
    return (*kept, f"persistence_location {folder}/", "allow_anonymous true")


def test_two_listeners_split_a_site_and_one_is_replaced(mosquitto: Mosquitto, tmp_path: Path) -> None:
    one = Listener.at(tmp_path / "shelf", mosquitto.port, more='share = "attic"\n')
    two = Listener(one.shelf)
    two.log = one.shelf / "two.log"
    one.start("siccast-1").wait_until_connected()
    two.start("siccast-2").wait_until_connected()
    stream = Stream(mosquitto.port, total=60_000, per_s=3_000).start()
    one.wait_until_held(20_000)
    two.kill()
    one.wait_until_held(40_000, patience_s=3.0)
    two.start("siccast-2")
    stream.wait()
    one.wait_until_held(stream.total)
    assert one.stop() == two.stop() == 0
    shares = [int(log.read_text().rsplit("stopped after ", 1)[1].split()[0]) for log in (one.log, two.log)]
    print(f"\nmessages at the end of each listener: {shares}")
    assert min(shares) > 1_000, "both took part"
    assert_each_once(one, stream.expected())
