"""From readings and the ledger to the episode a box is in: since when, with which charge, and what disturbed it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.hours import Hours
from monitor.physics.numerics import FloatArray, median
from monitor.records import Box, EntryKind, LedgerEntry
from monitor.series.hourly_values import HOUR_S
from monitor.texts import NAMED, say
from monitor.units import SECONDS_PER_DAY

_STARTS = (EntryKind.charge, EntryKind.recharge)
_WITH_THE_CHARGE_S = 2 * HOUR_S
"""A weighing this soon after a charge went in weighed it as it was put in. [s] Judgement: water that leaks in meanwhile
is lost in a scale's last digit."""
CLOSED_WITHIN_S = 2 * HOUR_S
"""An opening so soon after closing belongs to it, and so do spools that are put in. [s] Judgement: one visit to the
box, and a second look."""
_SAME_ENTRY_S = 60.0
"""Entries up to this long before a charge went in belong to it. [s] Judgement: one visit to the box, logged by hand."""
_PRIOR_OPENINGS, _PRIOR_OPENING_DAYS = 0.2, 20.0
"""Prior of the rate of openings, as a count and the days it was counted in: one in 100 days. [openings], [days]
Judgement: hardly ever opened, and outweighed within weeks."""
_PRIOR_EVENTS, _PRIOR_EVENT_DAYS = 0.1, 30.0
"""The same of bigger events: one in 300 days. [events], [days] Judgement: rarer still."""
_FILLED_WITHIN_S = 24 * HOUR_S
"""Beads that join others so soon after the first went in with the spools. [s] Judgement: a box is filled in a day."""
_SETTLE_HOURS = 36
"""Steps sooner after closing belong to the closing itself. [h] Judgement: as long as ``bins`` leaves readings out."""
LEVEL_HOURS, BETWEEN_LEVELS_HOURS = 12, 3
"""A level is the median of so many hours, and so many lie between one and the next. [h] Judgement: half a day evens out
heating and light, and a step is over within hours."""
_LEAST_HOURS = 48
"""Fewer hours show no steps. [h] Judgement: a usual rise needs two days to be known."""
_KNOWN_PART = 3
"""A median needs one in so many of its hours. Judgement."""
_SD_PER_MEDIAN_DEVIATION = 1.4826
"""Standard deviation of a normal over its median absolute deviation, 1/Φ⁻¹(3/4). [ratio] Exact to
five digits."""
_STEP_SPREADS = 5.0
"""A step counts from so many robust standard deviations of such changes on. [standard deviations] Judgement: chance
once in two million hours."""
_LEAST_STEP, _LEAST_STEP_RESOLUTIONS = 0.005, 0.8
"""And from so much humidity [fraction of saturation] with so much of a display's step. Judgement: a display flickers by
one step."""
_SAME_HUMIDITY = 1e-6
"""A level no further above a floor lies on it. [fraction of saturation] Judgement: far below any display's step."""
_MOST_STEPS = 60
"""More steps than this are no steps but weather. Judgement: a bound on the work."""
_ONE_STEP_HOURS = 24
"""Steps nearer than this to a larger one are its slopes. [h] Judgement: as far as two levels reach."""
_UNLOGGED_FALL, _UNLOGGED_FALL_SHARE = 0.04, 0.25
"""A fall beyond both, the second of the level before, is a recharge that nobody logged. [fraction of saturation],
[share] Judgement: nothing but fresh beads takes so much away for good."""
_LEVEL_UNKNOWN = 1.0
"""Taken for the level before where no hour shows it. [fraction of saturation] Judgement: the most there is, so that
only a fall by a quarter of saturation counts."""
_EXPLAINED_S = 12 * HOUR_S
"""A step so near an entry comes from it. [s] Judgement: half a day, as sharp as a step can be placed."""


