"""Posteriors of invented boxes, by fixed draws (see tests/fixed_draws.py): each a case of what an answer may meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
from fixed_draws import DRAWS, fixed_draws

from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.change_point import with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.pooling import LeakObservation
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.sensor_bias import Comparison
from monitor.records import Box, DateQuantiles, EntryKind, LedgerEntry, RoomClimate, SensorSpec, Spool

CLOSED = datetime(2026, 2, 3, 7, tzinfo=UTC)
START_S = CLOSED.timestamp()
BOX = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.001), (Spool("PETG", 1000.0, 2, "fresh"),))
MONTHS = tuple(900.0 + 500.0 * np.sin(np.pi * (np.arange(12) - 3.0) / 6.0))


def after(days: float) -> datetime:
    return CLOSED + timedelta(days=days)


def entry(kind: EntryKind, day: float, **what: Any) -> LedgerEntry:
    return LedgerEntry(kind, "made", after(day), **what)


def charge(kind: EntryKind = EntryKind.charge, day: float = 0.0, **what: Any) -> LedgerEntry:
    return entry(kind, day, **{"desiccant": "silica_regular", "dry_mass_g": 100.0, "method": "hot_air_65C", **what})


def hours(days: float, humidity: Any, degc: float = 21.0, first: float = 0.0) -> Hours:
    """Hours in which a humidity runs through these points, with a day's wave on it."""
    days_in = first + (np.arange(round(24 * days)) + 0.5) / 24.0
    level = np.interp(days_in, *humidity) if isinstance(humidity, tuple) else np.full(len(days_in), humidity)
    wave = np.sin(2.0 * np.pi * days_in) + 0.5 * np.sin(0.7 * days_in)
    shown = np.round(level + 0.001 * wave, 3)
    return Hours(round(START_S / 3600.0) + round(24 * first), degc + 0.8 * wave, shown)


def room_hours(days: float, humidity: float = 0.45, degc: float = 20.5) -> Hours:
    days_in = (np.arange(round(24 * days)) + 0.5) / 24.0
    wave = 0.06 * np.sin(0.9 * days_in) + 0.03 * np.sin(2.6 * days_in)
    return Hours(round(START_S / 3600.0), degc + 10.0 * wave, humidity + wave)


def record(days: float = 30.0, humidity: Any = ((0.0, 60.0), (0.05, 0.17)), **what: Any) -> Record:
    kept = {
        "box": BOX, "hours": hours(days, humidity, what.pop("degc", 21.0)), "room": room_hours(days),
        "entries": (charge(),), **what,
    }  # fmt: skip
    return Record(**kept)


def fitted(days: float = 30.0, of: Record | None = None, **what: Any) -> Posterior:
    asked = {name: what.pop(name) for name in ("assumptions", "pooled", "least_days", "count") if name in what}
    made = of or record(days, **what)
    return estimate(made, START_S + 86_400.0 * days, **{"count": DRAWS, **asked})


def of_beads(kind: str | None, mass_g: float = 100.0, **more: Any) -> dict[str, Any]:
    return {"entries": (charge(desiccant=kind, dry_mass_g=mass_g), *more.pop("later", ()))}


def floored() -> Hours:
    made = hours(30.0, ((0.0, 30.0), (0.06, 0.13)))
    return replace(made, relative_humidity=np.maximum(made.relative_humidity, 0.10))


def at_floor(level: float) -> Hours:
    made = hours(30.0, level)
    return replace(made, relative_humidity=np.full(len(made), level))


FLOOR = replace(BOX, sensor=SensorSpec(0.03, 0.001, 0.10))
COMPARED = (Comparison(START_S, 0, False, 0.02, -0.3, 0.011, 0.35),)
USED = (
    charge(mass_g=106.0, scale_resolution_g=1.0), entry(EntryKind.opening, 4.0), entry(EntryKind.opening, 11.0),
    entry(EntryKind.spool_swap, 15.0), entry(EntryKind.weighing, 3.0, mass_g=106.4, scale_resolution_g=0.1),
    entry(EntryKind.weighing, 26.0, mass_g=109.2, scale_resolution_g=0.1),
)  # fmt: skip
STEPPED = ((0.0, 9.9, 10.0, 20.9, 21.0, 30.0), (0.05, 0.06, 0.10, 0.11, 0.15, 0.16))
JUMPED = ((0.0, 30.0, 60.0), (0.05, 0.08, 0.19))
DOUBTED = {Unknown.log_change_factor: 0.3, Unknown.log_conductance: -0.3}
SURE = {Unknown.log_change_factor: 1.9, Unknown.log_conductance: -0.6}


def gap_room(days: float) -> Hours:
    made = room_hours(days)
    return replace(made, relative_humidity=np.where(np.arange(len(made)) % 240 < 60, np.nan, made.relative_humidity))


def changed() -> Posterior:
    opened = entry(EntryKind.opening, 30.0)
    return with_change_point(fitted(60.0, humidity=JUMPED, entries=(charge(), opened)))


