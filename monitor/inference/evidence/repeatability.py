"""How closely a sensor repeats, learned from its own days.

Over beads humidity moves evenly, so a day lies on the line between the day two before and the day two after, but for
errors. Second differences of errors that know nothing of one another have six times their variance. The median keeps
openings and steps out. Measured (tests/inference/test_repeatability.py): each of two like loggers in the same air
repeats to 0.06 % RH from day to day in one home and to 0.11 in another, and to 0.13 and 0.16 over sixteen days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.inference.evidence.hours import Hours
from monitor.physics.numerics import FloatArray
from monitor.units import HOURS_PER_DAY, SECONDS_PER_DAY

_APART_DAYS = 2
"""How far apart days are compared. [days] Judgement: a week tells already, and what lasts for a day shows."""
_NOT_BEFORE_S = SECONDS_PER_DAY
"""A box's first day is left out. [s] Judgement: air and beads come to rest."""
_LEAST_HOURS = 12
"""Fewer known hours make no mean of a day here. [h] Judgement: half of it, as warmth comes and goes by the day."""
_OF_MEDIAN = 0.6745
"""Median of the size of a standard normal number, its quantile at 3/4. [1] No unit. Tables of it, from memory."""
_OF_SECOND_DIFFERENCE = 6.0**0.5
"""Standard deviation of a - 2 b + c over that of each. [1] No unit. By the law of propagation, 1 + 4 + 1 (JCGM
100:2008, 5.1.2)."""


@dataclass(frozen=True)
class Repeatability:
    """What a sensor's own days say of its errors."""

    sd: float
    """Of a day's mean. [fraction of saturation]"""
    days: int
    """How many were compared."""


def repeatability(hours: Hours, start_s: float, now_s: float) -> Repeatability | None:
    """Return how closely a sensor repeats from day to day.

    Parameters
    ----------
    hours : Hours
        What it showed in a box with beads.
    start_s, now_s : float
        The episode so far. [s since 1970 UTC]

    Returns
    -------
    Repeatability, optional
        None before the sixth day, and where days are too broken.
    """
    shown = hours.between(start_s + _NOT_BEFORE_S, now_s).relative_humidity
    count = len(shown) // HOURS_PER_DAY
    daily = _day_means(shown[len(shown) - count * HOURS_PER_DAY :].reshape(count, HOURS_PER_DAY))
    apart = 2 * _APART_DAYS
    if count <= apart:
        return None
    off = np.abs(daily[:-apart] - 2.0 * daily[_APART_DAYS:-_APART_DAYS] + daily[apart:])
    off = off[np.isfinite(off)]
    if len(off) == 0:
        return None
    return Repeatability(float(np.median(off)) / (_OF_MEDIAN * _OF_SECOND_DIFFERENCE), len(off))


def _day_means(table: FloatArray) -> FloatArray:
    known = np.isfinite(table)
    count = known.sum(axis=1)
    return np.where(count >= _LEAST_HOURS, np.where(known, table, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)
