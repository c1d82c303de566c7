"""Equally likely draws from a posterior over a few standard normal unknowns.

The evidence is let in by degrees; after each degree the draws are picked by weight and then jostled along the
differences of other draws, which follow any ridge the evidence has. The random numbers are fixed: the same evidence
always gives the same draws. Sequential Monte Carlo after Del Moral, Doucet, Jasra, J. R. Stat. Soc. B 68 (2006) 411;
moves by differences after ter Braak, Stat. Comput. 16 (2006) 239, in some of the unknowns at a time after Vrugt et al.,
Int. J. Nonlinear Sci. Numer. Simul. 10 (2009) 273. References from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

    FloatArray = NDArray[np.float64]
    LogLikelihood = Callable[[FloatArray], FloatArray]

DRAWS = 2000
"""Draws of a curve. Judgement: a 5 % point then rests on 100 of them."""
_SEED = 20260301
"""Of the random numbers; any would do."""
_LEAST_EFFECTIVE_SHARE = 0.5
"""A degree lets in as much of the evidence as leaves this share of the draws effective. Judgement: the usual half."""
_MOVES_A_DEGREE = 6
_MOVES_AT_END = 40
"""Moves of every draw after a degree, and after the last. Judgement: intervals then cover made-up runs as they should
(tests/inference)."""
_MOST_DEGREES = 60
"""A bound on the work. Judgement."""
_HALVINGS = 40
"""Of the interval in which a degree is sought: to 1e-12 of it."""
_SCALE, _SCALE_FROM = 2.38, 0.4
"""Length of a move: 2.38/√(2 d) in d unknowns is best for a normal target (ter Braak 2006); times anything from the
second to 1, which suits ridges that are no normal (a judgement)."""
_SOME_UNKNOWNS = 0.4
"""Chance of each unknown to move where only some do; half of the moves (after Vrugt 2009). Judgement."""
_JITTER = 1e-6
"""Added to a move, of a standard normal, so that any place can be reached. Judgement: next to nothing."""


def draw_posterior(log_likelihood: LogLikelihood, size: int, draws: int = DRAWS) -> FloatArray:
    """Return draws of the posterior under a standard normal prior.

    Parameters
    ----------
    log_likelihood : callable
        Of draws × unknowns; returns one for each draw. [nat]
    size : int
        How many unknowns.
    draws : int
        How many draws.

    Returns
    -------
    ndarray, draws × unknowns
        [standard deviations]
    """
    chance = np.random.default_rng(_SEED)
    z = chance.standard_normal((draws, size))
    evidence = log_likelihood(z)
    heat = 0.0
    for _ in range(_MOST_DEGREES):
        before, heat = heat, _next_heat(evidence, heat)
        picked = _systematic(_weights((heat - before) * evidence), chance)
        z, evidence = z[picked], evidence[picked]
        for _ in range(_MOVES_AT_END if heat >= 1.0 else _MOVES_A_DEGREE):
            z, evidence = _jostle(z, evidence, heat, log_likelihood, chance)
        if heat >= 1.0:
            break
    return z


def _next_heat(evidence: FloatArray, heat: float) -> float:
    """Return how far the evidence may count before too few draws carry the weight."""
    if _enough((1.0 - heat) * evidence):
        return 1.0
    low, high = heat, 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _enough((middle - heat) * evidence) else (low, middle)
    return high


def _enough(log_weights: FloatArray) -> bool:
    return bool(1.0 / np.sum(_weights(log_weights) ** 2) >= _LEAST_EFFECTIVE_SHARE * len(log_weights))


def _weights(log_weights: FloatArray) -> FloatArray:
    weights = np.exp(log_weights - np.max(log_weights))
    return np.asarray(weights / weights.sum())


def _systematic(weights: FloatArray, chance: np.random.Generator) -> NDArray[np.intp]:
    places = (np.arange(len(weights)) + chance.random()) / len(weights)
    return np.minimum(np.searchsorted(np.cumsum(weights), places), len(weights) - 1)


def _jostle(
    z: FloatArray, evidence: FloatArray, heat: float, log_likelihood: LogLikelihood, chance: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Move every draw along the difference of two others, where the target allows it (Metropolis).

    One half moves by the differences within the other, so that the moves don't depend on what they change.
    """
    order = chance.permutation(len(z))
    z, evidence = z[order], evidence[order]
    half = len(z) // 2
    for moving, guiding in ((slice(0, half), z[half:]), (slice(half, None), z[:half])):
        here = z[moving]
        first, second = chance.integers(len(guiding), size=(2, len(here)))
        there = here + _strides(here.shape, chance) * (guiding[first] - guiding[second])
        evidence_there = log_likelihood(there)
        gain = heat * (evidence_there - evidence[moving]) + 0.5 * np.sum(here**2 - there**2, axis=1)
        accept = np.log(chance.random(len(here))) < gain
        z[moving] = np.where(accept[:, None], there, here)
        evidence[moving] = np.where(accept, evidence_there, evidence[moving])
    return z, evidence


def _strides(shape: tuple[int, ...], chance: np.random.Generator) -> FloatArray:
    """Return for each draw which unknowns move, and how far along the difference."""
    moved = chance.random(shape) < chance.choice((_SOME_UNKNOWNS, 1.0), size=(shape[0], 1))
    length = _SCALE / np.sqrt(2.0 * np.maximum(moved.sum(axis=1, keepdims=True), 1)) * chance.uniform(_SCALE_FROM, 1.0)
    return np.asarray(moved * length + _JITTER * chance.standard_normal(shape))
