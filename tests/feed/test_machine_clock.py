"""This machine's own clock: never set, set while we run, set back; and what that means for readings."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.feed.clocks import Arrivals, MachineClock
from monitor.feed.decode import Decoder
from monitor.presentation.clock import steady_s
from monitor.records import OWN_FEED, RawMessage
from monitor.services.intake import Intake
from monitor.store.opening import Stores

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

TRUE = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
TOPIC = "siccast/1/attic/box1/reading"


class Board:
    """A machine whose clock may say anything while its seconds go on."""

    def __init__(self, says: datetime) -> None:
        self.ran_s = 0.0
        self._says_at_start = says

    def sets(self, says: datetime) -> None:
        self._says_at_start = says - timedelta(seconds=self.ran_s)

    def wall(self) -> datetime:
        return self._says_at_start + timedelta(seconds=self.ran_s)

    def steady_s(self) -> float:
        return self.ran_s

    def clock(self, said: list[str]) -> MachineClock:
        return MachineClock(said.append, self.wall, self.steady_s)


def message(board: Board, number: int, **more: object) -> RawMessage:
    told = {"temperature_c": 20 + number, "rh_pct": 17.2, **more}
    return RawMessage("mqtt", TOPIC, json.dumps(told).encode(), board.wall(), number)


class Minutes:
    """A feed that brings one message a minute on a board, and does something to the board before some of them."""

    def __init__(self, board: Board, happens: dict[int, datetime], told: Sequence[dict[str, object]]) -> None:
        self.board, self.happens, self.told = board, happens, told
        self.asked = self.brought = 0
        self.acknowledged: list[object] = []

    def receive(self, wait_s: float) -> list[RawMessage]:
        self.asked += 1
        if self.brought in self.happens:
            self.board.sets(self.happens.pop(self.brought))
        if self.brought == len(self.told):
            return []
        made = message(self.board, self.brought, **self.told[self.brought])
        self.brought += 1
        self.board.ran_s += 60.0
        return [made]

    def acknowledge(self, messages: Iterable[RawMessage]) -> None:
        self.acknowledged += [each.acknowledge_token for each in messages]

    def stay_connected(self) -> None:
        """There is no connection to lose."""


def listen(stores: Stores, feed: Minutes, turns: int) -> list[str]:
    said: list[str] = []
    intake = Intake(
        Decoder((OWN_FEED,), "attic"), stores.readings, report=said.append, clock=feed.board.clock(said),
    )  # fmt: skip
    intake.run(feed, lambda: feed.asked > turns)
    return said


def test_a_board_that_starts_in_1970_stores_nothing_there(stores: Stores) -> None:
    """Three messages before its clock is set, two of them without a time: each is stored at its own true minute."""
    board = Board(datetime(1970, 1, 1, 0, 0, 30, tzinfo=UTC))
    third = (TRUE + timedelta(minutes=2)).timestamp()
    feed = Minutes(board, {3: TRUE + timedelta(minutes=3)}, [{}, {"seq": 1}, {"t": third}, {}])
    said = listen(stores, feed, 4)
    stored = list(stores.readings.each("box1"))
    assert [reading.at - TRUE for reading in stored] == [timedelta(minutes=minute) for minute in range(4)]
    assert [reading.temperature_degc for reading in stored] == [20.0, 21.0, 22.0, 23.0]
    assert feed.acknowledged == [0, 1, 2, 3]
    assert stores.ledger.rejected_count() == 0
    assert len(said) == 2
    assert "clock says 1970-01-01 00:01, so it was never set. Messages wait until it is" in said[0]
    assert said[1] == "this machine's clock was set from 1970-01-01 00:04:30 to 2026-03-01 08:04:00 UTC"


def test_what_waits_for_the_clock_is_not_acknowledged(stores: Stores) -> None:
    feed = Minutes(Board(datetime(1970, 1, 1, tzinfo=UTC)), {}, [{}, {}])
    listen(stores, feed, 2)
    assert feed.acknowledged == []
    assert stores.readings.count() == 0


def test_what_waits_for_the_clock_is_bounded() -> None:
    board = Board(datetime(1970, 1, 1, tzinfo=UTC))
    clock = board.clock([])
    clock.settle([message(board, number) for number in range(19_999)])
    assert not clock.is_full
    clock.settle([message(board, 1)])
    assert clock.is_full
    board.sets(TRUE)
    assert len(clock.settle([])) == 20_000
    assert not clock.is_full
    board.sets(datetime(1970, 1, 1, tzinfo=UTC))
    clock.settle([RawMessage("mqtt", TOPIC, b"x" * 2**20, board.wall())] * 16)
    assert clock.is_full


def test_what_was_taken_from_the_wire_just_before_the_clock_was_set_is_dated_too() -> None:
    board = Board(datetime(1970, 1, 1, tzinfo=UTC))
    clock = board.clock([])
    taken = [message(board, 1), message(board, 2)]
    board.ran_s += 5.0
    board.sets(TRUE)
    taken.append(message(board, 3))
    settled = clock.settle(taken)
    assert [each.arrived_at - TRUE for each in settled] == [timedelta(seconds=-5)] * 2 + [timedelta(0)]


def test_what_a_shared_commit_held_back_while_the_clock_was_set_is_dated_too() -> None:
    """Looks at the clock go on meanwhile, and see the jump before the messages come."""
    board = Board(datetime(1970, 1, 1, tzinfo=UTC))
    clock = board.clock([])
    held = [message(board, 1)]
    assert clock.settle([]) == []
    board.ran_s += 5.0
    board.sets(TRUE)
    assert clock.settle([]) == []
    board.ran_s += 30.0
    (settled,) = clock.settle(held)
    assert settled.arrived_at - TRUE == timedelta(seconds=-5)


def test_what_is_left_at_the_end_waits_for_the_clock_too(stores: Stores) -> None:
    board = Board(datetime(1970, 1, 1, tzinfo=UTC))
    feed = Minutes(board, {}, [])
    intake = Intake(Decoder((OWN_FEED,), "attic"), stores.readings, clock=board.clock([]))
    intake.keep_the_rest(feed, [message(board, 1), message(board, 2, t=TRUE.timestamp() - 60)])
    assert (feed.acknowledged, stores.readings.count(), stores.ledger.rejected_count()) == ([], 0, 0)
    board.sets(TRUE)
    intake.keep_the_rest(feed, [message(board, 3)])
    assert feed.acknowledged == [1, 2, 3]
    assert stores.readings.count() == 3


@pytest.mark.parametrize("hours", [-3.0, 0.01, 90_000.0])
def test_a_clock_that_jumps_is_said_once(stores: Stores, hours: float) -> None:
    board = Board(TRUE)
    feed = Minutes(board, {1: TRUE + timedelta(minutes=1, hours=hours)}, [{}, {}, {}])
    (line,) = listen(stores, feed, 3)
    assert line.startswith("this machine's clock was set from 2026-03-01 08:02:00 to 2")
    assert "Readings without a time that arrived before have the old time" in line
    assert "siccast rejected --again" in line
    assert stores.readings.count() == 3


def test_a_clock_that_drifts_into_place_is_no_news(stores: Stores) -> None:
    board = Board(TRUE)
    assert listen(stores, Minutes(board, {1: TRUE + timedelta(seconds=63)}, [{}, {}]), 2) == []


def test_arrivals_are_in_order_and_apart_and_follow_a_clock_that_is_set_back() -> None:
    board = Board(TRUE)
    arrivals = Arrivals(board.wall)
    stamps = arrivals.stamps(2_000) + arrivals.stamps(2_000)
    assert stamps == sorted(set(stamps))
    assert stamps[-1] - TRUE < timedelta(milliseconds=5)
    board.sets(TRUE - timedelta(hours=1))
    assert arrivals.stamps(1) == [TRUE - timedelta(hours=1)]
    assert arrivals.stamps(0) == []


def test_steady_seconds_go_on() -> None:
    assert steady_s() <= steady_s()
