"""One box simulated: a known leak run forward through a room by the exact balance, read by a faulty sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from exact_balance import Box as PhysicsBox
from exact_balance import Climate, Sorbent, follow

from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.posterior import Record
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec

CLOSED_AT = datetime(2026, 3, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Truth:
    """A box's constants, and the sensor that reads it."""

    conductance: float = 0.15
    dry_mass_g: float = 100.0
    start_humidity: float = 0.04
    bias: float = 0.0
    noise: float = 0.004
    step: float = 0.001
    floor: float | None = None
    accuracy: float = 0.02
    kind: str = "silica_regular"
    volume_liter: float = 10.0
    limit: float = 0.20


def room_hours(days: int, seed: int = 0, mean_kpa: float = 1.1) -> tuple[FloatArray, FloatArray]:
    """Vapor pressure and temperature of a made-up room, hour by hour."""
    rng = np.random.default_rng(seed)
    daily = np.empty(days + 1)
    daily[0] = 0.0
    for day in range(days):
        daily[day + 1] = 0.85 * daily[day] + 0.08 * rng.standard_normal()
    hours = np.arange(24 * days) / 24.0
    vapor = mean_kpa * np.exp(np.interp(hours, np.arange(days + 1), daily))
    return vapor, 21.0 + 0.8 * np.sin(2 * np.pi * hours)


def true_humidity(truth: Truth, vapor_kpa: FloatArray, warm: FloatArray) -> FloatArray:
    """The true course of humidity, hour by hour, by the balance itself."""
    box = PhysicsBox(
        truth.volume_liter, truth.conductance, (Sorbent(desiccant(truth.kind).isotherm, truth.dry_mass_g),)
    )
    climate = Climate(np.full(len(warm), 1 / 24), vapor_kpa * 1e3, warm)
    return follow(box, climate, truth.start_humidity).relative_humidity


def simulated_box(
    truth: Truth, seen_days: int, seed: int = 0, whole_days: int = 0, noise_seed: int | None = None
) -> tuple[Record, float, float]:
    """Return the record of a box, the instant up to which it was seen, and the days until it passes its limit.

    The truth is followed for `whole_days` where that is longer: who asks for the days left says how far to look.
    """
    rng = np.random.default_rng((seed if noise_seed is None else noise_seed) + 1000)
    vapor, warm = room_hours(max(seen_days, whole_days), seed)
    humidity = true_humidity(truth, vapor, warm)
    shown = humidity + truth.bias + truth.noise * rng.standard_normal(len(humidity)) / 2.0
    shown = np.round(np.clip(shown, 0.0, 1.0) / truth.step) * truth.step
    if truth.floor is not None:
        shown = np.maximum(shown, truth.floor)
    first_hour = int(CLOSED_AT.timestamp() // 3600)
    seen = slice(0, 24 * seen_days)
    saturation = np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3
    box = Box("made", truth.volume_liter, truth.limit, "gasket", SensorSpec(truth.accuracy, truth.step, truth.floor))
    charge = LedgerEntry(
        EntryKind.charge, "made", CLOSED_AT, desiccant=truth.kind, dry_mass_g=truth.dry_mass_g, method="oven_120C_3h"
    )
    record = Record(
        box,
        Hours(first_hour, warm[seen], shown[seen]),
        Hours(first_hour, warm[seen], (vapor / saturation)[seen]),
        (charge,),
    )
    daily = humidity.reshape(-1, 24).mean(axis=1)
    over = np.flatnonzero(daily > truth.limit)
    left = float(over[0] - seen_days) if len(over) else np.inf
    return record, CLOSED_AT.timestamp() + 86_400.0 * seen_days, left


def with_entries(record: Record, *entries: LedgerEntry) -> Record:
    """Return a record with more in its ledger."""
    return replace(record, entries=(*record.entries, *entries))


def entry(kind: EntryKind, day: float, **what: object) -> LedgerEntry:
    """Return a ledger entry so many days after closing."""
    return LedgerEntry(kind, "made", CLOSED_AT + timedelta(days=day), **what)  # type: ignore[arg-type]
