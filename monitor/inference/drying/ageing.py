"""What a lot still takes up against its first run: a line through the logarithm of its uptake, and how sure that is.

ln uptake = level of its series + trend · cycles + scatter. Only runs that can be compared share a series, and a level
belongs to its series alone: an error of the dry mass or of a sensor that is the same each time moves the level and
not the trend. With a normal prior on the trend and flat ones on the levels the posterior is normal for any size of the
scatter; sizes are summed over a grid, as nobody knows how well the stated spreads fit this desk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.fit.quantiles import INTERVAL
from monitor.inference.model.normal import below
from monitor.records import Quantiles

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.physics.numerics import FloatArray

TREND_SD = 0.02
"""Sd of the change a run before any run was seen, about no change. [ln uptake a run] Judgement: SERI/TR-252-2802 (1986)
reports gels that lost 7 to 47 % over their lives, of an unknown number of runs; 2 % a run takes 35 % in twenty."""
SCATTER_MEDIAN, SCATTER_LOG_SD = 0.6, 0.7
"""What is left between runs of their stated spreads: median [share] and sd of its logarithm [ln]. Judgement: about half
of a spread is the same each time (one sensor, one room, one scale), and a careful desk may do four times better."""
_SCATTERS = np.exp(np.log(SCATTER_MEDIAN) + SCATTER_LOG_SD * np.linspace(-4.0, 4.0, 81))
"""The grid of scatters: four sd either way, a tenth of an sd apart. [share] Judgement: far finer than ten runs tell."""
_REACH_SDS = 6.0
"""Trends are looked for so many sd about each normal. [sd] Judgement: one in 10⁹ lies beyond."""
_HALVINGS = 40  # times; judgement: a range halved so often is finer than a float of half the digits
LEAST_UPTAKES = 2
"""Comparable uptakes that a trend needs. [uptakes] By definition: one has nothing to be compared with."""


@dataclass(frozen=True, slots=True)
class Uptake:
    """How much beads had taken up once, with what it may be compared with."""

    series: str
    """Uptakes of one series may be compared with one another."""
    cycles: int
    """How often the beads had been dried before. [runs]"""
    uptake: float
    """Loading, or loading over what the isotherm says; one and the same within a series. [any unit]"""
    log_sd: float
    """Stated spread of its logarithm. [ln uptake]"""


@dataclass(frozen=True, slots=True, eq=False)
class UptakeTrend:
    """What is believed of the change of ln uptake a run: a mixture of normals, one for each size of the scatter."""

    weights: FloatArray
    """Posterior of each scatter (scatters). [chance]"""
    means: FloatArray
    """Mean of the trend at each scatter (scatters). [ln uptake a run]"""
    sds: FloatArray
    """Its sd at each scatter (scatters). [ln uptake a run]"""
    compared: int
    """Uptakes beyond the first of each series. [uptakes]"""

    def per_run(self) -> Quantiles:
        """Return the trend with its interval.

        Returns
        -------
        Quantiles
            [ln uptake a run]
        """
        low = np.full(len(INTERVAL), np.min(self.means - _REACH_SDS * self.sds))
        high = np.full(len(INTERVAL), np.max(self.means + _REACH_SDS * self.sds))
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            beyond = below((middle[:, None] - self.means) / self.sds) @ self.weights >= INTERVAL
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        return Quantiles(*(0.5 * (low + high)).tolist())

    def share_left(self, cycles: float) -> Quantiles:
        """Return uptake after so many runs over that at the first.

        Parameters
        ----------
        cycles : float
            Runs since the first. [runs]

        Returns
        -------
        Quantiles
            [share]
        """
        trend = self.per_run()
        return Quantiles(*(float(np.exp(cycles * change)) for change in (trend.p05, trend.p50, trend.p95)))

    def chance_below(self, share: float, cycles: float) -> float:
        """Return the chance that uptake after so many runs is less than a share of that at the first.

        Parameters
        ----------
        share : float
            Above 0. [share]
        cycles : float
            Runs since the first. [runs]

        Returns
        -------
        float
            [chance]
        """
        if cycles <= 0.0:
            return 0.0
        return float(below((np.log(share) / cycles - self.means) / self.sds) @ self.weights)

    def chance_falling(self) -> float:
        """Return the chance that uptake falls from run to run.

        Returns
        -------
        float
            [chance]
        """
        return float(below(-self.means / self.sds) @ self.weights)

    def runs_until(self, share: float) -> Quantiles:
        """Return after how many runs in all uptake is down to a share of that at the first; infinite if it never is.

        Parameters
        ----------
        share : float
            Below 1. [share]

        Returns
        -------
        Quantiles
            [runs]
        """
        trend = self.per_run()
        falls = (trend.p05, trend.p50, trend.p95)
        return Quantiles(*(float(np.log(share) / fall) if fall < 0.0 else np.inf for fall in falls))


def uptake_trend(uptakes: Sequence[Uptake]) -> UptakeTrend | None:
    """Return the trend that uptakes of one lot share.

    Parameters
    ----------
    uptakes : sequence of Uptake
        Of any series of one lot.

    Returns
    -------
    UptakeTrend or None
        None where no two may be compared.
    """
    names = {uptake.series for uptake in uptakes}
    series = [[uptake for uptake in uptakes if uptake.series == name] for name in sorted(names)]
    told = [one for one in series if len(one) >= LEAST_UPTAKES]
    if not told:
        return None
    cycles_by_cycles, cycles_by_logs, logs_by_logs = np.sum([_sums(one) for one in told], axis=0)
    if cycles_by_cycles <= 0.0:
        return None
    compared = sum(len(one) - 1 for one in told)
    # the levels integrated out, ln uptake is normal about the trend within each series: Gelman et al. (2013), ch. 14
    precisions = cycles_by_cycles / _SCATTERS**2 + TREND_SD**-2
    means = cycles_by_logs / _SCATTERS**2 / precisions
    evidence = -compared * np.log(_SCATTERS) - 0.5 * logs_by_logs / _SCATTERS**2
    evidence += 0.5 * precisions * means**2 - 0.5 * np.log(precisions)
    evidence -= 0.5 * (np.log(_SCATTERS / SCATTER_MEDIAN) / SCATTER_LOG_SD) ** 2
    weights = np.exp(evidence - evidence.max())
    return UptakeTrend(weights / weights.sum(), means, precisions**-0.5, compared)


def _sums(series: Sequence[Uptake]) -> tuple[float, float, float]:
    """Return the sums of squares and products about the means of a series, each uptake by its stated spread."""
    weights = np.array([uptake.log_sd**-2 for uptake in series])
    cycles = np.array([float(uptake.cycles) for uptake in series])
    logs = np.log([uptake.uptake for uptake in series])
    cycles = cycles - np.average(cycles, weights=weights)
    logs = logs - np.average(logs, weights=weights)
    return tuple(float(np.sum(weights * a * b)) for a, b in ((cycles, cycles), (cycles, logs), (logs, logs)))  # type: ignore[return-value]
