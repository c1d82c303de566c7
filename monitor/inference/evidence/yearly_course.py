"""A yearly course with its weather: learned from daily means, and sampled ahead.

Value = mean + harmonics of a year and of half a year + a level that wanders from year to year + a residual that forgets
in days, two AR(1) processes. Where several priors could be behind a record, each is learned from it, and counts by how
well it foresaw it (Kass, Raftery 1995, Bayes factors, J. Am. Stat. Assoc. 90).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.units import DAYS_PER_GREGORIAN_YEAR

TOP_DAY = 225.0
"""Day of the year on which indoor vapor pressure tops in the north. [days] Between twelve measured homes (230 ± 6),
thirteen little heated halls (216) and rooms of Japan (215); ``room_climate.CLIMATES`` has them apart."""
_LEVEL_SPAN_DAYS = 91.0
"""So long one level counts in the regression. [days] Judgement: a season; the level wanders over more than a year."""
_PRIOR_RESIDUAL_DAYS = 20.0
"""The usual spread of the residual counts as so many days of a room's own record. [days] Judgement: weeks of
weather."""
_LOG_MEMORY_SD = 0.5
"""A room's weather forgets faster or slower than is usual in its climate by so much. [ln days] Judgement: the twelve
homes differ by a third, and there are other rooms than homes."""
_OTHER_MEMORIES = (0.3, 0.55, 1.8, 3.2)
"""Memories at which climates are compared too, so that weather doesn't decide what the course should. [times the usual]
Judgement: two of the spread above either way, a ratio of 1.8 apart. The forecast itself keeps the usual memory: weather
has more than one, and that of days hides that of weeks."""


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

    def sample(self, now_day: float, ahead_days: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
        """Return plausible courses ahead.

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
        ndarray, steps × draws
            [ln(kPa) or °C]
        """
        theta = rng.multivariate_normal(self.mean, self.covariance, size=count)
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
        return np.asarray(out)


def learn(
    season: Season, prior_mean: FloatArray, prior_covariance: FloatArray, days: FloatArray, observed: FloatArray
) -> LearnedSeason:
    """Return the posterior of a yearly course: linear regression with AR(1) errors, whitened day by day.

    The level is one more unknown for each span of days, tied to the one before. The spread of the residual is estimated
    too: a first regression uses the usual one, the second the room's own.

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
    found = _fitted(season, prior, basis, days, observed)
    kept = [*range(len(prior_mean)), -1]
    return LearnedSeason(
        found.season,
        found.theta[kept],
        found.covariance[np.ix_(kept, kept)],
        float(days[-1]),
        float(observed[-1] - basis[-1] @ found.theta),
        max(found.log_evidence, _foreseen_otherwise(season, prior, basis, days, observed)),
    )


class _Fit(NamedTuple):
    """A regression with the residual's spread as the record has it, and the log density of that record."""

    season: Season
    theta: FloatArray
    covariance: FloatArray
    log_evidence: float


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


def _regression(
    season: Season, prior: tuple[FloatArray, FloatArray], basis: FloatArray, days: FloatArray, observed: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the unknowns given the days seen."""
    prior_mean, precision = prior
    correlation = np.exp(-np.diff(days) / season.memory_days)
    innovations_sd = season.residual_sd * np.sqrt(1.0 - correlation**2)
    white_basis = np.vstack(
        [basis[:1] / season.residual_sd, (basis[1:] - correlation[:, None] * basis[:-1]) / innovations_sd[:, None]]
    )
    white_observed = np.r_[
        observed[:1] / season.residual_sd, (observed[1:] - correlation * observed[:-1]) / innovations_sd
    ]
    covariance = _inverse(precision + white_basis.T @ white_basis)
    return covariance @ (precision @ prior_mean + white_basis.T @ white_observed), covariance


def _fitted(
    season: Season, prior: tuple[FloatArray, FloatArray], basis: FloatArray, days: FloatArray, observed: FloatArray
) -> _Fit:
    """Regress twice: with the usual spread of the residual, then with the room's own."""
    theta, _ = _regression(season, prior, basis, days, observed)
    own = replace(season, residual_sd=_residual_sd(season, days, observed - basis @ theta))
    found = _regression(own, prior, basis, days, observed)
    evidence = _log_evidence(own, prior, found, days, observed - basis @ found[0])
    return _Fit(own, *found, evidence + _log_density_of_sd(own.residual_sd, season.residual_sd))


def _foreseen_otherwise(
    season: Season, prior: tuple[FloatArray, FloatArray], basis: FloatArray, days: FloatArray, observed: FloatArray
) -> float:
    """Log density of the record with the unusual memory of the residual that suits it best, and of that memory."""
    return max(
        _fitted(replace(season, memory_days=season.memory_days * times), prior, basis, days, observed).log_evidence
        - 0.5 * float(np.log(times) / _LOG_MEMORY_SD) ** 2
        for times in _OTHER_MEMORIES
    )


def _log_evidence(
    season: Season,
    prior: tuple[FloatArray, FloatArray],
    found: tuple[FloatArray, FloatArray],
    days: FloatArray,
    residual: FloatArray,
) -> float:
    """Log density of what was seen, its unknowns integrated out: exact for a linear model with this residual."""
    (prior_mean, precision), (theta, covariance) = prior, found
    correlation = np.exp(-np.diff(days) / season.memory_days)
    innovations_sd = season.residual_sd * np.r_[1.0, np.sqrt(1.0 - correlation**2)]
    white = np.r_[residual[:1], residual[1:] - correlation * residual[:-1]] / innovations_sd
    off = theta - prior_mean
    volume = np.linalg.slogdet(precision)[1] + np.linalg.slogdet(covariance)[1]
    return float(-0.5 * (white @ white + off @ precision @ off - volume) - np.log(innovations_sd).sum())


def _log_density_of_sd(found_sd: float, usual_sd: float) -> float:
    """Of the logarithm of a residual's variance, with the usual one known from so many days (scaled inverse χ²)."""
    ratio = usual_sd**2 / found_sd**2
    return float(0.5 * _PRIOR_RESIDUAL_DAYS * (np.log(ratio) - ratio))


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


def _residual_sd(season: Season, days: FloatArray, residual: FloatArray) -> float:
    """Standard deviation of the residual: the usual one, counted as so many days, and what this room showed."""
    correlation = np.exp(-np.diff(days) / season.memory_days)
    innovation = np.square(residual[1:] - correlation * residual[:-1]) / (1.0 - correlation**2)
    usual = _PRIOR_RESIDUAL_DAYS * season.residual_sd**2
    return float(np.sqrt((usual + innovation.sum()) / (_PRIOR_RESIDUAL_DAYS + len(innovation))))


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
