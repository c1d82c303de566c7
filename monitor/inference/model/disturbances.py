"""What disturbs a box along an episode: openings, swapped spools, unexplained steps, a seal that changes."""

from __future__ import annotations

import numpy as np

from monitor.inference.evidence.bins import Bins
from monitor.inference.model.contents import swapped_in_humidity
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import Problem, State
from monitor.inference.model.swapped_spools import Swap, swap_of, swap_spools
from monitor.physics.box_balance import Air, DrawnBox
from monitor.physics.numerics import FloatArray

FLATTEST = 0.05
"""Least slope of humidity by loading with which a step of humidity is turned into water. [fraction per g/g] Judgement:
a sieve before its knee is flatter still, and a step of its display would pass for all it can hold."""
LEAST_HUMIDITY_PER_G = 1e-9
"""What a gram lifts the humidity by divides, and is taken for no less. [1/g] Judgement: that of tonnes of beads."""


def apply_change_point(state: State, theta: FloatArray, bins: Bins, i: int) -> None:
    """Change the conductance about the day of each draw's change point; leaked water and push count from then on.

    Parameters
    ----------
    state : State
        At the start of a bin; changed in place.
    theta : ndarray, draws × unknowns
        With a change point. [unit of each ``Unknown``]
    bins : Bins
        Of the episode.
    i : int
        The bin.
    """
    middle = 0.5 * (bins.edges_days[i] + bins.edges_days[i + 1]) - bins.edges_days[0]
    took = np.maximum(np.exp(theta[:, Unknown.log_change_duration]), bins.days[i])
    share = np.clip((middle - theta[:, Unknown.change_day]) / took + 0.5, 0.0, 1.0)
    state.log_conductance = theta[:, Unknown.log_conductance] + share * theta[:, Unknown.log_change_factor]
    state.leaked_g = np.where(share < 0.5, 0.0, state.leaked_g)
    state.dose_kpa_days = np.where(share < 0.5, 0.0, state.dose_kpa_days)


def disturb(state: State, air: Air, problem: Problem, i: int) -> Swap | None:
    """Let a box full of room air in at openings, swap spools, move the water by an unknown amount at unexplained steps.

    Parameters
    ----------
    state : State
        At the end of a bin's leak; changed in place.
    air : Air
        What acts on the box in this bin.
    problem : Problem
        The episode.
    i : int
        The bin.

    Returns
    -------
    Swap or None
        Of spools that stand for a share of the slow store, where some were swapped.
    """
    box, bins, assume = state.drawn, problem.bins, problem.assumptions
    openings, swaps, step = bins.openings[i], bins.swaps[i], bins.step_size[i]
    if openings == swaps == step == 0.0:
        return None
    humidity, slope = box.table.humidity(state.loading, air.temperature_degc)
    capacity_g = box.water_per_loading_g(slope, air)
    if openings:
        state.loading = state.loading + openings * opening_dose_g(box, air, humidity) / capacity_g
    swap_g, swap_var = swap_dose_g(problem, humidity, slope / capacity_g, assume.swapped_humidity)
    state.loading = state.loading + swaps * swap_g / capacity_g
    grams = openings * opening_var_g(problem, slope / capacity_g) + swaps * swap_var
    state.var_loading = state.var_loading + grams / capacity_g**2 + (step / np.maximum(slope, FLATTEST)) ** 2
    if assume.wandering_leak:
        state.var_wander = state.var_wander + (openings + swaps) * assume.seating_sd**2
    state.loading = box.table.keep_within(state.loading)
    share = problem.prior.swapped_share
    if not (swaps and share):
        return None
    swap = swap_of(box, slope, air, float(bins.days[i]), share, swaps)
    swap_spools(state, swap, *swapped_in(problem, i))
    state.loading = box.table.keep_within(state.loading)
    return swap


def swapped_in(problem: Problem, i: int) -> tuple[float, float]:
    """Return how humid the spools that were swapped in a bin are expected to be, by their notes.

    Parameters
    ----------
    problem : Problem
        The episode.
    i : int
        The bin.

    Returns
    -------
    (float, float)
        Humidity and its standard deviation, means of several. [fraction of saturation]
    """
    bins, assume = problem.bins, problem.assumptions
    usual = assume.swapped_humidity, assume.swapped_humidity_sd
    noted = [swapped_in_humidity(note, usual) for at, note in bins.swap_notes if at == i]
    every = [*noted, *[usual] * max(int(bins.swaps[i]) - len(noted), 0)]
    return float(np.mean([humidity for humidity, _ in every])), float(np.sqrt(np.mean([sd**2 for _, sd in every])))


def opening_dose_g(box: DrawnBox, air: Air, humidity: FloatArray) -> FloatArray:
    """Return the water one full opening lets in: the box's air swapped for the room's.

    Parameters
    ----------
    box : DrawnBox
        The box of every draw.
    air : Air
        Inside and outside.
    humidity : ndarray, draws
        Inside. [fraction of saturation]

    Returns
    -------
    ndarray, draws
        Water; none where the room is drier. [g]
    """
    share = np.maximum(air.outside_kpa / air.saturation_kpa - humidity, 0.0)
    return np.asarray(box.volume_liter * air.saturated_air_g_per_liter * share)


def opening_var_g(problem: Problem, humidity_per_g: FloatArray) -> FloatArray:
    """Return by how much one opening differs from another.

    Parameters
    ----------
    problem : Problem
        Its assumptions.
    humidity_per_g : ndarray, draws
        By how much a gram lifts the humidity of the box. [1/g]

    Returns
    -------
    ndarray, draws
        Variance. [g²]
    """
    return _least_var_g(problem, problem.assumptions.opening_sd_g, humidity_per_g)


def swap_dose_g(
    problem: Problem, humidity: FloatArray, humidity_per_g: FloatArray, swapped_humidity: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Return the water one swap brings at once on average, and its variance from swap to swap.

    A spool that lags little is taken to come to rest with the charge at once: two stores in series. The water of others
    comes later (``swapped_spools``), and nothing here but what an opening does.

    Parameters
    ----------
    problem : Problem
        Its prior has the size of a spool, its assumptions how spools differ.
    humidity : ndarray, draws
        Inside. [fraction of saturation]
    humidity_per_g : ndarray, draws
        By how much a gram lifts the humidity of the box. [1/g]
    swapped_humidity : ndarray, draws, or float
        Humidity with which the spool is at rest. [fraction of saturation]

    Returns
    -------
    (ndarray, ndarray), each draws
        Water, negative where the spool is drier [g], and variance [g²].
    """
    assume = problem.assumptions
    at_once = 0.0 if problem.prior.swapped_share else 1.0
    per_humidity = at_once / (1.0 / problem.prior.swapped_g_per_humidity + humidity_per_g)
    variance = (assume.swapped_humidity_sd * per_humidity) ** 2
    variance = variance + _least_var_g(problem, assume.swap_least_sd_g, humidity_per_g)
    return np.asarray(per_humidity * (swapped_humidity - humidity)), np.asarray(variance)


def _least_var_g(problem: Problem, sd_g: float, humidity_per_g: FloatArray) -> FloatArray:
    """Return a variance, bounded by what spools that differ so much do to a box without beads. [g²]"""
    most_g = problem.assumptions.swapped_humidity_sd / np.maximum(humidity_per_g, LEAST_HUMIDITY_PER_G)
    return np.asarray(np.minimum(sd_g, most_g) ** 2)
