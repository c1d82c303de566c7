"""Sequential Monte Carlo, for where importance weights alone leave a handful of draws.

The tempering exponent rises to 1 in steps [1]_. After each step the draws are resampled and moved by Metropolis steps
along differences of other draws [2]_; half of them moves by the other half at a time, so that the target is invariant
[3]_.

References
----------
.. [1] Del Moral, Doucet, Jasra (2006), J. R. Stat. Soc. B 68:411.
.. [2] ter Braak (2006), Stat. Comput. 16:239.
.. [3] Foreman-Mackey, Hogg, Lang, Goodman (2013), Publ. Astron. Soc. Pac. 125:306, section 3.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.inference.fit.weights import (
    effective_sample_size,
    largest_exponent,
    normalized,
    resample,
)
from monitor.physics.numerics import FloatArray

LogDensities = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Log prior and log-likelihood of points, one row each. (points) [nat]"""

_ESS_SHARE = 0.5
"""Effective sample size over the number of draws that each step of the exponent leaves. [share] Judgement: half,
between many steps and many copies of few draws."""
_JUMP_BETWEEN_MODES = 0.1
"""Share of moves by a whole difference, which carries a draw from one mode to another: ter Braak [2]_."""
_SCALE, _SCALE_FROM, _SCALE_TO = 2.38, 0.3, 1.2
"""Length of the other moves: 2.38/√(2 d) in d unknowns is best for a normal target, ter Braak [2]_; times anything
between, which suits the ridges that are no normal (a judgement)."""
_JITTER = 1e-3
"""Added to a move, of the spread of the draws, so that any point can be reached [2]_. Judgement: next to nothing."""
_SMALLEST_STEP = 1e-3
"""Least step of the exponent. [1] No unit. Judgement: a bound on the work."""
_MOST_STEPS = 20
"""The most steps of the exponent. [steps] Judgement: a bound on the work."""


@dataclass(frozen=True)
class Moves:
    """How often every draw is moved: enough to part copies of one draw, more where a posterior is bent or has modes."""

    after_each_step: int = 4
    """After each step of the exponent. [times] Judgement: twice as many as left the spread of 400 draws short."""
    at_the_end: int = 12
    """Once the whole likelihood counts. [times] Judgement: copies of one draw have parted by then; twice as many
    changed nothing."""


USUAL = Moves()


@dataclass(eq=False)
class Population:
    """Equally weighted draws of prior times likelihood to the power of a tempering exponent."""

    points: FloatArray
    """In the coordinates they are proposed in. (draws × unknowns) [unit of each ``Unknown``]"""
    log_prior: FloatArray
    """Log prior of each. (draws) [nat]"""
    log_likelihood: FloatArray
    """Log-likelihood of each. (draws) [nat]"""
    exponent: float
    """Tempering exponent, the power of the likelihood: from 0 to 1. [1]"""

    def resample(self, weights: FloatArray, count: int, rng: np.random.Generator) -> None:
        """Replace the draws by so many of them, chosen by weight.

        Parameters
        ----------
        weights : ndarray, draws
            Add up to 1. [fraction]
        count : int
            How many.
        rng : Generator
            Random numbers.
        """
        chosen = rng.permutation(resample(weights, count, rng))  # copies of one draw must not all be in one half
        self.points = self.points[chosen]
        self.log_prior, self.log_likelihood = self.log_prior[chosen], self.log_likelihood[chosen]


def moved_to_posterior(
    population: Population,
    weights: FloatArray,
    count: int,
    densities: LogDensities,
    rng: np.random.Generator,
    *,
    moves: Moves = USUAL,
) -> Population:
    """Return so many equal draws of prior times likelihood, from weighted ones at the population's exponent.

    Parameters
    ----------
    population : Population
        Changed in place.
    weights : ndarray, draws
        Add up to 1. [fraction]
    count : int
        How many draws to return.
    densities : callable
        Log prior and log-likelihood of points.
    rng : Generator
        Random numbers.
    moves : Moves
        How often every draw is moved.

    Returns
    -------
    Population
        The same, its exponent 1.
    """
    population.resample(weights, count, rng)
    _move(population, densities, rng, moves.after_each_step)
    for step in range(_MOST_STEPS):
        if population.exponent >= 1.0:
            break
        more = 1.0 - population.exponent if step == _MOST_STEPS - 1 else _next_exponent(population)
        population.exponent += more
        population.resample(normalized(more * population.log_likelihood), count, rng)
        _move(population, densities, rng, moves.after_each_step)
    _move(population, densities, rng, moves.at_the_end)
    return population


def _next_exponent(population: Population) -> float:
    """How much more of the likelihood leaves half of the draws effective."""

    def enough(more: float) -> bool:
        weights = normalized(more * population.log_likelihood)
        return effective_sample_size(weights) >= _ESS_SHARE * len(weights)

    rest = 1.0 - population.exponent
    return rest if rest <= _SMALLEST_STEP or enough(rest) else largest_exponent(enough, _SMALLEST_STEP, rest)


def _move(population: Population, densities: LogDensities, rng: np.random.Generator, times: int) -> None:
    half = len(population.points) // 2
    for _ in range(times):
        for moving, still in ((slice(half), slice(half, None)), (slice(half, None), slice(half))):
            _move_half(population, moving, population.points[still], densities, rng)


def _move_half(
    population: Population, moving: slice, others: FloatArray, densities: LogDensities, rng: np.random.Generator
) -> None:
    points = population.points[moving]
    count, size = points.shape
    first = rng.integers(len(others), size=count)
    second = (first + rng.integers(1, len(others), size=count)) % len(others)
    length = np.where(
        rng.random(count) < _JUMP_BETWEEN_MODES,
        1.0,
        _SCALE / np.sqrt(2.0 * size) * rng.uniform(_SCALE_FROM, _SCALE_TO, count),
    )
    jitter = _JITTER * others.std(axis=0) * rng.standard_normal(points.shape)
    proposed = points + length[:, None] * (others[first] - others[second]) + jitter
    log_prior, log_likelihood = densities(proposed)
    exponent, current = population.exponent, (population.log_prior[moving], population.log_likelihood[moving])
    log_ratio = log_prior + exponent * log_likelihood - current[0] - exponent * current[1]
    accepted = np.log(rng.random(count)) < log_ratio
    population.points[moving][accepted] = proposed[accepted]
    population.log_prior[moving][accepted] = log_prior[accepted]
    population.log_likelihood[moving][accepted] = log_likelihood[accepted]
