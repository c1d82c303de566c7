"""Readings to leak conductance and interval: the water balance read backward."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from monitor.errors import TooLittleEvidence
from monitor.inference.episodes import Episode, Habits, current_episode
from monitor.inference.posterior.beside_room import BiasSeen, Comparison, bias_seen
from monitor.inference.posterior.evidence import DAY_S, Bins, bin_episode, roughly
from monitor.inference.posterior.filter import Problem, State, run, run_on
from monitor.inference.posterior.hours import Hours
from monitor.inference.posterior.priors import CHANGE, CONDUCTANCE, CONDUCTANCE_PER_AIR_CHANGE, Assumptions, prior_of
from monitor.inference.posterior.sampler import Draws, sample, weighed_anew
from monitor.inference.room import LearnedRoom, learn_room
from monitor.physics.leakage import opening_water_g
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LeakEstimate, LedgerEntry, Quantiles, RoomClimate

LEAST_DAYS = 1.5
"""Fewer days with readings, after the box came to rest, carry no estimate."""

_LEAST_APART_KPA = 0.05
"""Nearer to the room than this an opening brings nothing worth a word."""
MODEL_SD = 0.12
"""What no draw covers, in ln conductance: a bed that isn't at rest, one lag for all spools (a judgement)."""


@dataclass(frozen=True, eq=False)
class Record:
    """Everything known of one box: what it is, what it and the room showed, what was logged."""

    box: Box
    hours: Hours
    room: Hours | None = None
    entries: tuple[LedgerEntry, ...] = ()
    declared_room: RoomClimate | None = None
    comparisons: tuple[Comparison, ...] = ()
    """What the box showed beside the room while it stood open."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is believed of a box now: weighted draws of its constants, and equally weighted ones with their state."""

    problem: Problem
    room: LearnedRoom
    draws: Draws
    standing: State
    """Where each draw of ``draws`` stands, with the errors the filter carries."""
    theta: FloatArray
    filtered: State
    """The same for each draw of ``theta``."""
    state: State
    """One plausible present for each."""
    now_s: float
    room_seen: bool
    temperature_above_room_degc: float
    shelf: Habits | None = None
    """How the boxes of the shelf are used; None where only this one is known."""
    as_given: bool = False
    """True for a box as it would be: its draws are not weighed anew."""

    @property
    def box(self) -> Box:
        return self.problem.box

    @property
    def episode(self) -> Episode:
        return self.problem.episode

    @property
    def bins(self) -> Bins:
        return self.problem.bins

    @property
    def left(self) -> float:
        """How many draws of the constants are left, as equal ones: every night some go and others come twice."""
        _, copies = np.unique(self.theta[:, CONDUCTANCE], return_counts=True)
        return float(copies.sum() ** 2 / np.square(copies).sum())

    def at_night(self) -> Posterior:
        """Return what a later look carries on from, and no more: a third of the size."""
        none = np.empty(0, np.intp)
        nobody = self.filtered.take(none)
        draws = Draws(self.draws.theta[none], self.draws.weights[none], self.draws.rounds)
        return replace(self, draws=draws, standing=nobody, state=nobody)

    def without_present(self) -> Posterior:
        """Return what a look under another prior starts from, and no more: a third of the size."""
        none = np.empty(0, np.intp)
        nobody = self.standing.take(none)
        return replace(self, theta=self.theta[none], filtered=nobody, state=nobody)


def estimate(
    record: Record,
    now_s: float,
    *,
    pooled: tuple[float, float] | None = None,
    assumptions: Assumptions | None = None,
    count: int = 1000,
    seed: int = 1,
    least_days: float = LEAST_DAYS,
) -> Posterior:
    """Return what is believed of a box from everything before ``now_s`` (seconds since 1970 UTC).

    Raises
    ------
    TooLittleEvidence
        If there are no readings after the box came to rest, and no weighing either.
    """
    assumptions = assumptions or Assumptions()
    rng = np.random.default_rng(seed)
    hours = record.hours.before(now_s)
    room_hours, room = room_before(record.room, record.declared_room, now_s, assumptions.seasonal_room)
    episode = current_episode(record.box, hours, record.entries, now_s)
    bins = _filled(bin_episode(record.box, episode, hours, room_hours, now_s), room, now_s)
    if bins.seen_days < least_days and not bins.weighings:
        raise TooLittleEvidence(
            f"{record.box.name}: {bins.seen_days:.1f} days of readings since the box was closed and came to rest; "
            f"an estimate needs {least_days:.1f}"
        )
    prior = prior_of(record.box, episode, assumptions, pooled)
    problem = Problem(record.box, episode, bins, prior, assumptions, _bias_seen(record, assumptions, now_s))
    draws, standing = _sampled(problem, count, rng)
    seen = room_hours is not None and len(room_hours) > 0
    return Posterior(
        problem=problem,
        room=room,
        now_s=now_s,
        room_seen=seen,
        temperature_above_room_degc=_above_room(bins, room, now_s),
        **_present(draws, standing, rng),
    )


