"""Hours reduced to the bins of a fit: what the box showed, the vapor pressure of the room, what disturbed the box."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bin_grid import DAY_S, BinGrid, bin_grid, hour_ends
from monitor.inference.evidence.episodes import CLOSED_WITHIN_S, Episode
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.humidity_steps import SAME_HUMIDITY
from monitor.physics.numerics import FloatArray
from monitor.records import Box
from monitor.series.hourly_values import HOUR_S, medians
from monitor.units import HOURS_PER_DAY

LEFT_OUT_DAYS, _LEFT_OUT_SHARE = 1.5, 0.5
"""After closing, air, beads and spools first come to rest with each other; those readings show no leak. [days], and at
most this share of the episode. Judgement: a bed of beads answers within hours, spool board within a day or two."""
_AIR_ALONE_DAYS = 1.0 / 24.0
"""The same where nothing in the box holds water: the air mixes, and the sensor follows. [days] Judgement: air in a
small box without a fan mixes within the hour."""
_MANY_BINS = 40
"""From here on a rough likelihood merges pairs of bins. [bins] Judgement: below it the work is small anyway."""
_AT_FLOOR_SHARE = 0.15
"""From this share of a bin's hours at the floor on, its median counts, not its mean: whatever the floor cuts off, it is
the same, and where it lies at the floor itself, the bin says 'at or below'. Judgement: a mean of which a seventh is cut
off is off by more than its noise."""
_FLOOR_HELD_HOURS = 36
"""A least value held so long without a flicker is a floor. [h] Judgement: a day and a half spans a night and a day, in
which air that a sensor follows moves any display."""
_HIGHEST_FLOOR = 0.60
"""A value above is none, however long it is held: a sensor that shows 100 % all the time is wet or broken, and does not
say that the air is drier. [fraction of saturation] Judgement, as for ``floor_rh_pct`` in the shelf file: wider than any
sheet."""
_FLOOR_QUANTILE = 0.002
"""Taken for the least value, so that one spike below is none. [share of hours] Judgement: 1 hour in 500."""
_LEAST_HOURS_OF_BIN, _LEAST_PART_OF_BIN = 4.0, 3.0
"""A bin needs so many hours [h], or one in so many of its own where it is short. Judgement: fewer hours of a day may
all be of its warm or its cold part. An hour that stands alone counts by itself: there, no others are to be had."""
_ALONE_HOURS = 3.0
"""So far from the hours before and after it, an hour is what a person read off a display, or a sensor that sends
seldom. [h] Judgement: who looks three times on a working day leaves such gaps; a sensor that drops out leaves one."""
_NEAR_MEDIAN = 0.03
"""Hours further than this from the median of their bin are spikes. [fraction of saturation] Judgement: three per cent
of humidity is the usual accuracy of a sheet, and more than a closed box moves in a day."""
_FLOOR_HIDES_STEPS = 0.25
"""At a floor the truth is no more than the floor and this much of a display step. [steps] Judgement: rounding hides
between nothing and half a step; the middle is taken."""


@dataclass(frozen=True, eq=False)
class Bins:
    """One episode in steps of two hours to five days, mostly newest finest; NaN where nothing was seen."""

    edges_days: FloatArray
    """Days before now, negative, from the start of the episode to 0. (bins + 1) [days]"""
    temperature_degc: FloatArray
    """Mean inside. (bins) [°C]"""
    outside_kpa: FloatArray
    """Vapor pressure of the room; NaN where no sensor shows it. (bins) [kPa]"""
    shown_humidity: FloatArray
    """What the sensor showed; at a floor, the largest truth it may stand for; NaN where it showed nothing. (bins)
    [fraction of saturation]"""
    censored: NDArray[np.bool_]
    """Whether the floor hides the truth, which is what was shown or less. (bins)"""
    openings: FloatArray
    """How many were logged. (bins) [count]"""
    swaps: FloatArray
    """How many spools were swapped. (bins) [count]"""
    step_size: FloatArray
    """Size of a lasting step of humidity in this bin; 0 for none. (bins) [fraction of saturation]"""
    loosened: FloatArray
    """Variance of a jump of ln conductance at the start of this bin; 0 for none. (bins, or bins × draws where they
    differ) [1]"""
    floor: float | None
    """Least humidity the sensor can show; None where it is not known to have one. [fraction of saturation]"""
    weighings: tuple[tuple[int, float, float], ...]
    """Bin, mass and scale resolution of each weighing. [g]"""
    colors: tuple[tuple[int, str], ...] = ()
    """Bin and color, each time somebody noted the color of the beads."""
    swap_notes: tuple[tuple[int, str], ...] = ()
    """Bin and note of each spool swap of which something was noted."""
    new_sensors: tuple[int, ...] = ()
    """First bin of each sensor but the first, where sensors were swapped or calibrated."""

    def __len__(self) -> int:
        """Return how many bins there are."""
        return len(self.shown_humidity)

    @property
    def days(self) -> FloatArray:
        """Length of each. (bins) [days]"""
        return np.diff(self.edges_days)

    @property
    def length_days(self) -> float:
        """From the start of the episode to now. [days]"""
        return float(-self.edges_days[0])

    @property
    def seen_days(self) -> float:
        """Days of the episode that readings bear on. [days]"""
        return float(self.days[np.isfinite(self.shown_humidity)].sum())


def bin_episode(
    box: Box, episode: Episode, hours: Hours, room: Hours | None, now_s: float, *, after: Bins | None = None
) -> Bins:
    """Return the bins of an episode, up to now.

    Parameters
    ----------
    box : Box
        The box.
    episode : Episode
        The episode, or the part of it since the last update.
    hours : Hours
        What its sensor showed before ``now_s``.
    room : Hours, optional
        What the room's sensor showed before ``now_s``.
    now_s : float
        [s since 1970 UTC]
    after : Bins, optional
        Earlier bins that an episode cut short at its start carries on from: it came to rest long ago.

    Returns
    -------
    Bins
        NaN where nothing was seen.
    """
    closed_without_beads = after is None and episode.desiccant is None and not episode.unlogged
    earlier_days = 0.0 if after is None else after.length_days
    grid = bin_grid(episode.start_s, now_s, earlier_days, fine_at_first=closed_without_beads)
    inside = hours.between(grid.start_s, now_s)
    bin_of = grid.bins_of(inside)
    new_sensors, mixed = _sensors(inside, episode, bin_of, grid)

    left_out_days = 0.0 if after is not None else _left_out_days(box, closed_without_beads, grid.length_days)
    comes_to_rest = hour_ends(inside) <= episode.start_s + left_out_days * DAY_S
    usable = np.where(comes_to_rest | mixed, np.nan, inside.relative_humidity)
    floor = known_floor(_of_sensor_now(hours, episode), box) if after is None else after.floor
    least_hours = np.full(len(grid), _LEAST_HOURS_OF_BIN)
    least_hours[bin_of[_alone(inside, hours, now_s)]] = 1.0
    shown, censored = _shown(usable, bin_of, grid.edges_days, floor, box.sensor.resolution, least_hours)

    opened_from_s = episode.start_s + (CLOSED_WITHIN_S if after is None else 0.0)
    # spools that come with the beads are in the prior, but for one that isn't declared and comes with dried beads
    swapped_from_s = opened_from_s if episode.spools_went_in or box.spools else episode.start_s
    notes = zip(episode.swaps_s, episode.swap_notes, strict=False)
    return Bins(
        edges_days=grid.edges_days,
        temperature_degc=_means(inside.temperature_degc, bin_of, len(grid)),
        outside_kpa=_outside(room, grid),
        shown_humidity=shown,
        censored=censored,
        openings=grid.counts([at_s for at_s in episode.openings_s if at_s > opened_from_s]),
        swaps=grid.counts([at_s for at_s in episode.swaps_s if at_s > swapped_from_s]),
        step_size=_step_sizes(episode, grid),
        loosened=np.zeros(len(grid)),
        floor=floor,
        weighings=tuple(
            (grid.bin_at(w.at_s), w.mass_g, w.resolution_g) for w in episode.weighings if w.at_s >= episode.start_s
        ),
        colors=tuple((grid.bin_at(at_s), color) for at_s, color in episode.colors if at_s >= episode.start_s),
        swap_notes=tuple((grid.bin_at(at_s), note) for at_s, note in notes if note and at_s > swapped_from_s),
        new_sensors=new_sensors,
    )


def _left_out_days(box: Box, closed_without_beads: bool, length_days: float) -> float:
    """How long after the box was closed its air still comes to rest, as its first readings there don't count. [days]"""
    holds_water = not closed_without_beads or box.spools or box.spool_core == "cardboard"
    return min(LEFT_OUT_DAYS if holds_water else _AIR_ALONE_DAYS, _LEFT_OUT_SHARE * length_days)


