"""What the filter carries: the problem of one episode, and where each draw stands in it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from monitor.inference.episodes import Episode
from monitor.inference.posterior.beside_room import BiasSeen
from monitor.inference.posterior.evidence import Bins
from monitor.inference.posterior.priors import Assumptions, Prior, Unknown
from monitor.physics.box_balance import Air, DrawnBox
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything a fit of one episode looks at."""

    box: Box
    episode: Episode
    bins: Bins
    prior: Prior
    assumptions: Assumptions
    bias_seen: BiasSeen | None = None


@dataclass(eq=False)
class State:
    """Where each draw stands: water, wandering conductance, slow contents, and the errors of the first two."""

    drawn: DrawnBox
    log_conductance: FloatArray
    """Mean of ln G over the episode."""
    loading: FloatArray
    wander: FloatArray
    """ln G now, less its mean."""
    slow_humidity: FloatArray
    var_loading: FloatArray
    covariance: FloatArray
    var_wander: FloatArray
    leaked_g: FloatArray
    """Water that passed the leak, the way in and the way out added up."""
    dose_kpa_days: FloatArray
    """The push behind it: how far vapor pressure in and out lay apart, whichever was higher, times days."""
    event_g: FloatArray
    """Water that came with spool swaps and unexplained steps, as the readings tell it. [g]"""

    def take(self, draws: NDArray[np.intp]) -> State:
        """Return the state of some of the draws, in that order."""
        values = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "drawn"}
        return State(drawn=self.drawn.take(draws), **{name: value[draws] for name, value in values.items()})

    @property
    def conductance(self) -> FloatArray:
        return np.exp(self.log_conductance + self.wander)

    @property
    def lived_conductance(self) -> FloatArray:
        """Water that passed the leak over the episode, by the push behind it. [g/day/kPa]

        A mean of the conductance that wandered, weighed by the push. In and out are not set off against each other: a
        box at rest with its room breathes both ways, and what is left of both is next to nothing, of either sign.
        """
        small = self.dose_kpa_days < 1e-9
        return np.where(small, np.exp(self.log_conductance), self.leaked_g / np.where(small, 1.0, self.dose_kpa_days))


def drawn_box(problem: Problem, theta: FloatArray) -> DrawnBox:
    """Return the box of every draw."""
    table = SorptionTable(*problem.prior.shapes, theta[:, Unknown.isotherm_shape])
    return DrawnBox(
        table=table,
        dry_mass_g=problem.prior.dry_mass_g * np.exp(theta[:, Unknown.log_capacity_scale]),
        slow_g_per_humidity=np.exp(theta[:, Unknown.log_slow_capacity]),
        slow_lag_days=np.exp(theta[:, Unknown.log_slow_lag]),
        volume_liter=problem.box.volume_liter,
    )


def airs(outside_kpa: FloatArray, temperature_degc: FloatArray) -> list[Air]:
    """Return what acts on a box, a step each; temperatures may carry draws behind the steps."""
    saturation = np.asarray(saturation_vapor_pressure_pa(temperature_degc))
    air_water = saturation * grams_per_m3_per_pa(temperature_degc) / 1e3
    return [Air(*row) for row in zip(outside_kpa, saturation / 1e3, temperature_degc, air_water, strict=True)]


def settled(state: State, rng: np.random.Generator, highest: FloatArray | float = np.inf) -> State:
    """Draw water and conductance from the errors the filter carries, so that each draw is one plausible present."""
    sd_loading = np.sqrt(np.maximum(state.var_loading, 0.0))
    sd_wander = np.sqrt(np.maximum(state.var_wander, 1e-12))
    tie = np.clip(state.covariance / np.maximum(sd_loading * sd_wander, 1e-15), -0.999, 0.999)
    # a normal cut off above, by the inverse of its distribution
    first = ndtri(np.maximum(rng.random(len(sd_wander)) * ndtr(highest), 1e-300))
    second = rng.standard_normal(len(sd_wander))
    loading = state.drawn.table.keep_within(state.loading + sd_loading * first)
    wander = state.wander + sd_wander * (tie * first + np.sqrt(1.0 - tie * tie) * second)
    zero = np.zeros_like(loading)
    return replace(state, loading=loading, wander=wander, var_loading=zero, covariance=zero, var_wander=zero)
