"""The room around the boxes: vapor pressure and temperature learned from its own record, and sampled ahead.

ln p = mean + annual harmonic + a residual that forgets in days, an AR(1) process; temperature likewise. The harmonic
starts from what indoor rooms do (top in late July in the north, turned round in the south), from declared monthly
means, or from a typical year, and gives way to the room's own record as that grows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.inference.evidence.hours import Hours
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import RoomClimate
from monitor.series.hourly_values import HOUR_S
from monitor.units import DAYS_PER_GREGORIAN_YEAR, HOURS_PER_DAY, SECONDS_PER_DAY

_TOP_DAY = 205.0
"""Day of the year on which indoor vapor pressure tops in the north: late July, as outdoor vapor pressure does in
typical years (a harmonic through monthly means tops on day 201 at site 723170 of TMY3, on day 209 at 703165; Wilcox,
Marion 2008, NREL/TP-581-43156). [days]"""
_WETTEST = 0.95
"""A room's air is no moister than this. [fraction of saturation] Judgement: beyond it walls are wet."""
_COLDEST_ROOM_DEGC, _WARMEST_ROOM_DEGC = -20.0, 60.0
"""Drawn futures of a room are kept within these. [°C] Judgement: sheds in winter, attics in summer."""
_LEAST_HOURS = 6
"""Fewer known hours make no mean of a day. [h] Judgement: a quarter of it."""
ROOM_COUNTS_DAYS = 730
"""A room's record counts no further back. [days] Judgement: two of each season, and rooms change."""
_PRIOR_RESIDUAL_DAYS = 20.0
"""The usual spread of the residual counts as so many days of a room's own record. [days] Judgement: weeks of
weather."""
_DECLARED_MEAN_SD = 0.30
"""Spread of the yearly mean where a person declared temperature and humidity of the room. [ln kPa] Judgement: three
quarters of what it is without; people declare the season they are in."""
_NO_SEASON_SD = 1e-6
"""Spread of a swing that is taken for none, for the ablation table. [ln kPa or °C] Judgement: next to none, and above
zero, so that matrices can be inverted."""
_MONTHLY_SHARES = np.array([1.0, 0.67, 0.53])
"""Of the spread that declared monthly means leave: of the mean, of the swing, of the swing a quarter year aside.
[shares] Judgement: what a guess of indoor air misses is mostly the same all year."""
_PA_PER_KPA, _MONTHS = 1e3, 12
"""Exact; months of a year."""


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
    aside_sd: float
    """Standard deviation of the swing a quarter year aside: how far the top may lie from its usual day.
    [ln(kPa) or °C]"""
    residual_sd: float
    """Of days about the course. [ln(kPa) or °C]"""
    memory_days: float
    """Time constant with which the residual forgets. [days]"""

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


# The swing of ln p outdoors is 0.84 at 36 °N inland (TMY3 site 723170) and 0.39 on a subarctic coast (TMY3 703165);
# a quarter kilopascal of a household's own moisture on top leaves 0.65 and 0.28. The residual's 0.2 over 6 days is that
# of indoor records of some months (a house and an office in Belgium).
VAPOR = Season(np.log(1.05), 0.40, 0.38, 0.25, 0.12, 0.20, 6.0)
"""Of ln vapor pressure. [ln kPa; days] Swing and residual from the records named above, between and around them; the
mean, 1.05 kPa or 45 % RH at 20 °C, and the spreads are judgements."""
TEMPERATURE = Season(20.5, 2.0, 2.0, 1.5, 0.8, 1.0, 5.0)
"""Of temperature. [°C; days] Judgement: heated rooms, some of them warm in summer, some of them sheds."""


@dataclass(frozen=True, eq=False)
class LearnedSeason:
    """Posterior of mean and harmonic, and the residual of the last day seen."""

    season: Season
    """The prior, with the spread of the room's own residual."""
    mean: FloatArray
    """Of mean, swing and swing aside. (3) [ln(kPa) or °C]"""
    covariance: FloatArray
    """Of the same. (3 × 3) [ln(kPa)² or K²]"""
    last_day: float
    """The last day seen. [days since 1970 UTC]"""
    last_residual: float
    """What that day lay above its course; NaN where nothing was seen. [ln(kPa) or °C]"""

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
        return np.asarray(_harmonic(days) @ self.mean + residual)

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
        basis = _harmonic(np.array([day]))[0]
        return float(np.sqrt(basis @ self.covariance @ basis))

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
        if np.isnan(self.last_residual):
            residual = season.residual_sd * rng.standard_normal(count)
        else:
            # the residual of the last day belongs to this draw's own mean
            last = self.last_residual + _harmonic(np.array([self.last_day])) @ (self.mean - theta).T
            till_now = season.autocorrelation(max(now_day - self.last_day, 0.0))
            innovation_sd = season.residual_sd * np.sqrt(1.0 - till_now**2)
            residual = last[0] * till_now + innovation_sd * rng.standard_normal(count)
        out = _harmonic(now_day + ahead_days) @ theta.T
        correlation = np.exp(-np.diff(ahead_days, prepend=0.0) / season.memory_days)
        innovations_sd = season.residual_sd * np.sqrt(1.0 - correlation**2)
        for row, noise in enumerate(rng.standard_normal(out.shape)):
            residual = correlation[row] * residual + innovations_sd[row] * noise
            out[row] += residual
        return np.asarray(out)