def _outside(room: Hours | None, grid: BinGrid) -> FloatArray:
    """Mean vapor pressure of the room; NaN where no sensor shows it. (bins) [kPa]"""
    if room is None:
        return np.full(len(grid), np.nan)
    around = room.between(grid.start_s, grid.now_s)
    return _means(around.vapor_pressure_kpa, grid.bins_of(around), len(grid))


def _step_sizes(episode: Episode, grid: BinGrid) -> FloatArray:
    """Size of the largest step of each bin; a step may have come in the bin after its own, too. (bins) [fraction]"""
    sizes = np.zeros(len(grid))
    for step in (one for one in episode.steps if one.at_s >= episode.start_s):
        at = grid.bin_at(step.at_s)
        near = slice(max(at, 0), max(at + 2, 0))
        sizes[near] = np.maximum(sizes[near], abs(step.size))
    return sizes


def _sensors(
    inside: Hours, episode: Episode, bin_of: NDArray[np.intp], grid: BinGrid
) -> tuple[tuple[int, ...], NDArray[np.bool_]]:
    """Return the first bin of each new sensor, and the hours to leave out.

    A bin is of one sensor, the one with more of its hours; hours of the others are left out, and those of the swap.
    """
    middles_s = hour_ends(inside) - HOUR_S / 2.0
    mixed = np.zeros(len(inside), dtype=bool)
    first = []
    for at_s in (s for s in episode.sensor_swaps_s if s >= grid.start_s):
        mixed |= np.abs(middles_s - at_s) <= HOUR_S
        at = min(max(grid.bin_at(at_s), 0), len(grid) - 1)
        here, later = (bin_of == at) & np.isfinite(inside.relative_humidity), middles_s > at_s
        is_new = np.count_nonzero(here & later) > np.count_nonzero(here & ~later)
        mixed |= here & (later != is_new)
        first.append(at if is_new else at + 1)
    return tuple(sorted(set(first))), mixed