@dataclass(frozen=True)
class ChargeWeighing:
    """The charge on a scale: desiccant with its water."""

    at_s: float
    """[s since 1970 UTC]"""
    mass_g: float
    """Of desiccant and water, without the holder. [g]"""
    resolution_g: float
    """Last digit of the scale. [g]"""


@dataclass(frozen=True)
class Step:
    """A lasting step of the box's humidity that hours of a tight box don't make."""

    at_s: float
    """[s since 1970 UTC]"""
    size: float
    """Humidity after it less that before. [fraction of saturation]"""


@dataclass(frozen=True)
class DisturbanceRates:
    """How often the boxes of a shelf are disturbed: one household opens its boxes alike."""

    openings_per_day: float
    """[1/day]"""
    events_per_day: float
    """Spool swaps; of one box alone also the steps of humidity that nobody logged. [1/day]"""


@dataclass(frozen=True)
class Episode:
    """From closing a box on a charge until now."""

    start_s: float
    """[s since 1970 UTC]"""
    desiccant: str | None
    """Kind of the beads; None without any."""
    dry_mass_g: float
    """Of the beads, as declared; 0 without any. [g]"""
    method: str
    """How the beads were dried."""
    known_loading: tuple[float, float, float] | None
    """5, 50 and 95 % points of the loading at the start, where a drying run or a jar check found it. [g/g]"""
    spools_went_in: bool
    """True where the spools went in with this charge, so that they may be far from rest."""
    unlogged: bool
    """True where nobody logged the start and the readings show it."""
    loaded_mass: ChargeWeighing | None
    """The charge as it was put in."""
    weighings: tuple[ChargeWeighing, ...]
    """Later ones, in order of time."""
    openings_s: tuple[float, ...]
    """Logged openings. [s since 1970 UTC]"""
    swaps_s: tuple[float, ...]
    """Logged spool swaps. [s since 1970 UTC]"""
    steps: tuple[Step, ...]
    """Lasting steps of humidity after the first days, but those at a swap of the sensor."""
    all_openings: int
    """Openings since the box was first charged."""
    all_swaps: int
    """Spool swaps since the box was first charged."""
    first_start_s: float
    """When the box was first charged. [s since 1970 UTC]"""
    unlogged_steps: int
    """Steps of this episode that no entry explains."""
    all_unlogged_steps: int
    """The same since the box was first charged, in the hours that are there."""
    colors: tuple[tuple[float, str], ...] = ()
    """When what color of the beads was seen. [s since 1970 UTC]"""
    sensor_swaps_s: tuple[float, ...] = ()
    """When its sensor was swapped or calibrated: what it showed before had another bias. [s since 1970 UTC]"""
    sensors_apart: float = 0.0
    """The largest lasting step of humidity at such a swap: by so much the two sensors disagree.
    [fraction of saturation]"""
    leak_tested: bool = False
    """True where a test of the empty box gave its leak in grams."""
    steps_counted_from_s: float = -math.inf
    """Since when steps that no entry explains are counted; before, hours were left out. [s since 1970 UTC]"""
    swap_notes: tuple[str, ...] = ()
    """What was noted of each spool swap."""
    unlogged_rise_s: float | None = None
    """The last step upward of this episode that no entry explains; None without one. [s since 1970 UTC]"""

    @property
    def swaps_with_beads(self) -> int:
        """How many spools were swapped when the beads were dried; none where all of them went in then."""
        with_them = [s for s in self.swaps_s if s <= self.start_s + CLOSED_WITHIN_S]
        return 0 if self.spools_went_in else len(with_them)


def rates_from(openings: float, events: float, watched_days: float) -> DisturbanceRates:
    """Return the rates of a box by its own counts, where nothing else is known.

    Parameters
    ----------
    openings, events : float
        How many there were; not a whole number where some are known by their rate alone. [count]
    watched_days : float
        In so many days. [days]

    Returns
    -------
    DisturbanceRates
        Posterior means, shrunk toward hardly ever.
    """
    return DisturbanceRates(
        (openings + _PRIOR_OPENINGS) / (watched_days + _PRIOR_OPENING_DAYS),
        (events + _PRIOR_EVENTS) / (watched_days + _PRIOR_EVENT_DAYS),
    )


