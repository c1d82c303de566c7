"""What a series tells of its own sensor: that it hangs, or that two sensors speak under one name.

Of the ground, as both screening and estimates ask: one rule, one answer. Numbers in, numbers out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.series.hourly_values import FloatArray
from monitor.texts import to_say

TWO_SENSORS_REMEDY = to_say("give each sensor its own name, or switch one off. Then run `siccast readings screen`")

FLAT_LINE_S = 8.0 * 3600.0
"""A display that shows the same for less than this is not asked about: a judgement, a night at rest is no fault."""
NEARBY_S = 7.0 * 86_400.0
"""How far around a still stretch one looks for what the sensor usually does. A judgement: a week has its rhythm."""

_SILENT_S = 3.0 * 3600.0
"""A judgement. A longer silence ends a stretch, and what the room did meanwhile is not known."""
COARSEST_STEP_DEGC = 1.0
"""Taken for the display's step where it never showed another value. A judgement: whole degrees are the coarsest."""
_SURELY_MOVED_DEGC = 1.0
"""A box lags behind its room, and two thermometers differ: so much beyond the display's step is movement (a
judgement)."""
_STEPS_MOVED = 2.0
"""How many steps are movement. A judgement: by one, it may be dither between two values of a display."""
_MOST_STILL_SHARE, _MOST_STILL_TIMES = 0.25, 2
"""A display that stands still for a larger share of its time nearby, or more often, does so by habit (a judgement)."""
_WINDOWS = 60  # stretches looked at; judgement: enough for a quantile of 5 %
_SELDOM = 0.05  # share of stretches; judgement: nearly every other one moved more
_SAME = 1e-6  # °C or fraction; judgement: far below any display's step, above rounding

_LEAST_A_DAY = 20  # readings; judgement: fewer show no two courses
_LEAST_SHARE, _LEAST_SWITCHES = 0.05, 10  # of a day's readings; judgement: lids are opened more seldom than that
_LEAST_APART = 0.02  # fraction; judgement: what two good sensors differ by
_APART_STEPS, _APART_SPREADS = 1.5, 4.0  # times the display's step, the unrest; judgement: neither dither nor noise
_AROUND = 25  # readings; judgement: the courses' middle moves little over so many
_FEW_APART = 4.0 * _SELDOM  # share of switches that may be small; judgement: the two courses may cross
_CALM = 0.8  # share of a course's own changes that count as its unrest; judgement: openings are the rest
_DAY_S = 86_400.0  # by definition


@dataclass(frozen=True, eq=False)
class FlatLine:
    """A stretch in which a display showed the same humidity and the same temperature."""

    first: int
    last: int
    """Place of its last reading."""


def flat_lines(at_s: FloatArray, temperature_degc: FloatArray, relative_humidity: FloatArray) -> list[FlatLine]:
    """Return the flat lines that last long enough to be judged."""
    if len(at_s) < 2:
        return []
    same = (
        (np.abs(np.diff(temperature_degc)) < _SAME)
        & (np.abs(np.diff(relative_humidity)) < _SAME)
        & (np.diff(at_s) <= _SILENT_S)
    )
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [FlatLine(int(first), int(last)) for first, last in pairs if at_s[last] - at_s[first] >= FLAT_LINE_S]


def hung(
    at_s: FloatArray,
    temperature_degc: FloatArray,
    relative_humidity: FloatArray,
    room: tuple[FloatArray, FloatArray] | None = None,
    step_degc: float | None = None,
) -> NDArray[np.bool_]:
    """Return which readings come from a sensor that hangs: it stood still where it would have moved.

    What the display's step and the temperature explain is no hang. How far the temperature should have moved is known
    by the room's sensor, by as much of its movement as the box usually follows; without it, by what the
    sensor itself shows in other stretches as long, within a week. ``room`` are instants and temperatures there;
    ``step_degc`` is the display's step, read off the values nearby where left out. Values have to be finite, in time
    order.
    """
    found = np.zeros(len(at_s), dtype=bool)
    stretches = flat_lines(at_s, temperature_degc, relative_humidity)
    if stretches:
        around = _Around(at_s, temperature_degc, stretches, room, step_degc)
        for one in stretches:
            found[one.first : one.last + 1] = around.should_have_moved(one)
    return found


def display_step(values: FloatArray, otherwise: float) -> float:
    """Return the smallest step between the values shown; what is given where there is but one, and at most that."""
    steps = np.diff(np.sort(np.round(values, 4)))
    return float(np.min(steps, where=steps > 0.0, initial=otherwise))


