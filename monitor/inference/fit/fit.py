"""The fit of a box: from its record to its posterior; under another prior; updated some hours later."""

from __future__ import annotations

import math
from dataclasses import fields, replace
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
from monitor.inference.model import normal
from monitor.inference.model.box_prior import prior_of, with_leak
from monitor.inference.model.carried import Carried, with_carried
from monitor.inference.model.kalman import run, run_on, water_at_start, weighed_as_put_in
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
_SEED, _SEED_BELOW = 1, 3
"""Of the random numbers, of a fit and of what is then below a limit. [count, no unit] Judgement: any but one another's
and that of the forecast, so that no noise comes twice."""
_LEAST_VAR_LOADING = 1e-14
"""The variance of a draw's water divides, and is taken for no less. [(g/g)²] Judgement: a spread of 1e-7 g/g shows on
no scale."""
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
    seed: int = _SEED,
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
    bins = _filled(bin_episode(record.box, episode, hours, room_hours, now_s), room, now_s)
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
        **_equally_weighted(draws, weighted_state, rng),
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


def under_pooled_prior(first: Posterior, pooled: tuple[float, float], seed: int = _SEED) -> Posterior:
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
    return replace(first, problem=problem, **_equally_weighted(draws, weighted_state, rng))


def refitted(posterior: Posterior, problem: Problem, seed: int = _SEED) -> Posterior:
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
    return replace(posterior, problem=problem, **_equally_weighted(*_sampled(problem, len(posterior.theta), rng), rng))


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


def _equally_weighted(
    draws: Draws, weighted_state: State, rng: np.random.Generator, errors: StandardErrors | None = None
) -> dict[str, Any]:
    """Equally weighted draws with a sampled state each: the fields of a posterior that come of its draws."""
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


def refreshed(posterior: Posterior, record: Record, now_s: float, seed: int = _SEED) -> Posterior:
    """Return the posterior some hours later, without a fit of the whole episode.

    The filter runs on from the last state of each draw, and draws are weighted by what was seen since. Hours before the
    last update are not needed. A new episode needs a new estimate, and so do many updates: the number of distinct draws
    falls (``effective_draws``).

    Parameters
    ----------
    posterior : Posterior
        At the last update.
    record : Record
        All that is known of the box; hours before the last update may be left out.
    now_s : float
        Later than the last update. [s since 1970 UTC]
    seed : int
        Of the random numbers.

    Returns
    -------
    Posterior
        At ``now_s``.
    """
    rng = np.random.default_rng(seed)
    seasonal = posterior.problem.assumptions.seasonal_room
    room_hours, room = room_before(record.room, record.declared_room, now_s, seasonal)
    since = replace(posterior.episode, start_s=posterior.now_s)
    hours = record.hours_before(now_s)
    bins = _filled(bin_episode(record.box, since, hours, room_hours, now_s, after=posterior.bins), room, now_s)
    theta, state = posterior.theta, replace(posterior.filtered)  # the filter puts other arrays into it
    aged_days = (posterior.now_s - posterior.episode.start_s) / DAY_S
    # a change of the seal is past: the state has the conductance since
    since_then = replace(posterior.problem, bins=bins, prior=posterior.problem.prior.without_change_point())
    score = run_on(since_then, theta, state, aged_days)
    weights = np.exp(score - score.max())
    draws = Draws(theta, weights / weights.sum(), 1)
    whole = replace(posterior.problem, bins=_joined(posterior.bins, bins))
    of_draws = _equally_weighted(draws, state, rng, _errors_of_updates(len(theta), seed))
    return replace(posterior, problem=whole, room=room, now_s=now_s, **of_draws)


@lru_cache(maxsize=2)  # numbers of draws, a count; judgement: a fit has one, and tests another
def _errors_of_updates(count: int, seed: int) -> StandardErrors:
    """The errors that are drawn after an update: of one seed, so every box has the same."""
    rng = np.random.default_rng(seed)
    rng.random()  # what resampling takes before
    errors = StandardErrors.drawn(count, rng)
    for values in errors:
        values.flags.writeable = False
    return errors


def unchanged(posterior: Posterior) -> Posterior:
    """Return a posterior that was kept for an update as one to answer from, of the same instant.

    Parameters
    ----------
    posterior : Posterior
        As ``for_update`` left it.

    Returns
    -------
    Posterior
        With as many draws.
    """
    count = len(posterior.theta)
    draws = Draws(posterior.theta, np.full(count, 1.0 / count), 1)
    errors = _errors_of_updates(count, _SEED)
    return replace(posterior, **_equally_weighted(draws, posterior.filtered, np.random.default_rng(_SEED), errors))


def _joined(older: Bins, newer: Bins) -> Bins:
    """Bins of an episode, and those that came after."""
    arrays = {
        f.name: np.concatenate((getattr(older, f.name), getattr(newer, f.name)))
        for f in fields(Bins)
        if f.name not in ("edges_days", "floor", "weighings", "colors", "swap_notes", "new_sensors")
    }
    shift, count = newer.length_days, len(older.days)
    later = tuple((i + count, mass, scale) for i, mass, scale in newer.weighings)
    colors = (*older.colors, *((i + count, seen) for i, seen in newer.colors))
    notes = (*older.swap_notes, *((i + count, note) for i, note in newer.swap_notes))
    edges = np.concatenate((older.edges_days - shift, newer.edges_days[1:]))
    return Bins(
        edges_days=edges,
        floor=older.floor,
        weighings=(*older.weighings, *later),
        colors=colors,
        swap_notes=notes,
        new_sensors=older.new_sensors,
        **arrays,
    )


def _filled(bins: Bins, room: LearnedRoom, now_s: float) -> Bins:
    """Bins without a value get the room's expected vapor pressure, and a temperature from their neighbors."""
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


def given_below(posterior: Posterior, limit: float) -> Posterior:
    """Return the posterior given that the box is still below a limit.

    Where nearly every draw is over it, those that aren't are few: so all weighted draws are reweighted by their chance
    of being below, and their water is drawn from a normal truncated there.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        [fraction of saturation]

    Returns
    -------
    Posterior
        The same where no draw could be below.
    """
    rng = np.random.default_rng(_SEED_BELOW)
    if posterior.hypothetical:
        return posterior
    problem, draws, state = posterior.problem, posterior.draws, posterior.weighted_state
    weights = draws.weights * normal.below(_room_below(state, limit, problem))
    if not weights.sum() > 0.0:
        return posterior
    chosen = replace(draws, weights=weights / weights.sum()).resampled(len(posterior.theta), rng)
    filtered = state.take(chosen)
    errors = StandardErrors.drawn(len(chosen), rng, _room_below(filtered, limit, problem))
    below = sampled_state(filtered, errors)
    return replace(posterior, theta=draws.theta[chosen], filtered=filtered, state=below)


def _room_below(state: State, limit: float, problem: Problem) -> FloatArray:
    """How many standard deviations of its water each draw lies below the limit."""
    table = state.drawn.table
    full = table.loading(np.full(len(state.loading), limit), float(problem.bins.temperature_degc[-1]))
    return np.asarray((full - state.loading) / np.sqrt(np.maximum(state.var_loading, _LEAST_VAR_LOADING)))
