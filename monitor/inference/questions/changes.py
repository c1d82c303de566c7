"""Since when a box is leakier than it was: a change point of its conductance, with the odds for it.

Let ln G jump at one of some days of the episode and see how much better the readings are foretold (Bayes factor [1]_).

References
----------
.. [1] Kass, Raftery (1995), J. Am. Stat. Assoc. 90:773.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from monitor.inference.leak import Posterior, quantiles
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.filter import Problem, State, run
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

_JUMP_SD = 0.9
"""A lid seated badly or a seal that fails: a factor of 2.5 either way."""
_PRIOR_CHANCE = 0.1
_SAID_FROM = 0.8
_DRAWS = 200
_MOST_CANDIDATES = 16
_CLEAR_OF_ENDS_DAYS = 4.0


@dataclass(frozen=True)
class Change:
    """A change of conductance: when, by what factor, and how sure."""

    at: datetime
    factor: Quantiles
    chance: float


def change_of(posterior: Posterior) -> Change | None:
    """Return the change of a box's conductance in this episode; None where the readings don't insist on one."""
    problem, theta = posterior.problem, posterior.theta[:: max(len(posterior.theta) // _DRAWS, 1)]
    candidates = _candidates(posterior)
    if len(candidates) == 0:
        return None
    plain = _log_evidence(run(problem, theta)[0])
    tried = [run(_loosened(problem, i), theta) for i in candidates]
    logs = np.array([_log_evidence(score) for score, _ in tried]) - plain
    odds = _PRIOR_CHANCE / (1.0 - _PRIOR_CHANCE) * float(np.mean(np.exp(np.minimum(logs, 300.0))))
    chance = odds / (1.0 + odds)
    if chance < _SAID_FROM:
        return None
    best = int(np.argmax(logs))
    score, state = tried[best]
    at_s = posterior.now_s + float(posterior.bins.edges_days[candidates[best]]) * DAY_S
    return Change(datetime.fromtimestamp(at_s, UTC), _factor(score, state), chance)


def _candidates(posterior: Posterior) -> list[int]:
    """Bins at whose start the jump is tried, clear of both ends."""
    edges = posterior.bins.edges_days[:-1]
    clear = (edges > edges[0] + 2 * _CLEAR_OF_ENDS_DAYS) & (edges < -_CLEAR_OF_ENDS_DAYS)
    inside = np.flatnonzero(clear)
    return [int(i) for i in inside[:: max(len(inside) // _MOST_CANDIDATES, 1)]]


def _loosened(problem: Problem, at: int) -> Problem:
    loosened = problem.bins.loosened.copy()
    loosened[at] += _JUMP_SD**2
    return replace(problem, bins=replace(problem.bins, loosened=loosened))


def _log_evidence(scores: FloatArray) -> float:
    return float(scores.max() + np.log(np.mean(np.exp(scores - scores.max()))))


def _factor(score: FloatArray, state: State) -> Quantiles:
    """Conductance after the jump over that before: the wander it ended with, weighed by how well it foretold."""
    rng = np.random.default_rng(len(score))
    weights = np.exp(score - score.max())
    chosen = rng.choice(len(score), size=1000, p=weights / weights.sum())
    spread = np.sqrt(np.maximum(state.var_wander[chosen], 0.0)) * rng.standard_normal(1000)
    return quantiles(np.exp(state.wander[chosen] + spread))
