"""What truly happens in the room and in one box: weather, air, two layers of beads, filament, lid and owner.

A balance of its own, apart from the one siccast estimates with: beads by a table of points, a bed in two layers, air
that lags, walls that open up with warmth, printers that warm the box. Numbers are plausible and invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import exp, log

import numpy as np
from scenario import END, HOLIDAY, START, Beads, TrueBox

STEP = timedelta(minutes=10)
STEP_DAYS = STEP / timedelta(days=1)
STEPS = int((END - START) / STEP) + 1
GAS_J_PER_MOL_K = 8.314
GRAMS_PER_LITER_KPA_K = 1000.0 / 461.5


def saturation_kpa(degc: float) -> float:
    """Return the saturation pressure of water by the Magnus form with WMO's coefficients (WMO-No. 8, annex 4.B)."""
    return 0.6112 * exp(17.62 * degc / (243.12 + degc))


@dataclass
class Room:
    """Air of the print room on every step."""

    degc: np.ndarray
    kpa: np.ndarray


def weather(rng: np.random.Generator) -> Room:
    """Return an invented half year: warmer and far moister in summer, with days that hang together."""
    day = np.arange(STEPS) * STEP_DAYS + START.timetuple().tm_yday + START.hour / 24
    summer = np.cos(2 * np.pi * (day - 205) / 365.25)
    hour = np.sin(2 * np.pi * (day % 1 - 0.35))
    degc = 22.0 + 3.2 * summer + 1.1 * hour + _wander(rng, 0.9, 4.0)
    rise = 0.04 + 0.34 * summer + 0.03 * hour + _wander(rng, 0.14, 3.0)
    kpa = 1.08 * np.exp(rise)
    ceiling = 0.82 * np.array([saturation_kpa(value) for value in degc])
    return Room(degc, np.minimum(kpa, ceiling))


def _wander(rng: np.random.Generator, spread: float, memory_days: float) -> np.ndarray:
    keep = exp(-STEP_DAYS / memory_days)
    noise = rng.normal(0.0, spread * (1 - keep * keep) ** 0.5, STEPS)
    path = np.empty(STEPS)
    path[0] = rng.normal(0.0, spread)
    for step in range(1, STEPS):
        path[step] = keep * path[step - 1] + noise[step]
    return path


@dataclass
class Curve:
    """A lot's table turned into adsorption potential, so that one curve serves every temperature."""

    potential: list[float]
    loading: list[float]

    @classmethod
    def of(cls, beads: Beads) -> Curve:
        points = sorted(
            (-GAS_J_PER_MOL_K * 298.15 * log(rh / 100), q) for rh, q in zip(beads.rh_pct, beads.loading, strict=True)
        )
        return cls([a for a, _ in points], [q for _, q in points])

    def pressure_kpa(self, loading: float, degc: float) -> float:
        """Return the vapor pressure over beads that hold this much."""
        potential = float(np.interp(-loading, [-q for q in self.loading], self.potential))
        return saturation_kpa(degc) * exp(-potential / (GAS_J_PER_MOL_K * (degc + 273.15)))


@dataclass
class DeskEvent:
    """Something the owner did to a box, written down or not."""

    kind: str
    at: datetime
    logged: bool = True
    mass_g: float | None = None
    minutes: float = 0.0


@dataclass
class Course:
    """What happened in one box: its air on every step, the beads, the events."""

    rh: np.ndarray
    degc: np.ndarray
    conductance: np.ndarray
    events: list[DeskEvent] = field(default_factory=list)


