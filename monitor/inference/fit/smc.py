"""Where weights alone leave a handful of draws: let the rest of the likelihood in step by step and move every draw.

A sequential sampler [1]_. After each step the draws are chosen anew by weight and moved by differences of other draws
[2]_; half of them moves by the other half at a time, so that the target is left alone [3]_.

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

Judge = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Log prior and log likelihood of draws, both where they are made."""

_ESS_SHARE = 0.5
"""Effective sample size over the number of draws that each step of the exponent leaves. [share] Judgement: half,
between many steps and many copies of few draws."""
_JUMP_BETWEEN_MODES = 0.1
"""Share of moves by a whole difference, which carries a draw from one mode to another: ter Braak [2]_."""
_SCALE, _SCALE_FROM, _SCALE_TO = 2.38, 0.3, 1.2
"""Length of the other moves: 2.38/√(2 d) in d unknowns is best for a normal target, ter Braak [2]_; times anything
between, which suits the ridges that are no normal (a judgement)."""
_JITTER = 1e-3
"""Added to a move, of the spread of the draws, so that any place can be reached [2]_. Judgement: next to nothing."""
_SMALLEST_STEP = 1e-3
"""Least step of the exponent. [1] No unit. Judgement: a bound on the work."""
_MOST_STEPS = 20
"""The most steps of the exponent. [steps] Judgement: a bound on the work."""


@dataclass(frozen=True)
class Moves:
    """How often every draw is moved: enough to part copies of one draw, more where a posterior is bent or has modes."""

    after_each_step: int = 2
    """After each step of the exponent. [times] Judgement: the next step moves them on, and each costs a likelihood."""
    at_the_end: int = 8
    """Once the whole likelihood counts. [times] Judgement: copies of one draw have parted by then."""


USUAL = Moves()


@dataclass(eq=False)
class Population:
    """Equally weighted draws of prior times likelihood to the power of a warmth."""

    place: FloatArray
    """The draws, where they are made. (draws × unknowns) [unit of each ``Unknown``]"""
    believed: FloatArray
    """Log prior of each. (draws) [nat]"""
    seen: FloatArray
    """Log-likelihood of each. (draws) [nat]"""
    exponent: float
    """Power of the likelihood, from 0 to 1. [1]"""

    def choose(self, weights: FloatArray, count: int, rng: np.random.Generator) -> None:
        """Keep so many draws by weight."""
        kept = rng.permutation(resample(weights, count, rng))  # copies of one draw must not all stand in one half
        self.place, self.believed, self.seen = self.place[kept], self.believed[kept], self.seen[kept]


def moved_to_posterior(
    population: Population,
    weights: FloatArray,
    count: int,
    judge: Judge,
    rng: np.random.Generator,
    *,
    moves: Moves = USUAL,
) -> Population:
    """Return so many equal draws of prior times likelihood, from weighted ones at the population's warmth.

    Parameters
    ----------
    population : Population
        Changed in place.
    weights : ndarray, draws
        Add up to 1. [fraction]
    count : int
        How many draws to return.
    judge : callable
        Log prior and log-likelihood of draws, both where they are made.
    rng : Generator
        Random numbers.

    Returns
    -------
    Population
        The same, its power 1.
    """
    population.choose(weights, count, rng)
    _move(population, judge, rng, moves.after_each_step)
    for step in range(_MOST_STEPS):
        if population.exponent >= 1.0:
            break
        more = 1.0 - population.exponent if step == _MOST_STEPS - 1 else _next_exponent(population)
        population.exponent += more
        population.choose(normalized(more * population.seen), count, rng)
        _move(population, judge, rng, moves.after_each_step)
    _move(population, judge, rng, moves.at_the_end)
    return population


def _next_exponent(population: Population) -> float:
    """How much more of the likelihood leaves half of the draws effective."""

    def enough(more: float) -> bool:
        return effective_sample_size(normalized(more * population.seen)) >= _ESS_SHARE * len(population.seen)

    rest = 1.0 - population.exponent
    return rest if rest <= _SMALLEST_STEP or enough(rest) else largest_exponent(enough, _SMALLEST_STEP, rest)


def _move(population: Population, judge: Judge, rng: np.random.Generator, times: int) -> None:
    half = len(population.place) // 2
    for _ in range(times):
        for here, there in ((slice(half), slice(half, None)), (slice(half, None), slice(half))):
            _move_half(population, here, population.place[there], judge, rng)


def _move_half(population: Population, here: slice, others: FloatArray, judge: Judge, rng: np.random.Generator) -> None:
    place = population.place[here]
    count, size = place.shape
    first = rng.integers(len(others), size=count)
    second = (first + rng.integers(1, len(others), size=count)) % len(others)
    reach = np.where(
        rng.random(count) < _JUMP_BETWEEN_MODES,
        1.0,
        _SCALE / np.sqrt(2.0 * size) * rng.uniform(_SCALE_FROM, _SCALE_TO, count),
    )
    jitter = _JITTER * others.std(axis=0) * rng.standard_normal(place.shape)
    proposed = place + reach[:, None] * (others[first] - others[second]) + jitter
    believed, seen = judge(proposed)
    gain = (
        believed + population.exponent * seen - population.believed[here] - population.exponent * population.seen[here]
    )
    taken = np.log(rng.random(count)) < gain
    population.place[here][taken] = proposed[taken]
    population.believed[here][taken] = believed[taken]
    population.seen[here][taken] = seen[taken]
