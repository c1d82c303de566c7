"""Clocks: when a message arrived, and those of nodes against ours.

A message may come from the future, or be late by the same amount every time.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.records import Mark
from monitor.records.readings import EARLIEST_AT

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from datetime import datetime

    from monitor.records import RawMessage, Reading

TOLERANCE = timedelta(seconds=120)  # judgement: a node that sets its clock once a day may be off by a minute or two
_AHEAD = -TOLERANCE
_APART = timedelta(microseconds=1)  # the finest step of `datetime`, by definition
_STEPPED = timedelta(seconds=1)
"""A clock that lies so far behind what it said before was set back, and is followed (a judgement)."""
_A_JUMP = timedelta(seconds=5)
"""NTP lets a clock drift into place where it can, and moves it in one step where it is further off (a judgement)."""

_WAITING_AT_MOST = 20_000  # messages; judgement: an hour of a large site, and then the clock is taken as it is
_WAITING_AT_MOST_BYTES = 16 * 1024 * 1024  # judgement: a small computer has it to spare
_SAME_LAG = timedelta(seconds=30)  # judgement: a clock that is off stays off by as much, a radio does not
_OTHER_NAMES = 10_000  # judgement: ten times the boxes of a large site
_LIVE_SPACING = timedelta(seconds=30)
"""Messages that arrive closer together than this were waiting somewhere; their lateness says nothing of a clock (a
judgement)."""


class Arrivals:
    """Gives each message an instant of its own, in the order in which they came.

    Microseconds tell them apart. A store that knows milliseconds only has to make room where two of one box fall
    together: a clock of milliseconds would run ahead of a stream of more than a thousand messages a second.
    """

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._last: datetime | None = None

    def stamps(self, count: int) -> list[datetime]:
        """Return the instants of so many messages that were taken from the wire just now."""
        first = self._clock()
        if self._last is not None and timedelta(0) <= self._last - first < _STEPPED:
            first = self._last + _APART
        stamps = [first] * count
        for place in range(1, count):
            stamps[place] = first = first + _APART
        self._last = first if count else self._last
        return stamps


class MachineClock:
    """Watches this machine's own clock: whether it was ever set, and whether it jumps.

    A board without a battery starts in 1970 and learns the time when the network is there. What arrives before waits
    here, unacknowledged, and gets the instant at which it did arrive as soon as that is known.
    """

    def __init__(
        self, report: Callable[[str], None], wall: Callable[[], datetime], steady_s: Callable[[], float]
    ) -> None:
        self._report = report
        self._wall = wall
        self._steady_s = steady_s
        self._last = (wall(), steady_s())
        self._jumped = timedelta(0)
        self._jumped_unset = timedelta(0)
        """The jumps up to the last look at a clock that was not set: what it stamped may be handed on much later."""
        self._waiting: list[tuple[RawMessage, timedelta]] = []
        self._waiting_bytes = 0
        self._was_told = False

    @property
    def is_full(self) -> bool:
        """Whether no more messages should be taken before the clock is set."""
        return len(self._waiting) >= _WAITING_AT_MOST or self._waiting_bytes >= _WAITING_AT_MOST_BYTES

    def settle(self, messages: list[RawMessage]) -> list[RawMessage]:
        """Return the messages whose arrival is known by now: these, and those that waited for the clock to be set."""
        now = self._look()
        if now < EARLIEST_AT:
            self._jumped_unset = self._jumped
            self._hold(messages, now)
            return []
        early = [message for message in messages if message.arrived_at < EARLIEST_AT]
        if early:  # taken from the wire before the clock was set
            self._waiting += [(message, self._jumped_unset) for message in early]
            messages = [message for message in messages if message.arrived_at >= EARLIEST_AT]
        if not self._waiting:
            return messages
        waited = [
            message._replace(arrived_at=message.arrived_at + self._jumped - jumped) for message, jumped in self._waiting
        ]
        self._waiting, self._waiting_bytes, self._was_told = [], 0, False
        return waited + messages

    def _hold(self, messages: list[RawMessage], now: datetime) -> None:
        if not self._was_told:
            self._was_told = True
            self._report(
                f"this machine's clock says {now:%Y-%m-%d %H:%M}, so it was never set. Messages wait until it is."
                " Set it by NTP or by hand"
            )
        self._waiting += [(message, self._jumped) for message in messages]
        self._waiting_bytes += sum(len(message.payload) for message in messages)

    def _look(self) -> datetime:
        """Return the present instant, and say so where the clock got there by a jump."""
        now, ran_s = self._wall(), self._steady_s()
        expected = self._last[0] + timedelta(seconds=ran_s - self._last[1])
        jump = now - expected
        self._last = (now, ran_s)
        self._jumped += jump
        if abs(jump) >= _A_JUMP:
            self._say_jump(expected, now)
        return now

    def _say_jump(self, expected: datetime, now: datetime) -> None:
        """Say what a jump means for what is stored already; where all of it waited, it means nothing."""
        line = f"this machine's clock was set from {expected:%Y-%m-%d %H:%M:%S} to {now:%Y-%m-%d %H:%M:%S} UTC"
        if expected >= EARLIEST_AT:
            line += (
                ". Readings without a time that arrived before have the old time. If readings were rejected as"
                " ahead of"
                " their arrival, `siccast rejected --again` tries them again"
            )
        self._report(line)


class ClockWatch:
    """Remembers how late each sensor was the last time.

    Those of declared boxes are never forgotten. Any other name may be one that a stranger made up; where there are too
    many, all of these are forgotten, and a clock that is late by the same is then marked one message later.
    """

    def __init__(self, declared: Collection[str] = ()) -> None:
        self._declared = declared
        self._last: dict[str, tuple[datetime, timedelta]] = {}

    def mark(self, reading: Reading, arrived_at: datetime) -> int:
        """Return the mark that the clock behind a single fresh message deserves, or 0."""
        if not reading.sent_at_known:
            return 0
        box, lag = reading.box, arrived_at - reading.at
        before = self._last.get(box)
        if before is None and len(self._last) >= len(self._declared) + _OTHER_NAMES:
            self._last = {name: self._last[name] for name in self._declared if name in self._last}
        self._last[box] = arrived_at, lag
        if lag < _AHEAD:
            return Mark.clock_ahead.bit
        if lag <= TOLERANCE or before is None:
            return 0
        always_as_late = arrived_at - before[0] >= _LIVE_SPACING and abs(lag - before[1]) <= _SAME_LAG
        return Mark.clock_behind.bit if always_as_late else 0
