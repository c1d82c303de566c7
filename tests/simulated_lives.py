"""Whole lives of boxes simulated, many at once: contents, openings, seals that change, sensors that mislead.

Truths are drawn; the balance is the exact one of ``exact_balance``, hour by hour, with every content on its own curve
and lag. Only the sensor, the logbook and the declared masses are what the estimate gets to see.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from exact_balance import Box as PhysicsBox
from exact_balance import Climate, Sorbent, follow
from simulated_boxes import CLOSED_AT

from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.posterior import Record
from monitor.physics.materials import cardboard, desiccant, polymer
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec, Spool

_SPOOL_CORE_G = 180.0
_BOARD_HUMIDITY = 0.40


@dataclass(frozen=True)
class Kind:
    """What the boxes of a test have in common; the rest is drawn for each."""

    days: int = 60
    ahead_days: int = 0
    """How much longer the truth is followed than seen, to know when the limit is passed."""
    desiccant: str | None = "silica_regular"
    dry_mass_g: float = 150.0
    volume_liter: float = 12.0
    conductance: tuple[float, float] = (0.12, 0.5)
    """Median and sd of the logarithm. [g/day/kPa]"""
    start_humidity: tuple[float, float] = (0.035, 0.5)
    capacity: float = 1.0
    """Median of what beads take up over what the book says: below 1 for aged ones."""
    capacity_sd: float = 0.06
    bed_behind: float = 0.0
    """Share of the beads that lies deep in the bed and answers late."""
    bed_lag_days: float = 3.0
    spools: tuple[Spool, ...] = ()
    spool_humidity: float = 0.10
    spool_core: str = "none"
    openings_a_day: float = 0.0
    share_logged: float = 1.0
    accuracy: float = 0.02
    noise: float = 0.004
    step: float = 0.001
    floor: float | None = None
    limit: float = 0.20
    style: str = "gasket"
    warm_spells_degc: float = 0.0
    """How much warmer than the room the box is at times, as on a printer."""
    fed_through_tube: bool = False
    room_seen: bool = True


@dataclass(frozen=True, eq=False)
class Life:
    """One box: what was seen of it, and what is true."""

    record: Record
    now_s: float
    conductance: FloatArray
    """Hour by hour, seen and ahead. [g/day/kPa]"""
    humidity: FloatArray
    """True humidity of its air, hour by hour."""
    days_left: float
    """Until the daily mean passes the limit; infinite where the truth was not followed so far."""
    capacity_scale: float
    """Of the beads, as a factor on the book's isotherm."""

    @property
    def conductance_now(self) -> float:
        return float(self.conductance[self.hours_seen - 1])

    @property
    def true_mean_conductance(self) -> float:
        return float(self.conductance[: self.hours_seen].mean())

    @property
    def hours_seen(self) -> int:
        return len(self.record.hours)

    def day_s(self, day: float) -> float:
        return CLOSED_AT.timestamp() + 86_400.0 * day


def simulated_lives(count: int, kind: Kind, seed: int = 0, seal: FloatArray | None = None) -> list[Life]:
    """Return so many boxes of a kind; ``seal`` times their conductance hour by hour (rows), each box a column."""
    rng = np.random.default_rng(seed)
    hours = 24 * (kind.days + kind.ahead_days)
    vapor_kpa, room_degc = _rooms(hours, count, rng)
    warm = room_degc + _warm_spells(hours, count, kind, rng)
    factor = np.ones((hours, count)) if seal is None else np.broadcast_to(seal[:hours], (hours, count))
    opened = rng.random((hours, count)) < kind.openings_a_day / 24.0
    median, spread = kind.conductance
    conductance = median * np.exp(spread * rng.standard_normal(count))
    low, high = kind.start_humidity
    start = low * np.exp(high * rng.standard_normal(count))
    slow, at_start = _slow(kind, count, rng)
    scale = kind.capacity * np.exp(kind.capacity_sd * rng.standard_normal(count))
    if kind.bed_behind:
        deep = _beads(kind, scale, kind.bed_behind)
        slow, at_start = (*slow, deep), (*at_start, scale * deep.isotherm.loading_g_per_g(start, 21.0))
    air = Climate(np.full(hours, 1 / 24), 1e3 * vapor_kpa, warm, opened.astype(float), factor)
    humidity = follow(PhysicsBox(kind.volume_liter, conductance, _prompt(kind, scale), slow), air, start, at_start)
    shown = _shown(humidity.relative_humidity, kind, rng)
    logged = opened & (rng.random((hours, count)) < kind.share_logged)
    saturation_kpa = np.asarray(saturation_vapor_pressure_pa(room_degc)) / 1e3
    outside = vapor_kpa / saturation_kpa
    return [
        _life(kind, conductance[i] * factor[:, i], humidity.relative_humidity[:, i], warm[:, i], shown[:, i],
              Hours(_first_hour(), room_degc[:, i], outside[:, i]), np.flatnonzero(logged[:, i]), float(scale[i]))
        for i in range(count)
    ]  # fmt: skip


def with_shown(life: Life, shown: FloatArray, temperature_degc: FloatArray | None = None) -> Life:
    """Return a box whose sensor told something else."""
    hours = replace(life.record.hours, relative_humidity=shown)
    if temperature_degc is not None:
        hours = replace(hours, temperature_degc=temperature_degc)
    return replace(life, record=replace(life.record, hours=hours))


def with_logged(life: Life, *entries: LedgerEntry) -> Life:
    """Return a box with more in its ledger."""
    return replace(life, record=replace(life.record, entries=(*life.record.entries, *entries)))


