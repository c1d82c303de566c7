"""Two listeners that split a site by a shared subscription, one of them killed without a word: each reading once."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from tests.reliability.harness import Listener, Stream, stored

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto

SHARE = 'share = "attic"\n'
TOTAL, PER_S = 9_000, 2_000.0

pytestmark = pytest.mark.broker


def two_listeners(port: int, folder: Path, *, one_shelf: bool) -> tuple[Listener, Listener]:
    """Start two members of one share, on one database or on one each."""
    first = Listener.at(folder / "one", port, more=SHARE)
    second = Listener(first.shelf) if one_shelf else Listener.at(folder / "two", port, more=SHARE)
    second.log = second.shelf / "second.log"
    first.start("siccast-1").wait_until_connected()
    second.start("siccast-2").wait_until_connected()
    return first, second


def held(*listeners: Listener) -> int:
    """Return how many readings are stored, in all their databases together."""
    return sum({each.database: each.held() for each in listeners}.values())


def wait_until_held(readings: int, *listeners: Listener) -> None:
    """Wait until so many are stored; where some are lost, the limit of the test ends the wait."""
    while held(*listeners) < readings:
        assert not any(each.has_ended() for each in listeners)
        time.sleep(0.05)


def went_through(listener: Listener) -> int:
    """Return how many messages a listener counted since it started last, by its last word."""
    return int(listener.log.read_text().rsplit("stopped after ", 1)[1].split()[0])


@pytest.mark.parametrize("one_shelf", [True, False], ids=["one database", "a database each"])
def test_one_of_two_is_killed_and_nothing_is_lost_or_twice(
    mosquitto: Mosquitto, tmp_path: Path, one_shelf: bool
) -> None:
    first, second = two_listeners(mosquitto.port, tmp_path, one_shelf=one_shelf)
    stream = Stream(mosquitto.port, total=TOTAL, per_s=PER_S).start()
    wait_until_held(TOTAL // 4, first, second)
    second.kill()  # from here on the other one goes on by itself
    assert stream.is_running, "it was killed in mid-stream"
    wait_until_held(first.held() + TOTAL // 10, first)
    stream.wait()
    second.start("siccast-2").wait_until_connected(times=2)
    wait_until_held(TOTAL, first, second)
    assert first.stop() == second.stop() == 0
    assert min(went_through(first), went_through(second)) > TOTAL // 10, "both took part"
    databases = {first.database, second.database}
    rows = [row for database in databases for row in stored(database)[0]]
    assert len(rows) == len(set(rows)) == TOTAL
    assert set(rows) == stream.expected()
    assert [stored(database)[1] for database in databases] == ["ok"] * len(databases)
