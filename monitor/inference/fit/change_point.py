"""Since when a box is leakier, or tighter, than it was: a change point of its conductance, fitted with its day.

First a scan: ln G may jump at one of some days of the episode, and the day that raises the likelihood most is the
candidate. There the change, its day and how long it took become three more unknowns of a fit. The odds for it are the
posterior density at no change over the prior density there, inverted (Savage and Dickey's ratio [1]_). The posterior is
then a mixture of both fits by these odds, so that an open question widens the interval.

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

from monitor.inference.evidence.bins import (
    DAY_S,
    Bins,
    for_rough_likelihood,
)
from monitor.inference.fit.fit import refitted
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantiles
from monitor.inference.fit.reseating import BETWEEN_EPISODES_SD
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Normal, Unknown
from monitor.inference.model.state import (
    Problem,
    State,
    drawn_box,
)
from monitor.records import NORMAL_P95, Quantiles
from monitor.texts import say

_CHANGE_SD = 1.2
"""A lid seated badly or a seal that fails: a factor of three either way. [ln conductance] Judgement."""
_ONE_IN_DAYS = 400.0
"""How often that happens to a box. [days] Judgement."""
_DAY_SD = 12.0
"""How far the day lies from the candidate. [days] Judgement: candidates lie up to some weeks apart."""
_TOOK_LOG_DAYS, _TOOK_SD = np.log(4.0), 2.0
"""How long it took, median [ln days] and sd: a lid left ajar in a moment, a seal that fails in days, one that ages over
a season. Judgement."""
_LEAST_LOG_GAIN = 0.7
"""Gain of the log-likelihood from which a candidate is fitted. [nat] Judgement: a factor of two."""
_REPORTED_FROM = 0.8
"""Chance from which a change is reported. [chance] Judgement: four times out of five."""
_NEGLIGIBLE = 0.02
"""A smaller chance is left out of the mixture. [chance] Judgement: it would move no 5 % point."""
_DRAWS = 40
"""Draws that the scan tries each day with. [draws] Judgement: it only finds a candidate."""
_MOST_CANDIDATES = 16
"""Days that it tries. [days] Judgement: a bound on the work."""
_CLEAR_OF_START_DAYS, _CLEAR_OF_END_DAYS = 8.0, 3.0
"""No candidate lies nearer to the ends of an episode. [days] Judgement: at first contents settle, and a change of today
has no readings yet."""
_NO_DAY = -1e6
"""Stands for the day of a change in draws that have none. [days] Judgement: longer before any episode than records go
back."""
_LEAST_PRECISION = 1e-6
"""Precision of what readings say of a change, where the fit is no narrower than its prior. [1/(ln conductance)²]
Judgement: far below that prior's own, 0.7; it keeps a division sound."""
_BED_ANSWERS_DAYS = 2.0
"""A bed of beads shows what leaks in up to so many days late; the balance takes it for at rest. [days] Judgement."""
_NEAR_OPENING_DAYS = 2.0
"""An opening so near a change is named with it. [days] Judgement."""
_SLOW_FROM_DAYS = 14.0
"""A change that took longer counts as gradual. [days] Judgement: two weeks, more than a lid left ajar goes
unnoticed."""
_WEATHER_SD = 0.5
"""Without a sensor in the room, weather passes for a conductance that changes by this much. [ln conductance] Judgement:
vapor pressure of a room moves by half within weeks."""


@dataclass(frozen=True)
class ChangePoint:
    """A change of conductance: between which days, by what factor, and how sure."""

    at: datetime
    """When half of it had come: the median."""
    between: tuple[datetime, datetime]
    """5 and 95 % points of that."""
    factor: Quantiles
    """Conductance after it over that before. [ratio]"""
    chance: float
    """That there was one. [fraction]"""
    took_days: float = 0.0
    """Median of how long it took; 0 from one episode to the next. [days]"""
    opened: str = ""
    """What opened the box about then: 'opening' or 'recharge'; empty where nothing was logged."""


@dataclass(frozen=True)
class Level:
    """How leaky a box was at the end of an episode, and the change within it where there was one."""

    since_s: float
    """Start of the episode. [s since 1970 UTC]"""
    log_conductance: float
    """Mean over the draws. [ln(g/day/kPa)]"""
    sd: float
    """Over the draws. [ln(g/day/kPa)]"""
    change: ChangePoint | None
    """Within the episode; None without any."""


