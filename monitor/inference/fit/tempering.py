"""One sampler for every posterior here: adaptive importance sampling by tempering, with a weight for every draw.

Draws are made from a heavy-tailed proposal fitted to the weighted draws before; the likelihood is let in by and by, at
each round as far as the draws can bear (population Monte Carlo [1]_ with tempering [2]_). A few pilot draws find where
the posterior lies, and once they bear all of the likelihood, draws are made in full number. Where that leaves too few
of them effective, as with a charge weighed every week, ``moves`` takes over. For a posterior that no single bell
covers, such as that of a drying run that may have stalled, ``moves`` goes all the way from the prior.

References
----------
.. [1] Cappe, Guillin, Marin, Robert (2004), J. Comput. Graph. Stat. 13:907.
.. [2] Del Moral, Doucet, Jasra (2006), J. R. Stat. Soc. B 68:411.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
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
    resample,
)
from monitor.physics.numerics import FloatArray

LogDensity = Callable[[FloatArray], FloatArray]
"""Log density at points, one row each."""
Proposed = tuple[FloatArray, FloatArray]
"""Points, and the log density with which each was made."""

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
    log_likelihood: LogDensity
    first: Callable[[int, np.random.Generator], Proposed]
    """The first proposal: so many points, as a rule of the prior."""
    rough_likelihood: LogDensity | None = None
    """A cheaper likelihood by which pilot draws go: they only tell where to draw."""

    def judged(self, points: FloatArray, log_likelihood: LogDensity | None = None) -> tuple[FloatArray, FloatArray]:
        """Return log prior and log likelihood of points."""
        believed = self.log_prior(points)
        seen = np.nan_to_num((log_likelihood or self.log_likelihood)(points), nan=IMPOSSIBLE)
        return believed, np.where(believed > IMPOSSIBLE, seen, IMPOSSIBLE)


@dataclass(frozen=True, eq=False)
class WeightedDraws:
    """Weighted draws of a posterior, one row each, and how they came about."""

    points: FloatArray
    weights: FloatArray
    log_density: FloatArray
    """Log density with which each was made."""
    log_likelihood: FloatArray
    rounds: int

    @property
    def effective(self) -> float:
        """How many equally weighted draws these are worth."""
        return effective_sample_size(self.weights)

    def chosen(self, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
        """Return which draws stand for all of them, equally weighted."""
        return resample(self.weights, count, rng)


def draw(
    target: Target, count: int, rng: np.random.Generator, *, near: tuple[FloatArray, FloatArray] | None = None
) -> WeightedDraws:
    """Return weighted draws of a posterior; its likelihood was last asked of just these points.

    Parameters
    ----------
    target : Target
        The posterior.
    count : int
        How many draws are wanted.
    rng : Generator
        Source of all chance.
    near : tuple of ndarray, optional
        Points near the posterior, one row each, and their weights: then no pilot draws are made.
    """
    rough = target.rough_likelihood
    pilot, judged_by = count > _PILOT_DRAWS or rough is not None, target.log_likelihood
    if near is not None and effective_sample_size(near[1]) > LEAST_SHARE * count:
        pilot = False
        points, log_density = _propose(*near, count, rng)
    else:
        points, log_density = target.first(min(count, _PILOT_DRAWS), rng)
    exponent = 0.0
    for rounds in range(1, _MOST_ROUNDS + 1):
        judged_by = rough if pilot and rough is not None else target.log_likelihood
        believed, seen = target.judged(points, judged_by)
        base = believed - log_density
        if not pilot and _effective(base + seen) > GOOD_SHARE * count:
            return WeightedDraws(points, normalized(base + seen), log_density, seen, rounds)
        exponent = _next_exponent(base, seen, exponent)
        weights = normalized(base + exponent * seen)
        pilot = pilot and exponent < 1.0
        if rounds < _MOST_ROUNDS:
            points, log_density = _propose(points, weights, len(points) if pilot else count, rng)
    if rough is not None:
        if judged_by is rough:
            believed, seen = target.judged(points)
        # how far a rough likelihood was let in says nothing of how far the exact one can be
        exponent = _next_exponent(believed - log_density, seen, 0.0)
        weights = normalized(believed - log_density + exponent * seen)
    moved = moved_to_posterior(Population(points, believed, seen, exponent), weights, count, target.judged, rng)
    believed, seen = target.judged(moved.place)
    return WeightedDraws(moved.place, np.full(count, 1.0 / count), believed + seen, seen, _MOST_ROUNDS)


def draw_by_moves(target: Target, count: int, rng: np.random.Generator, moves: Moves) -> WeightedDraws:
    """Return equally weighted draws of a posterior, led to it from its prior: ``target.first`` has to draw from that.

    Dearer than ``draw``, and true to a thin tail or a second mode, which a proposal of one bell loses.
    """
    points, believed = target.first(count, rng)
    _, seen = target.judged(points)
    even = np.full(count, 1.0 / count)
    moved = moved_to_posterior(Population(points, believed, seen, 0.0), even, count, target.judged, rng, moves=moves)
    return WeightedDraws(moved.place, even, moved.believed + moved.seen, moved.seen, _MOST_ROUNDS)


def _effective(log_weights: FloatArray) -> float:
    return effective_sample_size(normalized(log_weights))


def _next_exponent(base: FloatArray, seen: FloatArray, exponent: float) -> float:
    """How far the likelihood can be let in; it never goes back."""

    def enough(tried: float) -> bool:
        return _effective(base + tried * seen) > LEAST_SHARE * len(base)

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
