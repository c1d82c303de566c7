"""Lasting steps in what a sensor showed: a level that is another one for good, within hours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from monitor.inference.evidence.hours import Hours
from monitor.physics.numerics import FloatArray, median
from monitor.series.hourly_values import HOUR_S

LEVEL_HOURS, BETWEEN_LEVELS_HOURS = 12, 3
"""A level is the median of so many hours, and so many lie between one and the next. [h] Judgement: half a day evens out
heating and light, and a step is over within hours."""
_LEAST_HOURS = 48
"""Fewer hours show no steps. [h] Judgement: a usual rise needs two days to be known."""
_KNOWN_PART = 3
"""A median needs one in so many of its hours. Judgement."""
_SD_PER_MEDIAN_DEVIATION = 1.4826
"""Standard deviation of a normal over its median absolute deviation, 1/Φ⁻¹(3/4). [ratio] Exact to
five digits."""
_STEP_SPREADS = 5.0
"""A step counts from so many robust standard deviations of such changes on. [standard deviations] Judgement: chance
once in two million hours."""
_LEAST_STEP, _LEAST_STEP_RESOLUTIONS = 0.005, 0.8
"""And from so much humidity [fraction of saturation] with so much of a display's step. Judgement: a display flickers by
one step."""
SAME_HUMIDITY = 1e-6
"""Humidities nearer than this are the same figure: a level no further above a floor lies on it. [fraction of
saturation] Judgement: far below any display's step."""
_MOST_STEPS = 60
"""More steps than this are no steps but weather. Judgement: a bound on the work."""
_ONE_STEP_HOURS = 24
"""Steps nearer than this to a larger one are its slopes. [h] Judgement: as far as two levels reach."""


@dataclass(frozen=True)
class Step:
    """A lasting step of the box's humidity that hours of a tight box don't make."""

    at_s: float
    """[s since 1970 UTC]"""
    size: float
    """Humidity after it less that before. [fraction of saturation]"""


def find_steps(hours: Hours, resolution: float, floor: float | None = None) -> tuple[Step, ...]:
    """Return lasting steps: the median of twelve hours against that of the twelve before, three hours left out.

    How much a box usually rises within such hours is taken out. A step counts from five robust standard deviations of
    such differences, and never below half a per cent of humidity plus most of a display step. At a sensor's floor
    nothing seems to change: what is usual isn't seen there, and a difference to it is the least of a rise or a fall.

    Parameters
    ----------
    hours : Hours
        What the sensor showed.
    resolution : float
        Step of the sensor's display. [fraction of saturation]
    floor : float, optional
        Least humidity that the sensor can show, where its sheet says so. [fraction of saturation]

    Returns
    -------
    tuple of Step
        In order of time.
    """
    if len(hours) < _LEAST_HOURS:
        return ()
    before, after = _levels_about(hours.relative_humidity)
    at_floor = -np.inf if floor is None else floor + SAME_HUMIDITY
    change = after - before
    seen = np.isfinite(change)
    usual = seen & (before > at_floor) & (after > at_floor)
    if usual.sum() < _LEAST_HOURS:
        return ()
    change = change - median(change[usual])  # a leaky box rises all day long; that is no step
    change = np.where(before <= at_floor, np.maximum(change, 0.0), change)
    change = np.where(after <= at_floor, np.minimum(change, 0.0), change)
    spread = _SD_PER_MEDIAN_DEVIATION * median(np.abs(change[usual]))
    threshold = max(_STEP_SPREADS * spread, _LEAST_STEP + _LEAST_STEP_RESOLUTIONS * resolution)
    size = np.where(seen, np.abs(change), 0.0)
    found: list[Step] = []
    while len(found) < _MOST_STEPS and size.max() >= threshold:
        at = int(size.argmax())
        found.append(Step((hours.first_hour + at + 1) * HOUR_S, float(change[at])))
        size[max(0, at - _ONE_STEP_HOURS) : at + _ONE_STEP_HOURS + 1] = 0.0
    return tuple(sorted(found, key=lambda s: s.at_s))


def _levels_about(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the levels before and after each hour."""
    level = _moving_median(values, LEVEL_HOURS)
    before, after = np.full((2, len(values)), np.nan)
    reach = LEVEL_HOURS + BETWEEN_LEVELS_HOURS
    about = slice(1, len(values) - reach + 1)
    before[about], after[about] = level[: len(values) - reach], level[reach:]
    return before, after


def _moving_median(values: FloatArray, window: int) -> FloatArray:
    """Median of the last so many values, by sorting NaN to the end; NaN where less than a third is there."""
    padded = np.concatenate((np.full(window - 1, np.nan), values))
    views = np.sort(sliding_window_view(padded, window), axis=1)
    count = np.isfinite(views).sum(axis=1)
    rows = np.arange(len(views))
    middle = 0.5 * (views[rows, np.maximum(count - 1, 0) // 2] + views[rows, np.maximum(count, 1) // 2])
    return np.where(count >= window // _KNOWN_PART, middle, np.nan)
