"""The room around the boxes: vapor pressure and temperature learned from its own record, and sampled ahead.

ln p = mean + harmonics of a year and of half a year + a level that wanders from year to year + a residual that forgets
in days, two AR(1) processes; temperature likewise. The course starts from what measured rooms do (top in August in the
north, turned round in the south), from declared monthly means, or from a typical year, and gives way to the room's own
record as that grows.
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

_TOP_DAY = 225.0
"""Day of the year on which indoor vapor pressure tops in the north. [days] Between the twelve measured homes that VAPOR
names (230 ± 6), thirteen little heated halls (216) and rooms of Japan (215)."""
_WETTEST = 0.95
"""A room's air is no moister than this. [fraction of saturation] Judgement: beyond it walls are wet."""
_COLDEST_ROOM_DEGC, _WARMEST_ROOM_DEGC = -20.0, 60.0
"""Drawn futures of a room are kept within these. [°C] Judgement: sheds in winter, attics in summer."""
_LEAST_HOURS = 6
"""Fewer known hours make no mean of a day. [h] Judgement: a quarter of it."""
ROOM_COUNTS_DAYS = 730
"""A room's record counts no further back. [days] Judgement: two of each season, and rooms change."""
_LEVEL_SPAN_DAYS = 91.0
"""So long one level counts in the regression. [days] Judgement: a season; the level wanders over more than a year."""
_PRIOR_RESIDUAL_DAYS = 20.0
"""The usual spread of the residual counts as so many days of a room's own record. [days] Judgement: weeks of
weather."""
_DECLARED_MEAN_SD = 0.30
"""Spread of the yearly mean where a person declared temperature and humidity of the room. [ln kPa] Judgement: people
declare the season they are in, and that of half a year apart is twice or half of it."""
_NO_SEASON_SD = 1e-6
"""Spread of a swing that is taken for none, for the ablation table. [ln kPa or °C] Judgement: next to none, and above
zero, so that matrices can be inverted."""
_MONTHLY_SHARES = np.array([1.0, 0.67, 0.53, 0.33, 0.33])
"""Of the spread that declared monthly means leave: of the mean, of the swing, of the swing a quarter year aside, of
half a year. [shares] Judgement: what a guess of indoor air misses is mostly the same all year."""
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


# Twelve homes of Finland, Germany, Switzerland, London and North America, measured for a year and more: 1.19 kPa (sd of
# ln 0.18), swing 0.31 ± 0.12, top on day 230 ± 6, half a year 0.07 (0 to 0.16), residual 0.13 ± 0.03 over 5.6 ± 1.7
# days. Thirteen little heated halls in Britain: 1.13 kPa, 0.28; Japan: 1.14 kPa, 0.67 to 0.81; Singapore: 2.34 kPa and
# no swing. All of it open data (TRH-database, pywws-data-falkensee and others).
VAPOR = Season(np.log(1.15), 0.25, 0.33, 0.16, -0.6, 0.0, 0.08, 0.05, 0.05, 0.13, 5.6, 0.09, 400.0)
"""Of ln vapor pressure. [ln kPa; days] From the rooms named above; spreads are wider than theirs, since most of them
are homes of the north: a judgement, as is the correlation: households differ in what they add in winter, summers come
from outdoors. The level is where the likelihood of four of them tops (measured 2008 to 2013), 7.5 nat above none."""
TEMPERATURE = Season(22.0, 2.0, 1.5, 1.0, 0.0, -1.0, 0.8, 0.2, 0.4, 1.0, 5.2, 0.4, 400.0)
"""Of temperature. [°C; days] The twelve homes: 22.7 ± 1.1 °C, swing 1.4 ± 0.55 K; four of them top on days 177 to
192, a month before vapor pressure. Spreads wider than theirs by judgement: some rooms are sheds."""


