"""A listener killed without a word, again and again, under a stream that does not stop: nothing lost, nothing twice."""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING

import pytest

from tests.reliability.harness import Listener, Stream, stored, stored_numbers

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto


def kill_under_load(
    listener: Listener, stream: Stream, kills: int, pause_s: tuple[float, float], *, until_killed: bool = False
) -> int:
    """Kill a listener so often while a stream runs, which may end with the last kill; return how many fell into it."""
    rng = random.Random(20260301)
    during = 0
    listener.start()
    listener.wait_until_connected()
    stream.start()
    for number in range(kills):
        time.sleep(rng.uniform(*pause_s))
        during += stream.is_running
        listener.kill()
        listener.start()
        listener.wait_until_connected(times=number + 2)
    if until_killed:
        stream.finish()
    stream.wait()
    listener.wait_until_held(stream.total)
    assert listener.stop() == 0
    return during


def assert_each_once(listener: Listener, stream: Stream) -> None:
    rows, verdict, rolled_up = stored(listener.database)
    assert set(rows) == stream.expected()
    assert len(rows) == rolled_up == stream.total
    assert verdict == "ok"


@pytest.mark.broker
def test_ten_kills_in_fifty_thousand_messages(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = Listener.at(tmp_path / "shelf", mosquitto.port)
    stream = Stream(mosquitto.port, total=1_000_000, per_s=2_500, at_least=50_000)
    during = kill_under_load(listener, stream, kills=10, pause_s=(0.1, 0.5), until_killed=True)
    assert during == 10, "a kill came after the stream and proves nothing"
    assert_each_once(listener, stream)


@pytest.mark.broker
def test_kills_under_readings_that_tell_no_time(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Steady air too: all values are equal, and only the numbers tell the readings apart."""
    listener = Listener.at(tmp_path / "shelf", mosquitto.port)
    stream = Stream(mosquitto.port, total=1_000_000, per_s=2_000, timed=False)
    kill_under_load(listener, stream, kills=3, pause_s=(0.1, 0.5), until_killed=True)
    rows, verdict, rolled_up = stored(listener.database)
    numbers = stored_numbers(listener.database)
    assert set(numbers) == stream.expected_numbers()
    assert len(numbers) == len(set(rows)) == rolled_up == stream.total
    assert verdict == "ok"
