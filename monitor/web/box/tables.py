"""The numbers of the charts as tables, for whoever does not see them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from monitor.presentation.amounts import percent
from monitor.presentation.mark_wording import why_marked
from monitor.units import DAYS_PER_WEEK
from monitor.web.box.course import DAY_S, HOUR_S, few_marked, thinned
from monitor.web.box.views import View, fan_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, ReadingSeries
    from monitor.web.box.course import Course

_WEEK_S = DAYS_PER_WEEK * DAY_S
_MOST_MARKED = 30  # a count; judgement: a screenful; the table to take along has all
_DAY_HOURS = DAY_S // HOUR_S
_NONE = "–"


@dataclass(frozen=True, slots=True)
class WeekRow:
    """A week as it was."""

    week: str
    low: str
    mean: str
    high: str
    vapor: str
    absolute: str
    room: str


@dataclass(frozen=True, slots=True)
class AheadRow:
    """A day as it is expected."""

    day: str
    low: str
    lower: str
    middle: str
    upper: str
    high: str
    vapor: str


@dataclass(frozen=True, slots=True)
class MarkedRow:
    """A reading that screening marked."""

    at: str
    humidity: str
    why: str


def weeks(course: Course, words: Wording) -> list[WeekRow]:
    """Return the weeks of a box, newest first, by calendar days of the site."""
    seen, room = thinned(course.history, 1), thinned(course.room, 1)
    if not len(seen.at_s):
        return []
    zone_s = _offset_s(words, seen.at_s[-1])
    of_room = dict(_means(room.at_s, room.humidity_pct, zone_s))
    rows = []
    for week, here in _by_week(seen.at_s, zone_s):
        vapor, absolute = _mean(seen.vapor_kpa[here]), _mean(seen.absolute_g_per_m3[here])
        rows.append(
            WeekRow(
                week=words.day(_instant(seen.at_s[here.start]), _instant(seen.at_s[-1])),
                low=_pct(float(seen.humidity_pct[here].min())),
                mean=_pct(float(seen.humidity_pct[here].mean())),
                high=_pct(float(seen.humidity_pct[here].max())),
                vapor=_said(vapor, View.vapor),
                absolute=_said(absolute, View.absolute),
                room=_pct(of_room[week]) if week in of_room else _NONE,
            )
        )
    return rows[::-1]


def ahead(answer: Assessment, words: Wording) -> list[AheadRow]:
    """Return one expected day in seven."""
    fan, vapor = fan_of(View.humidity, answer, words), fan_of(View.vapor, answer, words)
    if fan is None:
        return []
    rows = []
    for place in range(0, len(fan), DAYS_PER_WEEK):
        low, lower, middle, upper, high = map(_pct, fan.points[:, place].tolist())
        kpa = _said(float(vapor.points[2, place]), View.vapor) if vapor else _NONE
        rows.append(AheadRow(words.day(fan.at[place], answer.as_of), low, lower, middle, upper, high, kpa))
    return rows


def marked(found: ReadingSeries, words: Wording) -> list[MarkedRow]:
    """Return the newest marked readings, one a day for each reason."""
    few = few_marked(found, _DAY_HOURS)
    return [
        MarkedRow(
            at=words.moment(_instant(few.at_s[place])),
            humidity=percent(float(few.relative_humidity[place]), 1),
            why=why_marked(int(few.marks[place])),
        )
        for place in range(len(few) - 1, max(len(few) - _MOST_MARKED, 0) - 1, -1)
    ]


def _by_week(at_s: NDArray[np.float64], zone_s: float) -> list[tuple[int, slice]]:
    numbers, starts = np.unique((at_s + zone_s) // _WEEK_S, return_index=True)
    spans = pairwise((*starts.tolist(), len(at_s)))
    return [(int(week), slice(*span)) for week, span in zip(numbers.tolist(), spans, strict=True)]


def _means(at_s: NDArray[np.float64], values: NDArray[np.float64], zone_s: float) -> list[tuple[int, float]]:
    return [(week, float(values[here].mean())) for week, here in _by_week(at_s, zone_s)]


def _mean(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _offset_s(words: Wording, at_s: float) -> float:
    offset = _instant(at_s).astimezone(words.zone).utcoffset()
    return offset.total_seconds() if offset else 0.0


def _pct(value: float) -> str:
    return percent(value / 100.0, 1) if np.isfinite(value) else _NONE


def _said(value: float, view: View) -> str:
    return f"{value:.{view.decimals}f}" if np.isfinite(value) else _NONE