# Of the others the swings and spreads are those of the rooms named above, or judgements where nothing is named: rooms
# of one climate differ as the twelve homes do, and the top lies some ten days before theirs.
CLIMATES = {
    "temperate": (VAPOR, TEMPERATURE),
    "unheated": (
        replace(VAPOR, mean=np.log(1.13), swing=0.28, swing_sd=0.10, aside=-0.05, memory_days=4.3),
        replace(TEMPERATURE, mean=15.6, mean_sd=2.7, swing=3.4, swing_sd=1.5, residual_sd=1.5),
    ),
    "humid_summers": (
        replace(VAPOR, mean=np.log(1.14), swing=0.72, swing_sd=0.15, aside=-0.12, residual_sd=0.18, memory_days=3.2),
        replace(TEMPERATURE, mean=20.0, mean_sd=2.5, swing=5.5, swing_sd=1.5, residual_sd=1.5),
    ),
    "tropical": (
        replace(VAPOR, mean=np.log(2.34), mean_sd=0.15, swing=0.0, swing_sd=0.10, residual_sd=0.07, memory_days=1.0),
        replace(TEMPERATURE, mean=27.0, mean_sd=1.5, swing=0.0, aside=0.0, swing_sd=0.7, half_year=0.0),
    ),
}
"""What years look like, by ``records.words.CLIMATES``: vapor pressure [ln kPa] and temperature [°C]."""


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
        return np.column_stack([_harmonics(days), kept])

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
        out = _harmonics(now_day + ahead_days) @ theta[:, :-1].T
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
    theta, _ = _regression(season, prior, basis, days, observed)
    season = replace(season, residual_sd=_residual_sd(season, days, observed - basis @ theta))
    theta, covariance = _regression(season, prior, basis, days, observed)
    kept = [*range(len(prior_mean)), -1]
    return LearnedSeason(
        season,
        theta[kept],
        covariance[np.ix_(kept, kept)],
        float(days[-1]),
        float(observed[-1] - basis[-1] @ theta),
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
    return (np.r_[prior_mean, np.zeros(count)], precision), np.hstack([_harmonics(days), level])


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


def _harmonics(days: FloatArray) -> FloatArray:
    angle = 2.0 * np.pi * (days - _TOP_DAY) / DAYS_PER_GREGORIAN_YEAR
    parts = [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)]
    return np.stack(parts, axis=1)


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
    usual_vapor, usual_temperature = CLIMATES[declared.climate if declared else "temperate"]
    vapor, temperature = _vapor_prior(usual_vapor, declared), _temperature_prior(usual_temperature, declared)
    if not seasonal:
        vapor, temperature = _flat(vapor), _flat(temperature)
    if room is None or len(room) == 0:
        nothing = np.empty(0)
        return LearnedRoom(
            learn(usual_vapor, *vapor, nothing, nothing),
            learn(usual_temperature, *temperature, nothing, nothing), 0,
        )  # fmt: skip
    days, vapor_kpa, degc = _daily(room, now_s)
    with np.errstate(divide="ignore"):
        log_vapor = np.log(vapor_kpa)
    log_vapor[~np.isfinite(log_vapor)] = np.nan
    return LearnedRoom(
        learn(usual_vapor, *vapor, days, log_vapor),
        learn(usual_temperature, *temperature, days, degc),
        int(np.isfinite(vapor_kpa).sum()),
    )


def _flat(prior: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Return the prior of a year without seasons."""
    (mean, *_), covariance = prior
    flat = np.diag(np.r_[covariance[0, 0], np.full(len(covariance) - 1, _NO_SEASON_SD**2)])
    return np.r_[mean, np.zeros(len(covariance) - 1)], flat


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


def _vapor_prior(usual: Season, declared: RoomClimate | None) -> tuple[FloatArray, FloatArray]:
    mean, covariance = usual.prior_mean, usual.prior_covariance
    if declared is None:
        return mean, covariance
    if declared.southern_hemisphere:
        mean[1:3] = -mean[1:3]
    if declared.monthly_vapor_pressure_pa:
        monthly_kpa = np.asarray(declared.monthly_vapor_pressure_pa) / _PA_PER_KPA
        return _from_months(monthly_kpa), np.diag((declared.monthly_log_sd * _MONTHLY_SHARES) ** 2)
    if declared.air_is_told:
        saturated_kpa = float(saturation_vapor_pressure_pa(declared.temperature_degc)) / _PA_PER_KPA
        mean[0] = np.log(declared.relative_humidity * saturated_kpa)
        covariance[:2, :2] = np.diag([_DECLARED_MEAN_SD**2, usual.swing_sd**2])
    return mean, covariance


def _from_months(monthly_kpa: FloatArray) -> FloatArray:
    middle = (np.arange(_MONTHS, dtype=float) + 0.5) * DAYS_PER_GREGORIAN_YEAR / _MONTHS
    basis = _harmonics(middle)
    return np.asarray(np.linalg.solve(basis.T @ basis, basis.T @ np.log(monthly_kpa)), dtype=np.float64)


def _temperature_prior(usual: Season, declared: RoomClimate | None) -> tuple[FloatArray, FloatArray]:
    mean = usual.prior_mean
    if declared is not None:
        if declared.air_is_told:
            mean[0] = declared.temperature_degc
        if declared.southern_hemisphere:
            mean[1:3] = -mean[1:3]
    return mean, usual.prior_covariance
