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

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.bins import LEFT_OUT_DAYS
from monitor.inference.fit.change_scan import CHANGE_SD, candidates_of
from monitor.inference.fit.fit import refitted
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import GRADUAL_FROM_DAYS, Posterior
from monitor.inference.fit.quantiles import quantiles
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import OF_DRAWS, Problem, State, drawn_box
from monitor.records import Quantiles
from monitor.texts import say

ONE_IN_DAYS = 400.0
"""How often that happens to a box. [days] Judgement."""
REPORTED_FROM = 0.8
"""Chance from which a change is reported. [chance] Judgement: four times out of five."""
_NEGLIGIBLE = 0.02
"""A smaller chance is left out of the mixture. [chance] Judgement: it would move no 5 % point."""
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
        if _tighter_only_at_a_floor(changed):
            continue
        if (odds := _log_odds(changed, candidate.window_days)) > best_odds:
            best, best_odds = changed, odds
        if as_chance(odds) >= REPORTED_FROM:
            break  # what came at once is not looked for over a season
    chance = as_chance(best_odds)
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
        None where its chance is below ``REPORTED_FROM``.
    """
    changed = _changed_draws(posterior)
    if changed.any():  # what began with the episode is no change of it, for its leak before was not seen
        changed = changed & (posterior.theta[:, Unknown.change_day] > LEFT_OUT_DAYS)
    chance = float(changed.mean())
    if chance < REPORTED_FROM:
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


def _log_odds(changed: Posterior, window_days: float) -> float:
    """Odds for a change such as the candidate, from the fit that allows for one."""
    factors = changed.theta[:, Unknown.log_change_factor]
    # what the readings alone say of it: the prior taken out again
    precision = max(float(factors.var()) ** -1 - CHANGE_SD**-2, _LEAST_PRECISION)
    gap = float(factors.mean() / factors.var()) / precision
    return log_odds_of(gap, precision**-0.5, usual_sd(changed.room_measured), window_days)


def _tighter_only_at_a_floor(changed: Posterior) -> bool:
    """Return whether a seal seems tighter only than at a floor, which hid how fast humidity rose.

    A display that creeps off its floor stands on the first figure above it until the air has risen by a whole step:
    a quick rise and then none, as if water came in more slowly.
    """
    bins = changed.bins
    if bins.floor is None or float(np.median(changed.theta[:, Unknown.log_change_factor])) >= 0.0:
        return False
    day = float(np.median(changed.theta[:, Unknown.change_day]))
    before = np.isfinite(bins.shown_humidity) & (bins.edges_days[1:] - bins.edges_days[0] <= day)
    first_figure = bins.floor + changed.box.sensor.resolution
    return bool(np.all(bins.shown_humidity[before] < first_figure + 0.5 * changed.box.sensor.resolution))


def usual_sd(room_measured: bool) -> float:
    """Return by how much a sound seal seems to change.

    Parameters
    ----------
    room_measured : bool
        True where a sensor in the room shows what pushes water in.

    Returns
    -------
    float
        Standard deviation. [ln conductance]
    """
    return 0.0 if room_measured else _WEATHER_SD


def log_odds_of(gap: float, sd: float, usual: float, window_days: float) -> float:
    """Return the odds that a step of ln G is a change and not what is usual.

    Parameters
    ----------
    gap, sd : float
        The step, and how well it is known. [ln conductance]
    usual : float
        Standard deviation of what is usual. [ln conductance]
    window_days : float
        Time in which a change may have come. [days]

    Returns
    -------
    float
        [nat]
    """
    with_change, without = float(np.hypot(sd, np.hypot(usual, CHANGE_SD))), float(np.hypot(sd, usual))
    return _log_density(gap, with_change) - _log_density(gap, without) + float(np.log(window_days / ONE_IN_DAYS))


def as_chance(log_odds: float) -> float:
    """Return a chance from its odds.

    Parameters
    ----------
    log_odds : float
        [nat]

    Returns
    -------
    float
        From 0 to 1. [fraction]
    """
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
    return State(drawn_box(problem, theta), **{n: np.r_[getattr(one, n), getattr(other, n)] for n in OF_DRAWS})


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
