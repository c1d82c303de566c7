"""The fit of a box: from its record to its posterior, and under another prior."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache, partial
from typing import Any

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.bins import Bins, bin_episode, for_rough_likelihood
from monitor.inference.evidence.continuity import stayed_in
from monitor.inference.evidence.episodes import current_episode
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.room_climate import LearnedRoom, interned, learn_room
from monitor.inference.fit.importance import (
    Draws,
    reweighted,
    sample,
)
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.model.box_prior import prior_of, with_leak
from monitor.inference.model.carried import Carried, with_carried
from monitor.inference.model.kalman import run, water_at_start, weighed_as_put_in
from monitor.inference.model.prior import Assumptions
from monitor.inference.model.sensor_bias import BiasLikelihood, bias_likelihood
from monitor.inference.model.state import OF_DRAWS, Problem, StandardErrors, State, drawn_box, sampled_state
from monitor.physics.numerics import FloatArray
from monitor.records import EntryKind, RoomClimate
from monitor.texts import NAMED, say, say_many

LEAST_DAYS = 1.5
"""Fewer days with readings, after the box came to rest, carry no estimate. [days] Judgement: three half-day bins."""
_DRAWS = 1000
"""Draws of a posterior. Judgement: a 5 % point then rests on 50 of them."""
COLDEST_DEGC, WARMEST_DEGC = -30.0, 80.0
"""A box's temperature is kept within these: what spaces and sensors bear. [°C] Judgement."""
SEED = 1
"""Of the random numbers. [count, no unit] Judgement: any but those of ``below`` and the forecast, so that no noise
comes twice."""
_ABOVE_ROOM_BINS = 20
"""How much warmer than its room a box is, is a mean over so many last bins. [bins] Judgement: some weeks."""


def estimate(
    record: Record,
    now_s: float,
    *,
    pooled: tuple[float, float] | None = None,
    carried: Carried | None = None,
    assumptions: Assumptions | None = None,
    count: int = _DRAWS,
    seed: int = SEED,
    least_days: float = LEAST_DAYS,
) -> Posterior:
    """Return the posterior of a box from everything before an instant.

    Parameters
    ----------
    record : Record
        All that is known of the box.
    now_s : float
        What came later doesn't count. [s since 1970 UTC]
    pooled : (float, float), optional
        Prior mean and standard deviation of ln(air changes a day); those of its style where left out. [ln(1/day)]
    carried : Carried, optional
        What an earlier episode says of what stayed in the box.
    assumptions : Assumptions, optional
        The model of errors.
    count : int
        How many draws.
    seed : int
        Of the random numbers.
    least_days : float
        Fewer days with readings carry no estimate. [days]

    Returns
    -------
    Posterior
        At ``now_s``.

    Raises
    ------
    TooLittleEvidence
        If there are no readings after the box came to rest, and no weighing either.
    """
    assumptions = assumptions or Assumptions()
    rng = np.random.default_rng(seed)
    hours = record.hours_before(now_s)
    room_hours, room = room_before(record.room, record.declared_room, now_s, assumptions.seasonal_room)
    episode = current_episode(
        record.box, hours, record.entries, now_s, since_s=record.since_s, about_swaps=record.about_swaps
    )
    bins = filled(bin_episode(record.box, episode, hours, room_hours, now_s), room, now_s)
    if bins.seen_days < least_days and not bins.weighings:
        raise TooLittleEvidence(say(NAMED, box=record.box.name, why=_too_new(least_days - bins.seen_days)))
    prior = prior_of(record.box, episode, assumptions, pooled)
    if carried is not None:
        stayed = stayed_in(
            record.entries, box=record.box.name, from_s=carried.start_s, until_s=carried.at_s, start_s=episode.start_s,
            now_s=now_s,
        )  # fmt: skip
        prior = with_carried(
            prior, carried, stayed, box=record.box, desiccant=episode.desiccant, assumptions=assumptions
        )
    compared = _bias_likelihood(record, assumptions, now_s)
    problem = Problem(record.box, episode, bins, prior, assumptions, compared, span_days=bins.length_days)
    draws, weighted_state = _sampled(problem, count, rng)
    room_measured = room_hours is not None and len(room_hours) > 0
    return Posterior(
        problem=problem,
        room=room,
        now_s=now_s,
        room_measured=room_measured,
        temperature_above_room_degc=_above_room(bins, room, now_s),
        **equally_weighted(draws, weighted_state, rng),
    )


