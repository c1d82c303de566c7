"""Boxes drawn from the prior that the model states, in rooms drawn from theirs, and what would have been recorded.

Water goes by the exact balance of ``exact_balance``, a quarter of a day at a time (ahead, half a day), not by the
estimator's own step. What the model of errors (``monitor/inference/README.md``) takes for granted is added to it as
stated: a leak that wanders, unseen gains, settling, lids that sit a little differently, spools that come in as they
come, errors of readings with heavy tails. Displays really round and stop at a floor. No seal changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
from prior_walks import ASSUME, LIMIT, LITER, Course, Surroundings, followed

from monitor.inference.evidence.episodes import DisturbanceRates, current_episode
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.posterior import MODEL_SD, Record
from monitor.inference.model import carried
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.observations import SCALE_SD_STEPS
from monitor.inference.model.prior import Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec, Spool

BEADS_G, SCALE_G = 100.0, 1.0
SENSORS = {
    "±2 %": SensorSpec(0.02, 0.001),
    "±5 %, whole per cents": SensorSpec(0.05, 0.01),
    "±5 %, nothing below 16 %": SensorSpec(0.05, 0.01, 0.16),
}
RATES = {"openings logged": (0.15, 1e-4), "spools swapped": (1e-4, 0.03), "nylon swapped": (1e-4, 0.03)}
"""Openings and swaps a day that the shelf knows of; a box's own rate is drawn about them. Others see neither."""
QUIET = (1e-4, 1e-4)
YOUNGEST, OLDEST, AHEAD = 8, 90, 540
EARLIER_DAYS = 30, 75
WEIGHED_EVERY = 14
_DAY_S = 86_400.0
_SEGMENT = (np.arange(12) + 0.5) / 24.0
_OF_DAY, _OF_HOUR = 0.95, 1.5
"""Errors of a day and of an hour, over that of a day's mean: together they make that, and no odd day is a step."""


class Column(NamedTuple):
    """What one box is: its sensor and its usage."""

    sensor: str
    usage: str


@dataclass(frozen=True, eq=False)
class PriorLife:
    """A box as it was recorded, and what is true of it."""

    record: Record
    now_s: float
    ends_s: tuple[float, ...]
    """Of its earlier episodes."""
    rates: DisturbanceRates
    leak: float
    """Since the last filling, with what the model says it may itself be off by. [g/day/kPa]"""
    leak_now: float
    """[g/day/kPa]"""
    water_g: float
    """In its beads."""
    days_left: float
    """0 where the limit is passed, infinite beyond the horizon."""


def prior_lives(beads: str, columns: list[Column], seed: int) -> list[PriorLife]:
    """Return a box of these beads for each column, with two earlier episodes where its usage says so."""
    rng = np.random.default_rng(seed)
    aged = [c.usage == "earlier episodes" for c in columns]
    lives = dict.fromkeys(range(len(columns)))
    for several in (False, True):
        places = [i for i, old in enumerate(aged) if old is several]
        if places:
            found = _Batch(beads, [columns[i] for i in places], rng).lives(2 if several else 0)
            lives.update(zip(places, found, strict=True))
    return list(lives.values())  # type: ignore[arg-type]