@lru_cache(maxsize=8)
def room_before(
    room: Hours | None, declared: RoomClimate | None, now_s: float, seasonal: bool
) -> tuple[Hours | None, LearnedRoom]:
    """Return what a room showed before an instant, and what that teaches; kept, as many boxes share a room."""
    hours = None if room is None else room.before(now_s)
    return hours, learn_room(hours, declared, now_s, seasonal)


def under_pooled(first: Posterior, pooled: tuple[float, float], seed: int = 1) -> Posterior:
    """Return a first look under a prior of the leak that boxes of its kind and earlier episodes taught.

    The readings said what they said: draws are only weighed anew, and made anew where too few of them would count.
    """
    rng = np.random.default_rng(seed)
    prior = prior_of(first.box, first.episode, first.problem.assumptions, pooled)
    problem, draws, standing = replace(first.problem, prior=prior), weighed_anew(first.draws, prior), first.standing
    if not draws.enough:
        draws, standing = _sampled(problem, len(first.draws.theta), rng, near=draws)
    return replace(first, problem=problem, **_present(draws, standing, rng))


def refitted(posterior: Posterior, problem: Problem, seed: int = 1) -> Posterior:
    """Return what is believed with something more allowed for than was at first: the same readings, fitted anew."""
    rng = np.random.default_rng(seed)
    return replace(posterior, problem=problem, **_present(*_sampled(problem, len(posterior.theta), rng), rng))


def _sampled(problem: Problem, count: int, rng: np.random.Generator, near: Draws | None = None) -> tuple[Draws, State]:
    """Weighted draws, and where each of them stands."""
    states: list[State] = []

    def log_likelihood(theta: FloatArray) -> FloatArray:
        score, state = run(problem, theta)
        states[:] = [state]
        return score

    bins = roughly(problem.bins)
    rough = None if bins is problem.bins else partial(_log_likelihood, replace(problem, bins=bins))
    return sample(problem.prior, log_likelihood, count, rng, rough=rough, near=near), states[-1]


def _log_likelihood(problem: Problem, theta: FloatArray) -> FloatArray:
    return run(problem, theta)[0]


def _present(draws: Draws, standing: State, rng: np.random.Generator) -> dict[str, Any]:
    """Equally weighted draws, and for each one plausible present: the fields of a posterior that come of its draws."""
    chosen = draws.chosen(len(draws.theta), rng)
    filtered = standing.take(chosen)
    return {
        "draws": draws,
        "standing": standing,
        "theta": draws.theta[chosen],
        "filtered": filtered,
        "state": settled(filtered, rng),
    }


def _bias_seen(record: Record, assumptions: Assumptions, now_s: float) -> BiasSeen | None:
    """What comparisons with the room say of the sensor that is in the box now."""
    swaps = (e.at.timestamp() for e in record.entries if e.kind is EntryKind.sensor_swap)
    since_s = max((s for s in swaps if s < now_s), default=-np.inf)
    found = [one for one in record.comparisons if one.at_s >= since_s]
    return bias_seen(found, record.box.sensor, assumptions, now_s)


def refreshed(posterior: Posterior, record: Record, now_s: float, seed: int = 1) -> Posterior:
    """Return what is believed after some more hours, without looking at the whole episode again.

    The states of all draws are carried on from where they stood and weighed by what was seen since. Hours before the
    last look are not asked for again. A new episode needs a new estimate, and so do many such days: fewer and fewer
    draws are left (``left`` tells).
    """
    rng = np.random.default_rng(seed)
    seasonal = posterior.problem.assumptions.seasonal_room
    room_hours, room = room_before(record.room, record.declared_room, now_s, seasonal)
    since = replace(posterior.episode, start_s=posterior.now_s)
    hours = record.hours.before(now_s)
    bins = _filled(bin_episode(record.box, since, hours, room_hours, now_s, after=posterior.bins), room, now_s)
    theta, state = posterior.theta, posterior.filtered.take(np.arange(len(posterior.theta)))
    aged_days = (posterior.now_s - posterior.episode.start_s) / DAY_S
    # a change of the seal lies behind: the state carries the conductance since
    score = run_on(replace(posterior.problem, bins=bins), theta[:, :CHANGE], state, aged_days)
    weights = np.exp(score - score.max())
    draws = Draws(theta, weights / weights.sum(), 1)
    whole = replace(posterior.problem, bins=_joined(posterior.bins, bins))
    return replace(posterior, problem=whole, room=room, now_s=now_s, **_present(draws, state, rng))


