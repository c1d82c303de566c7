"""The reference of the bench: the same filter and the same posterior, each draw's balance by an adaptive solver.

State, its answer to a change at the start, and what leaked in are integrated together by `scipy.integrate.solve_ivp`,
a draw and a bin at a time, in place of `monitor.physics.box_balance.advance`. Everything else is ours.
"""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
from scipy.integrate import solve_ivp

from monitor.inference.fit.posterior import Posterior
from monitor.inference.model import kalman
from monitor.physics.box_balance import Air, DrawnBox, Stepped
from monitor.physics.numerics import FloatArray

RELATIVE_TOLERANCE = 1e-5


def posterior_by_solve_ivp(posterior: Posterior, draws: int) -> tuple[FloatArray, FloatArray]:
    """Log likelihood and final loading of so many draws, their balance solved one by one."""
    with patch.object(kalman, "advance", advance):
        scores, state = kalman.run(posterior.problem, posterior.theta[:draws])
    return scores, state.loading


def posterior_by_ours(posterior: Posterior, draws: int) -> tuple[FloatArray, FloatArray]:
    """The same, all draws at once."""
    scores, state = kalman.run(posterior.problem, posterior.theta[:draws])
    return scores, state.loading


def advance(
    box: DrawnBox, loading: FloatArray, slow: FloatArray, conductance: FloatArray, air: Air, *, days: float
) -> Stepped:
    """One step of every draw, one after the other."""
    ends = []
    for k in range(len(loading)):
        one, outside = box.take(np.array([k])), conductance[k]
        start = [loading[k], slow[k], 1.0, 0.0, 0.0, 0.0]
        found = solve_ivp(
            _slopes, (0.0, days), start, method="LSODA", rtol=RELATIVE_TOLERANCE, atol=1e-9, args=(one, outside, air)
        )
        ends.append(found.y[:, -1])
    end = np.array(ends).T
    _, start_slope = box.table.humidity(loading, air.temperature_degc)
    return Stepped(end[0], end[1], end[2], end[3], end[4], end[5] / days, start_slope)


def _slopes(_t: float, y: FloatArray, box: DrawnBox, conductance: float, air: Air) -> list[float]:
    humidities, slopes = box.table.humidity(y[:1], air.temperature_degc)
    humidity, slope = float(humidities[0]), float(slopes[0])
    slow_g, lag = float(box.slow_g_per_humidity[0]), float(box.slow_lag_days[0])
    capacity = float(box.dry_mass_g[0]) + box.volume_liter * float(air.saturated_air_g_per_liter) * slope
    difference = float(air.outside_kpa) - humidity * float(air.saturation_kpa)
    leak = conductance * difference
    back = -(conductance * float(air.saturation_kpa) + slow_g / lag) * slope / capacity
    return [
        (leak - slow_g * (humidity - y[1]) / lag) / capacity,
        (humidity - y[1]) / lag,
        back * y[2],
        back * y[3] + leak / capacity,
        leak,
        difference,
    ]
