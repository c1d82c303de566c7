"""Since when a box is leakier, or tighter, than it was: a change point of its conductance, fitted with its day.

First a scan (``change_scan.py``) finds the candidate. There the change, its day and how long it took become three more
unknowns of a fit. The odds for it are the posterior density at no change over the prior density there, inverted (Savage
and Dickey's ratio [1]_). The posterior is then a mixture of both fits by these odds, so that an open question widens
the interval.

References
----------
.. [1] Dickey (1971), Ann. Math. Stat. 42:204.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bins import DAY_S
from monitor.inference.fit.change_scan import CHANGE_SD, candidates_of
from monitor.inference.fit.fit import refitted
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import GRADUAL_FROM_DAYS, Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantiles
from monitor.inference.fit.reseating import BETWEEN_EPISODES_SD
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import (
    Problem,
    State,
    drawn_box,
)
from monitor.records import NORMAL_P95, Quantiles
from monitor.texts import say

_ONE_IN_DAYS = 400.0
"""How often that happens to a box. [days] Judgement."""
_REPORTED_FROM = 0.8
"""Chance from which a change is reported. [chance] Judgement: four times out of five."""
_NEGLIGIBLE = 0.02
"""A smaller chance is left out of the mixture. [chance] Judgement: it would move no 5 % point."""
_LEAST_EPISODES = 3
"""A line through fewer levels is a step from one to the next. [episodes, a count] By definition of a line."""
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
    """Conductance after it over that before, as far as it has come by now. [ratio]"""
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
    room_measured: bool = True
    """True where a sensor in the room shows what pushes water in."""
    beads: str | None = None
    """Kind of the beads; None without any."""
    sd_by_capacity: float = math.inf
    """Standard deviation of the conductance by what the beads hold: that of beads that err alike. [ln]"""


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
    problem, best, best_odds = posterior.problem, posterior, -np.inf
    for candidate in candidates_of(posterior):
        changed = refitted(posterior, replace(problem, prior=candidate.prior(problem.prior)))
        if (odds := _log_odds(changed, candidate.window_days)) > best_odds:
            best, best_odds = changed, odds
        if _as_chance(odds) >= _REPORTED_FROM:
            break  # what came at once is not looked for over a season
    chance = _as_chance(best_odds)
    return posterior if chance < _NEGLIGIBLE else _mixed(posterior, best, chance)


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
    took = np.exp(theta[:, Unknown.log_change_duration])
    come = np.clip((posterior.bins.length_days - theta[:, Unknown.change_day]) / took + 0.5, 0.0, 1.0)
    by_now, took_days = come * theta[:, Unknown.log_change_factor], float(np.median(took))
    first, at, last = (_instant(start_s + d * DAY_S) for d in (day.p05, day.p50, day.p95))
    return ChangePoint(
        at=at,
        between=(first, last),
        factor=quantiles(np.exp(by_now + posterior.state.wander[changed] - wandered)),
        chance=chance,
        took_days=took_days,
        opened="opening" if took_days <= GRADUAL_FROM_DAYS and _opened_near(posterior, first, last) else "",
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
    by_capacity = logs - posterior.theta[:, Unknown.log_capacity_scale]
    return Level(
        posterior.episode.start_s,
        float(logs.mean()),
        float(logs.std()),
        change_point_of(posterior),
        posterior.room_measured,
        posterior.episode.desiccant,
        float(by_capacity.std()),
    )


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
    return _over_episodes(levels) if len(levels) >= _LEAST_EPISODES else None


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
    if change.took_days > GRADUAL_FROM_DAYS:
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


def _over_episodes(levels: Sequence[Level]) -> ChangePoint | None:
    """A leak that goes one way from episode to episode, each step no larger than seating the lid again explains.

    A line through the levels by weighted least squares; each differs from it by its own error and by how its lid sat.
    Beads of one kind are taken for the same ones, so that what they hold is no error of a difference.
    """
    days = np.array([one.since_s for one in levels]) / DAY_S
    alike = len({one.beads for one in levels}) == 1
    sds = [min(one.sd, one.sd_by_capacity) if alike else one.sd for one in levels]
    weights = np.array([1.0 / (sd**2 + 0.5 * BETWEEN_EPISODES_SD**2) for sd in sds])
    away = days - np.average(days, weights=weights)
    span, squares = float(days[-1] - days[0]), float(weights @ away**2)
    if not (span > 0.0 and squares > 0.0):
        return None
    gap = span * float(weights @ (away * [one.log_conductance for one in levels])) / squares
    sd = span / math.sqrt(squares)
    chance = _chance_of(gap, sd, _usual_sd(all(one.room_measured for one in levels)), span)
    if not chance >= _REPORTED_FROM:  # nor where it is not a number
        return None
    first, at, last = (_instant(levels[0].since_s + share * span * DAY_S) for share in (0.0, 0.5, 1.0))
    factor = Quantiles(*(float(np.exp(gap + z * sd)) for z in (-NORMAL_P95, 0.0, NORMAL_P95)))
    return ChangePoint(at, (first, last), factor, chance, took_days=span)


def _log_odds(changed: Posterior, window_days: float) -> float:
    """Odds for a change such as the candidate, from the fit that allows for one."""
    factors = changed.theta[:, Unknown.log_change_factor]
    # what the readings alone say of it: the prior taken out again
    precision = max(float(factors.var()) ** -1 - CHANGE_SD**-2, _LEAST_PRECISION)
    gap = float(factors.mean() / factors.var()) / precision
    return _log_odds_of(gap, precision**-0.5, _usual_sd(changed.room_measured), window_days)


def _usual_sd(room_measured: bool) -> float:
    return 0.0 if room_measured else _WEATHER_SD


def _chance_of(gap: float, sd: float, usual_sd: float, window_days: float) -> float:
    """Chance that a step of ln G, known to a spread, is a change and not what is usual."""
    return _as_chance(_log_odds_of(gap, sd, usual_sd, window_days))


def _log_odds_of(gap: float, sd: float, usual_sd: float, window_days: float) -> float:
    changed, usual = float(np.hypot(sd, np.hypot(usual_sd, CHANGE_SD))), float(np.hypot(sd, usual_sd))
    return _log_density(gap, changed) - _log_density(gap, usual) + float(np.log(window_days / _ONE_IN_DAYS))


def _as_chance(log_odds: float) -> float:
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