def _too_new(lacking_days: float) -> str:
    hours = max(math.ceil(24.0 * lacking_days), 1)  # a day, by definition
    return say_many(
        "too new: the forecast starts after about {count} more hour of readings. Keep it closed",
        "too new: the forecast starts after about {count} more hours of readings. Keep it closed",
        hours,
    )


@lru_cache(maxsize=8)
def room_before(
    room: Hours | None, declared: RoomClimate | None, now_s: float, seasonal: bool
) -> tuple[Hours | None, LearnedRoom]:
    """Return what a room showed before an instant, and the climate learned from it; cached, as boxes share rooms.

    Parameters
    ----------
    room : Hours or None
        What its sensor showed.
    declared : RoomClimate or None
        What a person said of it.
    now_s : float
        [s since 1970 UTC]
    seasonal : bool
        False holds the year flat.

    Returns
    -------
    (Hours or None, LearnedRoom)
        What it showed before that instant, and its climate.
    """
    hours = None if room is None else room.before(now_s)
    return hours, interned(learn_room(hours, declared, now_s, seasonal))


def under_pooled_prior(first: Posterior, pooled: tuple[float, float], seed: int = SEED) -> Posterior:
    """Return the posterior of a first fit under a prior of the leak that is pooled over boxes and earlier episodes.

    The likelihood stays, so draws are only reweighted; new ones are drawn where too few would be effective.

    Parameters
    ----------
    first : Posterior
        As ``estimate`` made it.
    pooled : (float, float)
        Mean and standard deviation of ln(air changes a day). [ln(1/day)]
    seed : int
        Of the random numbers.

    Returns
    -------
    Posterior
        At the same instant, with as many draws.
    """
    rng = np.random.default_rng(seed)
    prior = with_leak(first.problem.prior, first.box, pooled)
    problem, draws, weighted_state = (
        replace(first.problem, prior=prior),
        reweighted(first.draws, prior),
        first.weighted_state,
    )
    if not draws.enough:
        draws, weighted_state = _sampled(problem, len(first.draws.theta), rng, near=draws)
    return replace(first, problem=problem, **equally_weighted(draws, weighted_state, rng))


def refitted(posterior: Posterior, problem: Problem, seed: int = SEED) -> Posterior:
    """Return the posterior of the same readings under a prior with more unknowns.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    problem : Problem
        The same with more unknowns in its prior.
    seed : int
        Of the random numbers.

    Returns
    -------
    Posterior
        At the same instant, with as many draws.
    """
    rng = np.random.default_rng(seed)
    return replace(posterior, problem=problem, **equally_weighted(*_sampled(problem, len(posterior.theta), rng), rng))


def _sampled(problem: Problem, count: int, rng: np.random.Generator, near: Draws | None = None) -> tuple[Draws, State]:
    """Weighted draws, and the filtered state of each."""
    states: list[State] = []

    def log_likelihood(theta: FloatArray) -> FloatArray:
        score, state = run(problem, theta)
        states.append(state)
        return score

    bins = for_rough_likelihood(problem.bins)
    rough = None if bins is problem.bins else partial(_log_likelihood, replace(problem, bins=bins))
    water = partial(water_at_start, problem) if weighed_as_put_in(problem) else None
    draws = sample(problem.prior, log_likelihood, count, rng, rough=rough, near=near, water_at_start=water)
    return replace(draws, evaluated=None), _states_of(draws, states, problem)