def _joined(older: Bins, newer: Bins) -> Bins:
    """Bins of an episode, and those that came after."""
    arrays = {
        f.name: np.r_[getattr(older, f.name), getattr(newer, f.name)]
        for f in fields(Bins)
        if f.name not in ("edges_days", "floor", "weighings", "colors")
    }
    shift, count = newer.length_days, len(older.days)
    later = tuple((i + count, mass, scale) for i, mass, scale in newer.weighings)
    colors = (*older.colors, *((i + count, seen) for i, seen in newer.colors))
    edges = np.r_[older.edges_days - shift, newer.edges_days[1:]]
    return Bins(edges_days=edges, floor=older.floor, weighings=(*older.weighings, *later), colors=colors, **arrays)


def _filled(bins: Bins, room: LearnedRoom, now_s: float) -> Bins:
    """Bins without a value get the room's expected vapor pressure, and a temperature from their neighbors."""
    middle = now_s / DAY_S + 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])
    outside = np.where(np.isfinite(bins.outside_kpa), bins.outside_kpa, room.expected_kpa(middle))
    warm, known = bins.temperature_degc, np.isfinite(bins.temperature_degc)
    warm = np.interp(middle, middle[known], warm[known]) if known.any() else room.temperature.course(middle)
    return replace(bins, outside_kpa=outside, temperature_degc=np.clip(warm, -30.0, 80.0))


def _above_room(bins: Bins, room: LearnedRoom, now_s: float) -> float:
    recent = slice(-20, None)
    middle = now_s / DAY_S + 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])
    return float(np.mean(bins.temperature_degc[recent] - room.temperature.course(middle)[recent]))


def given_below(posterior: Posterior, limit: float, seed: int = 3) -> Posterior:
    """Return what is believed given that the box is still below a limit.

    Where nearly every draw is over it, those that aren't are few and say most: all weighted draws are judged anew by
    their chance of being below, and their water is drawn below it.
    """
    rng = np.random.default_rng(seed)
    if posterior.as_given:
        return posterior
    problem, draws, state = posterior.problem, posterior.draws, posterior.standing
    weights = draws.weights * ndtr(_room_below(state, limit, problem))
    if not weights.sum() > 0.0:
        return posterior
    chosen = replace(draws, weights=weights / weights.sum()).chosen(len(posterior.theta), rng)
    filtered = state.take(chosen)
    below = settled(filtered, rng, _room_below(filtered, limit, problem))
    return replace(posterior, theta=draws.theta[chosen], filtered=filtered, state=below)


def _room_below(state: State, limit: float, problem: Problem) -> FloatArray:
    """How many standard deviations of its water each draw lies below the limit."""
    table = state.drawn.table
    full = table.loading(np.full(len(state.loading), limit), float(problem.bins.temperature_degc[-1]))
    return np.asarray((full - state.loading) / np.sqrt(np.maximum(state.var_loading, 1e-14)))


def settled(state: State, rng: np.random.Generator, highest: FloatArray | float = np.inf) -> State:
    """Draw water and conductance from the errors the filter carries, so that each draw is one plausible present."""
    sd_loading = np.sqrt(np.maximum(state.var_loading, 0.0))
    sd_wander = np.sqrt(np.maximum(state.var_wander, 1e-12))
    tie = np.clip(state.covariance / np.maximum(sd_loading * sd_wander, 1e-15), -0.999, 0.999)
    # a normal cut off above, by the inverse of its distribution
    first = ndtri(np.maximum(rng.random(len(sd_wander)) * ndtr(highest), 1e-300))
    second = rng.standard_normal(len(sd_wander))
    loading = state.drawn.table.keep_within(state.loading + sd_loading * first)
    wander = state.wander + sd_wander * (tie * first + np.sqrt(1.0 - tie * tie) * second)
    zero = np.zeros_like(loading)
    return replace(state, loading=loading, wander=wander, var_loading=zero, covariance=zero, var_wander=zero)


def quantiles(values: FloatArray) -> Quantiles:
    """Return the 5, 50 and 95 % points of equally weighted draws."""
    return Quantiles(*(float(q) for q in np.quantile(values, [0.05, 0.50, 0.95])))