def learn(
    season: Season, prior_mean: FloatArray, prior_sd: FloatArray, days: FloatArray, observed: FloatArray
) -> LearnedSeason:
    """Return the posterior of a yearly course: linear regression with AR(1) errors, whitened day by day.

    The spread of the residual is estimated too: a first regression uses the usual one, the second the room's own.

    Parameters
    ----------
    season : Season
        What is usual.
    prior_mean, prior_sd : ndarray, 3
        Of mean, swing and swing aside. [ln(kPa) or °C]
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
        return LearnedSeason(season, prior_mean, np.diag(prior_sd**2), 0.0, np.nan)
    mean, _ = _regression(season, prior_mean, prior_sd, days, observed)
    season = replace(season, residual_sd=_residual_sd(season, days, observed - _harmonic(days) @ mean))
    mean, covariance = _regression(season, prior_mean, prior_sd, days, observed)
    return LearnedSeason(
        season, mean, covariance, float(days[-1]), float(observed[-1] - _harmonic(days[-1:])[0] @ mean)
    )


def _regression(
    season: Season, prior_mean: FloatArray, prior_sd: FloatArray, days: FloatArray, observed: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the course given the days seen."""
    prior_precision = np.diag(1.0 / prior_sd**2)
    basis = _harmonic(days)
    correlation = np.exp(-np.diff(days) / season.memory_days)
    innovations_sd = season.residual_sd * np.sqrt(1.0 - correlation**2)
    white_basis = np.vstack(
        [basis[:1] / season.residual_sd, (basis[1:] - correlation[:, None] * basis[:-1]) / innovations_sd[:, None]]
    )
    white_observed = np.r_[
        observed[:1] / season.residual_sd, (observed[1:] - correlation * observed[:-1]) / innovations_sd
    ]
    covariance = np.asarray(np.linalg.inv(prior_precision + white_basis.T @ white_basis), dtype=np.float64)
    return covariance @ (prior_precision @ prior_mean + white_basis.T @ white_observed), covariance


def _residual_sd(season: Season, days: FloatArray, residual: FloatArray) -> float:
    """Standard deviation of the residual: the usual one, counted as so many days, and what this room showed."""
    correlation = np.exp(-np.diff(days) / season.memory_days)
    innovation = np.square(residual[1:] - correlation * residual[:-1]) / (1.0 - correlation**2)
    usual = _PRIOR_RESIDUAL_DAYS * season.residual_sd**2
    return float(np.sqrt((usual + innovation.sum()) / (_PRIOR_RESIDUAL_DAYS + len(innovation))))


def _harmonic(days: FloatArray) -> FloatArray:
    angle = 2.0 * np.pi * (days - _TOP_DAY) / DAYS_PER_GREGORIAN_YEAR
    return np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)


