"""A site drawn at random: its room, its boxes, how they are used, and what their sensors make of it.

Richer than what the estimator believes: beads deep in the bed answer late, each lot takes up what it likes, spools hold
their own curves and lags, seals wander and are sometimes badly seated, openings change a part of the air, half of them
go unlogged, sensors are biased and drift. Every figure is a judgement of what homes have.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from monitor.physics.materials import cardboard, desiccant, polymer
from monitor.physics.numerics import FloatArray
from monitor.records import Box, SensorSpec, Spool
from tests.exact_balance import Box as PhysicsBox
from tests.exact_balance import Sorbent
from tests.worth.rooms import Room, room

STEP_HOURS, STEPS_A_DAY, STEPS_A_WEEK = 2, 12, 84
SATURDAY = 5  # of Python's weekdays
BEGINS_AT_HOUR = 10  # of a Saturday, when beads are dried
BEADS = ("silica_gel_regular_density", "silica_gel_orange_indicating", "silica_gel_type_A", "montmorillonite_clay")
STYLES = {"gasket box": (1.2, 0.7), "clip lid box": (1.8, 0.7), "tote": (3.0, 0.7), "bag": (0.8, 0.9)}
"""Air changes a day, median and sd of the logarithm."""
LIMITS = (0.15, 0.20, 0.25, 0.30)
MATERIALS = ("PLA", "PETG", "PA6", "TPU")
METHODS = {"oven_110C": 0.025, "hot_air_65C": 0.05}
"""How the site dries its beads, and the humidity over them afterwards in a usual room; moist rooms make it more."""
_SENSORS = ((0.02, 0.001, None), (0.03, 0.001, None), (0.03, 0.01, None), (0.05, 0.01, 0.10))
"""Accuracy, resolution, floor."""
_G_PER_AIR_CHANGE_LITER = 0.0073  # [g/day/kPa]; n V/(R_v T) at 23 °C


@dataclass(frozen=True, eq=False)
class Site:
    """Boxes of one person, and all chance of a year: the same whatever policy they follow."""

    seed: int
    room: Room
    start: datetime
    weeks: int
    boxes: tuple[Box, ...]
    beads: str
    declared_g: FloatArray
    method: str
    physics: PhysicsBox
    """The boxes along the first axis, policies along the second."""
    outside_kpa: FloatArray
    """(steps)"""
    room_degc: FloatArray
    """(steps)"""
    box_degc: FloatArray
    """(steps × boxes)"""
    seal: FloatArray
    """Times the conductance. (steps × boxes)"""
    replaced: FloatArray
    """Share of the air that an opening changes. (steps × boxes)"""
    logged: FloatArray
    """Whether the opening of a step is written down. (steps × boxes)"""
    swapped: FloatArray
    """Whether a dried spool goes and one from the room comes, at the start of a week. (weeks × boxes)"""
    dried_humidity: FloatArray
    """Over the beads if they are dried at the start of a week. (weeks + 1 × boxes)"""
    badly_seated: FloatArray
    """Times the conductance of the week if the lid is closed after drying. (weeks + 1 × boxes)"""
    shown_off: FloatArray
    """What a sensor shows, less what is true. (steps × boxes)"""
    sends: FloatArray
    """Whether it is heard. (steps × boxes)"""
    room_shown: FloatArray | None
    """Humidity by the sensor of the room. (steps)"""

    def at(self, step: int) -> datetime:
        """Return the instant at the start of a step."""
        return self.start + timedelta(hours=STEP_HOURS * step)


def draw_site(seed: int, weeks: int, rooms: list[Path]) -> Site:
    """Return one site; the same for the same seed, weeks and rooms."""
    rng = np.random.default_rng((seed, 14))
    drawn = room(rooms[int(rng.integers(len(rooms)))], 24 * 7 * (weeks + 1), rng)
    skipped = _until_saturday(drawn.start)
    count, steps = int(rng.integers(4, 9)), STEPS_A_WEEK * weeks
    hours = skipped + STEP_HOURS * np.arange(steps)
    kpa = 0.5 * (drawn.vapor_kpa[hours] + drawn.vapor_kpa[hours + 1])
    degc = 0.5 * (drawn.degc[hours] + drawn.degc[hours + 1])
    boxes, declared_g, physics, beads = _boxes(count, rng)
    method = list(METHODS)[int(rng.integers(len(METHODS)))]
    replaced, logged = _openings(steps, count, rng)
    shown_off, sends = _sensors(boxes, steps, rng)
    weekly_kpa = np.r_[kpa[::STEPS_A_WEEK], kpa[-1]]
    humidity = METHODS[method] * (weekly_kpa / 1.1)[:, None] ** 0.8
    saturation_kpa = kpa / _humidity_of(kpa, degc)
    has_room_sensor, room_bias = rng.random() < 0.8, rng.normal(0.0, 0.015)
    room_shown = kpa / saturation_kpa + room_bias + rng.normal(0.0, 0.004, steps)
    return Site(
        seed, drawn, drawn.start + timedelta(hours=skipped), weeks, boxes, beads, declared_g, method, physics,
        outside_kpa=kpa, room_degc=degc, box_degc=degc[:, None] + rng.choice([0.0, 0.5, 3.0], count, p=[0.6, 0.3, 0.1]),
        seal=_seal(steps, count, rng), replaced=replaced, logged=logged,
        swapped=rng.random((weeks, count)) < rng.choice([0.0, 0.03, 0.12], count),
        dried_humidity=humidity * np.exp(0.3 * rng.standard_normal((weeks + 1, count))),
        badly_seated=np.where(rng.random((weeks + 1, count)) < 0.04, 2.5, 1.0),
        shown_off=shown_off, sends=sends, room_shown=np.clip(room_shown, 0.01, 1.0) if has_room_sensor else None,
    )  # fmt: skip


def _until_saturday(start: datetime) -> int:
    """Return the hours until the next Saturday on which beads are dried."""
    hours = ((SATURDAY - start.weekday()) % 7) * 24 + BEGINS_AT_HOUR - start.hour
    return hours if hours >= 0 else hours + 168


def _humidity_of(kpa: FloatArray, degc: FloatArray) -> FloatArray:
    from monitor.physics.saturation import saturation_vapor_pressure_pa

    return kpa * 1e3 / np.asarray(saturation_vapor_pressure_pa(degc))


def _boxes(count: int, rng: np.random.Generator) -> tuple[tuple[Box, ...], FloatArray, PhysicsBox, str]:
    """What the owner says of the boxes, and what they are."""
    beads = BEADS[int(rng.choice(len(BEADS), p=[0.45, 0.25, 0.2, 0.1]))]
    styles = rng.choice(list(STYLES), count)
    liters = np.round(rng.choice([5.0, 8.0, 12.0, 20.0, 35.0], count) * np.exp(0.1 * rng.standard_normal(count)), 1)
    changes = np.array([STYLES[one][0] * np.exp(STYLES[one][1] * rng.standard_normal()) for one in styles])
    declared_g = np.round(rng.uniform(60.0, 350.0, count), -1)
    true_g = declared_g * np.exp(0.06 * rng.standard_normal(count))
    scale, deep = np.exp(0.10 * rng.standard_normal(count)), rng.uniform(0.0, 0.3, count)
    held, in_board, spools = _contents(count, rng)
    sensors = [SensorSpec(*_SENSORS[int(k)]) for k in rng.integers(len(_SENSORS), size=count)]
    cores = ["cardboard" if mass > 0.0 else "plastic" for mass in np.ravel(in_board.dry_mass_g)]
    boxes = tuple(
        Box(f"box{i}", float(liters[i]), float(rng.choice(LIMITS)), str(styles[i]), sensors[i], spools[i], cores[i])
        for i in range(count)
    )
    isotherm = desiccant(beads).isotherm
    prompt = Sorbent(isotherm, _column(true_g * (1.0 - deep)), _column(scale))
    behind = Sorbent(isotherm, _column(true_g * deep), _column(scale), _column(rng.uniform(1.0, 6.0, count)))
    conductance = _G_PER_AIR_CHANGE_LITER * changes * liters
    physics = PhysicsBox(_column(liters), _column(conductance), (prompt,), (behind, *held, in_board))
    return boxes, declared_g, physics, beads


def _contents(count: int, rng: np.random.Generator) -> tuple[list[Sorbent], Sorbent, list[tuple[Spool, ...]]]:
    """Spools by material, board, and what is declared of them: mostly right."""
    held, spools = [], [()] * count
    masses = np.zeros((count, len(MATERIALS)))
    for i in range(count):
        for k in rng.choice(len(MATERIALS), size=int(rng.integers(0, 3)), replace=False, p=[0.45, 0.25, 0.15, 0.15]):
            rolls = int(rng.integers(1, 3))
            masses[i, k] = 850.0 * rolls * rng.uniform(0.4, 1.15)
            if rng.random() < 0.8:
                spools[i] = (*spools[i], Spool(MATERIALS[k], 850.0 * rolls, rolls))
    for k, name in enumerate(MATERIALS):
        known = polymer(name)
        lag = float(known.spool_time_constant_days()) * np.exp(0.5 * rng.standard_normal(count))
        scale = np.exp(0.15 * rng.standard_normal(count))
        held.append(Sorbent(known.isotherm, _column(masses[:, k]), _column(scale), _column(lag)))
    board, on_board = cardboard(), (masses.sum(axis=1) > 0.0) & (rng.random(count) < 0.4)
    lag = board.time_constant_days * np.exp(0.3 * rng.standard_normal(count))
    return held, Sorbent(board.isotherm, _column(180.0 * on_board), 1.0, _column(lag)), spools


def _openings(steps: int, count: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Openings by day, each changing a part of the air, and whether they are written down."""
    a_day = rng.choice([0.01, 0.05, 0.2, 0.6], count, p=[0.3, 0.3, 0.25, 0.15])
    hour = (BEGINS_AT_HOUR + STEP_HOURS * np.arange(steps)) % 24
    by_day = ((hour >= 8) & (hour < 22))[:, None]
    opened = by_day & (rng.random((steps, count)) < a_day / 7.0)
    written = rng.random((steps, count)) < rng.choice([0.0, 0.5, 1.0], count)
    return opened * rng.uniform(0.3, 1.0, (steps, count)), opened & written


