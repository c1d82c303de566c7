"""The steps of ``simulation`` by one call of compiled code, where there is any."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from monitor.inference.answers.drawn_future import MOST_A_STEP
from monitor.inference.answers.simulation import LEAST_RISE, Ahead, Simulated, full_loading
from monitor.inference.fit.fit import COLDEST_DEGC, WARMEST_DEGC
from monitor.inference.model.disturbances import LEAST_HUMIDITY_PER_G
from monitor.physics.box_balance import SMALL
from monitor.physics.compiled import forecast_kernel
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC, grams_per_m3_per_pa
from monitor.physics.saturation import FIT_OVER_WATER
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.units import KELVIN_AT_0_DEGC

_ROWS = tuple(one.name for one in fields(Simulated))
"""Rows of the state, in the order of the kernel."""


class CompiledSteps:
    """The compiled steps of one box's futures.

    Parameters
    ----------
    kernel : module
        The compiled forecast.
    ahead : Ahead
        The futures.
    """

    def __init__(self, kernel: Any, ahead: Ahead) -> None:
        table = ahead.posterior.state.drawn.table
        self._run = kernel.run
        self._of_draws = (
            *table.grid, _errors(ahead), FIT_OVER_WATER, table.grid_rows.astype(np.int32), _constants(ahead),
            ahead.ends, ahead.weather.outside_kpa, ahead.weather.degc, ahead.chances.rows,
        )  # fmt: skip

    def __call__(self, start: Simulated, course: FloatArray, first: int, stop: int) -> Simulated:
        """Simulate some steps, as ``simulate`` does.

        Parameters
        ----------
        start : Simulated
            At the start of the first step.
        course : ndarray, steps × draws
            Of humidity, changed in place. [fraction of saturation]
        first, stop : int
            The first step, and the one after the last.

        Returns
        -------
        Simulated
            At the end of the last.
        """
        rows = np.array([getattr(start, name) for name in _ROWS])
        self._run(*self._of_draws, rows, course, first, stop)
        return Simulated(*rows)


def compiled_steps(ahead: Ahead) -> CompiledSteps | None:
    """Return the compiled steps of futures; None where there are none, or where they know no such isotherm.

    Parameters
    ----------
    ahead : Ahead
        The futures.

    Returns
    -------
    CompiledSteps or None
        For these futures.
    """
    kernel, _ = forecast_kernel()
    if kernel is None or not isinstance(ahead.posterior.state.drawn.table, SorptionTable):
        return None
    return CompiledSteps(kernel, ahead)


def _errors(ahead: Ahead) -> dict[str, float]:
    """Return the model of errors, and constants that its equations need, by the names that the kernel has for them."""
    posterior = ahead.posterior
    assume = posterior.problem.assumptions
    same_names = (
        "drift_days", "drift_sd", "unknown_share", "unknown_g_per_g", "seating_sd", "badly_seated",
        "ajar_log_conductance", "ajar_days", "opening_sd_g", "swap_least_sd_g", "swapped_humidity_sd",
        "future_events", "wandering_leak",
    )  # fmt: skip
    return {
        **{name: getattr(assume, name) for name in same_names},
        "swapped_g_per_humidity": posterior.problem.prior.swapped_g_per_humidity,
        "swapped_share": posterior.problem.prior.swapped_share,
        "least_humidity_per_g": LEAST_HUMIDITY_PER_G,
        "most_a_step": MOST_A_STEP,
        "least_rise": LEAST_RISE,
        "limit": ahead.limit,
        "small": SMALL,
        "volume_liter": posterior.state.drawn.volume_liter,
        "above_room_degc": posterior.temperature_above_room_degc,
        "coldest_degc": COLDEST_DEGC,
        "warmest_degc": WARMEST_DEGC,
        "kelvin_at_0_degc": KELVIN_AT_0_DEGC,
        "reference_k": REFERENCE_DEGC + KELVIN_AT_0_DEGC,
        # g/m³/Pa are g/L/kPa; by temperature it goes as 1/T
        "g_per_liter_kpa_k": float(grams_per_m3_per_pa(0.0)) * KELVIN_AT_0_DEGC,
        "by_potential": posterior.state.drawn.table.by_potential,
    }


def _constants(ahead: Ahead) -> FloatArray:
    """Stack what is constant for a draw, in the order of the kernel."""
    state, usage = ahead.posterior.state, ahead.usage
    box = state.drawn
    return np.array([
        box.table.fill_per_loading, box.table.nearly_full_g_per_g, box.dry_mass_g,
        box.slow_g_per_humidity, box.slow_lag_days, state.log_conductance,
        usage.openings_per_day, usage.events_per_day, usage.swapped_humidity,
        full_loading(ahead.posterior, ahead.limit),
    ])  # fmt: skip