def rates_of(ledgers: Iterable[Sequence[LedgerEntry]], now_s: float) -> DisturbanceRates:
    """Return the rates of a shelf by what was logged of each of its boxes before an instant.

    Parameters
    ----------
    ledgers : iterable of sequences of LedgerEntry
        One for each box.
    now_s : float
        Later entries don't count. [s since 1970 UTC]

    Returns
    -------
    DisturbanceRates
        Of the shelf.
    """
    openings, swaps, watched_days = 0, 0, 0.0
    for ledger in ledgers:
        known = [(e.kind, e.at.timestamp()) for e in ledger if e.at.timestamp() < now_s]
        charged_s = [at_s for kind, at_s in known if kind in _STARTS]
        if charged_s:
            watched_days += (now_s - min(charged_s)) / SECONDS_PER_DAY
            openings += sum(kind is EntryKind.opening for kind, _ in known)
            swaps += sum(kind is EntryKind.spool_swap for kind, _ in known)
    return rates_from(openings, swaps, watched_days)


def current_episode(
    box: Box,
    hours: Hours,
    entries: tuple[LedgerEntry, ...],
    now_s: float,
    *,
    since_s: float = -math.inf,
    about_swaps: Sequence[Hours] = (),
) -> Episode:
    """Return the episode that a box is in now.

    Parameters
    ----------
    box : Box
        The box.
    hours : Hours
        What its sensor showed before ``now_s``.
    entries : tuple of LedgerEntry
        Of any boxes.
    now_s : float
        Later entries don't count. [s since 1970 UTC]
    since_s : float
        Hours before this were left out. [s since 1970 UTC]
    about_swaps : sequence of Hours
        What its sensors showed about swaps of the sensor before that.

    Returns
    -------
    Episode
        From the last charge, logged or shown by the readings.

    Raises
    ------
    TooLittleEvidence
        If no charge was ever logged and no readings show when the box was closed.
    """
    known = sorted((e for e in entries if e.box == box.name and e.at.timestamp() < now_s), key=lambda e: e.at)
    starts = [e for e in known if e.kind in _STARTS]
    if not starts and len(hours) == 0:
        raise TooLittleEvidence(_nothing_known_of(box))
    charge = starts[-1] if starts else None
    first_s = starts[0].at.timestamp() if starts else hours.first_hour * HOUR_S
    closed_s = charge.at.timestamp() if charge else first_s
    sensor_swaps = _times(known, EntryKind.sensor_swap)
    seen = _steps_seen(box, hours, closed_s, now_s, sensor_swaps, about_swaps)
    dry_mass_g = next((e.dry_mass_g for e in reversed(starts) if e.dry_mass_g is not None), None)
    desiccant = next((e.desiccant for e in reversed(starts) if e.desiccant is not None), None)
    has_beads = desiccant is not None and bool(dry_mass_g)
    recharged_s = _last_unlogged_recharge(hours, seen.of_water, closed_s) if has_beads else None
    unlogged = recharged_s is not None or charge is None
    start_s = closed_s if recharged_s is None else recharged_s
    later = [e for e in known if e.at.timestamp() >= start_s - _SAME_ENTRY_S]
    weighed = [_weighing(e) for e in later if e.kind is EntryKind.weighing and e.mass_g is not None]
    loaded = _loaded_mass(charge, weighed, start_s) if not unlogged else None
    openings, swaps = _times(later, EntryKind.opening), _times(later, EntryKind.spool_swap)
    steps = tuple(s for s in seen.of_water if s.at_s > start_s + _SETTLE_HOURS * HOUR_S)
    unlogged_steps = [s for s in steps if not _explained(s, (*openings, *swaps))]
    counted = known if starts else [e for e in known if e.at.timestamp() >= first_s]
    return Episode(
        start_s=start_s,
        desiccant=desiccant if has_beads else None,
        dry_mass_g=dry_mass_g if dry_mass_g and has_beads else 0.0,
        method="unknown" if unlogged or charge is None else charge.method or "unknown",
        known_loading=None if unlogged or charge is None else charge.loading_g_per_g,
        spools_went_in=not unlogged and start_s - first_s < _FILLED_WITHIN_S,
        unlogged=unlogged,
        loaded_mass=loaded,
        weighings=tuple(w for w in weighed if loaded is None or w.at_s > loaded.at_s + _WITH_THE_CHARGE_S),
        openings_s=openings,
        swaps_s=swaps,
        steps=steps,
        all_openings=len(_times(counted, EntryKind.opening)),
        all_swaps=len(_times(counted, EntryKind.spool_swap)),
        first_start_s=first_s,
        steps_counted_from_s=max(first_s, since_s),
        unlogged_steps=len(unlogged_steps),
        all_unlogged_steps=_unexplained([s for s in seen.whole if s.at_s >= first_s], known),
        colors=tuple((e.at.timestamp(), e.color) for e in later if e.color),
        sensor_swaps_s=tuple(s for s in sensor_swaps if s > start_s),
        sensors_apart=max((abs(s.size) for s in seen.at_sensor_swaps), default=0.0),
        swap_notes=tuple(e.note for e in later if e.kind is EntryKind.spool_swap),
        leak_tested=any(e.kind is EntryKind.leak_test for e in known),
        unlogged_rise_s=max((s.at_s for s in unlogged_steps if s.size > 0.0), default=None),
    )


