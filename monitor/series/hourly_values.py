"""One robust value an hour of readings: what estimates rest on, and what stays of readings that are thinned out.

Of the ground, so that a store can keep, before it deletes, the very value that an estimate would have made.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.records import ReadingSeries
from monitor.records.readings import NOT_GOOD, SENSOR_RANGE_DEGC

FloatArray = NDArray[np.float64]

HOUR_S = 3600.0  # by definition
_NEAR = 0.021
"""Fraction; a judgement. Readings within this of the hour's median count into its mean: dither of a coarse display yes,
a spike no."""


def hourly_values(series: ReadingSeries) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Return hours since 1970 in which something usable came in, the temperature and the humidity of each.

    The temperature is one that was shown (the lower median), the humidity the mean of those near its median.
    """
    order = usable_in_time_order(series)
    rh, t = series.relative_humidity[order], series.temperature_degc[order]
    hour = np.floor(series.at_s[order] / HOUR_S).astype(np.int64)
    if order.size == 0:
        return hour, t, rh
    starts = np.flatnonzero(np.concatenate(((True,), hour[1:] > hour[:-1])))
    if len(starts) == len(hour):
        return hour, t, rh  # of one value, it is the median and the mean
    counts = np.diff(starts, append=len(hour))
    middle = medians(rh, hour, starts, counts)
    near = np.abs(rh - np.repeat(middle, counts)) <= _NEAR
    kept = np.add.reduceat(near.astype(float), starts)
    mean = np.add.reduceat(np.where(near, rh, 0.0), starts) / np.maximum(kept, 1.0)
    warm = t[_by_group(t, hour)][starts + (counts - 1) // 2]
    return hour[starts], warm, np.where(kept > 0, mean, middle)


def usable_in_time_order(series: ReadingSeries) -> NDArray[np.intp]:
    """Readings within range and unmarked, sorted, one an instant."""
    rh, t = series.relative_humidity, series.temperature_degc
    low_degc, high_degc = SENSOR_RANGE_DEGC
    usable = (rh >= 0.0) & (rh <= 1.0) & (t > low_degc) & (t < high_degc) & ((series.marks & NOT_GOOD) == 0)
    index = np.flatnonzero(usable)
    index = index[np.argsort(series.at_s[index], kind="stable")]
    at_s = series.at_s[index]
    return index[np.concatenate(((True,), at_s[1:] > at_s[:-1]))] if index.size else index


def medians(
    values: FloatArray, group: NDArray[np.int64], starts: NDArray[np.intp], counts: NDArray[np.intp]
) -> FloatArray:
    """Return the median of each group of values; groups stand one after the other."""
    ordered = values[_by_group(values, group)]
    return np.asarray(0.5 * (ordered[starts + (counts - 1) // 2] + ordered[starts + counts // 2]))


def _by_group(values: FloatArray, group: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the order by group, and in each by value: by one number, a third of the work of sorting by two.

    Values apart by less than a billionth of their range count as alike, even among groups of a hundred years of hours.
    """
    if len(values) == 0:
        return np.empty(0, np.intp)
    low, high = values.min(), values.max()
    within = (values - low) * (0.5 / (high - low)) if high > low else 0.0
    return np.argsort((group - group[0]) + within)
