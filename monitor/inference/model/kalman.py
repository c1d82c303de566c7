"""Extended Kalman filter: the water balance along an episode for many draws, updated by its readings.

A draw fixes the constants of a box. The water in the charge and the wander of the conductance around its mean have a
Gaussian error beside the balance (an extended Kalman filter [1]_): openings, unseen doses and a drifting seal widen it,
readings narrow it. A reading at the floor of a sensor is censored: it says 'at or below' and enters as a truncated
normal (Tobit filter [2]_). Errors have the tails of Student's t, so that an outlier misleads little.

References
----------
.. [1] Anderson, Moore (1979), Optimal Filtering, section 8.2.
.. [2] Allik, Miller, Piovoso, Zurakowski (2016), IEEE Trans. Control Syst. Technol. 24:365.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from monitor.inference.evidence.bins import Bins
from monitor.inference.model.compiled_run import StackedBins, compiled_run, stacked
from monitor.inference.model.disturbances import (
    FLATTEST,
    apply_change_point,
    disturb,
)
from monitor.inference.model.observations import (
    SCALE_SD_STEPS,
    EarlierBias,
    update_by_color,
    update_by_reading,
    update_by_weighing,
)
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import (
    Problem,
    State,
    air_states,
    drawn_box,
)
from monitor.inference.model.swapped_spools import predict_slow_errors, slow_tangents
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.numerics import FloatArray
from monitor.units import DAYS_PER_JULIAN_YEAR

_AT_REST = 1e-7
"""Noise of settling below this is none. [fraction of saturation per square root of a day] Judgement: far under any
display."""
_WETTEST_START = 0.95
"""A draw starts no more humid than this: isotherms are fitted below. [fraction of saturation] Judgement."""
_NO_WANDERING_VAR = 1e-8
"""Variance of ln G where it is taken not to wander. [(ln G)²] Judgement: next to none, and above zero, so that matrices
can be inverted."""
_HOLDER_SHARE = 0.002
"""What a charge's first weighing may be off beside its rounding, as a share of its dry mass: a holder's tare, a bead
lost. Judgement. The same share as in ``drying.weighings.MODEL_SD_SHARE``."""


def run(problem: Problem, theta: FloatArray) -> tuple[FloatArray, State]:
    """Run the filter through an episode for every draw.

    Parameters
    ----------
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]

    Returns
    -------
    (ndarray, State)
        Log-likelihood of each draw (draws) [nat], and its state at the end of the episode.
    """
    theta = np.asfortranarray(theta)  # unknowns are read a column at a time
    state, log_likelihood = _start(problem, theta)
    if problem.bias_likelihood is not None:
        log_likelihood = log_likelihood + problem.bias_likelihood.at(theta[:, Unknown.sensor_bias])
    return log_likelihood + run_on(problem, theta, state), state


def run_on(problem: Problem, theta: FloatArray, state: State, aged_days: float = 0.0) -> FloatArray:
    """Run the filter on through the bins of a problem, in place.

    Parameters
    ----------
    problem : Problem
        Its bins and its prior; a change point only where the prior has one.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]
    state : State
        Of each draw at the start of the first bin; afterwards, at the end of the last.
    aged_days : float
        How long the box was closed when the first bin begins. [days]

    Returns
    -------
    ndarray, draws
        Log-likelihood that the bins add. [nat]
    """
    bins = problem.bins
    log_likelihood = np.zeros(len(theta))
    weighings = {i: (mass, scale) for i, mass, scale in bins.weighings}
    acting, settling, stacked_bins = _acting(problem, aged_days)
    compiled = compiled_run(problem, theta, state, stacked_bins, _drift_var(problem.assumptions))
    earlier, i = None, 0
    while i < len(bins):
        if (i == 0 and bins.new_sensors) or i in bins.new_sensors:
            is_gone = any(at > i for at in bins.new_sensors)
            earlier = (
                EarlierBias.from_prior(float(problem.prior.sd[Unknown.sensor_bias]), len(theta)) if is_gone else None
            )
        if np.any(bins.loosened[i]):
            state.var_wander = state.var_wander + bins.loosened[i]
        stop = compiled.stop(i) if compiled and earlier is None else i
        if compiled and stop > i:
            compiled.run(state, log_likelihood, i, stop)
        else:
            stop = i + 1
            log_likelihood += _through_bin(problem, theta, state, i, acting[i], float(settling[i]), earlier)
        i = stop - 1
        if i in weighings:
            log_likelihood += update_by_weighing(state, problem, theta[:, Unknown.log_dry_mass], *weighings[i], earlier)
        for seen in (seen for at, seen in bins.colors if at == i):
            log_likelihood += update_by_color(state, problem, seen, acting[i])
        i = stop
    return log_likelihood


def _through_bin(  # noqa: PLR0917
    problem: Problem,
    theta: FloatArray,
    state: State,
    i: int,
    air: Air,
    settling: float,
    earlier: EarlierBias | None,
) -> FloatArray | float:
    """Predict, disturb, update by the reading: what the compiled filter does too, but for what is rare."""
    bins, assume = problem.bins, problem.assumptions
    if problem.prior.has_change_point:
        apply_change_point(state, theta, bins, i)
    before = state.loading
    _predict(state, air, float(bins.days[i]), assume, settling, earlier)
    swap = disturb(state, air, problem, i)
    if swap is not None and earlier is not None:
        earlier.swap_spools(swap)
    if not np.isfinite(bins.shown_humidity[i]) or (bins.censored[i] and assume.drop_censored):
        return 0.0
    predicted = state.loading
    # a bin's mean is what the box held halfway through it
    score = update_by_reading(state, problem, theta, i, air, 0.5 * (before + predicted), earlier)
    if bins.swaps[i] or bins.step_size[i]:
        state.event_g = state.event_g + (state.loading - predicted) * state.drawn.dry_mass_g
    return score


@lru_cache(maxsize=4)  # problems, a count; judgement: passes go through one and its rough likelihood many times
def _acting(problem: Problem, aged_days: float) -> tuple[list[Air], FloatArray, StackedBins]:
    """What acts in each bin, the noise of settling, and both as the compiled filter takes them."""
    bins, assume = problem.bins, problem.assumptions
    acting = air_states(bins.outside_kpa, bins.temperature_degc)
    settling = _settling(bins, assume, aged_days)
    # readings follow the water and a bias that wanders: the same as water that seems to wander under today's bias
    settling = np.hypot(settling, assume.bias_walk / np.sqrt(DAYS_PER_JULIAN_YEAR))
    if problem.episode.desiccant is None:
        settling = np.hypot(settling, assume.unknown_humidity_without_beads)
    if problem.prior.humidity_shows == "phase":
        settling = np.hypot(settling, assume.unknown_humidity_over_salt)
    settling = np.where(settling > _AT_REST, settling, 0.0)
    return acting, settling, stacked(problem, acting, settling)


def _settling(bins: Bins, assume: Assumptions, aged_days: float) -> FloatArray:
    """Noise of humidity while beads, core and spools come to rest: after closing, after a swap, after a step."""
    out = np.empty(len(bins))
    left = assume.settling_humidity * float(np.exp(-aged_days / assume.settling_days))
    fading = np.exp(-bins.days / assume.settling_days)
    for i, fade in enumerate(fading):
        out[i] = left * np.sqrt(fade)
        left *= fade
        if bins.swaps[i]:
            left = max(left, assume.settling_humidity)
        if bins.step_size[i]:
            left = max(left, assume.settling_share_of_step * bins.step_size[i])
    return out


def weighed_as_put_in(problem: Problem) -> bool:
    """Return whether the scale showed what the beads weighed as they went in, where their grams are known.

    Parameters
    ----------
    problem : Problem
        The episode.

    Returns
    -------
    bool
        True where that enters the likelihood.
    """
    prior = problem.prior
    return problem.episode.loaded_mass is not None and prior.dry_mass_g > 0.0 and prior.grams_declared


def water_at_start(problem: Problem, theta: FloatArray) -> FloatArray:
    """Return the water with which the beads went in.

    Parameters
    ----------
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]

    Returns
    -------
    ndarray, draws
        Over their declared dry mass. [g/g]
    """
    drawn = drawn_box(problem, theta)
    return np.exp(theta[:, Unknown.log_capacity_scale]) * _loading_at_start(problem, drawn, theta)


def _loading_at_start(problem: Problem, drawn: DrawnBox, theta: FloatArray) -> FloatArray:
    humidity = np.minimum(np.exp(theta[:, Unknown.log_start_humidity]), _WETTEST_START)
    return drawn.table.loading(humidity, float(problem.bins.temperature_degc[0]))


def _start(problem: Problem, theta: FloatArray) -> tuple[State, FloatArray]:
    count, drawn = len(theta), drawn_box(problem, theta)
    loading = _loading_at_start(problem, drawn, theta)
    zero = np.zeros(count)
    drift = _drift_var(problem.assumptions)
    slow_humidity = np.exp(theta[:, Unknown.log_slow_humidity])
    state = State.at_closing(drawn, theta[:, Unknown.log_conductance], loading, slow_humidity)
    state.var_wander = np.full(count, drift)
    loaded = problem.episode.loaded_mass
    if loaded is None or not weighed_as_put_in(problem):
        return state, zero
    dry = problem.prior.dry_mass_g * np.exp(theta[:, Unknown.log_dry_mass])
    sd = np.hypot(SCALE_SD_STEPS * loaded.resolution_g, _HOLDER_SHARE * dry)
    return state, -0.5 * ((loaded.mass_g - dry - drawn.dry_mass_g * loading) / sd) ** 2 - np.log(sd)


def _drift_var(assume: Assumptions) -> float:
    """Variance that the wander of ln G tends to."""
    return assume.drift_sd**2 if assume.wandering_leak else _NO_WANDERING_VAR


def _predict(  # noqa: PLR0917
    state: State, air: Air, days: float, assume: Assumptions, settling: float, earlier: EarlierBias | None
) -> None:
    """Predict state and covariance one bin ahead."""
    box = state.drawn
    stepped = advance(box, state.loading, state.slow_humidity, state.conductance, air, days=days)
    wander_kept = np.exp(-days / assume.drift_days)
    loading_kept, by_wander = stepped.loading_kept, stepped.loading_by_log_conductance
    drift = _drift_var(assume)
    unseen = (assume.unknown_share**2 / days) * (by_wander * by_wander) + assume.unknown_g_per_g**2 * days
    if settling:
        unseen = unseen + settling**2 * days / np.square(np.maximum(stepped.start_slope, FLATTEST))
    of_loading = loading_kept * state.var_loading + by_wander * state.covariance
    of_wander = loading_kept * state.covariance + by_wander * state.var_wander
    slow = slow_tangents(box, air, state.conductance, stepped, days) if state.spools_were_swapped else None
    if slow is not None:
        of_slow = loading_kept * state.slow_with_loading + by_wander * state.slow_with_wander
        of_slow = of_slow + slow.loading_by_slow * state.var_slow
        of_loading = of_loading + slow.loading_by_slow * state.slow_with_loading
        of_wander = of_wander + slow.loading_by_slow * state.slow_with_wander
        unseen = unseen + slow.loading_by_slow * of_slow
        predict_slow_errors(state, slow, of_loading, of_wander, of_slow, wander_kept)
    if earlier is not None:
        earlier.predict(loading_kept, by_wander, wander_kept, slow)
    state.var_loading = loading_kept * of_loading + by_wander * of_wander + unseen
    state.covariance = wander_kept * of_wander
    state.var_wander = (wander_kept * wander_kept) * state.var_wander + drift * (1.0 - wander_kept * wander_kept)
    state.loading = box.table.keep_within(stepped.loading_g_per_g)
    state.slow_humidity, state.wander = stepped.slow_humidity, wander_kept * state.wander
    state.leaked_g = state.leaked_g + np.abs(stepped.leaked_g)
    state.dose_kpa_days = state.dose_kpa_days + days * np.abs(stepped.mean_difference_kpa)
