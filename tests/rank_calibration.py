"""Ranks and coverage of posteriors whose truths were drawn from the prior."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from prior_draws import NOW_S, draw, problem_of, shown, true_days_left
from scipy.stats import binom

from monitor.inference.answers.forecast import futures
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.importance import sample
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import Problem, StandardErrors, sampled_state
from monitor.physics.numerics import FloatArray


@dataclass(frozen=True, eq=False)
class Calibration:
    """How often 90 % intervals held the truth, and the truth's rank in every posterior."""

    conductance_covered: float
    date_covered: float
    ranks: FloatArray
    """Share of the posterior's mean conductance below the truth: even between 0 and 1 where calibrated."""
    hidden: NDArray[np.bool_]
    """Where the last reading lay at the floor: ranks must be even among these too."""
    truths: int

    def within_limits(self, covered: float, nominal: float = 0.90, confidence: float = 0.99) -> bool:
        low, high = binom.interval(confidence, self.truths, nominal)
        return bool(low <= covered * self.truths <= high)

    def flat(self, bins: int = 10, confidence: float = 0.99) -> bool:
        """Every bar of the rank histogram within binomial limits that all of them together keep (Bonferroni)."""
        counts = np.histogram(self.ranks, bins=bins, range=(0.0, 1.0))[0]
        low, high = binom.interval(1.0 - (1.0 - confidence) / bins, self.truths, 1.0 / bins)
        return bool((counts >= low).all() and (counts <= high).all())

    @property
    def calibrated(self) -> bool:
        """Coverage within binomial limits, ranks flat, and not leaning among the boxes still at their floor."""
        covered = self.within_limits(self.conductance_covered) and self.within_limits(self.date_covered)
        return covered and self.flat() and abs(self.lean_where_hidden) < 3.3

    @property
    def lean_where_hidden(self) -> float:
        """Mean rank less a half, in standard errors, where the floor hides the present."""
        ranks = self.ranks[self.hidden]
        return float((ranks.mean() - 0.5) * np.sqrt(12.0 * len(ranks))) if len(ranks) else 0.0


def calibrate(
    floor: float | None,
    truths: int,
    believed: Assumptions | None = None,
    *,
    days: int = 30,
    count: int = 400,
    blind: bool = False,
) -> Calibration:
    """Fit so many truths from the prior; ``believed`` is what the fit assumes where that is not the truth.

    ``blind``: nothing is shown of them, so the posterior is the prior.
    """
    bare = problem_of(days, floor, Assumptions())
    room = learn_room(None, None, NOW_S)
    leak_in, date_in, ranks, hidden = 0, 0, [], []
    for k in range(truths):
        rng = np.random.default_rng(700_000 + k)
        theta = draw(bare.prior, rng)
        problem, truth = shown(bare, theta, rng)
        hidden.append(bool(problem.bins.censored[-1]))
        problem = replace(bare if blind else problem, assumptions=believed or problem.assumptions)
        draws = sample(problem.prior, partial(_log_likelihood, problem), count, rng)
        chosen, weighted_state = draws.resampled(count, rng), run(problem, draws.theta)[1]
        fitted, filtered = draws.theta[chosen], weighted_state.take(chosen)
        state = sampled_state(filtered, StandardErrors.drawn(count, rng))
        posterior = Posterior(problem, room, draws, weighted_state, fitted, filtered, state, NOW_S, True, 0.0)
        ranks.append(float(np.mean(fitted[:, Unknown.log_conductance] < theta[0, Unknown.log_conductance])))
        leak_in += 0.05 <= ranks[-1] <= 0.95
        left = true_days_left(problem, theta, truth, seed=1_000_000 + k)
        ahead = futures(posterior, 0.20, seed=k).crossing_days
        # today and 'beyond the horizon' are atoms: the rank is drawn within them (Czado, Gneiting, Held 2009)
        below, up_to = np.mean(ahead < left), np.mean(ahead <= left)
        date_in += 0.05 <= below + (up_to - below) * rng.random() <= 0.95
    return Calibration(leak_in / truths, date_in / truths, np.array(ranks), np.array(hidden), truths)


def _log_likelihood(problem: Problem, theta: FloatArray) -> FloatArray:
    return run(problem, theta)[0]
