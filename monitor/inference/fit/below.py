"""A posterior given that its box is still below a limit: what is left where most draws are over it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.inference.fit.posterior import Posterior
from monitor.inference.model import normal
from monitor.inference.model.state import Problem, StandardErrors, State, sampled_state
from monitor.physics.numerics import FloatArray

_SEED = 3
"""Of the random numbers. [count, no unit] Judgement: any but those of ``fit`` and the forecast, so that no noise comes
twice."""
_LEAST_VAR_LOADING = 1e-14
"""The variance of a draw's water divides, and is taken for no less. [(g/g)²] Judgement: a spread of 1e-7 g/g shows on
no scale."""


def given_below(posterior: Posterior, limit: float) -> Posterior:
    """Return the posterior given that the box is still below a limit.

    Where nearly every draw is over it, those that aren't are few: so all weighted draws are reweighted by their chance
    of being below, and their water is drawn from a normal truncated there.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        [fraction of saturation]

    Returns
    -------
    Posterior
        The same where no draw could be below.
    """
    rng = np.random.default_rng(_SEED)
    if posterior.hypothetical:
        return posterior
    problem, draws, state = posterior.problem, posterior.draws, posterior.weighted_state
    weights = draws.weights * normal.below(_room_below(state, limit, problem))
    if not weights.sum() > 0.0:
        return posterior
    chosen = replace(draws, weights=weights / weights.sum()).resampled(len(posterior.theta), rng)
    filtered = state.take(chosen)
    errors = StandardErrors.drawn(len(chosen), rng, _room_below(filtered, limit, problem))
    below = sampled_state(filtered, errors)
    return replace(posterior, theta=draws.theta[chosen], filtered=filtered, state=below)


def _room_below(state: State, limit: float, problem: Problem) -> FloatArray:
    """How many standard deviations of its water each draw lies below the limit."""
    table = state.drawn.table
    full = table.loading(np.full(len(state.loading), limit), float(problem.bins.temperature_degc[-1]))
    return np.asarray((full - state.loading) / np.sqrt(np.maximum(state.var_loading, _LEAST_VAR_LOADING)))