def _first_hour() -> int:
    return int(CLOSED_AT.timestamp() // 3600)


def _rooms(hours: int, count: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Rooms with a season, that forget their weather in a week and warm up a little by day; one for each box.

    Their yearly swings are drawn as wide as those the typical years among the test files leave indoors; the boxes are
    closed in March, as it turns.
    """
    days = hours // 24 + 2
    daily, warmth = np.zeros((days, count)), np.zeros((days, count))
    for day in range(1, days):
        daily[day] = 0.85 * daily[day - 1] + 0.08 * rng.standard_normal(count)
        warmth[day] = 0.8 * warmth[day - 1] + 0.5 * rng.standard_normal(count)
    at = np.arange(hours) / 24.0
    day, within = at.astype(int), (at % 1.0)[:, None]
    by_hour = [rows[day] + within * (rows[day + 1] - rows[day]) for rows in (daily, warmth)]
    since_july = 2.0 * np.pi * (at + CLOSED_AT.timetuple().tm_yday - 205.0) / 365.2425
    swing = (np.cos(since_july) - np.cos(since_july[0]))[:, None]
    vapor = 1.1 * np.exp(by_hour[0] + swing * (0.38 + 0.25 * rng.standard_normal(count)))
    warm = 21.0 + by_hour[1] + swing * (2.0 + 1.5 * rng.standard_normal(count))
    vapor = np.minimum(vapor, 0.9 * np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3)
    return vapor, warm + 0.8 * np.sin(2 * np.pi * at)[:, None]


def _warm_spells(hours: int, count: int, kind: Kind, rng: np.random.Generator) -> FloatArray:
    """Prints of eight hours, on two days of three: the box warms up and cools down."""
    spells = np.zeros((hours, count))
    if kind.warm_spells_degc:
        for day in range(hours // 24):
            on = rng.random(count) < 0.67
            spells[24 * day + 9 : 24 * day + 17] = kind.warm_spells_degc * on
    return spells


def _prompt(kind: Kind, scale: FloatArray) -> tuple[Sorbent, ...]:
    if kind.desiccant is None:
        return ()
    return (_beads(kind, scale, 1.0 - kind.bed_behind),)


def _beads(kind: Kind, scale: FloatArray, share: float) -> Sorbent:
    assert kind.desiccant is not None
    return Sorbent(desiccant(kind.desiccant).isotherm, share * kind.dry_mass_g, scale, kind.bed_lag_days)


def _slow(kind: Kind, count: int, rng: np.random.Generator) -> tuple[tuple[Sorbent, ...], tuple[FloatArray, ...]]:
    """Spools and cores, their uptake and lag off by what lots differ; and what they hold as they go in."""
    made: list[tuple[Sorbent, float]] = []
    for spool in kind.spools:
        known = polymer(spool.material)
        lag = float(known.spool_time_constant_days()) * np.exp(0.5 * rng.standard_normal(count))
        scale = np.exp(0.15 * rng.standard_normal(count))
        made.append((Sorbent(known.isotherm, spool.mass_g, scale, lag), kind.spool_humidity))
    if kind.spool_core == "cardboard":
        board, cores = cardboard(), sum(s.count for s in kind.spools)
        lag = board.time_constant_days * np.exp(0.3 * rng.standard_normal(count))
        made.append((Sorbent(board.isotherm, _SPOOL_CORE_G * cores, 1.0, lag), _BOARD_HUMIDITY))
    starts = tuple(
        np.asarray(s.capacity_scale * s.isotherm.loading_g_per_g(humidity, 21.0) * np.ones(count))
        for s, humidity in made
    )
    return tuple(s for s, _ in made), starts


def _shown(humidity: FloatArray, kind: Kind, rng: np.random.Generator) -> FloatArray:
    bias = 0.5 * kind.accuracy * rng.standard_normal(humidity.shape[1])
    shown = humidity + bias + 0.5 * kind.noise * rng.standard_normal(humidity.shape)
    shown = np.round(np.clip(shown, 0.0, 1.0) / kind.step) * kind.step
    return shown if kind.floor is None else np.maximum(shown, kind.floor)


def _life(  # noqa: PLR0917
    kind: Kind, conductance: FloatArray, humidity: FloatArray, warm: FloatArray, shown: FloatArray, outside: Hours,
    opened: FloatArray, capacity_scale: float,
) -> Life:  # fmt: skip
    seen, first = slice(0, 24 * kind.days), _first_hour()
    box = Box(
        "made", kind.volume_liter, kind.limit, kind.style, SensorSpec(kind.accuracy, kind.step, kind.floor),
        kind.spools, kind.spool_core, kind.fed_through_tube, on_printer=kind.warm_spells_degc > 0.0,
    )  # fmt: skip
    charge = LedgerEntry(
        EntryKind.charge, "made", CLOSED_AT, desiccant=kind.desiccant, dry_mass_g=kind.dry_mass_g, method="oven_120C_3h"
    )
    openings = [
        LedgerEntry(EntryKind.opening, "made", CLOSED_AT + timedelta(hours=float(hour) + 0.5))
        for hour in opened
        if hour < 24 * kind.days
    ]
    entries = (charge, *openings) if kind.desiccant else tuple(openings)
    room = Hours(first, outside.temperature_degc[seen], outside.relative_humidity[seen])
    record = Record(box, Hours(first, warm[seen], shown[seen]), room if kind.room_seen else None, entries)
    over = np.flatnonzero(humidity.reshape(-1, 24).mean(axis=1)[kind.days :] > kind.limit)
    left = float(over[0]) if len(over) else np.inf
    return Life(record, CLOSED_AT.timestamp() + 86_400.0 * kind.days, conductance, humidity, left, capacity_scale)
