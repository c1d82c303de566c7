"""The problem of one episode, and the state of each draw in its filter."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.episodes import Episode
from monitor.inference.model import normal
from monitor.inference.model.prior import Assumptions, Prior, Unknown
from monitor.inference.model.sensor_bias import BiasLikelihood
from monitor.physics.box_balance import Air, DrawnBox
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box
from monitor.units import LITERS_PER_M3, PA_PER_KPA

_MOST_CORRELATED = 0.999
"""Largest correlation of the errors of water and conductance. No unit. Judgement: next to 1; it keeps a root real."""
_LEAST_PUSH_KPA_DAYS = 1e-9
"""A smaller push says nothing of the conductance, and does not divide. [kPa days] Judgement: far below that of a
minute in any room."""
_LEAST_VAR_WANDER = 1e-12
"""The variance of the wander is taken for no less. [1] No unit. Judgement: next to none; it keeps a root real."""
_LEAST_SD_PRODUCT = 1e-15
"""The product of both standard deviations divides, and is taken for no less. [g/g] Judgement: it only keeps a division
sound."""
_LEAST_SD_LOADING = 1e-12
"""The standard deviation of the loading divides, and is taken for no less. [g/g] Judgement: far below what a scale
shows; it only keeps a division sound."""
LEAST_CHANCE = 1e-300
"""A chance is taken for no less, so that its logarithm and the normal quantile are finite. [chance] Judgement: near the
least double."""


@dataclass(frozen=True, eq=False)
class Problem:
    """All that a fit of one episode needs."""

    box: Box
    """As declared."""
    episode: Episode
    """The episode to fit."""
    bins: Bins
    """Its evidence."""
    prior: Prior
    """Of the unknowns."""
    assumptions: Assumptions
    """The model of errors."""
    bias_likelihood: BiasLikelihood | None = None
    """What comparisons with the room say of the sensor's bias; None without any."""
    span_days: float = math.inf
    """How long the episode had lasted as it was fitted. [days]"""


@dataclass(eq=False)
class State:
    """Filtered state of each draw: water, wander of the conductance, slow contents, and their covariance; that of slow
    contents is 0 until a spool was swapped."""

    drawn: DrawnBox
    """The constants of the box, as the balance takes them."""
    log_conductance: FloatArray
    """Mean over the episode. (draws) [ln(g/day/kPa)]"""
    loading: FloatArray
    """Water in the charge. (draws) [g/g]"""
    wander: FloatArray
    """ln conductance now, less its mean. (draws) [1]"""
    slow_humidity: FloatArray
    """Humidity with which spools and cores are at rest. (draws) [fraction of saturation]"""
    var_loading: FloatArray
    """Variance of the loading. (draws) [(g/g)²]"""
    covariance: FloatArray
    """Of loading and wander. (draws) [g/g]"""
    var_wander: FloatArray
    """Variance of the wander. (draws) [1]"""
    leaked_g: FloatArray
    """Water that passed the leak, the way in and the way out added up. (draws) [g]"""
    dose_kpa_days: FloatArray
    """The push behind it: how far vapor pressure in and out lay apart, whichever was higher, times days. (draws)
    [kPa days]"""
    event_g: FloatArray
    """Water that came with spool swaps and unexplained steps, by the readings. (draws) [g]"""
    var_slow: FloatArray
    """Variance of the slow humidity. (draws) [fraction of saturation²]"""
    slow_with_loading: FloatArray
    """Covariance of slow humidity and loading. (draws) [g/g]"""
    slow_with_wander: FloatArray
    """Covariance of slow humidity and wander. (draws) [1]"""

    @classmethod
    def at_closing(
        cls, drawn: DrawnBox, log_conductance: FloatArray, loading: FloatArray, slow_humidity: FloatArray
    ) -> State:
        """Return a state in which each draw is certain, and nothing has leaked yet.

        Parameters
        ----------
        drawn : DrawnBox
            Of every draw.
        log_conductance : ndarray, draws
            [ln(g/day/kPa)]
        loading : ndarray, draws
            [g/g]
        slow_humidity : ndarray, draws
            [fraction of saturation]

        Returns
        -------
        State
            All else is zero.
        """
        given = {"log_conductance": log_conductance, "loading": loading, "slow_humidity": slow_humidity}
        zero = np.zeros(len(loading))
        others = {name: zero for name in OF_DRAWS if name not in given}
        return cls(drawn=drawn, **given, **others)

    @property
    def spools_were_swapped(self) -> bool:
        """True where slow contents have an error of their own."""
        return bool(self.var_slow.any())

    def take(self, draws: NDArray[np.intp]) -> State:
        """Return the state of some of the draws, in that order.

        Parameters
        ----------
        draws : ndarray, those draws
            Their numbers.

        Returns
        -------
        State
            Arrays copied.
        """
        return State(drawn=self.drawn.take(draws), **{name: getattr(self, name)[draws] for name in OF_DRAWS})

    @property
    def conductance(self) -> FloatArray:
        """Now. (draws) [g/day/kPa]"""
        return np.exp(self.log_conductance + self.wander)

    @property
    def mean_conductance(self) -> FloatArray:
        """Water that passed the leak over the episode, by the push behind it. (draws) [g/day/kPa]

        A mean of the conductance that wandered, weighed by the push. In and out are not set off against each other: a
        box at rest with its room breathes both ways, and what is left of both is next to nothing, of either sign.
        """
        small = self.dose_kpa_days < _LEAST_PUSH_KPA_DAYS
        return np.where(small, np.exp(self.log_conductance), self.leaked_g / np.where(small, 1.0, self.dose_kpa_days))


