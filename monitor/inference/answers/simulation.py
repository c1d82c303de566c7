"""One box pushed ahead step by step, each draw through a room and a usage of its own: leak, openings, swaps, noise.

Random numbers are drawn for all steps at once, and they are the same for every box: each forecast has used one seed all
along. So boxes of one process share them, and the courses of the room that they stand in.

References
----------
.. [1] Devroye (1986), Non-Uniform Random Variate Generation, Springer, section III.2.1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import count as count_from
from typing import Self

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.episodes import rates_from
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.evidence.yearly_course import DrawnCourses
from monitor.inference.fit.fit import COLDEST_DEGC, WARMEST_DEGC
from monitor.inference.fit.posterior import Posterior, conditioned_on_rooms, humidity_now
from monitor.inference.model.disturbances import opening_dose_g, opening_var_g, swap_dose_g
from monitor.inference.model.state import air_states
from monitor.inference.model.swapped_spools import swap_of
from monitor.physics.box_balance import SMALL, Air, advance
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC

_SPOOLS_OF_A_BOX_SD = 0.1
"""How far the usual humidity of the spools that come into one box lies from that of all. [fraction of saturation]
Judgement: half of how far single spools differ."""
LEAST_RISE = 1e-9
"""The rise of humidity over a step divides, and is taken for no less. [fraction of saturation] Judgement: far below any
display's step."""
MOST_A_STEP = 500.0
"""A box is expected to be opened no more often in a step. [1] Judgement: fifty times a day is a box that stands open;
and its chance of no opening is still a number."""

_NORMAL_ROWS = (True, True, False, False, False, True)
"""Which random numbers of a step are normal: those of water, conductance and swapped spools, not those of openings,
bigger events and the lid."""
_USAGE_STREAM = 1
"""Streams of random numbers are told apart by a number behind the seed, and the next ones are those of the steps. [1]
Judgement: any but 0, which numpy takes for the bare seed, that of the room."""

Chance = NDArray[np.float32]
"""Random numbers in single precision: seven digits, far below what a thousand draws can tell."""


@dataclass(frozen=True, eq=False)
class Chances:
    """Random numbers of futures."""

    rows: Chance
    """Standard normals of the water and of the conductance; chances from 0 to 1 of openings, of bigger events and of
    the lid; standard normals of swapped spools. (6 × steps × draws) [1]"""

    @classmethod
    def drawn(cls, steps: int, count: int, seed: int) -> Chances:
        """Return them; the first steps are the same whatever the number of steps.

        Parameters
        ----------
        steps, count : int
            How many steps and draws.
        seed : int
            Of the random numbers.

        Returns
        -------
        Chances
            Independent of one another.
        """
        rows = np.empty((len(_NORMAL_ROWS), steps, count), np.float32)
        for row, is_normal, stream in zip(rows, _NORMAL_ROWS, count_from(_USAGE_STREAM + 1), strict=False):
            rng = np.random.default_rng((seed, stream))
            draw = rng.standard_normal if is_normal else rng.random
            draw(dtype=np.float32, out=row)
        rows.flags.writeable = False
        return cls(rows)


@dataclass(frozen=True, eq=False)
class Weather:
    """Plausible courses of a room."""

    outside_kpa: FloatArray
    """Vapor pressure. (steps × draws) [kPa]"""
    degc: FloatArray
    """Temperature. (steps × draws) [°C]"""
    courses: DrawnCourses
    """What ln vapor pressure lies on. [ln(kPa)]"""


@lru_cache(maxsize=2)  # a count; judgement: one set of steps and draws is asked for at a time, sometimes two
def chances(steps: int, count: int, seed: int) -> Chances:
    """Return the random numbers of ``Chances.drawn``; kept for the next box.

    Parameters
    ----------
    steps, count : int
        How many steps and draws.
    seed : int
        Of the random numbers.

    Returns
    -------
    Chances
        The same for every box.
    """
    return Chances.drawn(steps, count, seed)


