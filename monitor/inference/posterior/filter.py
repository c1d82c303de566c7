"""The water balance run along an episode for many draws, corrected by the readings on the way.

A draw fixes the constants of a box. What wanders in between, the water in the charge and the conductance around its
mean, is carried as a small Gaussian error beside the balance (an extended Kalman filter [1]_): openings, unseen doses
and a drifting seal widen it, readings narrow it. A reading at the floor of a sensor says 'at or below' and enters as
a truncated normal (Tobit filter [2]_); errors have the tails of Student's t, so that a bad day misleads little.

References
----------
.. [1] Anderson, Moore (1979), Optimal Filtering, section 8.2.
.. [2] Allik, Miller, Piovoso, Zurakowski (2016), IEEE Trans. Control Syst. Technol. 24:365.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from monitor.inference.episodes import Episode
from monitor.inference.posterior.beside_room import BiasSeen
from monitor.inference.posterior.evidence import Bins
from monitor.inference.posterior.priors import (
    BIAS,
    CAPACITY,
    CHANGE,
    CHANGE_TOOK,
    CHANGED_DAY,
    CONDUCTANCE,
    DRY_MASS,
    SHAPE,
    SLOW_CAPACITY,
    SLOW_HUMIDITY,
    SLOW_LAG,
    START,
    Assumptions,
    Prior,
)
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box

_LOG_SQRT_2PI = 0.9189385332046727
_STEEPEST = 60.0
_FLATTEST = 0.05
_AT_REST = 1e-7
_YEAR_DAYS = 365.25


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
    dose_kpa_days: FloatArray
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
        """Water that leaked in over the episode, by the dose of vapor pressure difference. [g/day/kPa]"""
        small = np.abs(self.dose_kpa_days) < 1e-9
        return np.where(small, np.exp(self.log_conductance), self.leaked_g / np.where(small, 1.0, self.dose_kpa_days))


def drawn_box(problem: Problem, theta: FloatArray) -> DrawnBox:
    """Return the box of every draw."""
    table = SorptionTable(*problem.prior.shapes, theta[:, SHAPE])
    return DrawnBox(
        table=table,
        dry_mass_g=problem.prior.dry_mass_g * np.exp(theta[:, CAPACITY]),
        slow_g_per_humidity=np.exp(theta[:, SLOW_CAPACITY]),
        slow_lag_days=np.exp(theta[:, SLOW_LAG]),
        volume_liter=problem.box.volume_liter,
    )


def airs(outside_kpa: FloatArray, temperature_degc: FloatArray) -> list[Air]:
    """Return what acts on a box, a step each; temperatures may carry draws behind the steps."""
    saturation = np.asarray(saturation_vapor_pressure_pa(temperature_degc))
    air_water = saturation * grams_per_m3_per_pa(temperature_degc) / 1e3
    return [Air(*row) for row in zip(outside_kpa, saturation / 1e3, temperature_degc, air_water, strict=True)]


def run(problem: Problem, theta: FloatArray) -> tuple[FloatArray, State]:
    """Return the log-likelihood of each draw, and where it stands at the end of the episode."""
    theta = np.asfortranarray(theta)  # unknowns are read a column at a time
    state, log_likelihood = _start(problem, theta)
    if problem.bias_seen is not None:
        log_likelihood = log_likelihood + problem.bias_seen.of(theta[:, BIAS])
    return log_likelihood + run_on(problem, theta, state), state


def run_on(problem: Problem, theta: FloatArray, state: State, aged_days: float = 0.0) -> FloatArray:
    """Carry a state through the bins of a problem, and return the log-likelihood that they add.

    ``aged_days`` is how long the box was closed when the first bin begins.
    """
    bins, assume = problem.bins, problem.assumptions
    log_likelihood = np.zeros(len(theta))
    acting = airs(bins.outside_kpa, bins.temperature_degc)
    weighings = {i: (mass, scale) for i, mass, scale in bins.weighings}
    settling = _settling(bins, assume, aged_days)
    # readings follow the water and a bias that wanders: the same as water that seems to wander under today's bias
    settling = np.hypot(settling, assume.bias_walk / np.sqrt(_YEAR_DAYS))
    if problem.episode.desiccant is None:
        settling = np.hypot(settling, assume.unknown_humidity_without_beads)
    for i, days in enumerate(bins.days):
        if theta.shape[1] > CHANGE:
            _change(state, theta, bins, i)
        if np.any(bins.loosened[i]):
            state.var_wander = state.var_wander + bins.loosened[i]
        before = state.loading
        _predict(state, acting[i], float(days), assume, settling[i])
        _disturb(state, acting[i], problem, i)
        if np.isfinite(bins.shown_humidity[i]) and not (bins.censored[i] and assume.drop_censored):
            predicted = state.loading
            # a bin's mean is what the box held halfway through it
            log_likelihood += _correct(state, problem, theta, i, acting[i], 0.5 * (before + predicted))
            if bins.swaps[i] or bins.step_size[i]:
                state.event_g = state.event_g + (state.loading - predicted) * state.drawn.dry_mass_g
        if i in weighings:
            log_likelihood += _weigh(state, problem, theta[:, DRY_MASS], *weighings[i])
        for seen in (seen for at, seen in bins.colors if at == i):
            log_likelihood += _look(state, problem, seen, acting[i])
    return log_likelihood


def _settling(bins: Bins, assume: Assumptions, aged_days: float) -> FloatArray:
    """Noise of humidity while beads, core and spools come to rest: after closing, after a swap, after a step."""
    out = np.empty(len(bins.days))
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


def reading_noise(shown: float, problem: Problem) -> float:
    """Variance of a bin's mean: the sensor's scatter, its display step, and a share of the humidity itself."""
    assume = problem.assumptions
    step = 0.29 * problem.box.sensor.resolution
    scatter = assume.reading_sd_over_salt if problem.prior.humidity_shows == "phase" else assume.reading_sd
    return scatter**2 + 0.5 * step**2 + (assume.reading_share * shown) ** 2


def _start(problem: Problem, theta: FloatArray) -> tuple[State, FloatArray]:
    count, drawn = len(theta), drawn_box(problem, theta)
    humidity = np.minimum(np.exp(theta[:, START]), 0.95)
    loading = drawn.table.loading(humidity, float(problem.bins.temperature_degc[0]))
    zero = np.zeros(count)
    drift = problem.assumptions.drift_sd**2 if problem.assumptions.wandering_leak else 1e-8
    state = State(
        drawn, theta[:, CONDUCTANCE], loading, zero.copy(), np.exp(theta[:, SLOW_HUMIDITY]),
        zero.copy(), zero.copy(), np.full(count, drift), zero.copy(), zero.copy(), zero.copy(),
    )  # fmt: skip
    loaded = problem.episode.loaded_mass
    if loaded is None or problem.prior.dry_mass_g <= 0.0 or not problem.prior.grams_declared:
        return state, zero.copy()
    dry = problem.prior.dry_mass_g * np.exp(theta[:, DRY_MASS])
    sd = np.hypot(0.3 * loaded.resolution_g, 0.002 * dry)
    return state, -0.5 * ((loaded.mass_g - dry - drawn.dry_mass_g * loading) / sd) ** 2 - np.log(sd)


def _predict(state: State, air: Air, days: float, assume: Assumptions, settling: float) -> None:
    """Carry state and errors one bin ahead."""
    box = state.drawn
    stepped = advance(box, state.loading, state.slow_humidity, state.conductance, air, days=days)
    kept = np.exp(-days / assume.drift_days)
    keep, by_wander = stepped.loading_kept, stepped.loading_by_log_conductance
    drift = assume.drift_sd**2 if assume.wandering_leak else 1e-8
    unseen = (assume.unknown_share**2 / days) * (by_wander * by_wander) + assume.unknown_g_per_g**2 * days
    if settling > _AT_REST:
        unseen = unseen + settling**2 * days / np.square(np.maximum(stepped.start_slope, _FLATTEST))
    of_loading = keep * state.var_loading + by_wander * state.covariance
    of_wander = keep * state.covariance + by_wander * state.var_wander
    state.var_loading = keep * of_loading + by_wander * of_wander + unseen
    state.covariance = kept * of_wander
    state.var_wander = (kept * kept) * state.var_wander + drift * (1.0 - kept * kept)
    state.loading = box.table.keep_within(stepped.loading_g_per_g)
    state.slow_humidity, state.wander = stepped.slow_humidity, kept * state.wander
    state.leaked_g = state.leaked_g + stepped.leaked_g
    state.dose_kpa_days = state.dose_kpa_days + days * stepped.mean_difference_kpa


def _change(state: State, theta: FloatArray, bins: Bins, i: int) -> None:
    """From its day on the conductance is another one; what was lived is told of the time since."""
    middle = 0.5 * (bins.edges_days[i] + bins.edges_days[i + 1]) - bins.edges_days[0]
    took = np.maximum(np.exp(theta[:, CHANGE_TOOK]), bins.days[i])
    share = np.clip((middle - theta[:, CHANGED_DAY]) / took + 0.5, 0.0, 1.0)
    state.log_conductance = theta[:, CONDUCTANCE] + share * theta[:, CHANGE]
    state.leaked_g = np.where(share < 0.5, 0.0, state.leaked_g)
    state.dose_kpa_days = np.where(share < 0.5, 0.0, state.dose_kpa_days)


def _disturb(state: State, air: Air, problem: Problem, i: int) -> None:
    """Openings let a box full of room air in; swaps and unexplained steps move the water by an unknown amount."""
    box, bins, assume = state.drawn, problem.bins, problem.assumptions
    openings, swaps, step = bins.openings[i], bins.swaps[i], bins.step_size[i]
    if openings == swaps == step == 0.0:
        return
    humidity, slope = box.table.humidity(state.loading, air.temperature_degc)
    if openings:
        state.loading = state.loading + openings * opening_dose_g(box, air, humidity) / box.dry_mass_g
    given = swap_g_per_humidity(box, problem.prior.swapped_g_per_humidity, slope)
    state.loading = state.loading + swaps * given * (assume.swapped_humidity - humidity) / box.dry_mass_g
    grams = openings * assume.opening_sd_g**2 + swaps * (
        (assume.swapped_humidity_sd * given) ** 2 + assume.swap_least_sd_g**2
    )
    state.var_loading = state.var_loading + grams / box.dry_mass_g**2 + (step / np.maximum(slope, _FLATTEST)) ** 2
    if assume.wandering_leak:
        state.var_wander = state.var_wander + (openings + swaps) * assume.seating_sd**2
    state.loading = box.table.keep_within(state.loading)


def opening_dose_g(box: DrawnBox, air: Air, humidity: FloatArray) -> FloatArray:
    """Return the water one full opening lets in: the box's air swapped for the room's."""
    share = np.maximum(air.outside_kpa / air.saturation_kpa - humidity, 0.0)
    return np.asarray(box.volume_liter * air.saturated_air_g_per_liter * share)


def swap_g_per_humidity(box: DrawnBox, spool_g_per_humidity: float, slope: FloatArray) -> FloatArray:
    """Return the water a swapped-in spool gives or takes for a humidity of 1 between it and the box.

    Spool and charge come to rest with one another: two stores in series. ``slope`` is that of humidity over loading.
    """
    return np.asarray(1.0 / (1.0 / spool_g_per_humidity + slope / box.dry_mass_g))


def _correct(  # noqa: PLR0917
    state: State, problem: Problem, theta: FloatArray, i: int, air: Air, loading: FloatArray
) -> FloatArray:
    """Take a reading in: return its log-likelihood, move the state by what it says of the loading it was taken at."""
    humidity, slope = state.drawn.table.humidity(loading, air.temperature_degc)
    slope = np.minimum(slope, _STEEPEST)
    shown = float(problem.bins.shown_humidity[i])
    through_loading = slope * state.var_loading
    variance = slope * through_loading + reading_noise(shown, problem)
    gap = shown - humidity - theta[:, BIAS]
    if problem.bins.censored[i] and problem.assumptions.censored:
        score, move, share = _at_or_below(gap, variance)
    else:
        score, move, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander = through_loading / variance, slope * state.covariance / variance
    _shift(state, move, share * variance, by_loading, by_wander)
    return score


def _student(gap: FloatArray, variance: FloatArray, degrees: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Score, shift of the mean and share of the full variance cut, for a reading with heavy-tailed error."""
    square = gap * gap / variance
    score = -0.5 * np.log(variance) - (0.5 * (degrees + 1.0)) * np.log1p(square * (1.0 / degrees))
    weight = np.minimum((degrees + 1.0) / (degrees + square), 1.0)
    return score, weight * gap, weight


