"""What is drawn of the future: random numbers of its steps, courses of the room, and how a box is used.

Random numbers are drawn for all steps at once, and they are the same for every box: each forecast has used one seed all
along. So boxes of one process share them, and the courses of the room that they stand in.

References
----------
.. [1] Devroye (1986), Non-Uniform Random Variate Generation, Springer, section III.2.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import count as count_from

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.episodes import rates_from
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.evidence.yearly_course import DrawnCourses
from monitor.inference.fit.posterior import Posterior
from monitor.physics.numerics import FloatArray

_SPOOLS_OF_A_BOX_SD = 0.1
"""How far the usual humidity of the spools that come into one box lies from that of all. [fraction of saturation]
Judgement: half of how far single spools differ."""
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