MADE: dict[str, Callable[[], Posterior]] = {
    "plain": fitted,
    "young": lambda: fitted(3.0),
    "old": lambda: fitted(120.0, humidity=((0.0, 120.0), (0.04, 0.12))),
    "floor": lambda: fitted(box=FLOOR, hours=floored()),
    "always at a floor": lambda: fitted(box=FLOOR, hours=at_floor(0.10)),
    "floor near the limit": lambda: fitted(
        box=replace(BOX, sensor=SensorSpec(0.03, 0.01, 0.19)), hours=at_floor(0.19)
    ),
    "half over": lambda: fitted(humidity=((0.0, 30.0), (0.10, 0.20))),
    "over": lambda: fitted(humidity=((0.0, 30.0), (0.12, 0.235))),
    "far over": lambda: fitted(humidity=((0.0, 30.0), (0.20, 0.40))),
    "no beads": lambda: fitted(**of_beads(None, 0.0), humidity=((0.0, 30.0), (0.20, 0.42))),
    "no beads, nothing in it": lambda: fitted(
        **of_beads(None, 0.0), humidity=((0.0, 4.0, 30.0), (0.20, 0.42, 0.44)), box=replace(BOX, spools=())
    ),
    "no beads, over": lambda: fitted(
        **of_beads(None, 0.0), humidity=((0.0, 4.0, 30.0), (0.35, 0.45, 0.45)), box=replace(BOX, humidity_limit=0.3)
    ),
    "used": lambda: fitted(entries=USED, humidity=STEPPED),
    "used, steps unlogged": lambda: fitted(humidity=STEPPED),
    "no room": lambda: fitted(room=None, declared_room=RoomClimate(22.0, 0.6)),
    "no room, months": lambda: fitted(room=None, declared_room=RoomClimate(monthly_vapor_pressure_pa=MONTHS)),
    "no room known": lambda: fitted(room=None),
    "room with gaps": lambda: fitted(room=gap_room(30.0)),
    "room long seen": lambda: fitted(100.0, humidity=((0.0, 100.0), (0.05, 0.15))),
    "sieve": lambda: fitted(**of_beads("molecular_sieve_4A"), humidity=0.02),
    "salt": lambda: fitted(**of_beads("calcium_chloride"), humidity=0.15),
    "dyed": lambda: fitted(
        **of_beads("orange_gel", later=(entry(EntryKind.color, 20.0, color="green"),)), humidity=0.08
    ),
    "another sensor": lambda: fitted(
        entries=(charge(), entry(EntryKind.sensor_swap, 12.0)),
        humidity=((0.0, 11.9, 12.0, 30.0), (0.05, 0.07, 0.11, 0.14)),
    ),
    "tested empty": lambda: fitted(
        entries=(entry(EntryKind.leak_test, -3.0, conductance_g_per_day_per_kpa=(0.08, 0.10, 0.13)), charge())
    ),
    "compared": lambda: fitted(comparisons=COMPARED),
    "unlogged recharge": lambda: fitted(
        40.0, humidity=((0.0, 14.9, 15.0, 40.0), (0.05, 0.17, 0.05, 0.11))
    ),
    "mass unknown": lambda: fitted(entries=(charge(dry_mass_g=None), charge(EntryKind.recharge, 1.0)), box=BOX),
    "tight": lambda: fitted(humidity=0.05, pooled=(-2.6, 0.3)),
    "leaky": lambda: fitted(humidity=((0.0, 5.0), (0.05, 0.19)), days=6.0, pooled=(2.4, 0.4)),
    "hot": lambda: fitted(degc=79.5, humidity=0.05),
    "cold": lambda: fitted(degc=-31.0, humidity=0.05),
    "bare": lambda: fitted(
        assumptions=Assumptions(
            slow_contents=False, wandering_leak=False, seasonal_room=False, future_events=False
        )
    ),
    "changed": changed,
    "perhaps changed": changed,
}  # fmt: skip


SHIFTED = {"changed": SURE, "perhaps changed": DOUBTED}


@cache
def made(name: str) -> Posterior:
    with fixed_draws(shifts=SHIFTED.get(name)):
        return MADE[name]()


def told(value: Any, now_s: float) -> Any:
    """What an answer says, its dates as days from now."""
    if isinstance(value, datetime):
        return (value.timestamp() - now_s) / 86_400.0
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, DateQuantiles):
        return [None if one is None else told(one, now_s) for one in (value.p05, value.p50, value.p95)]
    return value


def but(of: Posterior, **what: Any) -> Posterior:
    """The same with other bins, episode, prior or fields of its own."""
    problem = of.problem
    for part in ("bins", "episode", "prior"):
        if part in what:
            problem = replace(problem, **{part: replace(getattr(problem, part), **what.pop(part))})
    return replace(of, problem=problem, **what)


def observed(
    mean: float = 0.4, sd: float = 0.2, at_s: float = START_S, start_s: float = START_S, **what: Any
) -> LeakObservation:
    """What one box tells others of its leak."""
    return LeakObservation(what.pop("box", "made"), what.pop("style", "gasket"), at_s, start_s, mean, sd, **what)


def unchangeable(one: Any, name: str, value: Any = None) -> bool:
    """Whether a record refuses another value."""
    try:
        setattr(one, name, value)
    except FrozenInstanceError:
        return True
    return False
