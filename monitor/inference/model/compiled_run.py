"""Runs of bins that the compiled filter does by one call; what is rare stays with the numpy code of ``kalman``.

Rare are swapped spools, unexplained steps and sensors that were swapped since. Before a jump of the seal and after a
weighing or a color, a run ends, so that ``kalman`` can do its part.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from monitor.inference.model.disturbances import FLATTEST, LEAST_HUMIDITY_PER_G
from monitor.inference.model.observations import STEEPEST, reading_noise
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import Problem, State
from monitor.physics.box_balance import SMALL, Air
from monitor.physics.compiled import filter_kernel
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption.tabulated import SorptionTable

_STATE = (
    "loading", "wander", "slow_humidity", "var_loading", "covariance", "var_wander", "leaked_g", "dose_kpa_days",
    "log_conductance",
)  # fmt: skip
"""Rows of the state, in the order of the kernel."""


class CompiledRun:
    """One pass of the compiled filter: its inputs stacked as the kernel takes them.

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
    acting : sequence of Air
        A bin each.
    settling : ndarray, bins
        Noise of settling. [fraction of saturation per square root of a day]
    drift_var : float
        Variance of ln conductance that its wander tends to. [1]
    """

    def __init__(  # noqa: PLR0917
        self,
        kernel: Any,
        problem: Problem,
        theta: FloatArray,
        state: State,
        acting: Sequence[Air],
        settling: FloatArray,
        drift_var: float,
    ) -> None:
        bins, table = problem.bins, state.drawn.table
        self._run = kernel.run
        self._grid = table.grid
        self._rows = table.grid_rows.astype(np.int32)
        self._errors = _errors(problem.assumptions, drift_var, problem.prior.has_change_point)
        self._constants = _constants(problem, theta, state)
        self._bins = _bins(problem, state, acting, settling)
        last = np.zeros(len(bins.days), dtype=bool)
        last[[i for i, *_ in (*bins.weighings, *bins.colors)]] = True
        first = bins.loosened.reshape(len(bins.days), -1).any(axis=1)
        first[[i for i in bins.new_sensors if i < len(first)]] = True
        self._rare = (bins.swaps != 0.0) | (bins.step_size != 0.0)
        self._ends_before = np.flatnonzero(first | self._rare | np.r_[False, last[:-1]])

    def stop(self, i: int) -> int:
        """Return the bin before which a run from this bin on ends.

        Parameters
        ----------
        i : int
            The bin to begin with.

        Returns
        -------
        int
            ``i`` where already this bin is rare.
        """
        if self._rare[i]:
            return i
        after = np.searchsorted(self._ends_before, i, side="right")
        return int(self._ends_before[after]) if after < len(self._ends_before) else len(self._rare)

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


def compiled_run(  # noqa: PLR0917
    problem: Problem, theta: FloatArray, state: State, acting: Sequence[Air], settling: FloatArray, drift_var: float
) -> CompiledRun | None:
    """Return the compiled filter for a pass; None where there is none, or where it knows another isotherm.

    Parameters
    ----------
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]
    state : State
        Of each draw at the start.
    acting : sequence of Air
        A bin each.
    settling : ndarray, bins
        Noise of settling. [fraction of saturation per square root of a day]
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
    return CompiledRun(kernel, problem, theta, state, acting, settling, drift_var)


def _errors(assume: Assumptions, drift_var: float, has_change_point: bool) -> dict[str, float]:
    return {
        "drift_days": assume.drift_days,
        "drift_var": drift_var,
        "unknown_share": assume.unknown_share,
        "unknown_g_per_g": assume.unknown_g_per_g,
        "student_degrees": assume.student_degrees,
        "opening_sd_g": assume.opening_sd_g,
        "swapped_humidity_sd": assume.swapped_humidity_sd,
        "seating_var": assume.seating_sd**2 if assume.wandering_leak else 0.0,
        "flattest": FLATTEST,
        "steepest": STEEPEST,
        "least_humidity_per_g": LEAST_HUMIDITY_PER_G,
        "small": SMALL,
        "has_change_point": has_change_point,
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


def _bins(problem: Problem, state: State, acting: Sequence[Air], settling: FloatArray) -> FloatArray:
    """Stack what acts in a bin and what was seen in it, in the order of the kernel."""
    bins, assume, box = problem.bins, problem.assumptions, state.drawn
    air = np.array(acting, dtype=float)
    seen = np.where(bins.censored & assume.drop_censored, np.nan, bins.shown_humidity)
    noise = np.array([reading_noise(float(shown), problem) for shown in bins.shown_humidity])
    middle = 0.5 * (bins.edges_days[:-1] + bins.edges_days[1:]) - bins.edges_days[0]
    return np.array([
        bins.days, air[:, 0], air[:, 1], box.volume_liter * air[:, 3], box.table.power(air[:, 2]), settling,
        seen, noise, bins.censored & assume.censored, bins.openings, middle,
    ])  # fmt: skip