@dataclass(frozen=True, eq=False)
class LearnedRoom:
    """The room's vapor pressure (as ln kPa) and temperature, learned."""

    log_vapor: LearnedSeason
    """Of the vapor pressure. [ln(kPa)]"""
    temperature: LearnedSeason
    """[°C]"""
    seen_days: int
    """How many days the room's sensor showed."""

    def expected_kpa(self, days: FloatArray) -> FloatArray:
        """Return the expected vapor pressure.

        Parameters
        ----------
        days : ndarray, days
            [days since 1970 UTC]

        Returns
        -------
        ndarray, days
            [kPa]
        """
        return np.exp(self.log_vapor.course(days))

    def sample(
        self, now_day: float, ahead_days: FloatArray, count: int, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """Return plausible vapor pressures and temperatures ahead.

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
        (ndarray, ndarray), each steps × draws
            Vapor pressure [kPa], and temperature [°C].
        """
        temperature = self.temperature.sample(now_day, ahead_days, count, rng)
        temperature = np.clip(temperature, _COLDEST_ROOM_DEGC, _WARMEST_ROOM_DEGC)
        vapor = np.exp(self.log_vapor.sample(now_day, ahead_days, count, rng))
        return np.minimum(
            vapor, _WETTEST * np.asarray(saturation_vapor_pressure_pa(temperature)) / _PA_PER_KPA
        ), temperature


def learn_room(room: Hours | None, declared: RoomClimate | None, now_s: float, seasonal: bool = True) -> LearnedRoom:
    """Return the posterior of the room's climate, from its sensor's record and what a person declared.

    Parameters
    ----------
    room : Hours, optional
        What its sensor showed; None where there is none.
    declared : RoomClimate, optional
        What a person said of it.
    now_s : float
        [s since 1970 UTC]
    seasonal : bool
        False holds the year flat.

    Returns
    -------
    LearnedRoom
        From the prior where nothing was seen.
    """
    vapor_mean, vapor_sd = _vapor_prior(declared)
    degc_mean, degc_sd = _temperature_prior(declared)
    if not seasonal:
        vapor_mean[1:], degc_mean[1:] = 0.0, 0.0
        vapor_sd[1:], degc_sd[1:] = _NO_SEASON_SD, _NO_SEASON_SD
    if room is None or len(room) == 0:
        nothing = np.empty(0)
        return LearnedRoom(
            learn(VAPOR, vapor_mean, vapor_sd, nothing, nothing),
            learn(TEMPERATURE, degc_mean, degc_sd, nothing, nothing), 0,
        )  # fmt: skip
    days, vapor, degc = _daily(room, now_s)
    with np.errstate(divide="ignore"):
        log_vapor = np.log(vapor)
    log_vapor[~np.isfinite(log_vapor)] = np.nan
    return LearnedRoom(
        learn(VAPOR, vapor_mean, vapor_sd, days, log_vapor),
        learn(TEMPERATURE, degc_mean, degc_sd, days, degc),
        int(np.isfinite(vapor).sum()),
    )


def _daily(room: Hours, now_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of whole days counted back from now, at most two years of them."""
    span = min(int((now_s / HOUR_S - room.first_hour) // HOURS_PER_DAY), ROOM_COUNTS_DAYS)
    hours = room.between(now_s - span * SECONDS_PER_DAY, now_s)
    count = len(hours) // HOURS_PER_DAY
    cut = slice(len(hours) - count * HOURS_PER_DAY, None)
    days = hours.end_s / SECONDS_PER_DAY - np.arange(count, dtype=float)[::-1] - 0.5
    return days, _day_means(hours.vapor_pressure_kpa[cut], count), _day_means(hours.temperature_degc[cut], count)


def _day_means(values: FloatArray, count: int) -> FloatArray:
    table = values.reshape(count, HOURS_PER_DAY)
    known = np.isfinite(table)
    enough = known.sum(axis=1)
    return np.where(enough >= _LEAST_HOURS, np.where(known, table, 0.0).sum(axis=1) / np.maximum(enough, 1), np.nan)


def _vapor_prior(declared: RoomClimate | None) -> tuple[FloatArray, FloatArray]:
    mean = np.array([VAPOR.mean, VAPOR.swing, 0.0])
    sd = np.array([VAPOR.mean_sd, VAPOR.swing_sd, VAPOR.aside_sd])
    if declared is None:
        return mean, sd
    if declared.southern_hemisphere:
        mean[1] = -mean[1]
    if declared.monthly_vapor_pressure_pa:
        monthly_kpa = np.asarray(declared.monthly_vapor_pressure_pa) / _PA_PER_KPA
        return _from_months(monthly_kpa), declared.monthly_log_sd * _MONTHLY_SHARES
    mean[0] = np.log(
        declared.relative_humidity * float(saturation_vapor_pressure_pa(declared.temperature_degc)) / _PA_PER_KPA
    )
    sd[0] = _DECLARED_MEAN_SD
    return mean, sd


def _from_months(monthly_kpa: FloatArray) -> FloatArray:
    middle = (np.arange(_MONTHS, dtype=float) + 0.5) * DAYS_PER_GREGORIAN_YEAR / _MONTHS
    basis = _harmonic(middle)
    return np.asarray(np.linalg.solve(basis.T @ basis, basis.T @ np.log(monthly_kpa)), dtype=np.float64)


def _temperature_prior(declared: RoomClimate | None) -> tuple[FloatArray, FloatArray]:
    mean = np.array([TEMPERATURE.mean, TEMPERATURE.swing, 0.0])
    sd = np.array([TEMPERATURE.mean_sd, TEMPERATURE.swing_sd, TEMPERATURE.aside_sd])
    if declared is not None:
        mean[0] = declared.temperature_degc
        if declared.southern_hemisphere:
            mean[1] = -mean[1]
    return mean, sd