@lru_cache(maxsize=4)  # rooms, a count; judgement: a shelf has few, and one takes 1.5 MB
def weather(room: LearnedRoom, now_day: float, ahead_days: tuple[float, ...], count: int, seed: int) -> Weather:
    """Return plausible courses of a room; kept for the next box in it.

    Parameters
    ----------
    room : LearnedRoom
        The room.
    now_day : float
        [days since 1970 UTC]
    ahead_days : tuple of float, steps
        From now. [days]
    count : int
        How many draws.
    seed : int
        Of the random numbers.

    Returns
    -------
    Weather
        The same for every box of the room.
    """
    found = Weather(*room.sample(now_day, np.array(ahead_days), count, np.random.default_rng(seed)))
    for values in (found.outside_kpa, found.degc):
        values.flags.writeable = False
    return found


@dataclass(frozen=True, eq=False)
class Usage:
    """How a box is used, for each draw."""

    openings_per_day: FloatArray
    """(draws) [1/day]"""
    events_per_day: FloatArray
    """Swaps and steps that nobody logged. (draws) [1/day]"""
    swapped_humidity: FloatArray
    """How humid the spools are that come in. (draws) [fraction of saturation]"""

    @classmethod
    def drawn(cls, posterior: Posterior, seed: int) -> Usage:
        """Return rates as they were so far, the shelf's own counted as one more event; spools shrunk towards the usual.

        Parameters
        ----------
        posterior : Posterior
            Of one box.
        seed : int
            Of the random numbers.

        Returns
        -------
        Usage
            Of as many draws as the posterior has.
        """
        rng = np.random.default_rng((seed, _USAGE_STREAM))
        episode, assume, count = posterior.episode, posterior.problem.assumptions, len(posterior.state.loading)
        watched = max((posterior.now_s - episode.first_start_s) / DAY_S, 1.0)
        steps_counted = min((posterior.now_s - episode.steps_counted_from_s) / DAY_S, watched)
        # where readings of old were left out, steps came then as often as since
        steps = episode.all_unlogged_steps * (watched / max(steps_counted, 1.0))
        opened, happened = episode.all_openings, episode.all_swaps + steps
        rates = posterior.shelf_rates or rates_from(opened, happened, watched)
        openings = rng.gamma(opened + 1.0, 1.0, count) / (watched + 1.0 / rates.openings_per_day)
        events = rng.gamma(happened + 1.0, 1.0, count) / (watched + 1.0 / rates.events_per_day)
        # a spool that came with dried beads is in the prior, and readings of its box told nothing of it by itself
        swapped = len(episode.swaps_s) - (episode.swaps_with_beads if posterior.box.spools else 0)
        counted, sd = swapped + episode.unlogged_steps, assume.swapped_humidity_sd
        weight = counted + (sd / _SPOOLS_OF_A_BOX_SD) ** 2
        apart = posterior.state.event_g / posterior.problem.prior.swapped_g_per_humidity / weight
        humidity = assume.swapped_humidity + apart + sd / np.sqrt(weight) * rng.standard_normal(count)
        return cls(openings, events, humidity)


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