def lived_conductance(posterior: Posterior) -> FloatArray:
    """Return draws of the conductance since the last recharge, with what the model itself may be off by. [g/day/kPa]"""
    rng = np.random.default_rng(len(posterior.theta))
    sd = np.hypot(MODEL_SD, 0.0 if posterior.room_seen else _assumed_room_sd(posterior))
    return posterior.state.lived_conductance * np.exp(sd * rng.standard_normal(len(posterior.theta)))


def _assumed_room_sd(posterior: Posterior) -> FloatArray:
    """What a room nobody measured leaves open, in ln conductance: water came in, but by how much of a push?

    The forecast hardly minds: a moister room behind a tighter box brings the same water.
    """
    middle = posterior.now_s / DAY_S - 0.5 * posterior.bins.length_days
    outside = float(posterior.room.expected_kpa(np.array([middle]))[0])
    apart = np.maximum(posterior.state.dose_kpa_days / posterior.bins.length_days, 0.3 * outside)
    return np.asarray(posterior.room.log_vapor.sd(middle) * outside / apart)


def leak_of(posterior: Posterior) -> LeakEstimate:
    """Return how leaky a box is, with the water it takes in now, in summer and in winter."""
    lived, opening = lived_conductance(posterior), _opening(posterior)
    return LeakEstimate(
        conductance_g_per_day_per_kpa=quantiles(lived),
        air_changes_per_day=quantiles(lived / (CONDUCTANCE_PER_AIR_CHANGE * posterior.box.volume_liter)),
        ingress_g_per_day=quantiles(_ingress(posterior, posterior.now_s / DAY_S, posterior.state.conductance)),
        ingress_summer_g_per_day=quantiles(_ingress(posterior, _summer_day(posterior), lived)),
        ingress_winter_g_per_day=quantiles(_ingress(posterior, _summer_day(posterior) + 182.6, lived)),
        capacity_share_per_day_per_kpa=_capacity_share(posterior, lived),
        grams_known=grams_known(posterior),
        opening_g=opening[0] if opening else None,
        opening_hours=opening[1] if opening else None,
    )


def _capacity_share(posterior: Posterior, lived: FloatArray) -> Quantiles | None:
    """Conductance over the water that the charge holds at rest with the limit at 23 °C."""
    if posterior.episode.desiccant is None:
        return None
    drawn = posterior.state.drawn
    full = drawn.table.loading(np.full(len(lived), posterior.box.humidity_limit), 23.0) * drawn.dry_mass_g
    return quantiles(lived / full)


def _opening(posterior: Posterior) -> tuple[Quantiles, Quantiles] | None:
    """What one opening brings, all the air of the box changed for the room's, and how many hours of leak do the same.

    Spools and walls take up some on top, an opening of seconds changes less: the order of size is what counts.
    """
    now = posterior.now_s / DAY_S
    warm = float(posterior.bins.temperature_degc[-1])
    apart_kpa = _apart_kpa(posterior, now)
    water_g = np.asarray(opening_water_g(posterior.box.volume_liter, 1e3 * apart_kpa, 0.0, warm))
    if np.median(apart_kpa) <= _LEAST_APART_KPA:
        return None
    per_conductance = np.asarray(opening_water_g(posterior.box.volume_liter, 1e3, 0.0, warm))
    hours = 24.0 * per_conductance / posterior.state.conductance
    return quantiles(water_g), quantiles(hours)


def grams_known(posterior: Posterior) -> bool:
    """True where weighings or a test of the empty box tie the estimate to grams; a box without desiccant is so tied."""
    episode = posterior.episode
    return len(episode.weighings) > 0 or episode.leak_tested or episode.desiccant is None


def _summer_day(posterior: Posterior) -> float:
    """A day of the room's highest vapor pressure."""
    days = np.arange(0.0, 366.0)
    return float(days[np.argmax(posterior.room.log_vapor.course(1e5 + days))] + 1e5)


def _ingress(posterior: Posterior, day: float, conductance: FloatArray) -> FloatArray:
    """G times the difference of vapor pressures on a day, the box as humid as it is now. [g/day]"""
    return conductance * _apart_kpa(posterior, day)


def _apart_kpa(posterior: Posterior, day: float) -> FloatArray:
    """Vapor pressure of the room on a day above that of the box as it is now. [kPa]"""
    warm = float(posterior.bins.temperature_degc[-1])
    humidity, _ = posterior.state.drawn.table.humidity(posterior.state.loading, warm)
    inside = humidity * float(saturation_vapor_pressure_pa(warm)) / 1e3
    outside = float(posterior.room.expected_kpa(np.array([day]))[0])
    return np.asarray(outside - inside)
