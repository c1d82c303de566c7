"""From readings and the ledger to the episode a box is in: since when, with which charge, and what disturbed it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.humidity_steps import LEVEL_HOURS, Step, find_steps
from monitor.records import Box, EntryKind, LedgerEntry
from monitor.records.logged import FILLINGS
from monitor.series.hourly_values import HOUR_S
from monitor.texts import NAMED, say
from monitor.units import SECONDS_PER_DAY

_WITH_THE_CHARGE_S = 2 * HOUR_S
"""A weighing this soon after a charge went in weighed it as it was put in. [s] Judgement: water that leaks in meanwhile
is lost in a scale's last digit."""
CLOSED_WITHIN_S = 2 * HOUR_S
"""An opening so soon after closing belongs to it, and so do spools that are put in. [s] Judgement: one visit to the
box, and a second look."""
ONE_VISIT_S = 60.0
"""Entries so near an instant, as when a charge went in, belong to it. [s] Judgement: one visit to the box, logged by
hand."""
_PRIOR_OPENINGS, _PRIOR_OPENING_DAYS = 0.2, 20.0
"""Prior of the rate of openings, as a count and the days it was counted in: one in 100 days. [openings], [days]
Judgement: hardly ever opened, and outweighed within weeks."""
_PRIOR_EVENTS, _PRIOR_EVENT_DAYS = 0.1, 30.0
"""The same of bigger events: one in 300 days. [events], [days] Judgement: rarer still."""
_FILLED_WITHIN_S = 24 * HOUR_S
"""Beads that join others so soon after the first went in with the spools. [s] Judgement: a box is filled in a day."""
_SETTLE_HOURS = 36
"""Steps sooner after closing belong to the closing itself. [h] Judgement: as long as ``bins`` leaves readings out."""
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
        charged_s = [at_s for kind, at_s in known if kind in FILLINGS]
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
    log = sorted((e for e in entries if e.box == box.name and e.at.timestamp() < now_s), key=lambda e: e.at)
    charges = [e for e in log if e.kind in FILLINGS]
    if not charges and len(hours) == 0:
        raise TooLittleEvidence(_nothing_known_of(box))
    first_s = charges[0].at.timestamp() if charges else hours.first_hour * HOUR_S
    closed_s = charges[-1].at.timestamp() if charges else first_s
    desiccant, dry_mass_g = _beads_of(charges)
    sensor_swaps_s = _times(log, EntryKind.sensor_swap)
    seen = _steps_seen(box, hours, closed_s, now_s, sensor_swaps_s, about_swaps)

    recharged_s = None if desiccant is None else _last_unlogged_recharge(hours, seen.of_water, closed_s)
    start_s = closed_s if recharged_s is None else recharged_s
    began_with = charges[-1] if charges and recharged_s is None else None  # None where nobody logged the start
    since = [e for e in log if e.at.timestamp() >= start_s - ONE_VISIT_S]
    loaded, weighings = _weighings(began_with, since, start_s)
    openings_s, swaps_s = _times(since, EntryKind.opening), _times(since, EntryKind.spool_swap)
    steps = tuple(s for s in seen.of_water if s.at_s > start_s + _SETTLE_HOURS * HOUR_S)
    unlogged_steps = _unexplained(steps, (*openings_s, *swaps_s))

    ever = log if charges else [e for e in log if e.at.timestamp() >= first_s]
    steps_ever = [s for s in seen.whole if s.at_s >= first_s]
    return Episode(
        start_s=start_s,
        desiccant=desiccant,
        dry_mass_g=dry_mass_g,
        method="unknown" if began_with is None else began_with.method or "unknown",
        known_loading=None if began_with is None else began_with.loading_g_per_g,
        spools_went_in=began_with is not None and start_s - first_s < _FILLED_WITHIN_S,
        unlogged=began_with is None,
        loaded_mass=loaded,
        weighings=weighings,
        openings_s=openings_s,
        swaps_s=swaps_s,
        steps=steps,
        all_openings=len(_times(ever, EntryKind.opening)),
        all_swaps=len(_times(ever, EntryKind.spool_swap)),
        first_start_s=first_s,
        steps_counted_from_s=max(first_s, since_s),
        unlogged_steps=len(unlogged_steps),
        all_unlogged_steps=len(_unexplained(steps_ever, [e.at.timestamp() for e in log])),
        colors=tuple((e.at.timestamp(), e.color) for e in since if e.color),
        sensor_swaps_s=tuple(at_s for at_s in sensor_swaps_s if at_s > start_s),
        sensors_apart=max((abs(s.size) for s in seen.at_sensor_swaps), default=0.0),
        swap_notes=tuple(e.note for e in since if e.kind is EntryKind.spool_swap),
        leak_tested=any(e.kind is EntryKind.leak_test for e in log),
        unlogged_rise_s=max((s.at_s for s in unlogged_steps if s.size > 0.0), default=None),
    )


def _beads_of(charges: Sequence[LedgerEntry]) -> tuple[str | None, float]:
    """Return kind and dry mass of the beads by the newest entries that say so; None and 0 unless both are known. [g]"""
    desiccant = next((e.desiccant for e in reversed(charges) if e.desiccant is not None), None)
    dry_mass_g = next((e.dry_mass_g for e in reversed(charges) if e.dry_mass_g is not None), None)
    return (desiccant, dry_mass_g) if desiccant is not None and dry_mass_g else (None, 0.0)


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
        tuple(_unexplained(found, sensor_swaps)),
        whole,
        tuple(s for s in at_swaps if _explained(s, sensor_swaps)),
    )


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


def _weighings(
    began_with: LedgerEntry | None, since: Sequence[LedgerEntry], start_s: float
) -> tuple[ChargeWeighing | None, tuple[ChargeWeighing, ...]]:
    """Return the charge as it was put in, where that was logged and weighed, and its later weighings."""
    weighed = [_weighing(e) for e in since if e.kind is EntryKind.weighing and e.mass_g is not None]
    if began_with is None:
        return None, tuple(weighed)
    if began_with.mass_g is not None:
        loaded: ChargeWeighing | None = _weighing(began_with)
    else:
        loaded = next((w for w in weighed if abs(w.at_s - start_s) <= _WITH_THE_CHARGE_S), None)
    if loaded is None:
        return None, tuple(weighed)
    return loaded, tuple(w for w in weighed if w.at_s > loaded.at_s + _WITH_THE_CHARGE_S)


def _unexplained(steps: Iterable[Step], logged_s: Sequence[float]) -> list[Step]:
    return [step for step in steps if not _explained(step, logged_s)]


def _explained(step: Step, logged_s: Iterable[float]) -> bool:
    return any(abs(step.at_s - at_s) < _EXPLAINED_S for at_s in logged_s)
