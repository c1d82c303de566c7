"""One sampler for every posterior here: adaptive importance sampling by tempering, with a weight for every draw.

Draws come from a heavy-tailed proposal fitted to the weighted draws before; in each round the tempering exponent of the
likelihood rises as far as enough draws stay effective (population Monte Carlo [1]_ with tempering [2]_). A few pilot
draws find where the posterior lies; once their exponent is 1, draws are made in full number. Where that leaves too few
of them effective, as with a charge weighed every week, sequential Monte Carlo (``smc``) takes over. For a posterior
that no single normal covers, such as that of a drying run that may have stalled, it goes all the way from the prior
(``draw_by_moves``).

References
----------
.. [1] Cappe, Guillin, Marin, Robert (2004), J. Comput. Graph. Stat. 13:907.
.. [2] Del Moral, Doucet, Jasra (2006), J. R. Stat. Soc. B 68:411.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from monitor.inference.fit.smc import (
    Moves,
    Population,
    moved_to_posterior,
)
from monitor.inference.fit.weights import (
    effective_sample_size,
    largest_exponent,
    normalized,
)
from monitor.physics.numerics import FloatArray

LogDensity = Callable[[FloatArray], FloatArray]
"""Log density of points, one row each. (points) [nat]"""
Proposed = tuple[FloatArray, FloatArray]
"""Points, and the log density with which each was proposed. (points) [nat]"""

IMPOSSIBLE = -1e9
"""Log density that stands for none; a prior says at most this outside its bounds. [nat] Judgement: far below any that a
draw has, and near enough for differences to keep their digits."""
LEAST_SHARE, GOOD_SHARE = 0.10, 0.25
"""Effective sample size over the number of draws: at least the first while the exponent rises, more than the second at
the end. [shares] Judgement: of 1,000 draws, a covariance needs a hundred and a 5 % point more."""
_DEGREES = 7.0
"""Of the proposal's Student t. [degrees of freedom] Judgement: tails heavier than a normal posterior's, with
moments."""
_WIDER = 1.12
"""Scale of the proposal over that of the draws. [factor] Judgement: too wide costs a few draws, too narrow a tail."""
_MOST_ROUNDS = 8
"""Proposals before moves take over. [times] Judgement: a bound on the work."""
_PILOT_DRAWS = 400
"""Draws that find where the posterior lies. [draws] Judgement: enough for a covariance of twelve unknowns."""
_LEAST_SPREAD_SHARE, _LEAST_SPREAD_VAR = 1e-5, 1e-12
"""Added to the proposal's variances: a share of themselves [fraction], and so much [unit of the unknown, squared].
Judgement: next to nothing; it keeps the covariance invertible."""


@dataclass(frozen=True, eq=False)
class Target:
    """A posterior to draw from."""

    log_prior: LogDensity
    """Of points; at most ``IMPOSSIBLE`` outside its bounds. [nat]"""
    log_likelihood: LogDensity
    """Of points; what is not a number counts as ``IMPOSSIBLE``. [nat]"""
    first: Callable[[int, np.random.Generator], Proposed]
    """The first proposal: so many points, as a rule from the prior."""
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


def draw(
    target: Target, count: int, rng: np.random.Generator, *, near: tuple[FloatArray, FloatArray] | None = None
) -> WeightedDraws:
    """Return weighted draws of a posterior; its likelihood was last evaluated at just these points.

    Parameters
    ----------
    target : Target
        The posterior.
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
    rough = target.rough_likelihood
    pilot, evaluated = count > _PILOT_DRAWS or rough is not None, target.log_likelihood
    if near is not None and effective_sample_size(near[1]) > LEAST_SHARE * count:
        pilot = False
        points, log_density = _propose(*near, count, rng)
    else:
        points, log_density = target.first(min(count, _PILOT_DRAWS), rng)
    exponent = 0.0
    for rounds in range(1, _MOST_ROUNDS + 1):
        evaluated = rough if pilot and rough is not None else target.log_likelihood
        log_prior, log_likelihood = target.densities(points, evaluated)
        base = log_prior - log_density
        if not pilot and _effective(base + log_likelihood) > GOOD_SHARE * count:
            return WeightedDraws(points, normalized(base + log_likelihood), log_density, log_likelihood, rounds)
        exponent = _next_exponent(base, log_likelihood, exponent)
        weights = normalized(base + exponent * log_likelihood)
        pilot = pilot and exponent < 1.0
        if rounds < _MOST_ROUNDS:
            points, log_density = _propose(points, weights, len(points) if pilot else count, rng)
    if rough is not None:
        if evaluated is rough:
            log_prior, log_likelihood = target.densities(points)
        # the exponent of a rough likelihood says nothing of that of the exact one
        exponent = _next_exponent(log_prior - log_density, log_likelihood, 0.0)
        weights = normalized(log_prior - log_density + exponent * log_likelihood)
    moved = moved_to_posterior(
        Population(points, log_prior, log_likelihood, exponent), weights, count, target.densities, rng
    )
    log_prior, log_likelihood = target.densities(moved.points)
    return WeightedDraws(
        moved.points, np.full(count, 1.0 / count), log_prior + log_likelihood, log_likelihood, _MOST_ROUNDS
    )


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
    return WeightedDraws(moved.points, even, moved.log_prior + moved.log_likelihood, moved.log_likelihood, _MOST_ROUNDS)


def _effective(log_weights: FloatArray) -> float:
    return effective_sample_size(normalized(log_weights))


def _next_exponent(base: FloatArray, log_likelihood: FloatArray, exponent: float) -> float:
    """The largest exponent that leaves enough draws effective; it never falls."""

    def enough(tried: float) -> bool:
        return _effective(base + tried * log_likelihood) > LEAST_SHARE * len(base)

    if not enough(exponent):
        return exponent
    return 1.0 if enough(1.0) else largest_exponent(enough, exponent, 1.0)


def _propose(points: FloatArray, weights: FloatArray, count: int, rng: np.random.Generator) -> Proposed:
    """Draw from a multivariate t with the weighted mean and covariance."""
    size = points.shape[1]
    mean = weights @ points
    away = points - mean
    spread = away.T @ (away * weights[:, None])
    spread += np.diag(_LEAST_SPREAD_SHARE * np.diag(spread) + _LEAST_SPREAD_VAR)
    root = np.linalg.cholesky(spread) * _WIDER
    stretch = np.sqrt(rng.chisquare(_DEGREES, count) / _DEGREES)
    step = rng.standard_normal((count, size)) / stretch[:, None]
    square = np.square(step).sum(axis=1)
    scale = gammaln(0.5 * (_DEGREES + size)) - gammaln(0.5 * _DEGREES) - 0.5 * size * np.log(_DEGREES * np.pi)
    log_density = scale - np.log(np.diag(root)).sum() - 0.5 * (_DEGREES + size) * np.log1p(square / _DEGREES)
    return mean + step @ root.T, log_density
