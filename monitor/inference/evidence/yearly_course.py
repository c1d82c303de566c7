"""A yearly course with its weather: learned from daily means, and sampled ahead.

Value = mean + harmonics of a year and of half a year + a level that wanders from year to year + a residual that forgets
in days, two AR(1) processes. Where several priors could be behind a record, each is learned from it, and counts by how
well it foresaw it (Kass, Raftery 1995, Bayes factors, J. Am. Stat. Assoc. 90).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np

from monitor.inference.evidence.course_regression import regress
from monitor.physics.numerics import FloatArray
from monitor.units import DAYS_PER_GREGORIAN_YEAR

TOP_DAY = 225.0
"""Day of the year on which indoor vapor pressure tops in the north. [days] Between twelve measured homes (230 ± 6),
thirteen little heated halls (216) and rooms of Japan (215); ``room_climate.CLIMATES`` has them apart."""
_LEVEL_SPAN_DAYS = 91.0
"""So long one level counts in the regression. [days] Judgement: a season; the level wanders over more than a year."""
_LOG_MEMORY_SD = 0.5
"""A room's weather forgets faster or slower than is usual in its climate by so much. [ln days] Judgement: the twelve
homes differ by a third, and there are other rooms than homes."""
_OTHER_MEMORIES = (0.3, 0.55, 1.8, 3.2)
"""Memories at which climates are compared too, so that weather doesn't decide what the course should. [times the usual]
Judgement: two of the spread above either way, a ratio of 1.8 apart. The forecast itself keeps the usual memory: weather
has more than one, and that of days hides that of weeks."""
_ROUNDING, _KNOWN_VARIANCE = 1e-12, 1e-18
"""Added to variances, as a share and of what is known for certain, so that rounding leaves none below zero. [no unit;
ln(kPa)² or °C²] Judgement: a millionth and a billionth of a spread, which nobody sees."""
_SINGLES = 3
"""Numbers of a learned course that stand alone. [count] By definition: last day, its residual, evidence."""


@dataclass(frozen=True)
class Season:
    """Prior of a yearly course: mean, swing, and the day-to-day residual."""

    mean: float
    """Over a year. [ln(kPa) or °C]"""
    mean_sd: float
    """[ln(kPa) or °C]"""
    swing: float
    """Half of what lies between the top of the year and its bottom. [ln(kPa) or °C]"""
    swing_sd: float
    """[ln(kPa) or °C]"""
    mean_and_swing: float
    """Correlation of both: below zero where rooms differ more in winter than in summer. [from -1 to 1]"""
    aside: float
    """The swing a quarter year aside: above zero where the top lies later than that of vapor pressure.
    [ln(kPa) or °C]"""
    aside_sd: float
    """How far the top may lie from its usual day. [ln(kPa) or °C]"""
    half_year: float
    """Of the harmonic of half a year, at the top: above zero where winters are flat and the top is sharp.
    [ln(kPa) or °C]"""
    half_year_sd: float
    """Of both its parts. [ln(kPa) or °C]"""
    residual_sd: float
    """Of days about the course. [ln(kPa) or °C]"""
    memory_days: float
    """Time constant with which the residual forgets. [days]"""
    level_sd: float
    """Of a level that one year has and another has not. [ln(kPa) or °C]"""
    level_memory_days: float
    """Time constant with which that level forgets. [days]"""

    @property
    def prior_mean(self) -> FloatArray:
        """Mean of the coefficients of the course. (5) [ln(kPa) or °C]."""
        return np.array([self.mean, self.swing, self.aside, self.half_year, 0.0])

    @property
    def prior_covariance(self) -> FloatArray:
        """Covariance of the same. (5 × 5) [ln(kPa)² or K²]."""
        sd = np.array([self.mean_sd, self.swing_sd, self.aside_sd, self.half_year_sd, self.half_year_sd])
        covariance = np.diag(sd**2)
        covariance[0, 1] = covariance[1, 0] = self.mean_and_swing * sd[0] * sd[1]
        return covariance

    def autocorrelation(self, days: float) -> float:
        """Autocorrelation of the residual after so many days.

        Parameters
        ----------
        days : float
            How long. [days]

        Returns
        -------
        float
            From 0 to 1. [fraction]
        """
        return float(np.exp(-days / self.memory_days))


@dataclass(frozen=True, eq=False)
class DrawnCourses:
    """The yearly course of each draw, without its weather: where a room that nobody measured may have been so far."""

    coefficients: FloatArray
    """Of the course. (draws × 5) [ln(kPa) or °C]"""
    level: FloatArray
    """Now. (draws) [ln(kPa) or °C]"""
    level_memory_days: FloatArray
    """Time constant with which it forgets. (draws) [days]"""
    now_day: float
    """[days since 1970 UTC]"""

    def on(self, days: FloatArray) -> FloatArray:
        """Return the expected value of each draw on days gone by.

        Parameters
        ----------
        days : ndarray, days
            No later than now. [days since 1970 UTC]

        Returns
        -------
        ndarray, days × draws
            [ln(kPa) or °C]
        """
        kept = np.exp((days[:, np.newaxis] - self.now_day) / self.level_memory_days)
        return np.asarray(harmonics(days) @ self.coefficients.T + kept * self.level)


@dataclass(frozen=True, eq=False)
class LearnedSeason:
    """Posterior of mean and harmonic, and the residual of the last day seen."""

    season: Season
    """The prior, with the spread of the room's own residual."""
    mean: FloatArray
    """Of the coefficients of the course, and of the level on the last day seen. (6) [ln(kPa) or °C]"""
    covariance: FloatArray
    """Of the same. (6 × 6) [ln(kPa)² or K²]"""
    last_day: float
    """The last day seen. [days since 1970 UTC]"""
    last_residual: float
    """What that day lay above its course; NaN where nothing was seen. [ln(kPa) or °C]"""
    log_evidence: float = 0.0
    """How well the prior foresaw what was seen: its log density, but for what no prior changes. [nat]"""

    @property
    def numbers(self) -> FloatArray:
        """All of it in a row. (numbers) [unit of each]"""
        season = [getattr(self.season, one.name) for one in fields(Season)]
        singles = (self.last_day, self.last_residual, self.log_evidence)
        return np.concatenate((season, singles, self.mean, self.covariance.ravel()))

    @classmethod
    def of_numbers(cls, numbers: FloatArray) -> Self:
        """Return what was put in a row.

        Parameters
        ----------
        numbers : ndarray, numbers
            [unit of each]

        Returns
        -------
        LearnedSeason
            With the same values.
        """
        of_season = len(fields(Season))
        season, singles = numbers[:of_season].tolist(), numbers[of_season : of_season + _SINGLES].tolist()
        rest = numbers[of_season + _SINGLES :]
        count = int(np.sqrt(len(rest)))  # n and n²
        return cls(Season(*season), rest[:count].copy(), rest[count:].reshape(count, count).copy(), *singles)

    def course(self, days: FloatArray) -> FloatArray:
        """Return the expected value: the season and a residual that decays.

        Parameters
        ----------
        days : ndarray, days
            [days since 1970 UTC]

        Returns
        -------
        ndarray, days
            [ln(kPa) or °C]
        """
        fade = np.exp(-np.abs(days - self.last_day) / self.season.memory_days)
        residual = 0.0 if np.isnan(self.last_residual) else self.last_residual * fade
        return np.asarray(self._basis(days) @ self.mean + residual)

    def sd(self, day: float) -> float:
        """Return how uncertain the course is on a day, weather apart.

        Parameters
        ----------
        day : float
            [days since 1970 UTC]

        Returns
        -------
        float
            Standard deviation. [ln(kPa) or °C]
        """
        basis = self._basis(np.array([day]))[0]
        innovation = self.season.level_sd**2 * (1.0 - basis[-1] ** 2)
        return float(np.sqrt(basis @ self.covariance @ basis + innovation))

    def _basis(self, days: FloatArray) -> FloatArray:
        """What the course on these days has of each coefficient, and of the level on the last day seen."""
        kept = np.exp(-np.abs(days - self.last_day) / self.season.level_memory_days)
        return np.column_stack([harmonics(days), kept])

    def sample(
        self, now_day: float, ahead_days: FloatArray, count: int, rng: np.random.Generator
    ) -> tuple[FloatArray, DrawnCourses]:
        """Return plausible courses ahead, and what they lay on before.

        Parameters
        ----------
        now_day : float
            [days since 1970 UTC]
        ahead_days : ndarray, steps
            Rising, from now. [days]
        count : int
            How many draws.
        rng : Generator
            Random numbers.

        Returns
        -------
        (ndarray, DrawnCourses)
            Ahead with their weather (steps × draws) [ln(kPa) or °C], and the yearly course of each draw.
        """
        theta = self.mean + rng.standard_normal((count, len(self.mean))) @ _root(self.covariance).T
        season = self.season
        fade = np.exp(-max(now_day - self.last_day, 0.0) / season.level_memory_days)
        level = theta[:, -1] * fade + season.level_sd * np.sqrt(1.0 - fade**2) * rng.standard_normal(count)
        if np.isnan(self.last_residual):
            residual = season.residual_sd * rng.standard_normal(count)
        else:
            # the residual of the last day belongs to this draw's own mean
            last = self.last_residual + self._basis(np.array([self.last_day])) @ (self.mean - theta).T
            till_now = season.autocorrelation(max(now_day - self.last_day, 0.0))
            innovation_sd = season.residual_sd * np.sqrt(1.0 - till_now**2)
            residual = last[0] * till_now + innovation_sd * rng.standard_normal(count)
        out = harmonics(now_day + ahead_days) @ theta[:, :-1].T
        steps = np.diff(ahead_days, prepend=0.0)
        out += _wandering(level, steps, season.level_sd, season.level_memory_days, rng)
        out += _wandering(residual, steps, season.residual_sd, season.memory_days, rng)
        memory_days = np.full(count, season.level_memory_days)
        return np.asarray(out), DrawnCourses(theta[:, :-1], level, memory_days, now_day)