def _states_of(draws: Draws, states: list[State], problem: Problem) -> State:
    """The state that the filter left of each draw."""
    values = {name: np.concatenate([getattr(one, name) for one in states])[draws.evaluated] for name in OF_DRAWS}
    return State(drawn=drawn_box(problem, draws.theta), **values)


def _log_likelihood(problem: Problem, theta: FloatArray) -> FloatArray:
    return run(problem, theta)[0]


def equally_weighted(
    draws: Draws, weighted_state: State, rng: np.random.Generator, errors: StandardErrors | None = None
) -> dict[str, Any]:
    """Return the fields of a posterior that come of its draws: equally weighted ones, with a sampled state each.

    Parameters
    ----------
    draws : Draws
        Weighted.
    weighted_state : State
        That the filter left of each.
    rng : Generator
        Random numbers.
    errors : StandardErrors, optional
        By which states are sampled; drawn where left out.

    Returns
    -------
    dict
        Of ``Posterior``.

    Raises
    ------
    FloatingPointError
        If the water or the leak of a draw is not a finite number.
    """
    chosen = draws.resampled(len(draws.theta), rng)
    filtered = weighted_state.take(chosen)
    state = sampled_state(filtered, errors or StandardErrors.drawn(len(chosen), rng))
    _require_finite(state)
    return {
        "draws": draws,
        "weighted_state": weighted_state,
        "theta": draws.theta[chosen],
        "filtered": filtered,
        "state": state,
    }


def _require_finite(state: State) -> None:
    """Stop at the box what is not a number: further on, it would enter the pooled prior of others.

    Raises
    ------
    FloatingPointError
        If the water or the leak of a draw is not finite, or a leak is not above zero.
    """
    now, mean = state.conductance, state.mean_conductance
    sound = np.isfinite(state.loading) & np.isfinite(now + mean) & (np.minimum(now, mean) > 0.0)
    if not sound.all():
        raise FloatingPointError(f"water or leak of {int((~sound).sum())} of {len(sound)} draws is not a finite number")


def _bias_likelihood(record: Record, assumptions: Assumptions, now_s: float) -> BiasLikelihood | None:
    """What comparisons with the room say of the sensor that is in the box now."""
    swaps = (e.at.timestamp() for e in record.entries if e.kind is EntryKind.sensor_swap)
    since_s = max((s for s in swaps if s < now_s), default=-np.inf)
    found = [one for one in record.comparisons if one.at_s >= since_s]
    return bias_likelihood(found, record.box.sensor, assumptions, now_s)


def filled(bins: Bins, room: LearnedRoom, now_s: float) -> Bins:
    """Return bins in which those without a value have the room's expected vapor pressure, and their neighbors' warmth.

    Parameters
    ----------
    bins : Bins
        NaN where nothing was seen.
    room : LearnedRoom
        Around the box.
    now_s : float
        The end of the bins. [s since 1970 UTC]

    Returns
    -------
    Bins
        Temperatures from ``COLDEST_DEGC`` to ``WARMEST_DEGC``.
    """
    middle = now_s / DAY_S + 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])
    outside, seen = bins.outside_kpa, np.isfinite(bins.outside_kpa)
    if not seen.all():
        outside = np.where(seen, outside, room.expected_kpa(middle))
    degc, known = bins.temperature_degc, np.isfinite(bins.temperature_degc)
    if not known.all():
        degc = np.interp(middle, middle[known], degc[known]) if known.any() else room.temperature.course(middle)
    return replace(bins, outside_kpa=outside, temperature_degc=np.clip(degc, COLDEST_DEGC, WARMEST_DEGC))


def _above_room(bins: Bins, room: LearnedRoom, now_s: float) -> float:
    recent = slice(-_ABOVE_ROOM_BINS, None)
    middle = now_s / DAY_S + 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])
    return float(np.mean(bins.temperature_degc[recent] - room.temperature.course(middle)[recent]))