def _step(ahead: Ahead, before: Simulated, air: Air, i: int, full: FloatArray) -> Simulated:
    """Simulate every draw one step ahead: leak, openings and swaps, and process noise."""
    posterior = ahead.posterior
    box, assume = posterior.state.drawn, posterior.problem.assumptions
    began = float(ahead.ends[i - 1]) if i else 0.0
    days = float(ahead.ends[i]) - began
    of_loading, of_wander, of_openings, of_events, of_lid, of_spools = ahead.chances.rows[:, i].astype(np.float64)
    conductance = np.exp(posterior.state.log_conductance + before.wander + before.ajar)
    stepped = advance(box, before.loading, before.slow_humidity, conductance, air, days=days)
    # the mean of the square of what is left falls twice as fast
    retained, retained_squared = stepped.retained, 0.5 * stepped.retained * (1.0 + stepped.loading_kept)
    noise = (assume.unknown_share * stepped.loading_by_log_conductance) ** 2 / days
    noise = noise + assume.unknown_g_per_g**2 * days * retained_squared
    wander_kept = np.exp(-days / assume.drift_days)
    drift = np.full(len(before.loading), assume.drift_sd**2 * (1.0 - wander_kept * wander_kept))
    loading, slow_humidity = stepped.loading_g_per_g, stepped.slow_humidity
    wander, ajar = before.wander, before.ajar
    if assume.future_events:
        opened = poisson_counts(of_openings, ahead.usage.openings_per_day * days)
        swapped = poisson_counts(of_events, ahead.usage.events_per_day * days)
        capacity_g = box.water_per_loading_g(before.slope, air)
        per_g = before.slope / capacity_g
        swap_g, swap_var = swap_dose_g(posterior.problem, before.humidity, per_g, ahead.usage.swapped_humidity)
        grams = opened * opening_dose_g(box, air, before.humidity) + swapped * swap_g
        loading = loading + retained * grams / capacity_g
        spread = opened * opening_var_g(posterior.problem, per_g) + swapped * swap_var
        noise = noise + retained_squared * spread / capacity_g**2
        drift = drift + (opened + swapped) * assume.seating_sd**2
        anew = np.where(of_lid < assume.badly_seated, assume.ajar_log_conductance, 0.0)
        as_before = np.where(of_lid < np.exp(-days / assume.ajar_days), ajar, 0.0)
        ajar = np.where(opened + swapped > 0, anew, as_before)
        share = posterior.problem.prior.swapped_share
        if share and swapped.any():
            swap = swap_of(box, before.slope, air, days, share, swapped)
            spread = swap.spread * assume.swapped_humidity_sd * of_spools
            came = slow_humidity + swap.replaced * (ahead.usage.swapped_humidity - slow_humidity) + spread
            rise = np.maximum(came, 0.0) - slow_humidity
            left_in = share_left_in(conductance * air.saturation_kpa * days * per_g)
            loading = loading + left_in * swap.loading * rise
            slow_humidity = slow_humidity + swap.stays * rise
    loading = box.table.keep_within(loading + np.sqrt(noise) * of_loading)
    if assume.wandering_leak:
        wander = wander_kept * wander + np.sqrt(drift) * of_wander
    humidity, slope = box.table.humidity(loading, air.temperature_degc)
    crossing, spent = before.crossing_days.copy(), before.spent_days.copy()
    passed = np.isinf(crossing) & (humidity > ahead.limit)
    rise = np.maximum(humidity[passed] - before.humidity[passed], LEAST_RISE)
    crossing[passed] = began + days * np.clip((ahead.limit - before.humidity[passed]) / rise, 0.0, 1.0)
    spent[np.isinf(spent) & (loading > full)] = began + days
    return Simulated(loading, slow_humidity, wander, ajar, humidity, slope, crossing, spent)


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


def poisson_counts(chance: FloatArray, mean: FloatArray) -> FloatArray:
    """Return how many events there are at a chance, by inversion, summing from none up [1]_.

    Parameters
    ----------
    chance : ndarray, draws
        From 0 to below 1. [fraction]
    mean : ndarray, draws
        How many are expected; taken for no more than ``MOST_A_STEP``. [1]

    Returns
    -------
    ndarray, draws
        Counts of a Poisson distribution. [1]

    Examples
    --------
    >>> poisson_counts(np.array([0.3, 0.5, 0.9]), np.array([1.0, 1.0, 1.0])).tolist()
    [0.0, 1.0, 2.0]
    """
    mean = np.minimum(mean, MOST_A_STEP)
    share = np.exp(-mean)
    counts = np.zeros(len(mean))
    left = np.flatnonzero(chance >= share)
    share, mean, chance = share[left], mean[left], chance[left]
    below, count = share.copy(), 0
    while len(left):
        count += 1
        share = share * (mean / count)
        below = below + share
        counts[left] = count
        more = (chance >= below) & (share > 0.0)
        left, share, mean, chance, below = left[more], share[more], mean[more], chance[more], below[more]
    return counts