def _at_or_below(gap: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The same for 'no more than this': moments of a normal cut off above."""
    sd = np.sqrt(variance)
    z = gap / sd
    score = log_ndtr(z)
    inverse_mills = np.exp(-0.5 * z * z - _LOG_SQRT_2PI - score)
    return score, -sd * inverse_mills, inverse_mills * (inverse_mills + z)


def _weigh(state: State, problem: Problem, log_dry: FloatArray, mass_g: float, resolution_g: float) -> FloatArray:
    """Take a weighing of the charge in: grams, where humidity knows only shares."""
    if not problem.prior.grams_declared:
        return np.zeros_like(log_dry)
    grams = state.drawn.dry_mass_g
    dry = problem.prior.dry_mass_g * np.exp(log_dry)
    variance = grams * grams * state.var_loading + (0.3 * resolution_g) ** 2 + 0.03**2
    gap = mass_g - dry - grams * state.loading
    score, move, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander = grams * state.var_loading / variance, grams * state.covariance / variance
    _shift(state, move, share * variance, by_loading, by_wander)
    return score


def _look(state: State, problem: Problem, color: str, air: Air) -> FloatArray:
    """Take a look at the beads in; so vague that it weighs draws and moves none."""
    dye = problem.prior.dye
    if dye is None:
        return np.zeros_like(state.loading)
    humidity, _ = state.drawn.table.humidity(state.loading, air.temperature_degc)
    return np.asarray(dye.log_likelihood(color, np.clip(humidity, 0.0, 1.0)))


def _shift(state: State, move: FloatArray, shrink: FloatArray, by_loading: FloatArray, by_wander: FloatArray) -> None:
    """Move water and conductance by their gains, and take from their errors what was learned."""
    state.loading = state.drawn.table.keep_within(state.loading + by_loading * move)
    state.wander = state.wander + by_wander * move
    learned = by_loading * shrink
    state.var_loading = state.var_loading - by_loading * learned
    state.covariance = state.covariance - by_wander * learned
    state.var_wander = state.var_wander - by_wander * by_wander * shrink