class _Batch:
    """Boxes side by side, each a column."""

    def __init__(self, beads: str, columns: list[Column], rng: np.random.Generator) -> None:
        self.beads, self.columns, self.rng, self.count = beads, columns, rng, len(columns)
        self.is_nylon = np.array([c.usage == "nylon swapped" for c in columns])
        spools = [Spool("PA6" if nylon else "PETG", 1000.0, 1, "dried") for nylon in self.is_nylon]
        self.boxes = [
            Box(f"b{i}", LITER, LIMIT, "gasket", SENSORS[c.sensor], (spool,))
            for i, (c, spool) in enumerate(zip(columns, spools, strict=True))
        ]
        self.begin_day = 19_000 + rng.integers(0, 365, self.count)
        usual = np.array([RATES.get(c.usage, QUIET) for c in columns])
        self.usual, self.rates = usual, usual * rng.exponential(size=usual.shape)
        self.swapped_humidity = ASSUME.swapped_humidity + 0.1 * rng.standard_normal(self.count)
        self.weighed = np.array([c.usage in {"weighed", "earlier episodes"} for c in columns])
        self.entries: list[list[LedgerEntry]] = [[] for _ in columns]
        self.shown: list[list[FloatArray]] = [[] for _ in columns]

    def lives(self, earlier: int) -> list[PriorLife]:
        rng = self.rng
        days = [rng.integers(*EARLIER_DAYS, self.count) for _ in range(earlier)]
        days.append(rng.integers(YOUNGEST, OLDEST + 1, self.count))
        self.room_kpa, self.room_degc = self._rooms(int(sum(d.max() for d in days)) + AHEAD + 1)
        where = Surroundings(self.room_kpa, self.room_degc, self.rates, self.swapped_humidity, self.is_nylon)
        start, ends = np.zeros(self.count, int), []
        priors, theta = self._first()
        of_box = theta[:, Unknown.log_conductance].copy()
        between = 0.35 / np.sqrt(2.0) * np.exp(0.5 * rng.standard_normal(self.count))
        self.walk_from = rng.standard_normal(self.count)
        for number, length in enumerate(days):
            if number:
                theta = self._next(priors, theta, course)  # noqa: F821 -- of the episode before
            if earlier:
                lids = np.sqrt(np.maximum(between**2 - _wander_var(length), 0.0))
                theta[:, Unknown.log_conductance] = of_box + lids * rng.standard_normal(self.count)
            last = number == len(days) - 1
            course = followed(where, theta, priors[0], rng, start=start, length=length, ahead=AHEAD if last else 0)
            self._log(theta, course, start, length, number)
            start = start + length
            ends.append(start.copy())
        self._show(theta, ends)
        return [self._life(i, theta, course, ends) for i in range(self.count)]

    def _rooms(self, days: int) -> tuple[FloatArray, FloatArray]:
        prior, middles = learn_room(None, None, 0.0), np.arange(days) + 0.5
        drawn = [prior.sample(float(day), middles, 1, self.rng) for day in self.begin_day]
        return np.hstack([vapor for vapor, *_ in drawn]), np.hstack([warm for _, warm, _ in drawn])

    def _first(self) -> tuple[list[Prior], FloatArray]:
        priors = []
        for i, box in enumerate(self.boxes):
            at = self._at(i, 0)
            charge = self._filling(i, at, EntryKind.charge, None)
            nothing = Hours(int(at.timestamp() // 3600), np.full(1, np.nan), np.full(1, np.nan))
            episode = current_episode(box, nothing, (charge,), at.timestamp() + _DAY_S)
            priors.append(prior_of(box, episode, ASSUME))
        return priors, np.vstack([prior.drawn(1, self.rng) for prior in priors])

    def _next(self, priors: list[Prior], theta: FloatArray, before: Course) -> FloatArray:
        """Constants of the next episode: what stayed drifts about its usual prior, the start is drawn anew."""
        drawn = np.vstack([prior.drawn(1, self.rng) for prior in priors])
        out, prior = theta.copy(), priors[0]
        drifts = {
            Unknown.isotherm_shape: carried.SHAPE_DRIFT,
            Unknown.log_capacity_scale: carried.CAPACITY_DRIFT,
            Unknown.log_dry_mass: carried._DRY_MASS_DRIFT,
            Unknown.log_slow_capacity: carried._SLOW_STORE_DRIFT,
            Unknown.log_slow_lag: carried._SLOW_STORE_DRIFT,
        }
        for unknown, drift in drifts.items():
            usual = prior.unknowns[unknown]
            kept = np.sqrt(max(1.0 - (drift / usual.sd) ** 2, 0.0))
            noise = np.sqrt(1.0 - kept**2) * usual.sd * self.rng.standard_normal(self.count)
            out[:, unknown] = usual.mean + kept * (theta[:, unknown] - usual.mean) + noise
        out[:, Unknown.log_start_humidity] = drawn[:, Unknown.log_start_humidity]
        moved = carried._SLOW_HUMIDITY_DRIFT * self.rng.standard_normal(self.count)
        out[:, Unknown.log_slow_humidity] = np.log(np.maximum(before.slow_humidity, 1e-4)) + moved
        return out

    def _log(self, theta: FloatArray, course: Course, start: FloatArray, length: FloatArray, number: int) -> None:
        """What a person logs, and the course that a sensor would see."""
        rng = self.rng
        for i, entries in enumerate(self.entries):
            begun, days = int(start[i]), int(length[i])
            dry_g = BEADS_G * np.exp(theta[i, Unknown.log_dry_mass])
            off = float(np.hypot(SCALE_SD_STEPS * SCALE_G, 0.002 * dry_g) * rng.standard_normal())
            weighed = float(dry_g + course.water_at_start_g[i] + off) if self.weighed[i] else None
            kind = EntryKind.recharge if number else EntryKind.charge
            entries.append(self._filling(i, self._at(i, begun), kind, weighed))
            opened, swapped = (np.array(rows)[:days, i] for rows in (course.opened, course.swapped))
            for day, times, what in (
                *((d, n, EntryKind.opening) for d, n in enumerate(opened) if n),
                *((d, n, EntryKind.spool_swap) for d, n in enumerate(swapped) if n),
            ):
                entries.extend([LedgerEntry(what, f"b{i}", self._at(i, begun + day + 0.5))] * int(times))
            every = [*range(WEIGHED_EVERY, days, WEIGHED_EVERY), days] if self.weighed[i] else []
            for day in every:
                error = np.hypot(SCALE_SD_STEPS * SCALE_G, 0.03) * rng.standard_t(ASSUME.student_degrees)
                mass = float(dry_g + course.beads_g[day - 1][i] + error)
                at = self._at(i, begun + day) - timedelta(minutes=5)
                entries.append(LedgerEntry(EntryKind.weighing, f"b{i}", at, mass, SCALE_G))
            path = np.array([segment[:, i] for segment in course.path[: 2 * days]])
            low, high = np.minimum(_SEGMENT / 0.25, 1.0), np.maximum(_SEGMENT / 0.25 - 1.0, 0.0)
            hours = path @ np.array([1.0 - low, low - high, high])
            self.shown[i].append(hours.ravel())

    def _show(self, theta: FloatArray, ends: list[FloatArray]) -> None:
        """Errors of the sensor, one of a day's mean, as displays show them."""
        rng = self.rng
        over_salt = self.beads == "calcium_chloride"
        for i, box in enumerate(self.boxes):
            humidity = np.concatenate(self.shown[i])
            days = len(humidity) // 24
            walk = np.cumsum(rng.standard_normal(days) * ASSUME.bias_walk / np.sqrt(365.25))
            scatter = ASSUME.reading_sd_over_salt if over_salt else ASSUME.reading_sd
            daily = humidity.reshape(days, 24).mean(axis=1)
            spread = np.repeat(np.hypot(scatter, ASSUME.reading_share * daily), 24)
            error = _OF_DAY * np.repeat(rng.standard_t(ASSUME.student_degrees, days), 24)
            error = error + _OF_HOUR * rng.standard_normal(24 * days)
            off = theta[i, Unknown.sensor_bias] + np.repeat(walk - walk[-1], 24) + spread * error
            step = box.sensor.resolution
            shown = np.clip(np.round((humidity + off) / step) * step, box.sensor.floor or 0.0, 1.0)
            self.shown[i] = [shown]

    def _life(self, i: int, theta: FloatArray, course: Course, ends: list[FloatArray]) -> PriorLife:
        days, first = int(ends[-1][i]), int(self.begin_day[i] * 24)
        degc = np.repeat(self.room_degc[:days, i], 24)
        outside = np.repeat(self.room_kpa[:days, i], 24) / (np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3)
        room = None if self.columns[i].usage == "no room sensor" else Hours(first, degc, outside)
        record = Record(self.boxes[i], Hours(first, degc, self.shown[i][0]), room, tuple(self.entries[i]))
        moment_s = [self._at(i, int(end[i])).timestamp() for end in ends]
        leak = float(course.leak[i] * np.exp(MODEL_SD * self.rng.standard_normal()))
        return PriorLife(
            record, moment_s[-1], tuple(moment_s[:-1]), DisturbanceRates(*self.usual[i]), leak,
            float(course.conductance[i]), float(course.water_g[i]), float(course.days_left[i]),
        )  # fmt: skip

    def _filling(self, i: int, at: datetime, kind: EntryKind, weighed: float | None) -> LedgerEntry:
        scale = None if weighed is None else SCALE_G
        told = {"desiccant": self.beads, "dry_mass_g": BEADS_G} if kind is EntryKind.charge else {}
        return LedgerEntry(kind, f"b{i}", at, weighed, scale, method="oven_120C_3h", **told)  # type: ignore[arg-type]

    def _at(self, i: int, day: float) -> datetime:
        return datetime.fromtimestamp((float(self.begin_day[i]) + day) * _DAY_S, UTC)


def _wander_var(days: FloatArray) -> FloatArray:
    """Variance of the mean of what wanders over an episode: it is a part of how far leaks of episodes lie apart."""
    lasted = days / ASSUME.drift_days
    return ASSUME.drift_sd**2 * 2.0 / lasted * (1.0 - (1.0 - np.exp(-lasted)) / lasted)
