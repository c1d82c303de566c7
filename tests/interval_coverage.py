"""How often intervals hold the truth of simulated boxes, and whether so many misses are more than chance."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom
from simulated_lives import Kind, Life, simulated_lives

from monitor.inference.answers.forecast import forecast
from monitor.inference.fit.change_point import with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantiles
from monitor.records import CrossingForecast


@dataclass(frozen=True, eq=False)
class EstimatedBox:
    """A made-up box, and what is believed of it."""

    life: Life
    posterior: Posterior
    ahead: CrossingForecast

    @property
    def holds_leak(self) -> bool:
        found = quantiles(mean_conductance(self.posterior))
        return found.p05 < self.life.true_mean_conductance < found.p95

    @property
    def log_miss(self) -> float:
        """ln of the middle of the leak over its truth."""
        return float(np.log(np.median(mean_conductance(self.posterior)) / self.life.true_mean_conductance))

    @property
    def holds_day(self) -> bool:
        """Whether the day lies between its ends, to a day; a box that is over has to be said to be perhaps so."""
        if self.life.days_left == 0.0:
            return self.ahead.chance_over_already > 0.05 or self._ends()[0] < 1.0
        low, high = self._ends()
        return low - 1.0 <= self.life.days_left <= high + 1.0

    def _ends(self) -> tuple[float, float]:
        there = self.ahead.cross_at
        low, high = ((at.timestamp() - self.life.now_s) / 86_400.0 if at else np.inf for at in (there.p05, there.p95))
        return low, high


def looked_at(
    count: int, kind: Kind, seed: int, misread: Callable[[Life, np.random.Generator], Life] = lambda life, _: life
) -> list[EstimatedBox]:
    """Make so many boxes, let their sensors misread, and look at each."""
    rng, found = np.random.default_rng(seed), []
    for made in simulated_lives(count, kind, seed):
        life = misread(made, rng)
        posterior = with_change_point(estimate(life.record, life.now_s, count=500))
        found.append(EstimatedBox(life, posterior, forecast(posterior)))
    return found


def at_least(share: float, there: Iterable[bool]) -> bool:
    """True where so many would be no surprise if each came with that chance (binomial, 99 %)."""
    held = list(there)
    return sum(held) >= float(binom.ppf(0.01, len(held), share))