def _nothing_known_of(box: Box) -> str:
    why = say("there is no full hour of usable readings yet, and no beads were logged; log the beads that are in it")
    return say(NAMED, box=box.name, why=why)


def _times(entries: Iterable[LedgerEntry], kind: EntryKind) -> tuple[float, ...]:
    return tuple(e.at.timestamp() for e in entries if e.kind is kind)


@dataclass(frozen=True)
class _StepsSeen:
    """Lasting steps of a box's humidity."""

    of_water: tuple[Step, ...]
    """Since it was closed; none at a swap of the sensor, where the step is the sensor's."""
    whole: tuple[Step, ...]
    """In all of its hours."""
    at_sensor_swaps: tuple[Step, ...]
    """Near a swap of the sensor, however long ago."""


def _steps_seen(  # noqa: PLR0917
    box: Box,
    hours: Hours,
    closed_s: float,
    now_s: float,
    sensor_swaps: tuple[float, ...],
    about_swaps: Sequence[Hours],
) -> _StepsSeen:
    display = box.sensor.resolution, box.sensor.floor
    found = find_steps(hours.between(closed_s, now_s), *display)
    whole = found if hours.first_hour * HOUR_S >= closed_s else find_steps(hours, *display)
    at_swaps = [*whole, *(s for one in about_swaps for s in find_steps(one, *display))]
    return _StepsSeen(
        tuple(s for s in found if not _explained(s, sensor_swaps)),
        whole,
        tuple(s for s in at_swaps if _explained(s, sensor_swaps)),
    )


