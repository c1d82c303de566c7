"""The room around the boxes: vapor pressure and temperature learned from its own record, and sampled ahead.

ln p and temperature each have a yearly course with weather (``yearly_course.py``). Years look otherwise in a heated
home of the north than in humid summers or near the equator: where nobody told which, each climate is learned from the
room's record and counts by how well it foresaw it. The course starts from what measured rooms do (top in August in the
north, turned round in the south), from declared monthly means, or from a typical year, and gives way to the record as
that grows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.mixed_course import MixedCourse, mixed
from monitor.inference.evidence.yearly_course import DrawnCourses, Season, harmonics, learn
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import RoomClimate
from monitor.series.hourly_values import HOUR_S
from monitor.units import DAYS_PER_GREGORIAN_YEAR, HOURS_PER_DAY, MONTHS_PER_YEAR, PA_PER_KPA, SECONDS_PER_DAY

WETTEST_ROOM = 0.95
"""A room's air is no moister than this. [fraction of saturation] Judgement: beyond it walls are wet."""
_COLDEST_ROOM_DEGC, _WARMEST_ROOM_DEGC = -20.0, 60.0
"""Drawn futures of a room are kept within these. [°C] Judgement: sheds in winter, attics in summer."""
_LEAST_HOURS = 6
"""Fewer known hours make no mean of a day. [h] Judgement: a quarter of it."""
ROOM_COUNTS_DAYS = 730
"""A room's record counts no further back. [days] Judgement: two of each season, and rooms change."""
_DECLARED_MEAN_SD = 0.30
"""Spread of the yearly mean where a person declared temperature and humidity of the room. [ln kPa] Judgement: people
declare the season they are in, and that of half a year apart is twice or half of it."""
_NO_SEASON_SD = 1e-6
"""Spread of a swing that is taken for none, for the ablation table. [ln kPa or °C] Judgement: next to none, and above
zero, so that matrices can be inverted."""
_MONTHLY_SHARES = np.array([1.0, 0.67, 0.53, 0.33, 0.33])
"""Of the spread that declared monthly means leave: of the mean, of the swing, of the swing a quarter year aside, of
half a year. [shares] Judgement: what a guess of indoor air misses is mostly the same all year."""


# Twelve homes of Finland, Germany, Switzerland, London and North America, measured for a year and more: 1.19 kPa (sd of
# ln 0.18), swing 0.31 ± 0.12, top on day 230 ± 6, half a year 0.07 (0 to 0.16), residual 0.13 ± 0.03 over 5.6 ± 1.7
# days. Thirteen little heated halls in Britain: 1.13 kPa, 0.28, day 216, 0.13 over 4.3 days; two rooms in Japan:
# 1.14 kPa, 0.67 to 0.81, day 215, 0.18 over 2.6 to 3.7 days; 31 rooms in Singapore: 2.34 kPa (sd of ln 0.12), no swing,
# 0.07 over 1.0 days. All of it open data (TRH-database, pywws-data-falkensee and others).
VAPOR = Season(np.log(1.15), 0.20, 0.33, 0.13, -0.6, 0.0, 0.08, 0.05, 0.05, 0.13, 5.6, 0.09, 400.0)
"""Of ln vapor pressure in a heated home. [ln kPa; days] From the twelve homes named above; spreads are a little wider
than theirs, that of the top twice as wide, since most of them are homes of the north: a judgement, as is the
correlation: households differ in what they add in winter, summers come from outdoors. The level is where the likelihood
of four of them tops (measured 2008 to 2013), 7.5 nat above none."""
TEMPERATURE = Season(22.0, 2.0, 1.5, 1.0, 0.0, -1.0, 0.8, 0.2, 0.4, 1.0, 5.2, 0.4, 400.0)
"""Of temperature. [°C; days] The twelve homes: 22.7 ± 1.1 °C, swing 1.4 ± 0.55 K; four of them top on days 177 to
192, a month before vapor pressure. Spreads wider than theirs by judgement: some rooms are sheds."""


