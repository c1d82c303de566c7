"""Runs of bins that the compiled filter does by one call; the rest stays with the numpy code of ``kalman``.

Before a jump of the seal and after a weighing or a color, a run ends, so that ``kalman`` can do its part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.inference.model.disturbances import FLATTEST, LEAST_HUMIDITY_PER_G, swapped_in
from monitor.inference.model.observations import STEEPEST, reading_noise
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import Problem, State
from monitor.inference.model.swapped_spools import replaced_and_spread
from monitor.physics.box_balance import SMALL, Air
from monitor.physics.compiled import filter_kernel
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption.tabulated import SorptionTable

_STATE = (
    "loading", "wander", "slow_humidity", "var_loading", "covariance", "var_wander", "leaked_g", "dose_kpa_days",
    "log_conductance", "event_g", "var_slow", "slow_with_loading", "slow_with_wander",
)  # fmt: skip
"""Rows of the state, in the order of the kernel."""


@dataclass(frozen=True, eq=False)
class StackedBins:
    """What acts in the bins of a problem and what was seen in them, as the kernel takes it."""

    rows: FloatArray
    """A row each, in the order of the kernel. (rows × bins) [unit of each]"""
    run_ends: NDArray[np.intp]
    """Bins before which a run ends, rising; the last is how many there are. (runs)"""


def stacked(problem: Problem, acting: Sequence[Air], settling: FloatArray) -> StackedBins:
    """Return the bins of a problem as the kernel takes them.

    Parameters
    ----------
    problem : Problem
        The episode.
    acting : sequence of Air
        A bin each.
    settling : ndarray, bins
        Noise of settling. [fraction of saturation per square root of a day]

    Returns
    -------
    StackedBins
        For all passes through them.
    """
    bins, assume = problem.bins, problem.assumptions
    air = np.array(acting, dtype=float).reshape(len(acting), len(Air._fields))  # none, where nothing is new
    outside_kpa, saturation_kpa, _, air_g_per_liter = air.T
    seen = np.where(bins.censored & assume.drop_censored, np.nan, bins.shown_humidity)
    noise = np.array([reading_noise(float(shown), problem) for shown in bins.shown_humidity])
    middle = 0.5 * (bins.edges_days[:-1] + bins.edges_days[1:]) - bins.edges_days[0]
    rows = np.array([
        bins.days, outside_kpa, saturation_kpa, air_g_per_liter, middle, settling, seen, noise,
        bins.censored & assume.censored, bins.openings, bins.swaps, bins.step_size,
        *_swapped(problem),
    ])  # fmt: skip
    jumps = [i for i, jump in enumerate(bins.loosened) if jump.any()]
    looked_at = [i + 1 for i in (*(i for i, *_ in bins.weighings), *(i for i, _ in bins.colors))]
    run_ends = sorted({*jumps, *looked_at, *bins.new_sensors, len(bins)})
    return StackedBins(rows, np.array(run_ends, np.intp))


def _swapped(problem: Problem) -> FloatArray:
    """What the swaps of each bin replace, how humid what comes is, and the standard deviation of that."""
    bins, share = problem.bins, problem.prior.swapped_share
    replaced, spread = replaced_and_spread(share, bins.swaps)
    humidity, sd = np.zeros_like(bins.swaps), np.zeros_like(bins.swaps)
    for i in np.flatnonzero(replaced):
        humidity[i], sd[i] = swapped_in(problem, int(i))
    return np.array([replaced, humidity, spread * sd])


class CompiledRun:
    """One pass of the compiled filter.

    Parameters
    ----------
    kernel : module
        The compiled filter.
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]
    state : State
        Of each draw; its box is taken.
    bins : StackedBins
        Of the problem.
    drift_var : float
        Variance of ln conductance that its wander tends to. [1]
    """

    def __init__(  # noqa: PLR0917
        self, kernel: Any, problem: Problem, theta: FloatArray, state: State, bins: StackedBins, drift_var: float
    ) -> None:
        table = state.drawn.table
        self._run = kernel.run
        self._grid = table.grid
        self._rows = table.grid_rows.astype(np.int32)
        self._errors = _errors(problem, state, drift_var)
        self._constants = _constants(problem, theta, state)
        self._bins = np.vstack([bins.rows, table.power(problem.bins.temperature_degc)])
        self._ends = bins.run_ends

    def stop(self, i: int) -> int:
        """Return the bin before which a run from this bin on ends.

        Parameters
        ----------
        i : int
            The bin to begin with.

        Returns
        -------
        int
            A later bin, or how many there are.
        """
        return int(self._ends[np.searchsorted(self._ends, i, side="right")])

    def run(self, state: State, log_likelihood: FloatArray, i: int, stop: int) -> None:
        """Run the filter through some bins, in place.

        Parameters
        ----------
        state : State
            At the start of the first bin; afterwards, at the end of the last.
        log_likelihood : ndarray, draws
            Added to. [nat]
        i, stop : int
            The first bin, and the one after the last.

        Raises
        ------
        FloatingPointError
            If the water of a draw is not a number.
        """
        rows = np.array([getattr(state, name) for name in _STATE])
        self._run(*self._grid, self._errors, self._rows, self._constants, self._bins, rows, log_likelihood, i, stop)
        if not np.isfinite(rows[0]).all():
            raise FloatingPointError("the water of a draw is not a number")
        for name, row in zip(_STATE, rows, strict=True):
            setattr(state, name, row)


def compiled_run(
    problem: Problem, theta: FloatArray, state: State, bins: StackedBins, drift_var: float
) -> CompiledRun | None:
    """Return the compiled filter for a pass; None where there is none, or where it knows no such isotherm.

    Parameters
    ----------
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]
    state : State
        Of each draw at the start.
    bins : StackedBins
        Of the problem.
    drift_var : float
        Variance of ln conductance that its wander tends to. [1]

    Returns
    -------
    CompiledRun or None
        For this pass.
    """
    kernel, _ = filter_kernel()
    if kernel is None or not isinstance(state.drawn.table, SorptionTable):
        return None
    return CompiledRun(kernel, problem, theta, state, bins, drift_var)


def _errors(problem: Problem, state: State, drift_var: float) -> dict[str, float]:
    """Return the model of errors, and constants that its equations need, by the names that the kernel has for them."""
    assume = problem.assumptions
    same_names = (
        "drift_days", "unknown_share", "unknown_g_per_g", "student_degrees", "opening_sd_g", "swap_least_sd_g",
        "swapped_humidity", "swapped_humidity_sd",
    )  # fmt: skip
    return {
        **{name: getattr(assume, name) for name in same_names},
        "drift_var": drift_var,
        "seating_var": assume.seating_sd**2 if assume.wandering_leak else 0.0,
        "swapped_g_per_humidity": problem.prior.swapped_g_per_humidity,
        "flattest": FLATTEST,
        "steepest": STEEPEST,
        "least_humidity_per_g": LEAST_HUMIDITY_PER_G,
        "small": SMALL,
        "volume_liter": state.drawn.volume_liter,
        "has_change_point": problem.prior.has_change_point,
        "at_once": not problem.prior.swapped_share,
    }


def _constants(problem: Problem, theta: FloatArray, state: State) -> FloatArray:
    """Stack what is constant for a draw, in the order of the kernel."""
    box = state.drawn
    constants = [
        box.table.fill_per_loading, box.table.nearly_full_g_per_g, box.dry_mass_g,
        box.slow_g_per_humidity, box.slow_lag_days, theta[:, Unknown.sensor_bias],
    ]  # fmt: skip
    if not problem.prior.has_change_point:
        unused = np.zeros(len(theta))
        return np.array([*constants, unused, unused, unused, unused])
    change = theta[:, Unknown.log_change_factor], theta[:, Unknown.change_day]
    took = np.exp(theta[:, Unknown.log_change_duration])
    return np.array([*constants, theta[:, Unknown.log_conductance], *change, took])
