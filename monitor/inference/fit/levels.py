"""How leaky a box was at the end of each of its episodes, and whether that went one way.

A lid sits a little differently after each recharge, by as much as the boxes of a shelf show (``reseating.py``). A step
beyond that is a change; so is a leak that rises or falls from episode to episode, each step no larger than that.
Whatever errs alike in all of them, such as beads that hold less than the book says, makes no difference between two.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.fit.change_point import (
    ONE_IN_DAYS,
    REPORTED_FROM,
    ChangePoint,
    as_chance,
    change_point_of,
    log_odds_of,
    usual_sd,
)
from monitor.inference.fit.change_scan import AGES_FROM_DAYS, CHANGE_SD
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.reseating import BETWEEN_EPISODES_SD, SPREADS, mixed
from monitor.inference.model.carried import CAPACITY_DRIFT, SHAPE_DRIFT
from monitor.inference.model.normal import lognormal_quantiles
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray

_LEAST_EPISODES = 3
"""A line through fewer levels is a step from one to the next. [episodes, a count] By definition of a line."""
_OF_BEADS = (Unknown.log_capacity_scale, Unknown.isotherm_shape)
"""What errs alike in all episodes of the same beads."""
_BEADS_DRIFT = np.array([CAPACITY_DRIFT, SHAPE_DRIFT])
"""How much these change from one episode to the next. [ln water, 1] As what is carried."""
_LEAST_SD = 1e-6
"""Beads are known no better than this. [ln water, 1] Judgement: it only keeps a division sound."""


@dataclass(frozen=True)
class SameBeads:
    """A level as it would be with other beads, and how well it is known with them."""

    means: tuple[float, float]
    """Capacity and shape as the episode has them. [ln water, 1]"""
    sds: tuple[float, float]
    """Of these. [ln water, 1]"""
    slopes: tuple[float, float]
    """What the level moves by with each. [ln conductance for one of them]"""
    sd: float
    """Of the level where they are known, but for what they drift from episode to episode. [ln conductance]"""


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
    days: float = math.inf
    """How long the episode had lasted. [days]"""
    same_beads: SameBeads | None = None
    """Where the beads of other episodes may be the same; None without any."""


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
    return Level(
        posterior.episode.start_s,
        float(logs.mean()),
        float(logs.std()),
        change_point_of(posterior),
        posterior.room_measured,
        posterior.episode.desiccant,
        posterior.bins.length_days,
        _same_beads(posterior) if posterior.room_measured and posterior.episode.desiccant else None,
    )


def latest_change_point(levels: Sequence[Level], lids: FloatArray) -> ChangePoint | None:
    """Return the newest change of a box, within an episode or from one to the next.

    Parameters
    ----------
    levels : sequence of Level
        Of one box, in order of time.
    lids : ndarray, spreads
        Weights of ``SPREADS``: how differently lids sit, by what is known without these levels. [fraction]

    Returns
    -------
    ChangePoint or None
        None where all are alike.
    """
    for before, after in zip([None, *levels[:-1]][::-1], levels[::-1], strict=True):
        found = after.change or (None if before is None else _between(before, after))
        if found is not None:
            return found
    settled = [one for one in levels if one.days >= AGES_FROM_DAYS]
    return _over_episodes(settled, lids) if len(settled) >= _LEAST_EPISODES else None


def _same_beads(posterior: Posterior) -> SameBeads:
    """By regression over the draws, without what the model may be off by: that is the same in each episode too."""
    logs, beads = np.log(posterior.state.mean_conductance), posterior.theta[:, _OF_BEADS]
    means, sds = beads.mean(axis=0), np.maximum(beads.std(axis=0), _LEAST_SD)
    away = (beads - means) / sds
    slopes = np.linalg.lstsq(away, logs - logs.mean(), rcond=None)[0]
    left = float((logs - away @ slopes).std())
    slopes = slopes / sds
    sd = math.hypot(left, *(slopes * _BEADS_DRIFT))
    return SameBeads(_pair(means), _pair(sds), _pair(slopes), sd)


def _pair(values: FloatArray) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _between(before: Level, after: Level) -> ChangePoint | None:
    """A step from one episode to the next, where it is larger than seating the lid again explains."""
    gap, sd = after.log_conductance - before.log_conductance, float(np.hypot(before.sd, after.sd))
    window_days = max((after.since_s - before.since_s) / DAY_S, 1.0)
    chance = as_chance(log_odds_of(gap, sd, BETWEEN_EPISODES_SD, window_days))
    if not chance >= REPORTED_FROM:  # nor where it is not a number
        return None
    at = datetime.fromtimestamp(after.since_s, UTC)
    return ChangePoint(at, (at, at), lognormal_quantiles(gap, sd), chance, opened="recharge")


def _over_episodes(levels: Sequence[Level], lids: FloatArray) -> ChangePoint | None:
    """A leak that goes one way from episode to episode, each step no larger than seating the lid again explains.

    The odds of a line through the levels against none, over how differently lids may sit.
    """
    days = np.array([one.since_s for one in levels]) / DAY_S
    span = float(days[-1] - days[0])
    logs, sds = _compared(levels)
    if not (span > 0.0 and np.isfinite(logs).all()):
        return None
    usual = usual_sd(all(one.room_measured for one in levels))
    noise = np.array([np.diag(sds**2 + spread**2) for spread in SPREADS])
    along = np.outer(days, days) / span**2
    without = _log_likelihoods(logs, noise + usual**2 * along) + np.log(lids)
    with_line = _log_likelihoods(logs, noise + (usual**2 + CHANGE_SD**2) * along) + np.log(lids)
    log_odds = np.logaddexp.reduce(with_line) - np.logaddexp.reduce(without) + np.log(span / ONE_IN_DAYS)
    chance = as_chance(float(log_odds))
    if not chance >= REPORTED_FROM:  # nor where it is not a number
        return None
    weights = np.exp(with_line - np.logaddexp.reduce(with_line))
    rises, variances = np.array([_line(days, logs, sds**2 + spread**2) for spread in SPREADS]).T
    gap, sd = mixed(rises, variances, weights)
    first, middle, last = (
        datetime.fromtimestamp(levels[0].since_s + share * span * DAY_S, UTC) for share in (0.0, 0.5, 1.0)
    )
    return ChangePoint(middle, (first, last), lognormal_quantiles(gap, sd), chance, took_days=span)


def _compared(levels: Sequence[Level]) -> tuple[FloatArray, FloatArray]:
    """Levels as they would be with the same beads, where those are of one kind; and how well each is known."""
    there = [one.same_beads for one in levels if one.same_beads is not None]
    if len(there) < len(levels) or len({one.beads for one in levels}) > 1:
        return np.array([one.log_conductance for one in levels]), np.array([one.sd for one in levels])
    means, sds, slopes = (np.array([getattr(one, name) for one in there]) for name in ("means", "sds", "slopes"))
    common = np.average(means, axis=0, weights=sds**-2)
    moved = ((common - means) * slopes).sum(axis=1)
    return np.array([one.log_conductance for one in levels]) + moved, np.array([one.sd for one in there])


def _log_likelihoods(values: FloatArray, covariances: FloatArray) -> FloatArray:
    """Of normal values about a level of which nothing is known, integrated out as in ``reseating.py``. (covariances)"""
    precision = np.linalg.inv(covariances)
    total, weighted = precision.sum(axis=(1, 2)), precision @ values
    squares = weighted @ values - weighted.sum(axis=1) ** 2 / total
    return np.asarray(-0.5 * (np.linalg.slogdet(covariances)[1] + np.log(total) + squares))


def _line(days: FloatArray, values: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """What a line through the values rises by over all days, by weighted least squares, and its variance."""
    weights, span = 1.0 / variances, float(days[-1] - days[0])
    away = days - np.average(days, weights=weights)
    squares = float(weights @ away**2)
    return span * float(weights @ (away * values)) / squares, span**2 / squares