# Of the others the means, swings, residuals and their memory are those of the rooms named above. Spreads are judgement:
# a shape that differs from a cosine, and a top on another day, grow with the swing: in humid summers twice the home's.
UNHEATED_VAPOR = Season(np.log(1.13), 0.25, 0.28, 0.16, -0.6, -0.05, 0.08, 0.05, 0.05, 0.13, 4.3, 0.09, 400.0)
"""Of ln vapor pressure in little heated halls. [ln kPa; days] From thirteen of them; spreads judgement, as above."""
UNHEATED_TEMPERATURE = Season(15.6, 2.7, 3.4, 1.5, 0.0, -1.0, 0.8, 0.2, 0.4, 1.5, 5.2, 0.4, 400.0)
"""Of their temperature. [°C; days] From the same: 15.6 ± 2.7 °C, swing 3.4 K; the rest judgement, as above."""
HUMID_VAPOR = Season(np.log(1.14), 0.25, 0.72, 0.15, -0.3, -0.12, 0.17, 0.10, 0.12, 0.18, 3.2, 0.09, 400.0)
"""Of ln vapor pressure in humid summers. [ln kPa; days] From two rooms in Japan; spreads judgement, as above."""
HUMID_TEMPERATURE = Season(20.0, 2.5, 5.5, 1.5, 0.0, -1.0, 0.8, 0.2, 0.4, 1.5, 5.2, 0.4, 400.0)
"""Of their temperature. [°C; days] From the same: about 20 °C, swing 5 to 6 K; the rest judgement, as above."""
TROPICAL_VAPOR = Season(np.log(2.34), 0.15, 0.0, 0.10, 0.0, 0.0, 0.10, 0.0, 0.05, 0.07, 1.0, 0.09, 400.0)
"""Of ln vapor pressure near the equator. [ln kPa; days] From 31 rooms in Singapore; spreads judgement, as above."""
TROPICAL_TEMPERATURE = Season(27.0, 1.5, 0.0, 0.7, 0.0, 0.0, 0.8, 0.0, 0.4, 1.0, 5.2, 0.4, 400.0)
"""Of their temperature. [°C; days] From the same: 27 °C; the rest judgement, as above."""


@dataclass(frozen=True)
class Climate:
    """What years look like in rooms of one kind."""

    share: float
    """How many rooms are of this kind, where nobody told. [fraction]"""
    vapor: Season
    """Of ln vapor pressure. [ln kPa]"""
    temperature: Season
    """Of temperature. [°C]"""


CLIMATES = {
    "temperate": Climate(0.6, VAPOR, TEMPERATURE),
    "unheated": Climate(0.1, UNHEATED_VAPOR, UNHEATED_TEMPERATURE),
    "humid_summers": Climate(0.2, HUMID_VAPOR, HUMID_TEMPERATURE),
    "tropical": Climate(0.1, TROPICAL_VAPOR, TROPICAL_TEMPERATURE),
}
"""By ``records.words.CLIMATES``; "unknown" is any of them. Shares [fraction] by judgement: most who print sit in heated
homes with four seasons."""
_CLIMATE_OF_MONTHS = "temperate"
"""Temperature and weather of a room whose months were told and its climate not. Judgement: what most rooms have."""


@dataclass(frozen=True, eq=False)
class LearnedRoom:
    """The room's vapor pressure (as ln kPa) and temperature, learned."""

    log_vapor: MixedCourse
    """Of the vapor pressure. [ln(kPa)]"""
    temperature: MixedCourse
    """Its shares are its own: whether a home is cooled in a humid summer says little of its vapor pressure. [°C]"""
    seen_days: int
    """How many days the room's sensor showed."""

    def __reduce__(self) -> tuple[Callable[..., LearnedRoom], tuple[int, bytes, bytes]]:
        """Travel as numbers: boxes share a room, so it is written out once, and is one thing again where it arrives."""
        return room_of_numbers, _numbers_of(self)

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
    ) -> tuple[FloatArray, FloatArray, DrawnCourses]:
        """Return plausible vapor pressures and temperatures ahead, and what the former lay on before.

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
        (ndarray, ndarray, DrawnCourses)
            Vapor pressure [kPa] and temperature [°C], each steps × draws; the yearly course of ln vapor pressure of
            each draw [ln(kPa)].
        """
        temperature, _ = self.temperature.sample(now_day, ahead_days, count, rng)
        temperature = np.clip(temperature, _COLDEST_ROOM_DEGC, _WARMEST_ROOM_DEGC)
        log_vapor, courses = self.log_vapor.sample(now_day, ahead_days, count, rng)
        wettest = WETTEST_ROOM * np.asarray(saturation_vapor_pressure_pa(temperature)) / PA_PER_KPA
        return np.minimum(np.exp(log_vapor), wettest), temperature, courses


@lru_cache(maxsize=4)  # rooms, a count; judgement: a shelf has few
def _numbers_of(room: LearnedRoom) -> tuple[int, bytes, bytes]:
    return room.seen_days, room.log_vapor.numbers, room.temperature.numbers


@lru_cache(maxsize=32)  # rooms, a count; judgement: few rooms, as known on each day since the fits of their boxes
def room_of_numbers(seen_days: int, log_vapor: bytes, temperature: bytes) -> LearnedRoom:
    """Return a room from what it was written out as; of the same numbers the same room, as its futures are drawn.

    Parameters
    ----------
    seen_days : int
        How long its sensor was heard. [days]
    log_vapor, temperature : bytes
        ``MixedCourse.numbers`` of both. [of ln(kPa); of °C]

    Returns
    -------
    LearnedRoom
        With these values.
    """
    return LearnedRoom(MixedCourse.of_numbers(log_vapor), MixedCourse.of_numbers(temperature), seen_days)


