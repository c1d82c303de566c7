"""Clocks: when a message arrived, and those of nodes against ours.

A message may come from the future, or be late by the same amount every time.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.records import Mark

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.records import Reading

TOLERANCE_S = 120.0
_APART = timedelta(microseconds=1)
_STEPPED = timedelta(seconds=1)
"""A clock that lies so far behind what it said before was set back, and is followed."""
_SAME_LAG_S = 30.0
_LIVE_SPACING_S = 30.0
"""Messages that arrive closer together than this were waiting somewhere; their lateness says nothing of a clock."""


class Arrivals:
    """Gives each message an instant of its own, in the order in which they came.

    Microseconds tell them apart. A store that knows milliseconds only has to make room where two of one box fall
    together: a clock of milliseconds would run ahead of a stream of more than a thousand messages a second.
    """

    def __init__(self, clock: Callable[[], datetime] = lambda: datetime.now(tz=UTC)) -> None:
        self._clock = clock
        self._last: datetime | None = None

    def stamps(self, count: int) -> list[datetime]:
        """Return the instants of so many messages that were taken from the wire just now."""
        first = self._clock()
        if self._last is not None and timedelta(0) <= self._last - first < _STEPPED:
            first = self._last + _APART
        stamps = [first + place * _APART for place in range(count)]
        self._last = stamps[-1] if stamps else self._last
        return stamps


class ClockWatch:
    """Remembers how late each sensor was the last time."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[datetime, float]] = {}

    def mark(self, reading: Reading, arrived_at: datetime) -> int:
        """Return the mark that the clock behind a single fresh message deserves, or 0."""
        if not reading.sent_at_known:
            return 0
        lag_s = (arrived_at - reading.at).total_seconds()
        before = self._last.get(reading.box)
        self._last[reading.box] = (arrived_at, lag_s)
        if lag_s < -TOLERANCE_S:
            return Mark.clock_ahead.bit
        if lag_s <= TOLERANCE_S or before is None:
            return 0
        spacing_s = (arrived_at - before[0]).total_seconds()
        always_as_late = spacing_s >= _LIVE_SPACING_S and abs(lag_s - before[1]) <= _SAME_LAG_S
        return Mark.clock_behind.bit if always_as_late else 0