def with_change_point(posterior: Posterior) -> Posterior:
    """Return the posterior with a change point allowed for, as far as the readings support one.

    Parameters
    ----------
    posterior : Posterior
        Of one episode, without a change point.

    Returns
    -------
    Posterior
        The same where they support none; else draws of both models by their odds.
    """
    at = _candidate_day(posterior)
    if at is None:
        return posterior
    changed = refitted(posterior, _with_unknown_change(posterior.problem, at))
    chance = _chance(changed)
    return posterior if chance < _NEGLIGIBLE else _mixed(posterior, changed, chance)


def change_point_of(posterior: Posterior) -> ChangePoint | None:
    """Return the change point of this episode, where it is likely enough.

    Parameters
    ----------
    posterior : Posterior
        As ``with_change_point`` made it.

    Returns
    -------
    ChangePoint or None
        None where its chance is below ``_REPORTED_FROM``.
    """
    changed = _changed_draws(posterior)
    chance = float(changed.mean())
    if chance < _REPORTED_FROM:
        return None
    theta, start_s = posterior.theta[changed], posterior.episode.start_s
    rng, count = np.random.default_rng(len(theta)), len(theta)
    wandered = posterior.problem.assumptions.drift_sd * rng.standard_normal(count)
    days = theta[:, Unknown.change_day] - _BED_ANSWERS_DAYS * rng.random(count)
    day = quantiles(np.clip(days, 0.0, posterior.bins.length_days))
    first, at, last = (_instant(start_s + d * DAY_S) for d in (day.p05, day.p50, day.p95))
    return ChangePoint(
        at=at,
        between=(first, last),
        factor=quantiles(np.exp(theta[:, Unknown.log_change_factor] + posterior.state.wander[changed] - wandered)),
        chance=chance,
        took_days=float(np.exp(np.median(theta[:, Unknown.log_change_duration]))),
        opened="opening" if _opened_near(posterior, first, last) else "",
    )


def level_of(posterior: Posterior) -> Level:
    """Return how leaky a box was at the end of an episode.

    Parameters
    ----------
    posterior : Posterior
        At the end of an episode.

    Returns
    -------
    Level
        Of that episode.
    """
    logs = np.log(mean_conductance(posterior))
    return Level(posterior.episode.start_s, float(logs.mean()), float(logs.std()), change_point_of(posterior))


def latest_change_point(levels: Sequence[Level]) -> ChangePoint | None:
    """Return the newest change of a box, within an episode or from one to the next.

    Parameters
    ----------
    levels : sequence of Level
        Of one box, in order of time.

    Returns
    -------
    ChangePoint or None
        None where all are alike.
    """
    for before, after in zip([None, *levels[:-1]][::-1], levels[::-1], strict=True):
        found = after.change or (None if before is None else _between(before, after))
        if found is not None:
            return found
    return None


def words_for(change: ChangePoint) -> str:
    """Return what a change may come from, in a plain sentence.

    Parameters
    ----------
    change : ChangePoint
        As found.

    Returns
    -------
    str
        One sentence.
    """
    if change.factor.p50 < 1.0:
        return say("It seals better now.")
    if change.opened == "recharge":
        return say("Fresh beads went in on those days. Check that the lid closes well.")
    if change.opened == "opening":
        return say("It was opened on those days. Check that the lid closes well.")
    if change.took_days > _SLOW_FROM_DAYS:
        return say("It came on little by little, as an aging seal does.")
    return say("No opening was logged on those days. Check that the lid closes well and that the seal is sound.")


def _between(before: Level, after: Level) -> ChangePoint | None:
    """A step from one episode to the next, where it is larger than seating the lid again explains."""
    gap, sd = after.log_conductance - before.log_conductance, float(np.hypot(before.sd, after.sd))
    chance = _chance_of(gap, sd, BETWEEN_EPISODES_SD, max((after.since_s - before.since_s) / DAY_S, 1.0))
    if not chance >= _REPORTED_FROM:  # nor where it is not a number
        return None
    at = _instant(after.since_s)
    factor = Quantiles(*(float(np.exp(gap + z * sd)) for z in (-NORMAL_P95, 0.0, NORMAL_P95)))
    return ChangePoint(at, (at, at), factor, chance, opened="recharge")