def find_steps(hours: Hours, resolution: float, floor: float | None = None) -> tuple[Step, ...]:
    """Return lasting steps: the median of twelve hours against that of the twelve before, three hours left out.

    How much a box usually rises within such hours is taken out. A step counts from five robust standard deviations of
    such differences, and never below half a per cent of humidity plus most of a display step. At a sensor's floor
    nothing seems to change: what is usual isn't seen there, and a difference to it is the least of a rise or a fall.

    Parameters
    ----------
    hours : Hours
        What the sensor showed.
    resolution : float
        Step of the sensor's display. [fraction of saturation]
    floor : float, optional
        Least humidity that the sensor can show, where its sheet says so. [fraction of saturation]

    Returns
    -------
    tuple of Step
        In order of time.
    """
    if len(hours) < _LEAST_HOURS:
        return ()
    before, after = _levels_about(hours.relative_humidity)
    at_floor = -np.inf if floor is None else floor + _SAME_HUMIDITY
    change = after - before
    seen = np.isfinite(change)
    usual = seen & (before > at_floor) & (after > at_floor)
    if usual.sum() < _LEAST_HOURS:
        return ()
    change = change - median(change[usual])  # a leaky box rises all day long; that is no step
    change = np.where(before <= at_floor, np.maximum(change, 0.0), change)
    change = np.where(after <= at_floor, np.minimum(change, 0.0), change)
    spread = _SD_PER_MEDIAN_DEVIATION * median(np.abs(change[usual]))
    threshold = max(_STEP_SPREADS * spread, _LEAST_STEP + _LEAST_STEP_RESOLUTIONS * resolution)
    size = np.where(seen, np.abs(change), 0.0)
    found: list[Step] = []
    while len(found) < _MOST_STEPS and size.max() >= threshold:
        at = int(size.argmax())
        found.append(Step((hours.first_hour + at + 1) * HOUR_S, float(change[at])))
        size[max(0, at - _ONE_STEP_HOURS) : at + _ONE_STEP_HOURS + 1] = 0.0
    return tuple(sorted(found, key=lambda s: s.at_s))


def _levels_about(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the levels before and after each hour."""
    level = _moving_median(values, LEVEL_HOURS)
    before, after = np.full((2, len(values)), np.nan)
    reach = LEVEL_HOURS + BETWEEN_LEVELS_HOURS
    about = slice(1, len(values) - reach + 1)
    before[about], after[about] = level[: len(values) - reach], level[reach:]
    return before, after


def _moving_median(values: FloatArray, window: int) -> FloatArray:
    """Median of the last so many values, by sorting NaN to the end; NaN where less than a third is there."""
    padded = np.concatenate((np.full(window - 1, np.nan), values))
    views = np.sort(sliding_window_view(padded, window), axis=1)
    count = np.isfinite(views).sum(axis=1)
    rows = np.arange(len(views))
    middle = 0.5 * (views[rows, np.maximum(count - 1, 0) // 2] + views[rows, np.maximum(count, 1) // 2])
    return np.where(count >= window // _KNOWN_PART, middle, np.nan)


def _last_unlogged_recharge(hours: Hours, steps: tuple[Step, ...], start_s: float) -> float | None:
    """A fall of more than four points and a quarter that lasts: nobody logged it, the box was recharged."""
    for step in reversed(steps):
        before = hours.between(step.at_s - LEVEL_HOURS * HOUR_S, step.at_s).relative_humidity
        level = float(np.median(before[np.isfinite(before)])) if np.isfinite(before).any() else _LEVEL_UNKNOWN
        if (
            step.size < -max(_UNLOGGED_FALL, _UNLOGGED_FALL_SHARE * level)
            and step.at_s > start_s + _SETTLE_HOURS * HOUR_S
        ):
            return step.at_s
    return None


def _weighing(entry: LedgerEntry) -> ChargeWeighing:
    return ChargeWeighing(entry.at.timestamp(), float(entry.mass_g or 0.0), entry.scale_resolution_g or 1.0)


def _loaded_mass(charge: LedgerEntry | None, weighed: list[ChargeWeighing], start_s: float) -> ChargeWeighing | None:
    if charge is not None and charge.mass_g is not None:
        return _weighing(charge)
    return next((w for w in weighed if abs(w.at_s - start_s) <= _WITH_THE_CHARGE_S), None)


def _unexplained(steps: Sequence[Step], known: list[LedgerEntry]) -> int:
    logged_s = tuple(e.at.timestamp() for e in known)
    return sum(not _explained(s, logged_s) for s in steps)


def _explained(step: Step, logged_s: tuple[float, ...]) -> bool:
    return any(abs(step.at_s - at_s) < _EXPLAINED_S for at_s in logged_s)