class Inside:
    """Water inside one box: its air, an outer and an inner layer of beads, filament and cardboard."""

    def __init__(self, box: TrueBox, room_kpa: float) -> None:
        self.box, self.curve, self.kpa = box, Curve.of(box.beads), 0.5 * room_kpa
        self.outer = self.inner = box.begins
        self.full_g = [2.0 * item.dry_g * item.at_half_saturation for item in box.contents]
        self.held_g = [full * item.begins_at_rh for full, item in zip(self.full_g, box.contents, strict=True)]

    @property
    def beads_g(self) -> float:
        """Return what the beads weigh with their water."""
        return self.box.dry_g * (1 + 0.4 * self.outer + 0.6 * self.inner)

    def empty_beads(self, loading: float) -> None:
        """Put dried beads in."""
        self.outer = self.inner = loading

    def step(self, degc: float, room_kpa: float, conductance: float, lid_open: bool) -> float:
        """Go ten minutes on, by one implicit step for the air, and return its relative humidity."""
        full = saturation_kpa(degc)
        air = self.box.liter * GRAMS_PER_LITER_KPA_K / (degc + 273.15)
        outside = conductance + (600.0 * air if lid_open else 0.0)
        bed, over_beads = 0.2 * self.box.dry_g, self.curve.pressure_kpa(self.outer, degc)
        rates = [full_g / full / item.days for full_g, item in zip(self.full_g, self.box.contents, strict=True)]
        over = [held / full_g * full for held, full_g in zip(self.held_g, self.full_g, strict=True)]
        drive = outside * room_kpa + bed * over_beads + sum(r * p for r, p in zip(rates, over, strict=True))
        total = outside + bed + sum(rates)
        self.kpa = (air * self.kpa + STEP_DAYS * drive) / (air + STEP_DAYS * total)
        inward = (self.outer - self.inner) * STEP_DAYS * 0.3
        self.outer += STEP_DAYS * bed * (self.kpa - over_beads) / (0.4 * self.box.dry_g) - inward / 0.4
        self.inner += inward / 0.6
        self.held_g = [
            held + STEP_DAYS * rate * (self.kpa - p) for held, rate, p in zip(self.held_g, rates, over, strict=True)
        ]
        return min(self.kpa / full, 1.0)


def run(box: TrueBox, room: Room, rng: np.random.Generator) -> Course:
    """Follow one box through the half year, owner included."""
    inside = Inside(box, float(room.kpa[0]))
    course = Course(np.full(STEPS, np.nan), room.degc + _printer_warmth(box, rng), _conductance(box, room))
    open_until = -1
    for step in range(STEPS):
        at = START + step * STEP
        if at < box.closed_on:
            continue
        course.rh[step] = inside.step(
            float(course.degc[step]), float(room.kpa[step]), float(course.conductance[step]), step <= open_until
        )
        if at >= HOLIDAY:
            continue
        last_day = course.rh[max(step - 143, 0) : step + 1]
        for event in _owner_acts(box, at, last_day, inside.beads_g, rng):
            course.events.append(event)
            open_until = max(open_until, step + round(max(event.minutes, 5) / 10))
            if event.kind == "recharge":
                inside.empty_beads(box.beads.dried_to * float(rng.uniform(0.8, 1.5)))
                event.mass_g = _weigh(inside.beads_g, box.scale_g)
    return course


def _weigh(mass_g: float, scale_g: float) -> float:
    return round(round(mass_g / scale_g) * scale_g, 3)


def _printer_warmth(box: TrueBox, rng: np.random.Generator) -> np.ndarray:
    if not box.on_printer:
        return np.zeros(STEPS)
    busy = np.repeat(rng.random(STEPS // 48 + 1) < 0.35, 48)[:STEPS].astype(float)
    smooth = np.ones(9) / 9
    return 6.0 * np.convolve(busy, smooth, mode="same")


def _conductance(box: TrueBox, room: Room) -> np.ndarray:
    """Return the conductance on every step: seals pass a little more when it is warm, and one of them fails."""
    base = np.full(STEPS, box.conductance)
    if box.fails_on is not None:
        days = (np.arange(STEPS) * STEP - (box.fails_on - START)) / timedelta(days=1)
        share = np.clip(days.astype(float) / 10.0, 0.0, 1.0)
        base += share * (box.fails_to - box.conductance)
    return base * np.exp(0.012 * (room.degc - 22.0))


def _owner_acts(
    box: TrueBox, at: datetime, last_day: np.ndarray, mass_g: float, rng: np.random.Generator
) -> list[DeskEvent]:
    """Return what the owner does in these ten minutes; drying happens on Saturday morning, past the limit."""
    saturday_morning = at.weekday() == 5 and (at.hour, at.minute) == (9, 0)
    if saturday_morning and 100 * float(np.nanmean(last_day)) + box.bias_pct > box.limit_pct - 0.5:
        weighed = DeskEvent("weighing", at, mass_g=_weigh(mass_g, box.scale_g))
        return [weighed, DeskEvent("recharge", at + STEP, minutes=15)]
    if saturday_morning and box.weighed_weekly:
        return [DeskEvent("weighing", at, mass_g=_weigh(mass_g, box.scale_g), minutes=2)]
    waking = 7 <= at.hour < 17 and at.weekday() < 5
    if waking and rng.random() < box.openings_a_week / (5 * 60):
        return [
            DeskEvent("opening", at, logged=bool(rng.random() < box.logs_openings), minutes=float(rng.uniform(2, 9)))
        ]
    return []