def drawn_box(problem: Problem, theta: FloatArray) -> DrawnBox:
    """Return the constants of every draw, as the balance takes them.

    Parameters
    ----------
    problem : Problem
        Its box and prior.
    theta : ndarray, draws × unknowns
        [unit of each ``Unknown``]

    Returns
    -------
    DrawnBox
        Of as many draws.
    """
    table = SorptionTable(*problem.prior.shapes, theta[:, Unknown.isotherm_shape])
    return DrawnBox(
        table=table,
        dry_mass_g=problem.prior.dry_mass_g * np.exp(theta[:, Unknown.log_capacity_scale]),
        slow_g_per_humidity=np.exp(theta[:, Unknown.log_slow_capacity]),
        slow_lag_days=np.exp(theta[:, Unknown.log_slow_lag]),
        volume_liter=problem.box.volume_liter,
    )


def air_states(outside_kpa: FloatArray, temperature_degc: FloatArray) -> list[Air]:
    """Return what acts on a box, a step each.

    Parameters
    ----------
    outside_kpa : ndarray, steps or steps × draws
        Vapor pressure of the room. [kPa]
    temperature_degc : ndarray, steps or steps × draws
        Inside. [°C]

    Returns
    -------
    list of Air
        A step each.
    """
    return [Air(*row) for row in zip(*map(np.asarray, air_of(outside_kpa, temperature_degc)), strict=True)]


def air_of(outside_kpa: FloatArray, temperature_degc: FloatArray) -> Air:
    """Return what acts on a box, all steps at once.

    Parameters
    ----------
    outside_kpa : ndarray, steps or steps × draws
        Vapor pressure of the room. [kPa]
    temperature_degc : ndarray, steps or steps × draws
        Inside. [°C]

    Returns
    -------
    Air
        Of arrays with these axes.
    """
    saturation = np.asarray(saturation_vapor_pressure_pa(temperature_degc))
    air_water = saturation * grams_per_m3_per_pa(temperature_degc) / LITERS_PER_M3
    return Air(outside_kpa, saturation / PA_PER_KPA, temperature_degc, air_water)


OF_DRAWS = tuple(one.name for one in fields(State) if one.name != "drawn")
"""What a state has of each draw."""


class StandardErrors(NamedTuple):
    """How far each draw lies from what the filter expects."""

    first: FloatArray
    """Of the loading. (draws) [standard deviations]"""
    second: FloatArray
    """Of what the wander has beside it. (draws) [standard deviations]"""
    third: FloatArray
    """Of what the slow humidity has beside both. (draws) [standard deviations]"""

    @classmethod
    def drawn(cls, count: int, rng: np.random.Generator, highest: FloatArray | float = np.inf) -> StandardErrors:
        """Draw them.

        Parameters
        ----------
        count : int
            How many draws.
        rng : Generator
            Random numbers.
        highest : ndarray, draws, or float
            The loading lies below so many standard deviations above its mean. [1]

        Returns
        -------
        StandardErrors
            That of the loading is a normal cut off above, by the inverse of its distribution.
        """
        chances = np.maximum(rng.random(count) * normal.below(np.asarray(highest)), LEAST_CHANCE)
        return cls(normal.quantile(chances), rng.standard_normal(count), rng.standard_normal(count))


def sampled_state(state: State, errors: StandardErrors) -> State:
    """Sample water, conductance and slow contents by the covariance of the filter: each draw is one plausible present.

    Parameters
    ----------
    state : State
        With errors.
    errors : StandardErrors
        Of each draw.

    Returns
    -------
    State
        Without errors.
    """
    first, second, third = errors
    sd_loading = np.sqrt(np.maximum(state.var_loading, 0.0))
    sd_wander = np.sqrt(np.maximum(state.var_wander, _LEAST_VAR_WANDER))
    correlation = state.covariance / np.maximum(sd_loading * sd_wander, _LEAST_SD_PRODUCT)
    correlation = np.clip(correlation, -_MOST_CORRELATED, _MOST_CORRELATED)
    loading = state.drawn.table.keep_within(state.loading + sd_loading * first)
    beside = np.sqrt(1.0 - correlation * correlation)
    wander = state.wander + sd_wander * (correlation * first + beside * second)
    slow_humidity = state.slow_humidity
    if state.spools_were_swapped:
        by_first = state.slow_with_loading / np.maximum(sd_loading, _LEAST_SD_LOADING)
        by_second = (state.slow_with_wander / sd_wander - correlation * by_first) / beside
        by_third = np.sqrt(np.maximum(state.var_slow - by_first * by_first - by_second * by_second, 0.0))
        slow_humidity = np.maximum(slow_humidity + by_first * first + by_second * second + by_third * third, 0.0)
    zero = np.zeros_like(loading)
    return replace(
        state,
        loading=loading,
        wander=wander,
        slow_humidity=slow_humidity,
        var_loading=zero,
        covariance=zero,
        var_wander=zero,
        var_slow=zero,
        slow_with_loading=zero,
        slow_with_wander=zero,
    )
