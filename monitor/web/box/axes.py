"""Axes of the drawings that are made here: where a value lies, paths through values, and round places to write at."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.web.box.course import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.presentation.wording import Wording

GAP_S = 2 * DAY_S  # judgement: as the small charts have it
_DAY_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 365)  # days between two ticks; judgement: spans a person counts in
_MOST_DAYS = 8  # a count; judgement: as many dates as stand side by side
_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)  # no unit; judgement: steps that people count in
_LEVELS = 6  # a count; judgement: as many lines as a low chart bears
_BEYOND = 0.5  # a share of the height; judgement: so far a line is followed that leaves it
_ROUNDING = 1e-9  # a share of a step; judgement: far below a pixel
_FIGURES = 6  # digits; judgement: more than any step here has


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis, with its words."""

    place: float
    words: str


@dataclass(frozen=True, slots=True)
class Axes:
    """Where values lie in a drawing."""

    left: float
    right: float
    top: float
    bottom: float
    first: float
    last: float
    low: float
    high: float

    def x(self, value: float) -> float:
        """Return how far to the right a value lies."""
        return round(self.left + (value - self.first) / (self.last - self.first) * (self.right - self.left), 1)

    def y(self, value: float) -> float:
        """Return how far down a value lies; what is beyond the axis runs out of the drawing, which cuts it."""
        share = (value - self.low) / (self.high - self.low)
        return round(self.bottom - min(max(share, -_BEYOND), 1.0 + _BEYOND) * (self.bottom - self.top), 1)

    def line(self, at: Iterable[float], values: Iterable[float], gap: float = GAP_S) -> str:
        """Return a path through points, broken where one isn't known and where two lie further apart than a gap."""
        path, last = "", None
        for x, y in zip(at, values, strict=True):
            if not math.isfinite(y):
                last = None
                continue
            path += f"{'M' if last is None or x - last > gap else 'L'}{self.x(x)} {self.y(y)}"
            last = x
        return path

    def band(self, at: Sequence[float], low: Sequence[float], high: Sequence[float]) -> str:
        """Return the outline of a band; nothing where it isn't known."""
        if not len(at) or not (np.isfinite(low).all() and np.isfinite(high).all()):
            return ""
        there = [(self.x(x), self.y(y)) for x, y in zip(at, high, strict=True)]
        back = [(self.x(x), self.y(y)) for x, y in zip(at, low, strict=True)][::-1]
        return "M" + "L".join(f"{x} {y}" for x, y in there + back) + "Z"

    def dots(self, at: Iterable[float], values: Iterable[float]) -> str:
        """Return a path of points; a round line cap makes a dot of each."""
        return "".join(f"M{self.x(x)} {self.y(y)}h0" for x, y in zip(at, values, strict=True))

    def days(self, words: Wording) -> list[Tick]:
        """Return days at round distances along an axis of seconds, at the site's midnight."""
        whole = (self.last - self.first) / DAY_S
        step = next(days for days in _DAY_STEPS if whole / days <= _MOST_DAYS or days == _DAY_STEPS[-1])
        begun = datetime.fromtimestamp(self.first, UTC).astimezone(words.zone)
        day = begun.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        beside = datetime.fromtimestamp(self.last, UTC)
        found = []
        while day.timestamp() < self.last:
            found.append(Tick(self.x(day.timestamp()), words.day(day, beside)))
            day += timedelta(days=step)
        return found

    def levels(self) -> list[Tick]:
        """Return the levels of the axis that goes up."""
        return [Tick(self.y(value), words) for value, words in _round_values(self.low, self.high)]

    def along(self) -> list[Tick]:
        """Return round places on the axis that goes to the right."""
        return [Tick(self.x(value), words) for value, words in _round_values(self.first, self.last)]


def round_end(value: float) -> float:
    """Return the end of an axis that a value fits under, a whole number of the axis's steps.

    >>> round_end(0.93), round_end(4.1), round_end(-0.3), round_end(0.0)
    (1.0, 5.0, -0.3, 0.0)
    """
    if not abs(value) > 0.0:
        return 0.0
    step = _step(abs(value))
    return math.copysign(float(f"{math.ceil(abs(value) / step - _ROUNDING) * step:.{_FIGURES}g}"), value)


def _round_values(low: float, high: float) -> list[tuple[float, str]]:
    step = _step(high - low)
    first, last = math.ceil(low / step - _ROUNDING), math.floor(high / step + _ROUNDING)
    _, _, decimals = f"{step:.{_FIGURES}g}".partition(".")
    return [(place * step, f"{place * step:.{len(decimals)}f}") for place in range(first, last + 1)]


def _step(span: float) -> float:
    raw = span / _LEVELS
    power = 10.0 ** math.floor(math.log10(raw) + _ROUNDING)  # no unit; the base of our figures, by definition
    return next(nice * power for nice in _NICE if nice * power >= raw * (1.0 - _ROUNDING))
