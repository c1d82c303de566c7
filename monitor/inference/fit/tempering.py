"""One sampler for every posterior here: adaptive multiple importance sampling, with a weight for every draw.

Pilot draws find where the posterior lies, by a rough likelihood where there is one: first some from the prior, then
from a heavy-tailed proposal fitted to all draws before, their weights flattened as far as enough of them count. With
the exact likelihood the same goes on in rounds that add up (``rounds``), until enough draws are effective. Where that
leaves too few, draws are moved all the way from the prior by sequential Monte Carlo (``smc``). So they are from the
start for a posterior that no single normal covers, such as that of a drying run that may have stalled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.inference.fit.rounds import (
    LogDensity,
    Rounds,
    StudentT,
)
from monitor.inference.fit.smc import (
    USUAL,
    Moves,
    Population,
    moved_to_posterior,
)
from monitor.inference.fit.weights import effective_sample_size
from monitor.physics.numerics import FloatArray

Proposed = tuple[FloatArray, FloatArray]
"""Points, and the log density with which each was proposed. (points) [nat]"""

IMPOSSIBLE = -1e9
"""Log density that stands for none; a prior says at most this outside its bounds. [nat] Judgement: far below any that a
draw has, and near enough for differences to keep their digits."""
GOOD_SHARE = 0.25
"""Effective sample size over the number of draws from which on draws count as good. [share] Judgement: of 1,000 draws a
5 % point then rests on a dozen."""
_WANTED_SHARE, _LEAST_SHARE = 0.30, 0.10
"""The same, at which rounds end, and below which moves take over once rounds are used up. [shares] Judgement: a little
more than good, so that another prior leaves enough of them; and of 1,000 a hundred, for a spread."""
_PILOT_DRAWS, _FIRST_DRAWS = 400, 600
"""Draws of a pilot round, and of the first, from the prior. [draws] Judgement: enough for a covariance of twelve
unknowns; more at first, where few of them are near."""
_LEAST_FITTED = 40.0
"""A proposal is fitted to so many effective draws at least, weights flattened until there are. [draws] Judgement: three
for each of twelve unknowns."""
_MOST_PILOTS, _MOST_ROUNDS = 8, 12
"""Rounds of pilot draws, and with the exact likelihood. [times] Judgement: a bound on the work; moves cost as much as
forty."""
_ROUND_DRAWS = 250
"""Least draws of a round. [draws] Judgement: each round costs a pass, however few its draws."""
_LEAST_EFFICIENCY = 0.10
"""Of a draw, when the size of the next round is reckoned. [share] Judgement: the next proposal is better than that."""


@dataclass(frozen=True, eq=False)
class Target:
    """A posterior to draw from."""

    log_prior: LogDensity
    """Of points; at most ``IMPOSSIBLE`` outside its bounds. [nat]"""
    log_likelihood: LogDensity
    """Of points; what is not a number counts as ``IMPOSSIBLE``. [nat]"""
    first: Callable[[int, np.random.Generator], Proposed]
    """The first proposal: so many points from the prior."""
    rough_likelihood: LogDensity | None = None
    """A cheaper log-likelihood for pilot draws, which only locate the posterior. [nat]"""

    def densities(self, points: FloatArray, log_likelihood: LogDensity | None = None) -> tuple[FloatArray, FloatArray]:
        """Return log prior and log-likelihood of points.

        Parameters
        ----------
        points : ndarray, points × unknowns
            [unit of each unknown]
        log_likelihood : callable, optional
            Another log-likelihood than that of the target.

        Returns
        -------
        (ndarray, ndarray), each points
            Log prior and log-likelihood. [nat]
        """
        log_prior = self.log_prior(points)
        values = np.nan_to_num((log_likelihood or self.log_likelihood)(points), nan=IMPOSSIBLE)
        return log_prior, np.where(log_prior > IMPOSSIBLE, values, IMPOSSIBLE)


@dataclass(frozen=True, eq=False)
class WeightedDraws:
    """Weighted draws of a posterior, one row each, and how they came about."""

    points: FloatArray
    """(draws × unknowns) [unit of each unknown]"""
    weights: FloatArray
    """Add up to 1. (draws) [fraction]"""
    log_density: FloatArray
    """Log density with which each was proposed. (draws) [nat]"""
    log_likelihood: FloatArray
    """(draws) [nat]"""
    rounds: int
    """How many proposals it took."""
    evaluated: NDArray[np.intp] | None = None
    """Which of all the points that the exact likelihood was asked for, in that order, they are; from the end where
    negative. None where they were moved all the way. (draws)"""


def draw(
    target: Target, count: int, rng: np.random.Generator, *, near: tuple[FloatArray, FloatArray] | None = None
) -> WeightedDraws:
    """Return weighted draws of a posterior.

    Parameters
    ----------
    target : Target
        The posterior; its first proposal has to be its prior.
    count : int
        How many draws are wanted.
    rng : Generator
        Random numbers.
    near : (ndarray, ndarray), optional
        Points near the posterior (points × unknowns) [unit of each unknown] and their weights (points) [fraction]: then
        no pilot draws are made.

    Returns
    -------
    WeightedDraws
        As many as asked for.
    """
    if near is not None and effective_sample_size(near[1]) >= _LEAST_FITTED:
        proposal, rounds, pilots = StudentT.fitted(*near), Rounds.none(near[0].shape[1]), 0
    else:
        proposal, rounds = _piloted(target, rng)
        pilots = rounds.number
        if target.rough_likelihood is not None:
            rounds = Rounds.none(len(proposal.mean))
    for _ in range(_MOST_ROUNDS):
        _add(rounds, target, proposal, _round_draws(rounds, count), rng)
        effective = rounds.effective
        if effective >= _WANTED_SHARE * count and len(rounds) >= count:
            break
        proposal = _fitted(rounds)
    else:
        if len(rounds) < count or effective < _LEAST_SHARE * count:
            moved = draw_by_moves(target, count, rng, USUAL)
            target.densities(moved.points)
            return replace(moved, evaluated=np.arange(-count, 0))
    chosen, weights, log_density = rounds.kept(count, rng)
    points, log_likelihood = rounds.points[chosen], rounds.log_likelihood[chosen]
    return WeightedDraws(points, weights, log_density, log_likelihood, pilots + rounds.number, chosen)


def _piloted(target: Target, rng: np.random.Generator) -> tuple[StudentT, Rounds]:
    """Pilot rounds, and the proposal that they lead to."""
    points, _ = target.first(_FIRST_DRAWS, rng)
    rounds = Rounds.none(points.shape[1])
    likelihood = target.rough_likelihood
    rounds.add(target.log_prior, points, *target.densities(points, likelihood))
    for _ in range(_MOST_PILOTS):
        exponent, weights = rounds.flattened(_LEAST_FITTED)
        proposal = StudentT.fitted(rounds.points, weights)
        if exponent >= 1.0:
            break
        _add(rounds, target, proposal, _PILOT_DRAWS, rng, likelihood)
    return _fitted(rounds), rounds


def _fitted(rounds: Rounds) -> StudentT:
    return StudentT.fitted(rounds.points, rounds.flattened(_LEAST_FITTED)[1])


def _add(  # noqa: PLR0917
    rounds: Rounds,
    target: Target,
    proposal: StudentT,
    count: int,
    rng: np.random.Generator,
    likelihood: LogDensity | None = None,
) -> None:
    points = proposal.points(count, rng)
    rounds.add(proposal.log_density, points, *target.densities(points, likelihood))


def _round_draws(rounds: Rounds, count: int) -> int:
    """How many draws of the usual efficiency are missing; half of all at first, and never more than all."""
    if not len(rounds):
        return max(count // 2, _ROUND_DRAWS)
    effective = rounds.effective
    missing = (_WANTED_SHARE * count - effective) / max(effective / len(rounds), _LEAST_EFFICIENCY)
    return int(np.clip(max(missing, count - len(rounds)), _ROUND_DRAWS, max(count, _ROUND_DRAWS)))


def draw_by_moves(target: Target, count: int, rng: np.random.Generator, moves: Moves) -> WeightedDraws:
    """Return equally weighted draws of a posterior, moved to it from its prior by sequential Monte Carlo.

    Costs more than ``draw``, and keeps a thin tail or a second mode, which a proposal of one mode loses.

    Parameters
    ----------
    target : Target
        The posterior; its first proposal has to be its prior.
    count : int
        How many draws are wanted.
    rng : Generator
        Random numbers.
    moves : Moves
        How often every draw is moved.

    Returns
    -------
    WeightedDraws
        As many as asked for.
    """
    points, log_prior = target.first(count, rng)
    _, log_likelihood = target.densities(points)
    even = np.full(count, 1.0 / count)
    moved = moved_to_posterior(
        Population(points, log_prior, log_likelihood, 0.0), even, count, target.densities, rng, moves=moves
    )
    return WeightedDraws(moved.points, even, moved.log_prior + moved.log_likelihood, moved.log_likelihood, 1)