def _root(covariance: FloatArray) -> FloatArray:
    """Return the lower triangle whose square this is.

    It is the same on every processor; singular vectors are not, as their signs are the library's choice.
    """
    rounding = np.diag(_ROUNDING * np.diag(covariance) + _KNOWN_VARIANCE)
    return np.asarray(np.linalg.cholesky(covariance + rounding), dtype=np.float64)


def learn(
    season: Season, prior_mean: FloatArray, prior_covariance: FloatArray, days: FloatArray, observed: FloatArray
) -> LearnedSeason:
    """Return the posterior of a yearly course: linear regression with AR(1) errors, whitened day by day.

    The level is one more unknown for each span of days, tied to the one before. The spread of the residual is estimated
    too.

    Parameters
    ----------
    season : Season
        What is usual.
    prior_mean : ndarray, 5
        Of the coefficients of the course. [ln(kPa) or °C]
    prior_covariance : ndarray, 5 × 5
        Of the same. [ln(kPa)² or K²]
    days : ndarray, days
        In order. [days since 1970 UTC]
    observed : ndarray, days
        Mean of each; NaN where it is not known. [ln(kPa) or °C]

    Returns
    -------
    LearnedSeason
        The prior where nothing was seen.
    """
    known = np.isfinite(observed)
    days, observed = days[known], observed[known]
    if len(days) == 0:
        covariance = _side_by_side(prior_covariance, np.array([[season.level_sd**2]]))
        return LearnedSeason(season, np.r_[prior_mean, 0.0], covariance, 0.0, np.nan)
    prior, basis = _unknowns(season, prior_mean, prior_covariance, days)
    times = np.array([1.0, *_OTHER_MEMORIES])
    found = regress(prior, basis, days, observed, season.residual_sd, season.memory_days * times)
    theta, covariance, kept = found.mean[0], found.covariance[0], [*range(len(prior_mean)), -1]
    return LearnedSeason(
        replace(season, residual_sd=float(found.residual_sd[0])),
        theta[kept],
        covariance[np.ix_(kept, kept)],
        float(days[-1]),
        float(observed[-1] - basis[-1] @ theta),
        float(np.max(found.log_evidence - 0.5 * (np.log(times) / _LOG_MEMORY_SD) ** 2)),
    )


