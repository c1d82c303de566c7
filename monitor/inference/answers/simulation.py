"""One box pushed ahead step by step, each draw through a room and a usage of its own: leak, openings, swaps, noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from monitor.inference.answers.drawn_future import Chances, Usage, Weather, chances, poisson_counts, weather
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.fit.fit import COLDEST_DEGC, WARMEST_DEGC
from monitor.inference.fit.posterior import Posterior, conditioned_on_rooms, humidity_now
from monitor.inference.model.disturbances import opening_dose_g, opening_var_g, swap_dose_g
from monitor.inference.model.prior import Assumptions
from monitor.inference.model.state import air_states
from monitor.inference.model.swapped_spools import Swap, swap_of
from monitor.physics.box_balance import SMALL, Air, advance
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC

LEAST_RISE = 1e-9
"""The rise of humidity over a step divides, and is taken for no less. [fraction of saturation] Judgement: far below any
display's step."""


@dataclass(eq=False)
class Simulated:
    """State of every draw at the end of a step."""

    loading: FloatArray
    """Water in the charge. (draws) [g/g]"""
    slow_humidity: FloatArray
    """Humidity with which spools and cores are at rest. (draws) [fraction of saturation]"""
    wander: FloatArray
    """ln conductance now, less its mean. (draws) [1]"""
    ajar: FloatArray
    """What a badly seated lid adds to ln G, until that is noticed or the box is opened again. (draws) [1]"""
    humidity: FloatArray
    """(draws) [fraction of saturation]"""
    slope: FloatArray
    """d humidity / d loading. (draws) [fraction per g/g]"""
    crossing_days: FloatArray
    """Until the limit is passed: 0 where it is passed already, infinite where it is not yet. (draws) [days]"""
    spent_days: FloatArray
    """The same until the charge holds what it holds at rest with the limit at 23 °C. (draws) [days]"""

    @classmethod
    def now(cls, posterior: Posterior, limit: float) -> Self:
        """Return the present.

        Parameters
        ----------
        posterior : Posterior
            Of one box.
        limit : float
            Humidity limit. [fraction of saturation]

        Returns
        -------
        Simulated
            To start from.
        """
        state = posterior.state
        humidity, slope = humidity_now(posterior)
        crossing = np.where(humidity > limit, 0.0, np.inf)
        spent = np.where(state.loading > full_loading(posterior, limit), 0.0, np.inf)
        ajar = np.zeros(len(state.loading))
        return cls(state.loading, state.slow_humidity, state.wander, ajar, humidity, slope, crossing, spent)


@dataclass(frozen=True, eq=False)
class Ahead:
    """All that futures of one box are made of, beside the present."""

    posterior: Posterior
    """Of the box."""
    limit: float
    """Humidity limit. [fraction of saturation]"""
    ends: FloatArray
    """Ends of the steps, from now. (steps) [days]"""
    weather: Weather
    """Of the room."""
    usage: Usage
    """Of the box."""
    chances: Chances
    """Of the steps."""

    def temperature_degc(self, some: slice | NDArray[np.intp]) -> FloatArray:
        """Return the temperature inside, kept within what boxes bear.

        Parameters
        ----------
        some : slice, or ndarray, those steps
            Which ones.

        Returns
        -------
        ndarray, those steps × draws
            [°C]
        """
        degc = self.weather.degc[some] + self.posterior.temperature_above_room_degc
        return np.clip(degc, COLDEST_DEGC, WARMEST_DEGC)

    @classmethod
    def of(cls, posterior: Posterior, limit: float, ends: FloatArray, seed: int) -> Ahead:
        """Draw what is unknown of the future.

        Parameters
        ----------
        posterior : Posterior
            Of the box.
        limit : float
            Humidity limit. [fraction of saturation]
        ends : ndarray, steps
            From now. [days]
        seed : int
            Of the random numbers.

        Returns
        -------
        Ahead
            For all draws of the posterior.
        """
        count = len(posterior.state.loading)
        room = weather(posterior.room, posterior.now_s / DAY_S, tuple(ends.tolist()), count, seed)
        if not posterior.room_measured:
            posterior = replace(posterior, state=conditioned_on_rooms(posterior, room.courses))
        return cls(posterior, limit, ends, room, Usage.drawn(posterior, seed), chances(len(ends), count, seed))


def full_loading(posterior: Posterior, limit: float) -> FloatArray:
    """Return what the charge holds at rest with a limit at 23 °C.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        [fraction of saturation]

    Returns
    -------
    ndarray, draws
        Water. [g/g]
    """
    return posterior.state.drawn.table.loading(limit, REFERENCE_DEGC)


