"""The one water balance of a closed box: the estimator reads it backward, the forecaster forward, a step at a time.

Water in the box is what the charge, the slow contents (filament, board) and the air hold; it changes by what leaks in:

    d/dt [ m u(RH, T) + V rho_v ] = G (p_out - p_in) + flow from the slow contents

The charge is at rest with the air, slow contents behind it by a lag. Every quantity may be an array of draws; a step
moves all of them at once and hands out the slopes that an estimator needs beside the new state.

Within a step the balance is linear about its start and solved exactly, so a leaky or empty box is stable at any step
length and water is conserved. Against an exact solution (tests/exact_balance.py) gel and clay err by less than 0.003 RH
at steps up to a day, by 0.015 in the first days beside a wet spool. Molecular sieve needs shorter steps: 0.01 RH at a
quarter of a day in a good box; past its knee a daily step may be a day early or late.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.physics.numerics import FloatArray, Numeric
from monitor.physics.sorption.tabulated import SorptionTable

SMALL = 1e-9  # share of a step; judgement: keeps 0/0 out, far above rounding
_HALVINGS = 40  # a count; judgement: a loading of up to 1 g/g is then found to 1e-12


@dataclass(frozen=True, eq=False)
class DrawnBox:
    """A closed box, an array of draws for what is unknown of it."""

    table: SorptionTable
    dry_mass_g: FloatArray
    """Mass of prompt sorbent times its capacity scale. [g]"""
    slow_g_per_humidity: FloatArray
    """Water the slow contents take up for a humidity of 1, on the straight line of Henry's law. [g]"""
    slow_lag_days: FloatArray
    """Time constant with which they follow the air. [days]"""
    volume_liter: float
    """Of the air. [L]"""
    _caught_up: dict[float, tuple[FloatArray, FloatArray]] = field(default_factory=dict, init=False, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        """Travel without what is kept for the next step."""
        return {**self.__dict__, "_caught_up": {}}

    def catching_up(self, days: float) -> tuple[FloatArray, FloatArray]:
        """Return what share of their lag slow contents make up in a step, and their pull; kept, as steps recur.

        The pull is the water they take up a day for a humidity of 1 above theirs. [g/day]
        """
        if days not in self._caught_up:
            caught_up = -np.expm1(-days / self.slow_lag_days)
            self._caught_up[days] = caught_up, self.slow_g_per_humidity * caught_up / days
        return self._caught_up[days]

    def take(self, draws: NDArray[np.intp]) -> DrawnBox:
        """Return the box of some of the draws, in that order."""
        lag, slow = self.slow_lag_days[draws], self.slow_g_per_humidity[draws]
        return DrawnBox(self.table.take(draws), self.dry_mass_g[draws], slow, lag, self.volume_liter)

    def water_per_loading_g(self, slope: FloatArray, air: Air) -> FloatArray:
        """Return the water for a loading of one more: what the charge takes, and the air that is moister with it. [g]

        ``slope`` is that of humidity over loading. Beads hold a hundred times what their air does; where there are
        none, nearly all the water is in the air.
        """
        return np.asarray(self.dry_mass_g + (self.volume_liter * air.saturated_air_g_per_liter) * slope)


class Air(NamedTuple):
    """What acts on a box during a step: outside vapor, inside saturation, inside temperature, water in its air."""

    outside_kpa: Numeric
    """Vapor pressure of the room. [kPa]"""
    saturation_kpa: Numeric
    """Over liquid water, at the temperature inside. [kPa]"""
    temperature_degc: Numeric
    """Inside. [°C]"""
    saturated_air_g_per_liter: Numeric
    """Water in a liter of air that is full of it. [g/L]"""


class Stepped(NamedTuple):
    """State at the end of a step, and how the end answers to a change at its start."""

    loading_g_per_g: FloatArray
    slow_humidity: FloatArray
    """Humidity with which the slow contents are at rest."""
    loading_kept: FloatArray
    """d end loading / d start loading."""
    retained: FloatArray
    """What is left at the end of water that came in at any time of the step, on average. [fraction]"""
    loading_by_log_conductance: FloatArray
    """d end loading / d ln G. [g/g]"""
    leaked_g: FloatArray
    """Water that came in through the leak. [g]"""
    mean_difference_kpa: FloatArray
    """Mean vapor pressure outside less inside. [kPa]"""
    start_slope: FloatArray
    """d humidity / d loading at the start."""


def advance(
    box: DrawnBox,
    loading_g_per_g: FloatArray,
    slow_humidity: FloatArray,
    conductance_g_per_day_per_kpa: FloatArray,
    air: Air,
    *,
    days: float,
) -> Stepped:
    """Step the balance d(water)/dt = G (p_out - p_in) + flow from the slow contents.

    With y = humidity above its start, C dy/dt = F - K y has y(t) = (F/K)(1 - exp(-K t/C)): an exponential Rosenbrock
    step of first stage [1]_, exact for a straight isotherm in a steady climate.

    Parameters
    ----------
    box : DrawnBox
        (draws)
    loading_g_per_g : ndarray
        Of the charge at the start. (draws) [g/g]
    slow_humidity : ndarray
        With which the slow contents are at rest then. (draws) [fraction of saturation]
    conductance_g_per_day_per_kpa : ndarray
        During the step. (draws) [g/day/kPa]
    air : Air
        During the step.
    days : float
        Length of the step. [days]

    Returns
    -------
    Stepped
        At the end of the step.

    References
    ----------
    .. [1] Hochbruck, Ostermann (2010), Exponential integrators, Acta Numerica 19:209, section 2.
    """
    conductance = conductance_g_per_day_per_kpa
    humidity, slope = box.table.humidity(loading_g_per_g, air.temperature_degc)
    per_capacity = days / box.water_per_loading_g(slope, air)
    caught_up, slow_pull = box.catching_up(days)
    pull = conductance * air.saturation_kpa + slow_pull
    leak = conductance * (air.outside_kpa - humidity * air.saturation_kpa)
    drive = leak + slow_pull * (slow_humidity - humidity)
    minus_x = np.minimum((-slope) * pull * per_capacity, -SMALL)
    relaxing = np.expm1(minus_x)
    share = relaxing / minus_x
    mean_humidity = np.minimum(np.maximum(humidity + drive / pull * (1.0 - share), 0.0), 1.0)
    difference = air.outside_kpa - mean_humidity * air.saturation_kpa
    reached = share * per_capacity
    return Stepped(
        loading_g_per_g=loading_g_per_g + drive * reached,
        slow_humidity=slow_humidity + (mean_humidity - slow_humidity) * caught_up,
        loading_kept=1.0 + relaxing,
        retained=share,
        loading_by_log_conductance=leak * reached,
        leaked_g=days * conductance * difference,
        mean_difference_kpa=difference,
        start_slope=slope,
    )


def at_rest_with(box: DrawnBox, loading_g_per_g: FloatArray, water_g: Numeric, air: Air) -> FloatArray:
    """Return the loading when charge and air have shared water that came in at once, or that is taken away.

    Solves m (u - u0) + V rho_sat (h(u) - h(u0)) = water by bisection: both terms rise with u. Slow contents take none.

    Parameters
    ----------
    box : DrawnBox
        (draws)
    loading_g_per_g : ndarray
        Before, at rest with the air. (draws) [g/g]
    water_g : float or ndarray
        Below zero where water is taken away. (draws) [g]
    air : Air
        Its temperature and what it holds.

    Returns
    -------
    ndarray
        Kept between dry and full. (draws) [g/g]
    """
    before, _ = box.table.humidity(loading_g_per_g, air.temperature_degc)
    air_g = box.volume_liter * air.saturated_air_g_per_liter
    low, high = np.zeros_like(loading_g_per_g), box.table.nearly_full_g_per_g.copy()
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        humidity, _ = box.table.humidity(middle, air.temperature_degc)
        too_little = box.dry_mass_g * (middle - loading_g_per_g) + air_g * (humidity - before) < water_g
        low, high = np.where(too_little, middle, low), np.where(too_little, high, middle)
    return box.table.keep_within(0.5 * (low + high))
