"""Range, spike, step, stuck, two sensors, floor and ceiling, room air, no sorbent: marks that drop no reading.

The thresholds follow what data sheets and field checks of small hygrometers say; a mark is a reason to look, not a
verdict. Everything here can be done again at any time: it needs the stored values alone.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from monitor.records import Mark
from monitor.series.sensor_faults import (
    FLAT_LINE_S,
    NEARBY_S,
    flat_lines,
    hung,
    two_sensors_days,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.records import ReadingSeries, SensorSpec

CLOCK_MARKS = Mark.clock_ahead.bit | Mark.clock_behind.bit
"""Marks that only the arrival can tell; screening again leaves them."""

JUMP = 0.05
"""A change of humidity within one interval that air and beads alone hardly make. A judgement: 5 % RH."""

RECOVERY_S = 3 * 3600.0  # judgement: after an opening the air of a box is back by then
REPEATED = 20
"""How many times; a judgement. An extreme value seen more often than this is a floor or ceiling, unless temperature
should have moved it."""

SAME_TEMPERATURE_DEGC = 1.0  # judgement: two thermometers differ by as much
SAME_HUMIDITY = 0.02  # a fraction; judgement: two good hygrometers differ by as much
WINDOW_S = 24 * 3600.0  # judgement: a day and a night, so that warmth has moved both
CONTEXT_S = NEARBY_S + FLAT_LINE_S + WINDOW_S
"""So much must be known before a reading to judge it by itself."""
LN_SLOPE_PER_DEGC = -0.062
"""Change of ln(RH) per degree in air whose water stays the same: minus the slope of ln(saturation pressure) at 20 °C
(6.2 % per kelvin, as `physics.saturation` has it after IAPWS SR1-86; a judgement to take one number at all)."""

_SLOPE_TOLERANCE = 0.015  # per °C; judgement: the slope from 5 to 40 °C, and some noise
_SLOPE_NEEDS_DEGC = 2.0  # judgement: less moves a display of whole per cents by a step or two
_SLOPE_LEAVES = 0.2  # share of the variance; judgement: more, and something else moved the humidity
_LEARNED_CEILING_FROM = 0.85  # a fraction; judgement: below it, air stands still more likely than a sensor
_SAME = 1e-9  # a fraction; judgement: rounding, far below any display's step
_DECIMALS = 4  # digits of a fraction, a hundredth of a per cent; judgement: no display is finer
_COARSE_STEP = 0.01  # a fraction; judgement: whole per cents where a display never showed two values


def screen(
    series: ReadingSeries, sensor: SensorSpec, room: ReadingSeries | None = None, known_from_s: float = -math.inf
) -> NDArray[np.uint16]:
    """Return the marks that each reading of a series deserves.

    Where a series is the end of a longer one, ``known_from_s`` is the instant from which on it is whole. What can't be
    judged without what lies before is then left as it was marked, and carried on. From ``CONTEXT_S`` after it on,
    everything else is judged as if all were there.
    """
    marks = series.marks & np.uint16(CLOCK_MARKS)
    if not len(series):
        return marks
    two = two_sensors_days(series.at_s, series.relative_humidity)
    jumps = np.where(two, np.uint16(0), _spikes(series) | _steps(series))
    marks = marks | _range(series) | jumps | _bits(two, Mark.two_sensors) | _no_sorbent(series)
    marks |= _stuck(series, room, known_from_s)
    marks |= _extremes(series, sensor) if known_from_s == -math.inf else _extremes_as_before(series, sensor)
    if room is not None and len(room):
        marks |= _like_room(series, room)
    return marks


def _range(series: ReadingSeries) -> NDArray[np.uint16]:
    """Both exactly 0 is what many a broken sensor says; a border of the scale is possible and still odd."""
    both_zero = (series.relative_humidity == 0.0) & (series.temperature_degc == 0.0)
    return _bits(both_zero | (series.relative_humidity >= 1.0), Mark.range)


def _spikes(series: ReadingSeries) -> NDArray[np.uint16]:
    """One reading far from both its neighbors, which agree with one another."""
    found = np.zeros(len(series), dtype=bool)
    if len(series) >= 3:  # readings: one and both its neighbors, by definition
        # one reading and both its neighbors, by definition
        before, here, after = (series.relative_humidity[k : len(series) - 2 + k] for k in range(3))
        away = np.minimum(np.abs(here - before), np.abs(here - after))
        near_in_time = series.at_s[2:] - series.at_s[:-2] <= RECOVERY_S
        found[1:-1] = (away > JUMP) & (np.abs(after - before) < JUMP / 2.0) & near_in_time
    return _bits(found, Mark.spike)


def _steps(series: ReadingSeries) -> NDArray[np.uint16]:
    """A jump within one interval between two levels: three hours on either side lie apart by half of it or more."""
    found = np.zeros(len(series), dtype=bool)
    humidity = series.relative_humidity
    jumps = np.flatnonzero((np.abs(np.diff(humidity)) > JUMP) & (np.diff(series.at_s) <= RECOVERY_S)) + 1
    for place in jumps:
        since = np.searchsorted(series.at_s, series.at_s[place - 1] - RECOVERY_S)
        until = np.searchsorted(series.at_s, series.at_s[place] + RECOVERY_S, side="right")
        jump = humidity[place] - humidity[place - 1]
        moved = np.median(humidity[place:until]) - np.median(humidity[since:place])
        found[place] = until - place > 1 and moved / jump > 0.5
    return _bits(found, Mark.step)


def _extremes(series: ReadingSeries, sensor: SensorSpec) -> NDArray[np.uint16]:
    humidity = series.relative_humidity
    floor = sensor.floor if sensor.floor is not None else _learned(series, float(humidity.min()))
    marks = np.zeros(len(series), dtype=np.uint16)
    if floor is not None:
        marks |= _bits(humidity <= floor + _SAME, Mark.at_floor)
    highest = float(humidity.max())
    if highest >= _LEARNED_CEILING_FROM and _learned(series, highest) is not None:
        marks |= _bits(humidity >= highest - _SAME, Mark.at_ceiling)
    return marks


def _learned(series: ReadingSeries, extreme: float) -> float | None:
    """Return the extreme where the sensor sticks to it though the temperature moved enough to move the humidity.

    In a closed box the humidity moves with temperature by some per cent of itself per degree; a display that shows
    the same extreme through several such steps shows its own end, not the air.
    """
    at_extreme = np.flatnonzero(np.abs(series.relative_humidity - extreme) < _SAME)
    if len(at_extreme) <= REPEATED:
        return None
    levels = np.unique(np.round(series.relative_humidity, _DECIMALS))
    display_step = float(np.diff(levels).min()) if len(levels) > 1 else _COARSE_STEP
    swing_degc = float(np.ptp(series.temperature_degc[at_extreme]))
    return extreme if abs(LN_SLOPE_PER_DEGC) * extreme * swing_degc > 2.0 * display_step else None


def _extremes_as_before(series: ReadingSeries, sensor: SensorSpec) -> NDArray[np.uint16]:
    """A part of a series teaches no floor or ceiling anew: those that were marked hold on."""
    humidity = series.relative_humidity
    low, high = (humidity[(series.marks & mark.bit) > 0] for mark in (Mark.at_floor, Mark.at_ceiling))
    floor = sensor.floor if sensor.floor is not None else low.max(initial=-1.0)
    marks = _bits(humidity <= floor + _SAME, Mark.at_floor)
    return marks | _bits(humidity >= high.min(initial=2.0) - _SAME, Mark.at_ceiling)


def _stuck(series: ReadingSeries, room: ReadingSeries | None, known_from_s: float) -> NDArray[np.uint16]:
    """The very same humidity and temperature where the temperature should have moved (see ``sensor_faults``)."""
    there = None if room is None or not len(room) else (room.at_s, room.temperature_degc)
    columns = (series.at_s, series.temperature_degc, series.relative_humidity)
    found = hung(*columns, there)
    for one in flat_lines(*columns):
        if series.at_s[one.first] < known_from_s + CONTEXT_S:
            stretch = slice(one.first, one.last + 1)
            found[stretch] = (series.marks[stretch] & Mark.stuck.bit).any()
    return _bits(found, Mark.stuck)


def _like_room(series: ReadingSeries, room: ReadingSeries) -> NDArray[np.uint16]:
    """A whole day in which box and room show the same temperature and humidity: the lid is open."""
    there_degc = np.interp(series.at_s, room.at_s, room.temperature_degc)
    there = np.interp(series.at_s, room.at_s, room.relative_humidity)
    after = np.searchsorted(room.at_s, series.at_s).clip(1, max(len(room) - 1, 1))
    covered = (series.at_s >= room.at_s[0]) & (series.at_s <= room.at_s[-1])
    if len(room) > 1:
        covered &= room.at_s[after] - room.at_s[after - 1] <= RECOVERY_S
    alike = (
        covered
        & (np.abs(series.temperature_degc - there_degc) <= SAME_TEMPERATURE_DEGC)
        & (np.abs(series.relative_humidity - there) <= SAME_HUMIDITY)
    )
    found = np.zeros(len(series), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], alike, [False])).astype(np.int8)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        found[start:end] = series.at_s[end - 1] - series.at_s[start] >= WINDOW_S
    return _bits(found, Mark.equals_room)


def _no_sorbent(series: ReadingSeries) -> NDArray[np.uint16]:
    """Days in which humidity answers temperature as the air of an empty box does; beads turn that answer round."""
    found = np.zeros(len(series), dtype=bool)
    day = (series.at_s // WINDOW_S).astype(np.int64)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(day)) + 1, [len(series)]))
    for start, end in pairwise(edges):
        temperature, humidity = series.temperature_degc[start:end], series.relative_humidity[start:end]
        if end - start < REPEATED or np.ptp(temperature) < _SLOPE_NEEDS_DEGC or humidity.min() <= 0.0:
            continue
        away_degc, away_ln = temperature - temperature.mean(), np.log(humidity) - np.log(humidity).mean()
        slope = float(away_degc @ away_ln / (away_degc @ away_degc))
        unexplained = float(((away_ln - slope * away_degc) ** 2).sum())
        clear = unexplained < _SLOPE_LEAVES * float(away_ln @ away_ln)
        found[start:end] = clear and abs(slope - LN_SLOPE_PER_DEGC) <= _SLOPE_TOLERANCE
    return _bits(found, Mark.no_sorbent)


def _bits(found: NDArray[np.bool_], mark: Mark) -> NDArray[np.uint16]:
    return np.where(found, np.uint16(mark.bit), np.uint16(0)).astype(np.uint16)