def simulate(ahead: Ahead, start: Simulated, course: FloatArray, first: int, stop: int) -> Simulated:
    """Simulate some steps; the humidity at their ends is written into the course.

    Parameters
    ----------
    ahead : Ahead
        The futures.
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
    some = slice(first, stop)
    acting = air_states(ahead.weather.outside_kpa[some], ahead.temperature_degc(some))
    full = full_loading(ahead.posterior, ahead.limit)
    for i, air in zip(range(first, stop), acting, strict=True):
        start = _step(ahead, start, air, i, full)
        course[i] = start.humidity
    return start


class _StepChances(NamedTuple):
    """Random numbers of one step, as the rows of ``Chances``. (draws)"""

    water: FloatArray
    conductance: FloatArray
    openings: FloatArray
    events: FloatArray
    lid: FloatArray
    spools: FloatArray


class _Visits(NamedTuple):
    """How often each box is opened, and its spools swapped, in one step. (draws) [count]"""

    opened: FloatArray
    swapped: FloatArray


def _step(ahead: Ahead, before: Simulated, air: Air, i: int, full: FloatArray) -> Simulated:
    """Simulate every draw one step ahead: leak, openings and swaps, and process noise."""
    posterior = ahead.posterior
    box, assume = posterior.state.drawn, posterior.problem.assumptions
    began = float(ahead.ends[i - 1]) if i else 0.0
    days = float(ahead.ends[i]) - began
    chance = _StepChances(*ahead.chances.rows[:, i].astype(np.float64))

    conductance = np.exp(posterior.state.log_conductance + before.wander + before.ajar)
    stepped = advance(box, before.loading, before.slow_humidity, conductance, air, days=days)
    loading, slow_humidity = stepped.loading_g_per_g, stepped.slow_humidity
    # the mean of the square of what is left falls twice as fast
    retained_squared = 0.5 * stepped.retained * (1.0 + stepped.loading_kept)
    loading_var = (assume.unknown_share * stepped.loading_by_log_conductance) ** 2 / days
    loading_var = loading_var + assume.unknown_g_per_g**2 * days * retained_squared
    wander_kept = np.exp(-days / assume.drift_days)
    wander_var = np.full(len(before.loading), assume.drift_sd**2 * (1.0 - wander_kept * wander_kept))

    ajar = before.ajar
    if assume.future_events:
        opened = poisson_counts(chance.openings, ahead.usage.openings_per_day * days)
        swapped = poisson_counts(chance.events, ahead.usage.events_per_day * days)
        visits = _Visits(opened, swapped)
        capacity_g = box.water_per_loading_g(before.slope, air)
        per_g = before.slope / capacity_g
        grams, grams_var = _brought_in(ahead, before, air, per_g, visits)
        loading = loading + stepped.retained * grams / capacity_g
        loading_var = loading_var + retained_squared * grams_var / capacity_g**2
        wander_var = wander_var + (opened + swapped) * assume.seating_sd**2
        ajar = _lid(assume, ajar, opened + swapped, days, chance.lid)
        share = posterior.problem.prior.swapped_share
        if share and swapped.any():
            swap = swap_of(box, before.slope, air, days, share, swapped)
            rise = _rise_by_swap(ahead, swap, slow_humidity, chance.spools)
            left_in = share_left_in(conductance * air.saturation_kpa * days * per_g)
            loading = loading + left_in * swap.loading * rise
            slow_humidity = slow_humidity + swap.stays * rise

    loading = box.table.keep_within(loading + np.sqrt(loading_var) * chance.water)
    wander = before.wander
    if assume.wandering_leak:
        wander = wander_kept * wander + np.sqrt(wander_var) * chance.conductance
    humidity, slope = box.table.humidity(loading, air.temperature_degc)
    crossing = _crossed(ahead.limit, before, humidity, began, days)
    spent = np.where(np.isinf(before.spent_days) & (loading > full), began + days, before.spent_days)
    return Simulated(loading, slow_humidity, wander, ajar, humidity, slope, crossing, spent)


def _brought_in(
    ahead: Ahead, before: Simulated, air: Air, per_g: FloatArray, visits: _Visits
) -> tuple[FloatArray, FloatArray]:
    """Return the water that openings and swaps bring, and its variance; ``per_g`` is humidity a gram. [g], [g²]"""
    problem = ahead.posterior.problem
    opening_g = opening_dose_g(ahead.posterior.state.drawn, air, before.humidity)
    opening_var = opening_var_g(problem, per_g)
    swap_g, swap_var = swap_dose_g(problem, before.humidity, per_g, ahead.usage.swapped_humidity)
    grams = visits.opened * opening_g + visits.swapped * swap_g
    return grams, visits.opened * opening_var + visits.swapped * swap_var


def _lid(assume: Assumptions, ajar: FloatArray, visits: FloatArray, days: float, chance: FloatArray) -> FloatArray:
    """Return what a badly seated lid adds to ln G: seated anew at a visit, else as before until that is noticed."""
    anew = np.where(chance < assume.badly_seated, assume.ajar_log_conductance, 0.0)
    as_before = np.where(chance < np.exp(-days / assume.ajar_days), ajar, 0.0)
    return np.where(visits > 0, anew, as_before)


def _rise_by_swap(ahead: Ahead, swap: Swap, slow_humidity: FloatArray, chance: FloatArray) -> FloatArray:
    """Return by how much spools that give off their water slowly are more humid after a swap. [fraction]"""
    spread = swap.spread * ahead.posterior.problem.assumptions.swapped_humidity_sd * chance
    came = slow_humidity + swap.replaced * (ahead.usage.swapped_humidity - slow_humidity) + spread
    return np.asarray(np.maximum(came, 0.0) - slow_humidity)


def _crossed(limit: float, before: Simulated, humidity: FloatArray, began: float, days: float) -> FloatArray:
    """Return when the limit was first passed, on a line between the ends of the step. [days]"""
    crossing = before.crossing_days.copy()
    passed = np.isinf(crossing) & (humidity > limit)
    rise = np.maximum(humidity[passed] - before.humidity[passed], LEAST_RISE)
    crossing[passed] = began + days * np.clip((limit - before.humidity[passed]) / rise, 0.0, 1.0)
    return crossing


def share_left_in(times: FloatArray) -> FloatArray:
    """Return what is left at the end of a step of water that came in at any time of it, on average.

    Parameters
    ----------
    times : ndarray, draws
        How often its loss makes up its time constant. [1]

    Returns
    -------
    ndarray, draws
        [fraction]
    """
    times = np.maximum(times, SMALL)
    return np.asarray(-np.expm1(-times) / times)
