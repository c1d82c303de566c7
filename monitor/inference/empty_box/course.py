"""The course of an empty box: one exponential toward the room; and whether the readings are one.

The air of an empty box has one rate, and its vapor pressure does not care for temperature. Beads, spools and board
left inside show in two ways: they add a second rate, quick at first and slow later, and they hold humidity,
not vapor pressure, so that a warm hour drives water out of them. The latter is 6 to 7 % a kelvin, the slope of
saturation at room temperature (monitor/physics/saturation.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from monitor.physics.numerics import FloatArray
from monitor.units import HOURS_PER_DAY

CORRELATED_HOURS = 6.0
"""Errors of neighboring hours are alike; so many hours count as one observation. [h] Judgement."""
SLOWEST, FASTEST = 0.01, 60.0
"""Rates that are tried. [air changes a day] From beyond the tightest display case (0.1, NPS 1999) to a box left
ajar."""
_RATES = np.geomspace(SLOWEST, FASTEST, 40)
"""Rates that a course is tried at. [1/day] Judgement: neighbors a quarter apart."""
_STEP = float(_RATES[1] / _RATES[0])
_BETWEEN = np.geomspace(1.0 / _STEP, _STEP, 81)
"""From one rate to its neighbors: two neighbors together imitate any rate between them, so one alone has to be met as
well as they meet it, or a sensor that hardly scatters makes them seem two. [factors] Judgement: steps of half a per
cent."""
_OFFSET_RIDGE = 1.0 / 0.03**2 * 0.01**2
"""The offset of the inside sensor is small: it is held near none. Judgement: a spread of 0.03 kPa under a scatter of
0.01 kPa."""
_AIR_ANSWERS_PER_K = 1.0 / 295.0
"""The pressure of a closed amount of vapor is proportional to its absolute temperature (ideal gas law). [1/K]
Judgement: at about 22 °C, a usual room."""
_ANSWERS_FROM_PER_K, _SURE = 0.01, 2.2
"""From here on [1/K], and so many standard errors above that of air, something holds water (a judgement): made-up empty
boxes stayed below 1.5 of them, with sensors that wander, in rooms that swing by up to 5 K (tests/inference)."""
_SECOND_RATE_GAIN = 11.0
"""By so much a second rate must raise the log-likelihood, neighboring hours counted as alike (a judgement): a room that
is felt elsewhere than where its sensor is gains up to 10 in boxes that are empty."""
_FITTED_WITH_WARMTH, _FITTED_WITH_TWO_RATES = 4.0, 7.0
"""Exact counts of the numbers fitted: offset, start, answer to warmth and rate; with a second rate also its start,
share and rate."""


@dataclass(frozen=True, eq=False)
class Course:
    """Vapor pressure inside and outside, hour by hour [kPa], and the temperature inside."""

    inside: FloatArray
    """Vapor pressure; NaN where not known. (hours) [kPa]"""
    outside: FloatArray
    """Vapor pressure; NaN where not known. (hours) [kPa]"""
    temperature_degc: FloatArray
    """Inside; NaN where not known. (hours) [°C]"""
    known: NDArray[np.bool_]
    """Hours in which both are known. (hours)"""

    def misfit(self, changes_per_day: float) -> float:
        """Return the least squares of the course at one rate: room-driven, a start that decays, an offset.

        Parameters
        ----------
        changes_per_day : float
            Air changes. [1/day]

        Returns
        -------
        float
            Sum of squares over the known hours, the offset's ridge left out. [kPa²]
        """
        gap = (self.inside - self.driven(changes_per_day))[self.known]
        return _left(self.basis(changes_per_day), gap)[0]

    def driven(self, changes_per_day: float) -> FloatArray:
        """Return hourly means of a box that starts at the room's vapor pressure and follows it at this rate.

        Parameters
        ----------
        changes_per_day : float
            Air changes. [1/day]

        Returns
        -------
        ndarray, hours
            [kPa]
        """
        hours, rate = np.arange(len(self.outside)), changes_per_day / HOURS_PER_DAY
        room = np.interp(hours, np.flatnonzero(self.known), self.outside[self.known])
        decay, level, driven = np.exp(-rate), room[0], np.empty(len(room))
        over_the_hour = (1.0 - decay) / rate
        for i, p in enumerate(room):
            driven[i] = p + (level - p) * over_the_hour
            level = p + (level - p) * decay
        return driven

    def basis(self, *changes_per_day: float) -> FloatArray:
        """Return the columns that are fitted to the readings: an offset, and a start that decays at each rate.

        Parameters
        ----------
        changes_per_day : float
            Air changes, one for each start that decays. [1/day]

        Returns
        -------
        ndarray, known hours × columns
            An offset first. [1]
        """
        hours = np.arange(len(self.outside))[self.known]
        return np.stack([np.ones(len(hours)), *(np.exp(-n * hours / HOURS_PER_DAY) for n in changes_per_day)], axis=1)

    @property
    def temperature_response(self) -> FloatArray:
        """The column that answers temperature: one for a box whose vapor pressure rises by all of itself a kelvin.
        (known hours × 1) [kPa K]
        """
        degc = self.temperature_degc[self.known]
        return np.asarray(self.inside[self.known] * (degc - degc.mean()))[:, None]


def objection_to(course: Course) -> str:
    """Return what speaks against the box having been empty, in a plain sentence; nothing where nothing does.

    Parameters
    ----------
    course : Course
        Of a test.

    Returns
    -------
    str
        Empty where nothing does.
    """
    answer, answer_sd, left = _temperature_response(course)
    if answer > max(_ANSWERS_FROM_PER_K, _AIR_ANSWERS_PER_K + _SURE * answer_sd):
        return (
            f"Something held water: vapor pressure in the box rose by {100.0 * answer:.0f} % for each degree, as "
            "over beads, spools, cardboard or walls that hold water. An empty box does not do that."
        )
    if _gain_of_second_rate(course, left) > _SECOND_RATE_GAIN:
        return (
            "The box followed its room at two speeds, not one. Beads, a spool or cardboard inside do that, and so do "
            "walls that hold water or a lid that was moved."
        )
    return ""


def _temperature_response(course: Course) -> tuple[float, float, float]:
    """How much vapor pressure answers temperature at the best single rate, its error, and the squares left. [1/K]"""
    near = min(_RATES, key=lambda n: _answer_at(course, n)[2])
    return min((_answer_at(course, near * factor) for factor in _BETWEEN), key=lambda found: found[2])


def _answer_at(course: Course, changes_per_day: float) -> tuple[float, float, float]:
    gap = (course.inside - course.driven(changes_per_day))[course.known]
    left, fitted, inverse = _left_with_errors(
        np.hstack([course.basis(changes_per_day), course.temperature_response]), gap
    )
    variance = left / max(len(gap) - _FITTED_WITH_WARMTH, 1.0) * CORRELATED_HOURS * inverse[-1, -1]
    return float(fitted[-1]), float(np.sqrt(variance)), left


def _gain_of_second_rate(course: Course, left_by_one: float) -> float:
    """Rise of the log-likelihood where the air may follow the room at two rates."""
    driven = {n: course.driven(n)[course.known] for n in _RATES}
    inside, temperature_response = course.inside[course.known], course.temperature_response
    left = left_by_one
    for slow, fast in combinations(_RATES, 2):
        basis = np.hstack([course.basis(slow, fast), (driven[fast] - driven[slow])[:, None], temperature_response])
        left = min(left, _left(basis, inside - driven[slow])[0])
    scatter = left / max(len(inside) - _FITTED_WITH_TWO_RATES, 1.0)
    return float(0.5 * (left_by_one - left) / scatter / CORRELATED_HOURS)


def _left(basis: FloatArray, gap: FloatArray) -> tuple[float, FloatArray]:
    """Squares left by least squares, the offset (the first column) held near none, and what was fitted."""
    left, fitted, _ = _left_with_errors(basis, gap)
    return left, fitted


def _left_with_errors(basis: FloatArray, gap: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    ridge = np.zeros((basis.shape[1], basis.shape[1]))
    ridge[0, 0] = _OFFSET_RIDGE
    inverse = np.asarray(np.linalg.pinv(basis.T @ basis + ridge, hermitian=True), dtype=np.float64)
    fitted = inverse @ (basis.T @ gap)
    rest = gap - basis @ fitted
    return float(rest @ rest), fitted, inverse