def _seal(steps: int, count: int, rng: np.random.Generator) -> FloatArray:
    """A seal that wanders by some tenths and comes back in months; one box in seven has one that fails in time."""
    kept, wander, out = float(np.exp(-1.0 / 60.0)), np.zeros(count), np.empty((steps // STEPS_A_DAY, count))
    for day in range(len(out)):
        wander = kept * wander + 0.15 * np.sqrt(1.0 - kept * kept) * rng.standard_normal(count)
        out[day] = np.exp(wander)
    fails = rng.random(count) < 1.0 / 7.0
    since, times = rng.integers(0, len(out), count), np.exp(np.abs(0.6 * rng.standard_normal(count)))
    out *= np.where(fails & (np.arange(len(out))[:, None] >= since), times, 1.0)
    return np.repeat(out, STEPS_A_DAY, axis=0)


def _sensors(boxes: tuple[Box, ...], steps: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """What each shows too much, and when it is heard: single values are lost, and some days."""
    accuracy = np.array([box.sensor.accuracy for box in boxes])
    bias = 0.5 * accuracy * rng.standard_normal(len(boxes))
    drift = 0.005 * rng.standard_normal(len(boxes)) * np.linspace(0.0, 1.0, steps)[:, None]
    noise = 0.003 * rng.standard_normal((steps, len(boxes)))
    heard = rng.random((steps, len(boxes))) > 0.03
    silent = np.repeat(rng.random((-(-steps // STEPS_A_DAY), len(boxes))) < 0.01, STEPS_A_DAY, axis=0)[:steps]
    return bias + drift + noise, heard & ~silent


def _column(values: FloatArray) -> FloatArray:
    return np.asarray(values, float)[:, None]
