"""What goes into the fit of a box, and what comes out: its record, its posterior, what a later one may start from."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.episodes import DisturbanceRates, Episode
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.evidence.yearly_course import DrawnCourses
from monitor.inference.fit.importance import Draws
from monitor.inference.model.carried import CARRIED, Carried
from monitor.inference.model.prior import Unknown
from monitor.inference.model.sensor_bias import Comparison
from monitor.inference.model.state import Problem, State
from monitor.physics.numerics import FloatArray
from monitor.records import Box, LedgerEntry, RoomClimate

MODEL_SD = 0.12
"""What no draw covers: a bed that isn't at rest, one lag for all spools. [ln conductance] Judgement: an eighth, of the
size of the median errors on simulated boxes (DEVELOPERS.md)."""
GRADUAL_FROM_DAYS = 14.0
"""A change of the leak that took longer counts as gradual. [days] Judgement: two weeks, more than a lid left ajar goes
unnoticed."""
_LEAST_APART_SHARE = 0.3
"""A room without a sensor is taken to lie at least this far from its box. [share of its expected vapor pressure]
Judgement: kept dry, a box holds less than two thirds of what its room does."""
_LOOKS_AT_A_ROOM = 12
"""The course that a room took in an episode is looked at so often. [spans] Judgement: a month each in an episode of a
year, and what is left out is the curve of a season within one."""

_ROOM_SO_FAR_SEED = 3
"""Of the random numbers of the room so far. [count, no unit] Judgement: any but that of what is ahead."""
_MEAN_ABOVE_0 = 0.4
"""Mean of a normal about 0 of which what lies below is taken for 0. [standard deviations] 1/√(2π), exact to 0.01."""
_DRIEST_SPOOLS = 1e-4
"""Spools are taken for no drier than this. [fraction of saturation] Judgement: drier than any that was ever dried."""


@dataclass(frozen=True, eq=False)
class Record:
    """Everything known of one box: what it is, what it and the room showed, what was logged."""

    box: Box
    """As declared."""
    hours: Hours
    """What its sensor showed."""
    room: Hours | None = None
    """What the sensor in its room showed; None where there is none."""
    entries: tuple[LedgerEntry, ...] = ()
    """What was logged, of any boxes."""
    declared_room: RoomClimate | None = None
    """What a person said of the room."""
    comparisons: tuple[Comparison, ...] = ()
    """What the box showed beside the room while it stood open."""
    since_s: float = -math.inf
    """Hours before this were left out, whatever there is of them. [s since 1970 UTC]"""
    about_swaps: tuple[Hours, ...] = ()
    """What its sensors showed about swaps of the sensor before that."""

    def hours_before(self, now_s: float) -> Hours:
        """Return what its sensor showed in the whole hours before an instant.

        Parameters
        ----------
        now_s : float
            [s since 1970 UTC]

        Returns
        -------
        Hours
            Hung ones blanked out. The same for who asks again, so not to be changed.
        """
        return _hours_before(self.hours, self.room, now_s)


@lru_cache(maxsize=1)  # a count; judgement: one box is looked at several times, then the next
def _hours_before(hours: Hours, room: Hours | None, now_s: float) -> Hours:
    return hours.before(now_s, room)


@dataclass(frozen=True, eq=False)
class Posterior:
    """The posterior of a box now: weighted draws of its constants, and equally weighted ones with their state."""

    problem: Problem
    """What was fitted."""
    room: LearnedRoom
    """As known at ``now_s``."""
    draws: Draws
    """Weighted."""
    weighted_state: State
    """Filtered state of each draw of ``draws``, with its covariance."""
    theta: FloatArray
    """Equally weighted draws. (draws × unknowns) [unit of each ``Unknown``]"""
    filtered: State
    """Filtered state of each draw of ``theta``, with its covariance."""
    state: State
    """For each draw of ``theta`` one state sampled from ``filtered``, without errors."""
    now_s: float
    """The present. [s since 1970 UTC]"""
    room_measured: bool
    """True where the room has a sensor."""
    temperature_above_room_degc: float
    """By how much the box was warmer than its room in the last weeks. [K]"""
    shelf_rates: DisturbanceRates | None = None
    """How the boxes of the shelf are used; None where only this one is known."""
    hypothetical: bool = False
    """True for a what-if: its draws are not reweighted by what was seen."""

    @property
    def box(self) -> Box:
        """The box, as declared."""
        return self.problem.box

    @property
    def episode(self) -> Episode:
        """The episode that was fitted."""
        return self.problem.episode

    @property
    def bins(self) -> Bins:
        """The evidence of that episode, in steps."""
        return self.problem.bins

    @property
    def effective_draws(self) -> float:
        """Effective number of distinct draws: each update drops some draws and repeats others. [draws]"""
        _, copies = np.unique(self.theta[:, Unknown.log_conductance], return_counts=True)
        return float(copies.sum() ** 2 / np.square(copies).sum())

    def for_update(self) -> Posterior:
        """Return what a later update starts from, and no more: a third of the size."""
        return replace(self, **what_updates_start_from(self.theta, self.filtered))

    def for_reweighting(self) -> Posterior:
        """Return what reweighting under another prior starts from, and no more: a third of the size."""
        none = np.empty(0, np.intp)
        empty = self.weighted_state.take(none)
        return replace(self, theta=self.theta[none], filtered=empty, state=empty)


def what_updates_start_from(theta: FloatArray, filtered: State) -> dict[str, Any]:
    """Return the fields of a posterior that come of its draws, where no more than an update is to be made of it.

    Parameters
    ----------
    theta : ndarray, draws × unknowns
        Equally weighted. [unit of each ``Unknown``]
    filtered : State
        Of each draw, with its covariance.

    Returns
    -------
    dict
        By name. The weighted draws are these, and no state is sampled.
    """
    count = len(theta)
    draws = Draws(theta, np.full(count, 1.0 / count), 1)
    return {"draws": draws, "weighted_state": filtered, "theta": theta, "filtered": filtered, "state": filtered}


@lru_cache(maxsize=1)  # a count; judgement: three things rest on it for each box, one after the other
def humidity_now(posterior: Posterior) -> tuple[FloatArray, FloatArray]:
    """Return the humidity in a box as it is now, and its slope by loading.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    (ndarray, ndarray), draws each
        [fraction of saturation], [fraction per g/g]. Not to be changed.
    """
    state = posterior.state
    return state.drawn.table.humidity(state.loading, float(posterior.bins.temperature_degc[-1]))


def mean_conductance(posterior: Posterior) -> FloatArray:
    """Return draws of the conductance since the last recharge, with what the model itself may be off by.

    After a change point it is that since; of a seal that ages, that of now, as its mean is the leak of no day.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    ndarray, draws
        Equally weighted. [g/day/kPa]
    """
    sd = np.hypot(MODEL_SD, 0.0 if posterior.room_measured else _assumed_room_sd(posterior))
    meant = posterior.state.mean_conductance
    if posterior.problem.prior.has_change_point:
        gradual = posterior.theta[:, Unknown.log_change_duration] > math.log(GRADUAL_FROM_DAYS)
        meant = np.where(gradual, posterior.state.conductance, meant)
    return np.asarray(meant * np.exp(sd * _model_errors(len(posterior.theta))))


@lru_cache(maxsize=2)  # numbers of draws, a count; judgement: a fit has one, and tests another
def _model_errors(count: int) -> FloatArray:
    """How far the model is off in each draw: the same in every box. (draws) [standard deviations]"""
    errors = np.random.default_rng(count).standard_normal(count)
    errors.flags.writeable = False
    return errors


def _assumed_room_sd(posterior: Posterior) -> FloatArray:
    """Standard deviation of ln conductance from a room without a sensor: the push behind the water is not known.

    The forecast hardly minds: a moister room behind a tighter box brings the same water.
    """
    middle = posterior.now_s / DAY_S - 0.5 * posterior.bins.length_days
    outside = float(posterior.room.expected_kpa(np.array([middle]))[0])
    apart = np.maximum(posterior.state.dose_kpa_days / posterior.bins.length_days, _LEAST_APART_SHARE * outside)
    return np.asarray(posterior.room.log_vapor.sd(middle) * outside / apart)


def conditioned_on_rooms(posterior: Posterior, courses: DrawnCourses) -> State:
    """Return the present with each draw's leak behind a room of its own, where nobody measured the room.

    The fit takes the room for the expected one. The water that came in is known, so a moister room stands around a
    tighter box; pushed ahead through the same room, each draw's leak brings as much as before.

    Parameters
    ----------
    posterior : Posterior
        Of a box in a room without a sensor.
    courses : DrawnCourses
        A room for each draw. [ln(kPa)]

    Returns
    -------
    State
        Of as many draws.
    """
    bins, state = posterior.bins, posterior.state
    first = np.arange(0, len(bins), -(-len(bins) // _LOOKS_AT_A_ROOM))
    days = np.add.reduceat(bins.days, first)
    middle = posterior.now_s / DAY_S + bins.edges_days[first] + 0.5 * days
    outside = float(bins.outside_kpa @ bins.days)
    expected = np.maximum(state.dose_kpa_days, _LEAST_APART_SHARE * outside)
    drawn = np.maximum(expected + days @ np.exp(courses.on(middle)) - outside, _LEAST_APART_SHARE * outside)
    return replace(state, log_conductance=state.log_conductance + np.log(expected / drawn))


def conditioned_on_sampled_rooms(posterior: Posterior) -> State:
    """Return the present with each draw's leak behind the room it may have stood in so far.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    State
        Of as many draws; as it is where the room has a sensor.
    """
    if posterior.room_measured:
        return posterior.state
    rng, now_day = np.random.default_rng(_ROOM_SO_FAR_SEED), posterior.now_s / DAY_S
    *_, courses = posterior.room.sample(now_day, np.zeros(1), len(posterior.state.loading), rng)
    return conditioned_on_rooms(posterior, courses)


def carried_from(posterior: Posterior) -> Carried:
    """Return mean and covariance of what belongs to something that may stay in the box.

    Parameters
    ----------
    posterior : Posterior
        At the end of an episode.

    Returns
    -------
    Carried
        Of its equally weighted draws, wider by what so few of them leave open.
    """
    known = posterior.theta.copy()
    var_slow = posterior.filtered.var_slow
    slow = np.maximum(posterior.filtered.slow_humidity, np.maximum(_MEAN_ABOVE_0 * np.sqrt(var_slow), _DRIEST_SPOOLS))
    var_log_slow = np.log1p(var_slow / slow**2)  # of a lognormal with these moments
    known[:, Unknown.log_slow_humidity] = np.log(slow) - 0.5 * var_log_slow
    known[:, Unknown.log_conductance] = np.log(posterior.state.mean_conductance)
    known, episode = known[:, CARRIED], posterior.episode
    covariance, place = np.cov(known, rowvar=False), CARRIED.index(Unknown.log_slow_humidity)
    covariance *= _predictive_factor(posterior.draws.effective_sample_size, len(CARRIED))
    covariance[place, place] += var_log_slow.mean()
    return Carried(
        start_s=episode.start_s,
        at_s=posterior.now_s,
        desiccant=episode.desiccant,
        dry_mass_g=posterior.problem.prior.dry_mass_g,
        mean=known.mean(axis=0),
        covariance=covariance,
        follows_air=posterior.problem.prior.humidity_shows != "phase",
        weighed=bool(episode.weighings) or posterior.problem.prior.weighed_before,
    )


def _predictive_factor(draws: float, unknowns: int) -> float:
    """By how much one more draw varies beyond those seen, which tell mean and covariance only so well. [factor]

    Of a normal under Jeffreys' prior, (n + 1)(n - 1) / (n (n - p - 2)): Geisser, Cornfield 1963, J. R. Stat. Soc. B
    25:368, from memory. Draws are counted as effective ones, a judgement.
    """
    n = max(draws, 2.0 * (unknowns + 2.0))  # fewer say nothing of a spread; a judgement
    return (n + 1.0) * (n - 1.0) / (n * (n - unknowns - 2.0))
