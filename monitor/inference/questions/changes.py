"""Since when a box is leakier, or tighter, than it was: a change of its conductance, fitted with the day it came on.

First a quick look: ln G may jump at one of some days of the episode, and how much better the readings are then foretold
tells where to look closer. There a change, its day and how long it took become three more unknowns of a fit. The odds
for it are the density of no change before that fit over the density after it (Savage and Dickey's ratio [1]_). What is
believed then is a mixture of both fits by these odds: an open question widens the interval and is not talked away.

References
----------
.. [1] Dickey (1971), Ann. Math. Stat. 42:204.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logsumexp

from monitor.inference.leak import lived_conductance
from monitor.inference.posterior.believed import Posterior
from monitor.inference.posterior.evidence import DAY_S, Bins, roughly
from monitor.inference.posterior.filter import Problem, State, drawn_box, run
from monitor.inference.posterior.fit import refitted
from monitor.inference.posterior.priors import CHANGE, CHANGE_TOOK, CHANGED_DAY
from monitor.inference.posterior.quantiles import quantiles
from monitor.inference.posterior.sampler import Draws
from monitor.records import Quantiles

_CHANGE_SD = 1.2
"""A lid seated badly or a seal that fails, in ln conductance: a factor of three either way."""
_ONE_IN_DAYS = 400.0
"""How often that happens to a box (a judgement)."""
_DAY_SD = 12.0
_TOOK_LOG_DAYS, _TOOK_SD = np.log(4.0), 2.0
"""A lid left ajar in a moment, a seal that fails in days, one that ages over a season."""
_LOOKED_CLOSER_FROM = 0.7
"""Log of how much better some jump must foretell the readings."""
_SAID_FROM = 0.8
_NEGLIGIBLE = 0.02
_DRAWS = 40
_MOST_CANDIDATES = 16
_CLEAR_OF_START_DAYS, _CLEAR_OF_END_DAYS = 8.0, 3.0
_NO_DAY = -1e6
"""Stands for the day of a change in draws that have none."""
_BED_ANSWERS_DAYS = 2.0
"""A bed of beads shows what leaks in up to so many days late (a judgement); the balance takes it for at rest."""
_NEAR_OPENING_DAYS = 2.0
_SLOW_FROM_DAYS = 14.0
_RESEATED_SD = 0.35
"""A lid is seated anew at every recharge: episodes of a sound box differ by about this much in ln conductance."""
_WEATHER_SD = 0.5
"""Without a sensor in the room, weather passes for a conductance that changes by this much."""


@dataclass(frozen=True)
class Change:
    """A change of conductance: between which days, by what factor, and how sure."""

    at: datetime
    between: tuple[datetime, datetime]
    factor: Quantiles
    chance: float
    took_days: float = 0.0
    opened: str = ""
    """What opened the box about then: 'opening' or 'recharge'; empty where nothing was logged."""


@dataclass(frozen=True)
class Level:
    """How leaky a box was at the end of an episode, and the change within it where there was one."""

    since_s: float
    log_conductance: float
    sd: float
    change: Change | None


def with_change(posterior: Posterior) -> Posterior:
    """Return what is believed with a change of the seal allowed for, as far as the readings speak for one."""
    at = _suspected(posterior)
    if at is None:
        return posterior
    changed = refitted(posterior, _allowing(posterior.problem, at))
    chance = _chance(changed)
    return posterior if chance < _NEGLIGIBLE else _mixed(posterior, changed, chance)


def change_of(posterior: Posterior) -> Change | None:
    """Return the change that the readings of this episode insist on; None where they don't."""
    changed = _changed_draws(posterior)
    chance = float(changed.mean())
    if chance < _SAID_FROM:
        return None
    theta, start_s = posterior.theta[changed], posterior.episode.start_s
    rng, count = np.random.default_rng(len(theta)), len(theta)
    wandered = posterior.problem.assumptions.drift_sd * rng.standard_normal(count)
    days = theta[:, CHANGED_DAY] - _BED_ANSWERS_DAYS * rng.random(count)
    day = quantiles(np.clip(days, 0.0, posterior.bins.length_days))
    first, at, last = (_instant(start_s + d * DAY_S) for d in (day.p05, day.p50, day.p95))
    return Change(
        at=at,
        between=(first, last),
        factor=quantiles(np.exp(theta[:, CHANGE] + posterior.state.wander[changed] - wandered)),
        chance=chance,
        took_days=float(np.exp(np.median(theta[:, CHANGE_TOOK]))),
        opened="opening" if _opened_near(posterior, first, last) else "",
    )


def level_of(posterior: Posterior) -> Level:
    """Return how leaky a box was at the end of an episode."""
    logs = np.log(lived_conductance(posterior))
    return Level(posterior.episode.start_s, float(logs.mean()), float(logs.std()), change_of(posterior))


def latest_change(levels: Sequence[Level]) -> Change | None:
    """Return the newest change of a box, within an episode or from one to the next; levels in order of time."""
    for before, after in zip([None, *levels[:-1]][::-1], levels[::-1], strict=True):
        found = after.change or (None if before is None else _between(before, after))
        if found is not None:
            return found
    return None


def words_for(change: Change) -> str:
    """Return what a change may come from, in a plain sentence."""
    if change.factor.p50 < 1.0:
        return "It has sealed better since then."
    if change.opened == "recharge":
        return "The box was closed on fresh beads then: see whether its lid sits as it should."
    if change.opened == "opening":
        return "It was opened about then: see whether its lid sits as it should."
    if change.took_days > _SLOW_FROM_DAYS:
        return "It came on little by little, as with a seal that ages."
    return "No opening was logged about then: see whether its lid sits as it should, and whether its seal is sound."


