"""Node clocks against ours: a message from the future, or one that is late by the same amount every time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.records import Mark

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import Reading

TOLERANCE_S = 120.0
_SAME_LAG_S = 30.0
_LIVE_SPACING_S = 30.0
"""Messages that arrive closer together than this were waiting somewhere; their lateness says nothing of a clock."""


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