def _of_sensor_now(hours: Hours, episode: Episode) -> Hours:
    """Return what the sensor of now showed: an earlier one had a floor of its own."""
    return hours.between(max(episode.sensor_swaps_s), hours.end_s) if episode.sensor_swaps_s else hours


def for_rough_likelihood(bins: Bins) -> Bins:
    """Return the same evidence for a rough likelihood, at half the work; unchanged where it is little work already.

    Parameters
    ----------
    bins : Bins
        Of an episode.

    Returns
    -------
    Bins
        Half as many, or the same.
    """
    return coarser(bins) if len(bins) > _MANY_BINS else bins


def coarser(bins: Bins) -> Bins:
    """Return the same evidence with pairs of bins merged.

    Parameters
    ----------
    bins : Bins
        Of an episode.

    Returns
    -------
    Bins
        Half as many.
    """
    first = np.arange(0, len(bins), 2)
    halved = [at for at in bins.new_sensors if at % 2]  # a bin is of one sensor, the newer one where two come together
    bins = replace(
        bins, shown_humidity=np.where(np.isin(np.arange(len(bins)) + 1, halved), np.nan, bins.shown_humidity)
    )
    seen = np.isfinite(bins.shown_humidity)
    value = seen & ~bins.censored
    censored = ~np.logical_or.reduceat(value, first) & np.logical_or.reduceat(seen, first)
    counted = np.where(np.repeat(censored, 2)[: len(seen)], seen, value)
    return replace(
        bins,
        edges_days=np.r_[bins.edges_days[first], 0.0],
        temperature_degc=np.add.reduceat(bins.temperature_degc * bins.days, first) / np.add.reduceat(bins.days, first),
        outside_kpa=np.add.reduceat(bins.outside_kpa * bins.days, first) / np.add.reduceat(bins.days, first),
        shown_humidity=_mean_of(np.where(counted, bins.shown_humidity, 0.0), counted, first),
        censored=censored,
        openings=np.add.reduceat(bins.openings, first),
        swaps=np.add.reduceat(bins.swaps, first),
        step_size=np.maximum.reduceat(bins.step_size, first),
        loosened=np.add.reduceat(bins.loosened, first),
        weighings=tuple((i // 2, mass_g, resolution_g) for i, mass_g, resolution_g in bins.weighings),
        colors=tuple((i // 2, seen) for i, seen in bins.colors),
        swap_notes=tuple((i // 2, note) for i, note in bins.swap_notes),
        new_sensors=tuple(sorted({at // 2 for at in bins.new_sensors})),
    )


def _mean_of(values: FloatArray, counted: NDArray[np.bool_], first: NDArray[np.intp]) -> FloatArray:
    """Mean of what counts in each group; NaN where nothing does."""
    number = np.add.reduceat(counted.astype(float), first)
    return np.where(number > 0, np.add.reduceat(values, first) / np.maximum(number, 1.0), np.nan)


def known_floor(hours: Hours, box: Box) -> float | None:
    """Return the least humidity the sensor can show: stated, or learned where it states none.

    Learned: the smallest value, held without a flicker for a day and a half. A cheap display that dithers between
    whole per cents elsewhere would flicker there too if it still followed the air.

    Parameters
    ----------
    hours : Hours
        What the sensor of now showed.
    box : Box
        Its sensor's sheet.

    Returns
    -------
    float or None
        None where it neither states nor shows one. [fraction of saturation]
    """
    stated = box.sensor.floor if box.sensor.floor else None
    shown = hours.relative_humidity[np.isfinite(hours.relative_humidity)]
    if len(shown) < _FLOOR_HELD_HOURS:
        return stated
    least = float(np.quantile(shown, _FLOOR_QUANTILE))
    held = np.concatenate(((False,), np.abs(shown - least) < SAME_HUMIDITY, (False,)))
    edges = np.flatnonzero(np.diff(held.astype(np.int8)))
    longest = int((edges[1::2] - edges[::2]).max()) if edges.size else 0
    learned = least if longest >= _FLOOR_HELD_HOURS and least <= _HIGHEST_FLOOR else None
    return max((f for f in (stated, learned) if f is not None), default=None)


def _means(values: FloatArray, bin_of: NDArray[np.intp], count: int) -> FloatArray:
    known = np.isfinite(values)
    weight = np.bincount(bin_of[known], minlength=count)
    total = np.bincount(bin_of[known], weights=values[known], minlength=count)
    return np.where(weight > 0, total / np.maximum(weight, 1), np.nan)


def _alone(inside: Hours, hours: Hours, now_s: float) -> NDArray[np.bool_]:
    """Return which hours of a span stand alone among all that were seen.

    What follows the last one is still to come: till that is some hours old, it is taken to stand as the one before it.
    """
    found = np.zeros(len(inside), dtype=bool)
    seen = hours.first_hour + np.flatnonzero(np.isfinite(hours.relative_humidity)).astype(float)
    if len(seen) == 0:
        return found
    before = np.diff(seen, prepend=-np.inf)
    after = np.append(before[1:], max(now_s / HOUR_S - seen[-1], before[-2:][0]))
    alone = seen[np.minimum(before, after) >= _ALONE_HOURS].astype(np.intp) - inside.first_hour
    found[alone[(alone >= 0) & (alone < len(inside))]] = True
    return found


def _shown(  # noqa: PLR0917
    values: FloatArray,
    bin_of: NDArray[np.intp],
    edges: FloatArray,
    floor: float | None,
    resolution: float,
    least_hours: FloatArray,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Robust mean of each bin with enough hours, a median where a floor cuts hours off; and whether it hides that."""
    count = len(edges) - 1
    shown, cut_off = np.full(count, np.nan), np.zeros(count, dtype=bool)
    known = np.isfinite(values)
    here, group = values[known], bin_of[known]
    hours = np.bincount(group, minlength=count)
    enough = hours >= np.minimum(least_hours, np.diff(edges) * HOURS_PER_DAY / _LEAST_PART_OF_BIN)
    if floor is not None:
        low = np.bincount(group, weights=here <= floor + SAME_HUMIDITY, minlength=count)
        cut_off = enough & (low > _AT_FLOOR_SHARE * hours)
    middle = np.full(count, np.nan)
    seen = hours > 0
    starts = np.searchsorted(group, np.flatnonzero(seen))
    middle[seen] = medians(here, group, starts, hours[seen])
    near = np.abs(here - middle[group]) <= _NEAR_MEDIAN
    shown[enough] = _means(np.where(near, here, np.nan), group, count)[enough]
    shown[cut_off] = middle[cut_off]
    censored = np.zeros(count, dtype=bool)
    if floor is not None:
        censored = cut_off & (middle <= floor + SAME_HUMIDITY)
        shown[censored] = floor + _FLOOR_HIDES_STEPS * resolution
    return shown, censored