def _between(before: Level, after: Level) -> Change | None:
    """A step from one episode to the next, where it is larger than what a lid seated anew explains."""
    gap, sd = after.log_conductance - before.log_conductance, float(np.hypot(before.sd, after.sd))
    chance = _chance_of(gap, sd, _RESEATED_SD, max((after.since_s - before.since_s) / DAY_S, 1.0))
    if not chance >= _SAID_FROM:  # nor where it is not a number
        return None
    at = _instant(after.since_s)
    factor = Quantiles(*(float(np.exp(gap + z * sd)) for z in (-1.645, 0.0, 1.645)))
    return Change(at, (at, at), factor, chance, opened="recharge")


def _suspected(posterior: Posterior) -> float | None:
    """Days into the episode at which a jump foretells the readings best; None where none does better than chance."""
    bins = roughly(posterior.bins)
    candidates = _candidates(bins)
    if len(candidates) == 0:
        return None
    theta = posterior.theta[:: max(len(posterior.theta) // _DRAWS, 1)]
    tried = len(candidates) + 1  # the last without a jump
    loosened = np.zeros((len(bins.days), tried, len(theta)))
    loosened[candidates, np.arange(len(candidates))] = _CHANGE_SD**2
    jumping = replace(bins, loosened=loosened.reshape(len(bins.days), -1))
    scores = run(replace(posterior.problem, bins=jumping), np.tile(theta, (tried, 1)))[0].reshape(tried, -1)
    gains = logsumexp(scores[:-1] - scores[-1], axis=1) - np.log(len(theta))
    best = int(gains.argmax())
    if not gains[best] >= _LOOKED_CLOSER_FROM:  # nor where it is not a number
        return None
    return float(bins.edges_days[candidates[best]] - bins.edges_days[0])


def _candidates(bins: Bins) -> list[int]:
    """Bins at whose start the jump is tried, clear of both ends."""
    edges = bins.edges_days[:-1]
    inside = np.flatnonzero((edges > edges[0] + _CLEAR_OF_START_DAYS) & (edges < -_CLEAR_OF_END_DAYS))
    return [int(i) for i in inside[:: max(-(-len(inside) // _MOST_CANDIDATES), 1)]]


def _allowing(problem: Problem, after_days: float) -> Problem:
    prior = problem.prior
    mean = np.r_[prior.mean, 0.0, after_days, _TOOK_LOG_DAYS]
    sd = np.r_[prior.sd, _CHANGE_SD, _DAY_SD, _TOOK_SD]
    return replace(problem, prior=replace(prior, mean=mean, sd=sd))


def _chance(changed: Posterior) -> float:
    """Chance of a change in the window looked into, from the fit that allows for one."""
    found = changed.theta[:, CHANGE]
    # what the readings alone say of it: the prior taken out again
    precision = max(float(found.var()) ** -1 - _CHANGE_SD**-2, 1e-6)
    gap, window_days = float(found.mean() / found.var()) / precision, float(np.sqrt(2.0 * np.pi)) * _DAY_SD
    return _chance_of(gap, precision**-0.5, 0.0 if changed.room_seen else _WEATHER_SD, window_days)


def _chance_of(gap: float, sd: float, usual_sd: float, window_days: float) -> float:
    """Chance that a step of ln G, known to a spread, is a change and not what is usual."""
    changed, usual = float(np.hypot(sd, np.hypot(usual_sd, _CHANGE_SD))), float(np.hypot(sd, usual_sd))
    log_odds = _log_density(gap, changed) - _log_density(gap, usual) + np.log(window_days / _ONE_IN_DAYS)
    return float(expit(log_odds))


def _mixed(plain: Posterior, changed: Posterior, chance: float) -> Posterior:
    """Draws of both fits, as many of each as the chance of a change allots."""
    count = len(plain.theta)
    some = round(chance * count)
    of_plain, of_changed = (np.linspace(0, count, n, endpoint=False).astype(np.intp) for n in (count - some, some))
    rest = np.tile([0.0, _NO_DAY, 0.0], (count - some, 1))
    theta = np.vstack([np.hstack([plain.theta[of_plain], rest]), changed.theta[of_changed]])
    filtered, state = (
        _joined(one.take(of_plain), other.take(of_changed), changed.problem, theta)
        for one, other in ((plain.filtered, changed.filtered), (plain.state, changed.state))
    )
    draws = Draws(theta, np.full(count, 1.0 / count), changed.draws.rounds)
    return replace(changed, draws=draws, standing=filtered, theta=theta, filtered=filtered, state=state)


def _joined(one: State, other: State, problem: Problem, theta: NDArray[np.float64]) -> State:
    names = [f.name for f in fields(State) if f.name != "drawn"]
    return State(drawn_box(problem, theta), **{n: np.r_[getattr(one, n), getattr(other, n)] for n in names})


def _changed_draws(posterior: Posterior) -> NDArray[np.bool_]:
    if posterior.theta.shape[1] <= CHANGE:
        return np.zeros(len(posterior.theta), dtype=bool)
    return np.asarray(posterior.theta[:, CHANGED_DAY] > 0.5 * _NO_DAY)


def _opened_near(posterior: Posterior, first: datetime, last: datetime) -> bool:
    reach_s = _NEAR_OPENING_DAYS * DAY_S
    opened_s = (*posterior.episode.openings_s, *posterior.episode.swaps_s)
    return any(first.timestamp() - reach_s < at_s < last.timestamp() + reach_s for at_s in opened_s)


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _log_density(away: float, sd: float) -> float:
    return float(-0.5 * (away / sd) ** 2 - np.log(sd))
