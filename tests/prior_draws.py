"""Truths drawn from the prior, and what a sensor would have shown of them: the model of errors run forward.

The balance and its noises are those of the filter, written out a second time, draw by draw: what a posterior is
calibrated against (Talts, Betancourt, Simpson, Vehtari, Gelman 2018, arXiv:1804.06788).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.inference.answers.forecast import futures
from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.episodes import Episode
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Assumptions, Prior, Unknown
from monitor.inference.model.state import (
    Problem,
    State,
    air_states,
    drawn_box,
)
from monitor.physics.box_balance import advance
from monitor.physics.numerics import FloatArray
from monitor.records import Box, SensorSpec

NOW_S = 1_780_000_000.0
LEFT_OUT_DAYS = 1.5


def problem_of(days: int, floor: float | None, assumptions: Assumptions) -> Problem:
    """A plain box on 100 g of gel, watched so many days; nothing shown yet."""
    box = Box("drawn", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.01, floor))
    episode = Episode(
        start_s=NOW_S - 86_400.0 * days, desiccant="silica_regular", dry_mass_g=100.0, method="hot_air_65C",
        known_loading=None, spools_went_in=True, unlogged=False, loaded_mass=None, weighings=(), openings_s=(),
        swaps_s=(), steps=(), all_openings=0, all_swaps=0, first_start_s=NOW_S - 86_400.0 * days, unlogged_steps=0,
        all_unlogged_steps=0,
    )  # fmt: skip
    edges, nothing = np.arange(-float(days), 1.0), np.zeros(days)
    bins = Bins(
        edges, np.full(days, 21.0), np.full(days, 1.1), np.full(days, np.nan), np.zeros(days, bool),
        nothing, nothing, nothing, nothing, floor, (),
    )  # fmt: skip
    return Problem(box, episode, bins, prior_of(box, episode, assumptions), assumptions)


def shown(problem: Problem, theta: FloatArray, rng: np.random.Generator) -> tuple[Problem, State]:
    """Return the problem with what the sensor showed of one truth, and the truth's state at the end."""
    bins, assume = problem.bins, problem.assumptions
    drawn = drawn_box(problem, theta)
    loading = drawn.table.loading(np.minimum(np.exp(theta[:, Unknown.log_start_humidity]), 0.95), 21.0)
    slow, wander = np.exp(theta[:, Unknown.log_slow_humidity]), assume.drift_sd * rng.standard_normal(1)
    values = np.full(len(bins.days), np.nan)
    leaked, dose = np.zeros(1), np.zeros(1)
    by_day = np.cumsum(assume.bias_walk * np.sqrt(bins.days / 365.25) * rng.standard_normal(len(bins.days)))
    for i, (air, days) in enumerate(zip(air_states(bins.outside_kpa, bins.temperature_degc), bins.days, strict=True)):
        _, slope = drawn.table.humidity(loading, air.temperature_degc)
        stepped = advance(
            drawn, loading, slow, np.exp(theta[:, Unknown.log_conductance] + wander), air, days=float(days)
        )
        settling = assume.settling_humidity * np.exp(-(i + 0.5) / assume.settling_days)
        variance = (assume.unknown_share * stepped.loading_by_log_conductance) ** 2
        variance = variance + assume.unknown_g_per_g**2 + (settling / np.maximum(slope, 0.05)) ** 2
        loading = drawn.table.keep_within(stepped.loading_g_per_g + np.sqrt(variance) * rng.standard_normal(1))
        slow, leaked, dose = stepped.slow_humidity, leaked + stepped.leaked_g, dose + stepped.mean_difference_kpa
        kept = np.exp(-days / assume.drift_days)
        wander = kept * wander + assume.drift_sd * np.sqrt(1.0 - kept**2) * rng.standard_normal(1)
        if i + 1 > LEFT_OUT_DAYS:
            humidity = float(drawn.table.humidity(loading, air.temperature_degc)[0][0])
            error = np.sqrt(reading_noise(humidity, problem)) * rng.standard_t(assume.student_degrees)
            # the bias drawn is the one at the end
            values[i] = humidity + theta[0, Unknown.sensor_bias] + by_day[i] - by_day[-1] + error
    zero = np.zeros(1)
    state = State(
        drawn=drawn,
        log_conductance=theta[:, Unknown.log_conductance],
        loading=loading,
        wander=wander,
        slow_humidity=slow,
        var_loading=zero,
        covariance=zero,
        var_wander=zero,
        leaked_g=leaked,
        dose_kpa_days=dose,
        event_g=zero,
        var_slow=zero,
        slow_with_loading=zero,
        slow_with_wander=zero,
    )
    return replace(problem, bins=_with_floor(bins, values)), state


def _with_floor(bins: Bins, values: FloatArray) -> Bins:
    if bins.floor is None:
        return replace(bins, shown_humidity=values)
    hidden = values <= bins.floor
    return replace(bins, shown_humidity=np.where(hidden, bins.floor, values), censored=hidden)


def draw(prior: Prior, rng: np.random.Generator) -> FloatArray:
    return prior.mean + prior.sd * rng.standard_normal((1, len(prior.mean)))


def true_days_left(problem: Problem, theta: FloatArray, state: State, seed: int) -> float:
    """One future of the truth itself."""
    alone = Draws(theta, np.ones(1), 0)
    truth = Posterior(problem, learn_room(None, None, NOW_S), alone, state, theta, state, state, NOW_S, True, 0.0)
    return float(futures(truth, problem.box.humidity_limit, seed=seed).crossing_days[0])
