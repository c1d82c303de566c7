"""One line of time for all boxes: where its dates are, and on it each box's bar of days on which it may cross."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_of_month, short_month
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from monitor.records import Assessment

_LEAST_DAYS, _MOST_DAYS = 60, 270
"""How far the line reaches. Judgements: two months show which week, and nine still which month."""
_SOME_AIR = 1.1  # times the farthest middle; judgement: its dot does not stand on the edge
_EVERY_MONTH_FROM_DAYS = 100  # judgement: from here on two labels a month are too many for a phone
_MIDDLE_OF_MONTH = 15  # day of the month, by definition about its middle
_FIRST_LABEL_PCT, _LAST_LABEL_PCT = 11.0, 92.0  # % of the line; judgement: labels don't touch "today", nor are they cut
_LEAST_WIDTH_PCT = 0.8  # % of the line; judgement: what is sure to the day can still be seen


@dataclass(frozen=True, slots=True)
class Bar:
    """The days on which a box may cross its limit, in % of the line; an end of 100 goes on beyond it."""

    start: float
    end: float
    middle: float | None
    """None where it lies beyond the line."""
    is_open: bool
    """Whether it goes on beyond the line."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """A line of time that begins now."""

    as_of: datetime
    days: int
    marks: Sequence[tuple[float, str]]
    """Where a month begins, or half of it, and what it is called; no word where there is no room for one."""

    def x(self, at: datetime) -> float:
        """Return where an instant lies, in %, kept on the line."""
        share = (at - self.as_of) / timedelta(days=self.days)
        return round(100.0 * min(max(share, 0.0), 1.0), 1)

    def bar(self, answer: Assessment) -> Bar | None:
        """Return the bar of a box; nothing where it is over its limit already, or has no forecast, or holds longer."""
        dates = answer.forecast.cross_at if answer.forecast else None
        if answer.state is BoxState.over_limit or dates is None or dates.p05 is None:
            return None
        start = self.x(dates.p05)
        if start >= 100.0 - _LEAST_WIDTH_PCT:
            return None
        end = self.x(dates.p95) if dates.p95 else 100.0
        middle = self.x(dates.p50) if dates.p50 else 100.0
        return Bar(start, max(end, start + _LEAST_WIDTH_PCT), middle if middle < 100.0 else None, end >= 100.0)


def timeline_of(as_of: datetime, answers: Iterable[Assessment], zone: ZoneInfo) -> Timeline:
    """Return a line that reaches as far as the middles of all boxes, within bounds."""
    middles = (a.forecast.cross_at.p50 for a in answers if a.forecast)
    farthest = max(((middle - as_of).days for middle in middles if middle), default=0)
    days = int(min(max(_SOME_AIR * farthest, _LEAST_DAYS), _MOST_DAYS))
    line = Timeline(as_of, days, ())
    return Timeline(as_of, days, list(_marks(line, zone)))


def _marks(line: Timeline, zone: ZoneInfo) -> Iterator[tuple[float, str]]:
    coarse = line.days >= _EVERY_MONTH_FROM_DAYS
    today = line.as_of.astimezone(zone).date()
    for ahead in range(1, line.days + 1):
        day = today + timedelta(days=ahead)
        if day.day == 1 or (day.day == _MIDDLE_OF_MONTH and not coarse):
            x = line.x(datetime(day.year, day.month, day.day, tzinfo=zone))
            has_room = _FIRST_LABEL_PCT < x < _LAST_LABEL_PCT
            yield x, _label(day, coarse=coarse) if has_room else ""


def _label(day: date, *, coarse: bool) -> str:
    if day.month == day.day == 1:
        return str(day.year)
    return short_month(day) if coarse else day_of_month(day)