def interned(room: LearnedRoom) -> LearnedRoom:
    """Return the first room that was learned to be just so, as its futures are drawn already.

    Parameters
    ----------
    room : LearnedRoom
        Of any box.

    Returns
    -------
    LearnedRoom
        With the same values.
    """
    return room_of_numbers(*_numbers_of(room))


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
    if room is None or len(room) == 0:
        nothing = np.empty(0)
        return learn_from_days(nothing, nothing, nothing, declared, seasonal)
    return learn_from_days(*_daily(room, now_s), declared, seasonal)


def learn_from_days(
    days: FloatArray, vapor_kpa: FloatArray, degc: FloatArray, declared: RoomClimate | None, seasonal: bool = True
) -> LearnedRoom:
    """Return the posterior of the room's climate, from daily means and what a person declared.

    Parameters
    ----------
    days : ndarray, days
        Their middles, in order. [days since 1970 UTC]
    vapor_kpa : ndarray, days
        NaN where a day is not known. [kPa]
    degc : ndarray, days
        The same. [°C]
    declared : RoomClimate, optional
        What a person said of it.
    seasonal : bool
        False holds the year flat.

    Returns
    -------
    LearnedRoom
        From the prior where nothing was seen.
    """
    with np.errstate(divide="ignore"):
        log_vapor = np.log(vapor_kpa)
    log_vapor[~np.isfinite(log_vapor)] = np.nan
    climates = _climates(declared)
    vapors, temperatures = [], []
    for climate in climates:
        vapor, temperature = _vapor_prior(climate.vapor, declared), _temperature_prior(climate.temperature, declared)
        if not seasonal:
            vapor, temperature = _flat(vapor), _flat(temperature)
        vapors.append(learn(climate.vapor, *vapor, days, log_vapor))
        temperatures.append(learn(climate.temperature, *temperature, days, degc))
    log_shares = np.array([np.log(one.share) + _log_density_of_told(one.vapor, declared) for one in climates])
    return LearnedRoom(
        mixed(tuple(vapors), log_shares), mixed(tuple(temperatures), log_shares), int(np.isfinite(vapor_kpa).sum())
    )


def _climates(declared: RoomClimate | None) -> list[Climate]:
    """Return the climate that was told, or all there are."""
    if declared is not None and declared.climate in CLIMATES:
        return [CLIMATES[declared.climate]]
    if declared is not None and declared.monthly_vapor_pressure_pa:
        return [CLIMATES[_CLIMATE_OF_MONTHS]]
    return list(CLIMATES.values())


def _log_density_of_told(usual: Season, declared: RoomClimate | None) -> float:
    """How well a climate goes with the air that a person told."""
    if declared is None or not declared.air_is_told:
        return 0.0
    spread = np.hypot(usual.mean_sd, _DECLARED_MEAN_SD)
    return float(-0.5 * ((_told_log_kpa(declared) - usual.mean) / spread) ** 2 - np.log(spread))


def _told_log_kpa(declared: RoomClimate) -> float:
    saturated_kpa = float(saturation_vapor_pressure_pa(declared.temperature_degc)) / PA_PER_KPA
    return float(np.log(declared.relative_humidity * saturated_kpa))


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
        monthly_kpa = np.asarray(declared.monthly_vapor_pressure_pa) / PA_PER_KPA
        return _from_months(monthly_kpa), np.diag((declared.monthly_log_sd * _MONTHLY_SHARES) ** 2)
    if declared.air_is_told:
        mean[0] = _told_log_kpa(declared)
        covariance[:2, :2] = np.diag([_DECLARED_MEAN_SD**2, usual.swing_sd**2])
    return mean, covariance


def _from_months(monthly_kpa: FloatArray) -> FloatArray:
    middle = (np.arange(MONTHS_PER_YEAR, dtype=float) + 0.5) * DAYS_PER_GREGORIAN_YEAR / MONTHS_PER_YEAR
    basis = harmonics(middle)
    return np.asarray(np.linalg.solve(basis.T @ basis, basis.T @ np.log(monthly_kpa)), dtype=np.float64)


def _temperature_prior(usual: Season, declared: RoomClimate | None) -> tuple[FloatArray, FloatArray]:
    mean = usual.prior_mean
    if declared is not None:
        if declared.air_is_told:
            mean[0] = declared.temperature_degc
        if declared.southern_hemisphere:
            mean[1:3] = -mean[1:3]
    return mean, usual.prior_covariance
