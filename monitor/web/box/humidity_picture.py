"""The chart of humidity as a drawing made here: for print, for pages without scripts, and to take along (SVG)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.presentation.log_wording import called
from monitor.records import BoxState
from monitor.web.box.axes import Axes, Tick, round_end
from monitor.web.box.course import DAY_S, HOUR_S, SIGNS, few_marked, some_of, thinned, top_with
from monitor.web.box.views import Fan, View, fan_of, limit_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, ReadingSeries
    from monitor.web.box.course import Course, Thinned

SPANS_DAYS = (30, 90, 0)
"""How far back a chart may reach; 0 is all there is. Judgements: a month, a season."""
_MOST_POINTS = 700  # a count; judgement: four a millimeter of a page are enough
_HOURS = (1, 2, 3, 6, 12, 24, 48, 168)  # judgement: spans in which a week goes
_LEFT, _RIGHT, _TOP, _BOTTOM = 56.0, 788.0, 66.0, 330.0  # units of the drawing; judgement: as the template's view box
_SIGN_WIDTH, _SIGN_ROWS = 15.0, 3  # units of the drawing, a count; judgements: side by side, in a fifth of the height
_FIRST_ROW = _TOP + 10.0  # units of the drawing; judgement: just under the top
_OVER = 1.05  # times; judgement: a little air over the highest
_EMPTY_DAYS = 30  # judgement: as far back as the small charts reach


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign in a drawing, by its middle."""

    name: str
    x: float
    y: float
    words: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What a drawing is to show."""

    view: View = View.humidity
    days_back: int = SPANS_DAYS[1]
    with_room: bool = False


@dataclass(frozen=True, slots=True)
class HumidityPicture:
    """What was, what is expected, the limit, what was marked and logged."""

    axes: Axes
    days: Sequence[Tick]
    levels: Sequence[Tick]
    unit: str
    seen: str
    room: str
    fan: str
    half: str
    middle: str
    limit: str
    now_x: float
    signs: Sequence[Sign]
    marks: Sequence[tuple[float, float]]
    kinds: Sequence[tuple[str, str]]
    """Sign and kind of the entries that are there."""


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """What of a box lies within a drawing."""

    seen: Thinned
    room: Thinned
    marked: ReadingSeries
    fan: Fan
    as_of_s: float
    limits: NDArray[np.float64]
    """Along what was seen, then along the fan."""

    @property
    def at_s(self) -> list[float]:
        return [*self.seen.at_s.tolist(), *(at.timestamp() for at in self.fan.at)]

    @property
    def first_s(self) -> float:
        return float(self.seen.at_s[0]) if len(self.seen.at_s) else self.as_of_s - _EMPTY_DAYS * DAY_S


def humidity_picture(asked: Asked, answer: Assessment, course: Course, words: Wording, top: int) -> HumidityPicture:
    """Return the chart; ``top`` is where the axis of humidity ends. [%]"""
    view, shown = asked.view, _shown(asked, answer, course, words)
    axes = _axes(view, shown, top_with(course, top, with_room=asked.with_room))
    at_s = [at.timestamp() for at in shown.fan.at]
    low, lower, middle, upper, high = shown.fan.points
    entries = [entry for entry in course.entries if shown.first_s <= entry.at.timestamp() <= shown.as_of_s]
    places = [(axes.x(entry.at.timestamp()), SIGNS[entry.kind], called(entry.kind)) for entry in entries]
    return HumidityPicture(
        axes=axes,
        days=axes.days(words),
        levels=axes.levels(),
        unit=view.unit,
        seen=axes.line(shown.seen.at_s, view.of(shown.seen)),
        room=axes.line(shown.room.at_s, view.of(shown.room)),
        fan=axes.band(at_s, low, high),
        half=axes.band(at_s, lower, upper),
        middle=axes.line(at_s, middle),
        limit="" if answer.state is BoxState.undeclared else _limit(view, axes, answer, shown),
        now_x=axes.x(shown.as_of_s),
        signs=_placed(places),
        marks=[
            (axes.x(x), max(axes.y(y), axes.top))
            for x, y in zip(shown.marked.at_s, view.of_readings(shown.marked), strict=True)
        ],
        kinds=list(dict.fromkeys((name, kind) for _, name, kind in places)),
    )


def _shown(asked: Asked, answer: Assessment, course: Course, words: Wording) -> _Shown:
    as_of_s = answer.as_of.timestamp()
    start_s = as_of_s - asked.days_back * DAY_S if asked.days_back else -math.inf
    history = _since(course.history, start_s)
    hours = next(hours for hours in _HOURS if len(history) / hours <= _MOST_POINTS or hours == _HOURS[-1])
    seen = thinned(history, hours)
    end_s = as_of_s + asked.days_back * DAY_S if asked.days_back else math.inf
    fan = _until(fan_of(asked.view, answer, words), end_s)
    limit = answer.box.humidity_limit
    first_s = float(seen.at_s[0]) if len(seen.at_s) else start_s
    return _Shown(
        seen=seen,
        room=thinned(_since(course.room, first_s if asked.with_room else math.inf), hours),
        marked=_since(few_marked(course.marked, hours), first_s),
        fan=fan,
        as_of_s=as_of_s,
        limits=np.r_[limit_along(asked.view, limit, course.history, seen.at_s), fan.limit],
    )


def _axes(view: View, shown: _Shown, top: int) -> Axes:
    last_s = max(shown.at_s[-1] if shown.fan.at else shown.as_of_s, shown.first_s) + HOUR_S
    values = np.concatenate((view.of(shown.seen), view.of(shown.room), shown.fan.points.ravel(), shown.limits))
    values = values[np.isfinite(values)]
    high = float(top) if view is View.humidity else round_end(_OVER * float(values.max(initial=0.0))) or 1.0
    return Axes(_LEFT, _RIGHT, _TOP, _BOTTOM, shown.first_s, last_s, 0.0, high)


def _since(series: ReadingSeries, start_s: float) -> ReadingSeries:
    return some_of(series, series.at_s >= start_s)


def _until(fan: Fan | None, end_s: float) -> Fan:
    if fan is None:
        return Fan((), np.empty((5, 0)), np.empty(0))  # a count by definition: the points of a day
    count = sum(at.timestamp() <= end_s for at in fan.at)
    return Fan(fan.at[:count], fan.points[:, :count], fan.limit[:count])


def _limit(view: View, axes: Axes, answer: Assessment, shown: _Shown) -> str:
    if view is View.humidity:
        return f"M{axes.left} {axes.y(100.0 * answer.box.humidity_limit)}H{axes.right}"
    return axes.line(shown.at_s, shown.limits)


def _placed(found: Sequence[tuple[float, str, str]]) -> list[Sign]:
    """Signs side by side, in rows where they would cover one another; in a crowd they may."""
    ends = [-math.inf] * _SIGN_ROWS
    placed = []
    for x, name, words in found:
        row = next((row for row, end in enumerate(ends) if x - end >= _SIGN_WIDTH), int(np.argmin(ends)))
        ends[row] = x
        placed.append(Sign(name, x, _FIRST_ROW + row * _SIGN_WIDTH, words))
    return placed