def _unknowns(
    season: Season, prior_mean: FloatArray, prior_covariance: FloatArray, days: FloatArray
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    """Return prior mean and precision of all unknowns, and their basis on the days seen; each span has a level."""
    span = ((days[-1] - days) // _LEVEL_SPAN_DAYS).astype(int)
    count = int(span[0]) + 1
    level = np.zeros((len(days), count))
    level[np.arange(len(days)), count - 1 - span] = 1.0
    correlation = np.exp(-_LEVEL_SPAN_DAYS / season.level_memory_days)
    tied = season.level_sd**2 * correlation ** np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    precision = _side_by_side(_inverse(prior_covariance), _inverse(tied))
    return (np.r_[prior_mean, np.zeros(count)], precision), np.hstack([harmonics(days), level])


def _inverse(matrix: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _side_by_side(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the matrix of unknowns that know nothing of each other."""
    zeros = np.zeros((len(one), len(other)))
    return np.block([[one, zeros], [zeros.T, other]])


def _wandering(
    start: FloatArray, steps_days: FloatArray, sd: float, memory_days: float, rng: np.random.Generator
) -> FloatArray:
    """Return how values wander from where each draw stands now: an AR(1) process, steps × draws."""
    correlation = np.exp(-steps_days / memory_days)
    innovations_sd = sd * np.sqrt(1.0 - correlation**2)
    out = rng.standard_normal((len(steps_days), len(start)))
    for row in range(len(out)):
        start = correlation[row] * start + innovations_sd[row] * out[row]
        out[row] = start
    return out


HARMONICS = 5
"""How many coefficients a course has, by ``harmonics``. [count, no unit] By definition."""


def harmonics(days: FloatArray) -> FloatArray:
    """Return what a course has of each of its coefficients.

    Parameters
    ----------
    days : ndarray, days
        [days since 1970 UTC]

    Returns
    -------
    ndarray, days × 5
        One, and the harmonics of a year and of half a year, which top on ``TOP_DAY``. [1]
    """
    angle = 2.0 * np.pi * (days - TOP_DAY) / DAYS_PER_GREGORIAN_YEAR
    parts = [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)]
    return np.stack(parts, axis=1)