def _candidate_day(posterior: Posterior) -> float | None:
    """Days into the episode at which a jump raises the likelihood most; None where none raises it enough."""
    bins = for_rough_likelihood(posterior.bins)
    candidates = _candidates(bins)
    if len(candidates) == 0:
        return None
    theta = posterior.theta[:: max(len(posterior.theta) // _DRAWS, 1)]
    tried = len(candidates) + 1  # the last without a jump
    loosened = np.zeros((len(bins.days), tried, len(theta)))
    loosened[candidates, np.arange(len(candidates))] = _CHANGE_SD**2
    jumping = replace(bins, loosened=loosened.reshape(len(bins.days), -1))
    scores = run(replace(posterior.problem, bins=jumping), np.tile(theta, (tried, 1)))[0].reshape(tried, -1)
    gains = np.logaddexp.reduce(scores[:-1] - scores[-1], axis=1) - np.log(len(theta))
    best = int(gains.argmax())
    if not gains[best] >= _LEAST_LOG_GAIN:  # nor where it is not a number
        return None
    return float(bins.edges_days[candidates[best]] - bins.edges_days[0])


def _candidates(bins: Bins) -> list[int]:
    """Bins at whose start the jump is tried, clear of both ends."""
    edges = bins.edges_days[:-1]
    inside = np.flatnonzero((edges > edges[0] + _CLEAR_OF_START_DAYS) & (edges < -_CLEAR_OF_END_DAYS))
    return [int(i) for i in inside[:: max(-(-len(inside) // _MOST_CANDIDATES), 1)]]


def _with_unknown_change(problem: Problem, after_days: float) -> Problem:
    prior = problem.prior.with_change_point(
        log_factor=Normal(0.0, _CHANGE_SD),
        day=Normal(after_days, _DAY_SD),
        log_duration=Normal(_TOOK_LOG_DAYS, _TOOK_SD),
    )
    return replace(problem, prior=prior)


def _chance(changed: Posterior) -> float:
    """Chance of a change about the candidate, from the fit that allows for one."""
    factors = changed.theta[:, Unknown.log_change_factor]
    # what the readings alone say of it: the prior taken out again
    precision = max(float(factors.var()) ** -1 - _CHANGE_SD**-2, _LEAST_PRECISION)
    gap, window_days = float(factors.mean() / factors.var()) / precision, float(np.sqrt(2.0 * np.pi)) * _DAY_SD
    return _chance_of(gap, precision**-0.5, 0.0 if changed.room_measured else _WEATHER_SD, window_days)


def _chance_of(gap: float, sd: float, usual_sd: float, window_days: float) -> float:
    """Chance that a step of ln G, known to a spread, is a change and not what is usual."""
    changed, usual = float(np.hypot(sd, np.hypot(usual_sd, _CHANGE_SD))), float(np.hypot(sd, usual_sd))
    log_odds = _log_density(gap, changed) - _log_density(gap, usual) + np.log(window_days / _ONE_IN_DAYS)
    return float(0.5 * (1.0 + np.tanh(0.5 * log_odds)))  # the logistic function, which overflows nowhere so


def _mixed(plain: Posterior, changed: Posterior, chance: float) -> Posterior:
    """Draws of both fits, as many of each as the chance of a change allots."""
    count = len(plain.theta)
    some = round(chance * count)
    of_plain, of_changed = (np.linspace(0, count, n, endpoint=False).astype(np.intp) for n in (count - some, some))
    theta = np.vstack([_without_change(plain.theta[of_plain]), changed.theta[of_changed]])
    filtered, state = (
        _joined(one.take(of_plain), other.take(of_changed), changed.problem, theta)
        for one, other in ((plain.filtered, changed.filtered), (plain.state, changed.state))
    )
    draws = Draws(theta, np.full(count, 1.0 / count), changed.draws.rounds)
    return replace(changed, draws=draws, weighted_state=filtered, theta=theta, filtered=filtered, state=state)


def _without_change(theta: NDArray[np.float64]) -> NDArray[np.float64]:
    """Draws without a change point, with columns for one."""
    out = np.zeros((len(theta), len(Unknown)))
    out[:, : theta.shape[1]] = theta
    out[:, Unknown.change_day] = _NO_DAY
    return out


def _joined(one: State, other: State, problem: Problem, theta: NDArray[np.float64]) -> State:
    names = [f.name for f in fields(State) if f.name != "drawn"]
    return State(drawn_box(problem, theta), **{n: np.r_[getattr(one, n), getattr(other, n)] for n in names})


def _changed_draws(posterior: Posterior) -> NDArray[np.bool_]:
    if not posterior.problem.prior.has_change_point:
        return np.zeros(len(posterior.theta), dtype=bool)
    return np.asarray(posterior.theta[:, Unknown.change_day] > 0.5 * _NO_DAY)


def _opened_near(posterior: Posterior, first: datetime, last: datetime) -> bool:
    reach_s = _NEAR_OPENING_DAYS * DAY_S
    opened_s = (*posterior.episode.openings_s, *posterior.episode.swaps_s)
    return any(first.timestamp() - reach_s < at_s < last.timestamp() + reach_s for at_s in opened_s)


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _log_density(away: float, sd: float) -> float:
    return float(-0.5 * (away / sd) ** 2 - np.log(sd))