class _Around:
    """What else is known around a flat line."""

    def __init__(
        self,
        at_s: FloatArray,
        temperature_degc: FloatArray,
        stretches: list[FlatLine],
        room: tuple[FloatArray, FloatArray] | None,
        step_degc: float | None,
    ) -> None:
        self._at_s, self._degc = at_s, temperature_degc
        self._stretches, self._room, self._step_degc = stretches, room, step_degc
        self._still = np.zeros(len(at_s), dtype=bool)
        for one in stretches:
            self._still[one.first : one.last + 1] = True

    def should_have_moved(self, one: FlatLine) -> bool:
        there = self._room_between(self._at_s[one.first], self._at_s[one.last])
        step_degc = self._step_degc
        if step_degc is None:
            step_degc = display_step(self._degc[slice(*self._nearby(one))], COARSEST_STEP_DEGC)
        if there is not None:
            expected_degc = float(np.ptp(there)) * self._followed(one)
            if expected_degc <= _STEPS_MOVED * step_degc:
                return False
            if expected_degc > _SURELY_MOVED_DEGC + step_degc:
                return True
        return self._moves_elsewhere(one, step_degc)

    def _room_between(self, first_s: float, last_s: float) -> FloatArray | None:
        """Temperatures of the room in a span; None where they don't cover it."""
        if self._room is None:
            return None
        at_s, degc = self._room
        here = slice(*(int(i) for i in np.searchsorted(at_s, (first_s - _SILENT_S, last_s + _SILENT_S))))
        known_s = at_s[here]
        if len(known_s) < 2 or known_s[0] > first_s or known_s[-1] < last_s - 3600.0:
            return None
        inside = (known_s >= first_s) & (known_s <= last_s)
        return degc[here][inside] if inside.any() and np.diff(known_s).max() <= _SILENT_S else None

    def _nearby(self, one: FlatLine) -> tuple[int, int]:
        span_s = (self._at_s[one.first] - NEARBY_S, self._at_s[one.last] + NEARBY_S)
        first, last = np.searchsorted(self._at_s, span_s)
        return int(first), int(last)

    def _followed(self, one: FlatLine) -> float:
        """How much of the room's movement the box shows elsewhere; all of it where too little is known.

        Where it hardly ever moves nearby, its other flat lines count too: a box kept warm follows no room.
        """
        first, last = self._nearby(one)
        places = first + np.flatnonzero(~self._still[first:last])
        if self._seen_s(places) < _DAY_S:
            places = np.concatenate((np.arange(first, one.first), np.arange(one.last + 1, last)))
        if self._room is None or self._seen_s(places) < _DAY_S:
            return 1.0
        swing_degc = float(np.std(np.interp(self._at_s[places], *self._room)))
        return min(1.0, float(np.std(self._degc[places])) / swing_degc) if swing_degc > 0.0 else 1.0

    def _seen_s(self, places: NDArray[np.intp]) -> float:
        gaps = np.diff(self._at_s[places])
        return float(gaps[gaps <= _SILENT_S].sum())

    def _moves_elsewhere(self, one: FlatLine, step_degc: float) -> bool:
        """True where the temperature moves by more than dither in nearly every other stretch as long."""
        first, last = self._nearby(one)
        length_s = self._at_s[one.last] - self._at_s[one.first]
        others = [s for s in self._stretches if s is not one and first <= s.first < last]
        still_s = sum(self._at_s[s.last] - self._at_s[s.first] for s in others)
        moving = first + np.flatnonzero(~self._still[first:last])
        moving_s = self._seen_s(moving)
        as_long = sum(self._at_s[s.last] - self._at_s[s.first] >= 0.5 * length_s for s in others)
        if as_long > _MOST_STILL_TIMES or still_s > _MOST_STILL_SHARE * (still_s + moving_s):
            return False
        ranges = self._ranges(moving, length_s)
        return len(ranges) > 0 and float(np.quantile(ranges, _SELDOM)) >= _STEPS_MOVED * step_degc - _SAME

    def _ranges(self, moving: NDArray[np.intp], length_s: float) -> list[float]:
        """How far the temperature moved in stretches of a length, of those that don't touch a still one."""
        ranges = []
        for start in moving[:: max(len(moving) // _WINDOWS, 1)]:
            end = int(np.searchsorted(self._at_s, self._at_s[start] + length_s, side="right"))
            inside = slice(int(start), end)
            if self._still[inside].any() or self._at_s[end - 1] - self._at_s[start] < length_s - _SILENT_S:
                continue
            ranges.append(float(np.ptp(self._degc[inside])))
        return ranges


def two_sensors_days(at_s: FloatArray, relative_humidity: FloatArray) -> NDArray[np.bool_]:
    """Return which readings lie on days (UTC) on which two sensors seem to report under one name.

    Humidity then jumps to and fro between two courses, each of them calm: too often for openings, too alike for noise,
    and by more than a step of the display.
    """
    found = np.zeros(len(at_s), dtype=bool)
    if len(at_s) < _LEAST_A_DAY or np.abs(np.diff(relative_humidity)).max() < _LEAST_APART:  # as nearly always
        return found
    day = np.floor(at_s / _DAY_S)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(day)) + 1, [len(at_s)]))
    for first, last in pairwise(edges):
        found[first:last] = last - first >= _LEAST_A_DAY and _two_courses(relative_humidity[first:last])
    return found


def _two_courses(humidity: FloatArray) -> bool:
    """Split readings by the middle of those around them, and ask whether the two halves are two calm courses."""
    if np.abs(np.diff(humidity)).max() < _LEAST_APART:
        return False
    views = np.lib.stride_tricks.sliding_window_view(np.pad(humidity, _AROUND // 2, mode="reflect"), _AROUND)
    above = humidity > 0.5 * (views.min(axis=1) + views.max(axis=1))
    minor = min(int(above.sum()), int((~above).sum()))
    switched = above[1:] != above[:-1]
    if minor < _LEAST_SHARE * len(humidity) or switched.sum() < max(_LEAST_SWITCHES, minor // 2):
        return False
    apart = float(np.quantile(np.abs(np.diff(humidity))[switched], _FEW_APART))
    unrest = max(float(np.quantile(np.abs(np.diff(humidity[half])), _CALM)) for half in (above, ~above))
    least = max(_LEAST_APART, _APART_STEPS * display_step(humidity, _LEAST_APART))
    return apart >= max(least, _APART_SPREADS * unrest)
