"""Shapes drawn on the server: the glass column of beads, and the small chart of a box, as SVG path data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from monitor.records import Assessment, FanDay, Quantiles, ReadingSeries

# --- the glass column -------------------------------------------------------------------------------------------------

COLUMN_WIDTH = 64  # units of the drawing; judgement: as the template's view box
_PITCH, _ROW, _FIRST_Y, _ROWS, _BEADS_IN_ROW = 9.9, 8.7, 196.0, 15, 5
"""Units of the drawing, rows, and beads in the wider rows. Judgements: packed as beads are, and as many as can be
told."""
_SHAKE = (0.0, 0.4, -0.3, 0.2, -0.4, 0.1, -0.1)
"""Units of the drawing. A judgement: beads do not lie in rank and file."""
LIMIT_Y = _FIRST_Y + _ROW / 2 - _ROWS * _ROW
"""Where the limit is, units of the drawing: as high as the beads, since full beads hold what they hold at the limit."""
_ROOM_ABOVE = 54.0  # units of the drawing; judgement: from there to the stopper with some air
NEARLY_ALL = 0.995  # share of the hours; judgement: a spike sets no axis
MOST_OVER = 0.20  # a fraction of saturation; judgement: from so much over on the glass is full to the stopper
_LEAST_ABOVE = 3.0  # units of the drawing; judgement: a hair over its limit can still be seen
_LABEL_ABOVE, _LABEL_BELOW, _TOPMOST_LABEL_Y = 5.0, 17.0, 27.0  # units of the drawing; judgement: free of line, stopper


@dataclass(frozen=True, slots=True)
class OverLimit:
    """What stands above the limit in the glass: humidity over it, drawn to one scale for all boxes."""

    top_y: float
    label_y: float
    label: str
    """Points of humidity over the limit."""


@dataclass(frozen=True, slots=True)
class BeadColumn:
    """Beads by what is known of them, each group as one path of dots, and the height of the middle estimate."""

    used: str
    unsure: str
    fresh: str
    unknown: str
    level_y: float | None
    over: OverLimit | None = None


def bead_column(capacity_used: Quantiles | None, over_by: float = 0.0) -> BeadColumn:
    """Return a column filled from below by the capacity used, and above the limit by how far humidity is over it.

    Beads within the 90 % interval count as unsure.
    """
    over, beads = _over(over_by) if over_by > 0.0 else None, len(_bead_places())
    if capacity_used is None:
        return BeadColumn("", "", "", _dots(0, beads), None, over)
    low, high = (_count(share, beads) for share in (capacity_used.p05, capacity_used.p95))
    middle = min(max(capacity_used.p50, 0.0), 1.0)
    bottom = _FIRST_Y + _ROW / 2
    level = round(bottom - middle * (bottom - LIMIT_Y), 1)
    return BeadColumn(_dots(0, low), _dots(low, high), _dots(high, beads), "", level, over)


def over_points(over_by: float) -> str:
    """Return by how many points of humidity a box is over its limit.

    >>> over_points(0.102), over_points(0.034), over_points(0.0004)
    ('10', '3.4', '0.1')
    """
    points = max(100.0 * over_by, 0.1)  # a point; judgement: less than a tenth is still over
    return f"{points:.0f}" if points >= 9.95 else f"{points:.1f}"  # points; judgement: two figures say it


def _over(over_by: float) -> OverLimit:
    height = max(min(over_by / MOST_OVER, 1.0) * _ROOM_ABOVE, _LEAST_ABOVE)
    top = LIMIT_Y - height
    above, below = top - _LABEL_ABOVE, top + _LABEL_BELOW
    label_y = above if above >= _TOPMOST_LABEL_Y else below
    return OverLimit(round(top, 1), round(label_y, 1), f"+{over_points(over_by)}")


@cache
def _bead_places() -> list[tuple[float, float]]:
    places = []
    for row in range(_ROWS):
        in_row = _BEADS_IN_ROW - row % 2
        first = COLUMN_WIDTH / 2 - _PITCH * (in_row - 1) / 2
        for place in range(in_row):
            # steps; judgement: neighbors shake differently
            shake = _SHAKE[(row * _BEADS_IN_ROW + place * 3) % len(_SHAKE)]
            places.append((first + place * _PITCH + shake, _FIRST_Y - row * _ROW + shake / 2))
    return places


def _count(share: float, beads: int) -> int:
    return round(min(max(share, 0.0), 1.0) * beads)


@cache
def _dots(first: int, end: int) -> str:
    """Return a path of points, from one bead until before another; a round line cap makes a bead of each."""
    return "".join(f"M{x:.4g} {y:.4g}h0" for x, y in _bead_places()[first:end])


# --- the small chart --------------------------------------------------------------------------------------------------

_LEFT, _RIGHT, _TOP, _BOTTOM = 31.0, 286.0, 6.0, 86.0  # units of the drawing; judgement: as the template's view box
_ABOVE = 1.2  # times the height of the chart; judgement: so far up a line that leaves it is drawn, and cut
_TENTHS, _FINE_UP_TO_PCT, _COARSE_PCT = 10, 40, 20  # steps of the axis; judgement: two to five lines
_LEAST_TOP = 0.25  # a fraction; judgement: a dry shelf does not look wet
_OVER_LIMIT, _OVER_LATEST = 1.2, 1.1  # times; judgement: room over each
_USUAL_SHARE = 0.98  # of the readings; judgement: a spike sets no axis
_MEAN_S = 43_200  # judgement: half a day, a mean for each unit and a half of the drawing
_TWO_WORDS = 48.0  # units of the drawing; judgement: as wide as "no data" with some air
_SILENT_MEANS = 4  # a count: two days, as said below; a judgement
_EVERY_DAYS = 3  # of what is expected; judgement: it bends in weeks


@dataclass(frozen=True, slots=True)
class Frame:
    """Axes shared by the small charts of a page: the same days and the same humidity on each."""

    start: datetime
    as_of: datetime
    end: datetime
    top_pct: int

    def x(self, at: datetime) -> float:
        """Return where an instant lies, kept within the chart."""
        share = (at - self.start) / (self.end - self.start)
        return round(_LEFT + min(max(share, 0.0), 1.0) * (_RIGHT - _LEFT), 1)

    def y(self, relative_humidity: float) -> float:
        """Return where a humidity lies; what is too high for the chart runs out of it at the top."""
        share = 100.0 * relative_humidity / self.top_pct
        return round(_BOTTOM - min(max(share, 0.0), _ABOVE) * (_BOTTOM - _TOP), 1)

    @property
    def levels(self) -> list[tuple[float, int]]:
        """Return the heights of the humidity axis and their per cents."""
        step = _TENTHS if self.top_pct <= _FINE_UP_TO_PCT else _COARSE_PCT
        return [(self.y(level / 100), level) for level in range(0, self.top_pct + 1, step)]


def frame_of(as_of: datetime, answers: Sequence[Assessment], recent: Sequence[ReadingSeries], days: int) -> Frame:
    """Return axes that suit every box of a page: what was seen, and room over every limit; a fan may run out of it."""
    highest = [_LEAST_TOP]
    highest += [_OVER_LIMIT * answer.box.humidity_limit for answer in answers]
    highest += [_OVER_LATEST * answer.latest.relative_humidity for answer in answers if answer.latest]
    top = max(highest)
    for humidity in (series.relative_humidity for series in recent if len(series)):
        if humidity.max() > top:  # else its quantile is no higher, and takes far longer
            top = max(top, float(np.quantile(humidity, _USUAL_SHARE)))
    return Frame(as_of - timedelta(days=days), as_of, as_of + timedelta(days=2 * days), top_pct(top))


def top_pct(highest: float) -> int:
    """Return the top of a humidity axis that a humidity fits under.

    >>> top_pct(0.23), top_pct(0.304), top_pct(1.0)
    (30, 40, 100)
    """
    return min(_TENTHS * math.ceil(_TENTHS * highest), 100)


@dataclass(frozen=True, slots=True)
class Strip:
    """The small chart of one box: what was, what is expected, the limit, and when it is crossed."""

    seen: str
    fan: str
    middle: str
    limit_y: float
    now_x: float
    crossing_x: tuple[float, float, float] | None
    silent_x: float | None = None
    """The middle of the days without readings before now, where they are enough for two words."""


def strip(answer: Assessment, series: ReadingSeries | None, frame: Frame, zone: ZoneInfo) -> Strip:
    """Return the small chart of one box."""
    forecast = answer.forecast
    days = [day for day in forecast.fan if _noon(day, zone) <= frame.end] if forecast else []
    days = [day for day in days if _noon(day, zone) >= frame.as_of]
    days = [day for place, day in enumerate(days) if place % _EVERY_DAYS == 0 or place == len(days) - 1]
    dates = forecast.cross_at if forecast and answer.state is not BoxState.over_limit else None
    crossing = None
    if dates is not None and dates.p05 is not None and dates.p05 < frame.end:
        crossing = (frame.x(dates.p05), frame.x(dates.p50 or frame.end), frame.x(dates.p95 or frame.end))
    return Strip(
        seen=_seen(series, frame),
        fan=_outline(days, frame, zone),
        middle=_line([(frame.x(_noon(day, zone)), frame.y(day.relative_humidity.p50)) for day in days]),
        limit_y=frame.y(answer.box.humidity_limit),
        now_x=frame.x(frame.as_of),
        crossing_x=crossing,
        silent_x=_silent_x(answer, frame),
    )


def _silent_x(answer: Assessment, frame: Frame) -> float | None:
    last = frame.x(answer.latest.at) if answer.latest else _LEFT
    now = frame.x(frame.as_of)
    return round((last + now) / 2.0, 1) if now - last > _TWO_WORDS else None


def _seen(series: ReadingSeries | None, frame: Frame) -> str:
    """Return the path of half-day means, broken where nothing was heard for two days."""
    if series is None or len(series) == 0:
        return ""
    bins, starts, counts = np.unique(series.at_s // _MEAN_S, return_index=True, return_counts=True)
    means = np.add.reduceat(series.relative_humidity, starts) / counts
    breaks = np.flatnonzero(np.diff(bins) > _SILENT_MEANS) + 1
    at = [datetime.fromtimestamp((each + 0.5) * _MEAN_S, UTC) for each in bins.tolist()]
    points = [(frame.x(instant), frame.y(mean)) for instant, mean in zip(at, means.tolist(), strict=True)]
    return "".join(_line(points[one:end]) for one, end in pairwise((0, *breaks.tolist(), len(points))))


def _outline(days: Sequence[FanDay], frame: Frame, zone: ZoneInfo) -> str:
    upper = [(frame.x(_noon(day, zone)), frame.y(day.relative_humidity.p95)) for day in days]
    lower = [(frame.x(_noon(day, zone)), frame.y(day.relative_humidity.p05)) for day in reversed(days)]
    return _line(upper + lower) + "Z" if days else ""


def _line(points: Sequence[tuple[float, float]]) -> str:
    """Return a path by steps from point to point: far shorter, once packed, than one of places."""
    if not points:
        return ""
    steps = (f"l{x - before_x:.4g} {y - before_y:.4g}" for (before_x, before_y), (x, y) in pairwise(points))
    return f"M{points[0][0]:g} {points[0][1]:g}{''.join(steps)}"


def _noon(day: FanDay, zone: ZoneInfo) -> datetime:
    return datetime(day.on.year, day.on.month, day.on.day, 12, tzinfo=zone)  # hour: noon, by definition
