"""What disturbs a box along an episode: openings, swapped spools, unexplained steps, a seal that changes."""

from __future__ import annotations

import numpy as np

from monitor.inference.posterior.evidence import Bins
from monitor.inference.posterior.filter.state import Problem, State
from monitor.inference.posterior.priors import CHANGE, CHANGE_TOOK, CHANGED_DAY, CONDUCTANCE
from monitor.physics.box_balance import Air, DrawnBox
from monitor.physics.numerics import FloatArray

FLATTEST = 0.05


def change(state: State, theta: FloatArray, bins: Bins, i: int) -> None:
    """From its day on the conductance is another one; what was lived is told of the time since."""
    middle = 0.5 * (bins.edges_days[i] + bins.edges_days[i + 1]) - bins.edges_days[0]
    took = np.maximum(np.exp(theta[:, CHANGE_TOOK]), bins.days[i])
    share = np.clip((middle - theta[:, CHANGED_DAY]) / took + 0.5, 0.0, 1.0)
    state.log_conductance = theta[:, CONDUCTANCE] + share * theta[:, CHANGE]
    state.leaked_g = np.where(share < 0.5, 0.0, state.leaked_g)
    state.dose_kpa_days = np.where(share < 0.5, 0.0, state.dose_kpa_days)


def disturb(state: State, air: Air, problem: Problem, i: int) -> None:
    """Openings let a box full of room air in; swaps and unexplained steps move the water by an unknown amount."""
    box, bins, assume = state.drawn, problem.bins, problem.assumptions
    openings, swaps, step = bins.openings[i], bins.swaps[i], bins.step_size[i]
    if openings == swaps == step == 0.0:
        return
    humidity, slope = box.table.humidity(state.loading, air.temperature_degc)
    if openings:
        state.loading = state.loading + openings * opening_dose_g(box, air, humidity) / box.dry_mass_g
    swap_g, swap_var = swap_dose_g(problem, box, humidity, slope, assume.swapped_humidity)
    state.loading = state.loading + swaps * swap_g / box.dry_mass_g
    grams = openings * assume.opening_sd_g**2 + swaps * swap_var
    state.var_loading = state.var_loading + grams / box.dry_mass_g**2 + (step / np.maximum(slope, FLATTEST)) ** 2
    if assume.wandering_leak:
        state.var_wander = state.var_wander + (openings + swaps) * assume.seating_sd**2
    state.loading = box.table.keep_within(state.loading)


def opening_dose_g(box: DrawnBox, air: Air, humidity: FloatArray) -> FloatArray:
    """Return the water one full opening lets in: the box's air swapped for the room's."""
    share = np.maximum(air.outside_kpa / air.saturation_kpa - humidity, 0.0)
    return np.asarray(box.volume_liter * air.saturated_air_g_per_liter * share)


def swap_dose_g(
    problem: Problem, box: DrawnBox, humidity: FloatArray, slope: FloatArray, swapped_humidity: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Return the water one swapped-in spool brings on average [g], and its variance from spool to spool [g²].

    Spool and charge come to rest with one another: two stores in series. ``slope`` is that of humidity over loading.
    """
    assume = problem.assumptions
    per_humidity = 1.0 / (1.0 / problem.prior.swapped_g_per_humidity + slope / box.dry_mass_g)
    variance = (assume.swapped_humidity_sd * per_humidity) ** 2 + assume.swap_least_sd_g**2
    return np.asarray(per_humidity * (swapped_humidity - humidity)), np.asarray(variance)
