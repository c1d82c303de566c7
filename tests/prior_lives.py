"""Boxes drawn from the prior that the model states, in rooms drawn from theirs, and what would have been recorded.

Water goes by the exact balance of ``exact_balance``, a quarter of a day at a time (ahead, half a day), not by the
estimator's own step. What the model of errors (``monitor/inference/README.md``) takes for granted is added to it as
stated: a leak that wanders, unseen gains, settling, lids that sit a little differently, spools that come in as they
come, errors of readings with heavy tails. Displays really round and stop at a floor. No seal changes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
from exact_balance import Box as ExactBox
from exact_balance import Climate, Sorbent, follow, humidity_holding
from numpy.typing import NDArray
from scipy.signal import lfilter

from monitor.inference.evidence.episodes import DisturbanceRates, current_episode
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.posterior import MODEL_SD, Record
from monitor.inference.model import carried
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.disturbances import FLATTEST
from monitor.inference.model.observations import SCALE_SD_STEPS
from monitor.inference.model.prior import Assumptions, Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC, grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec, Spool
from monitor.units import KELVIN_AT_0_DEGC

ASSUME = Assumptions()
LITER, BEADS_G, LIMIT, SCALE_G = 10.0, 100.0, 0.20, 1.0
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
_DAY_S, _HALF = 86_400.0, 0.5
_SEGMENT = (np.arange(12) + 0.5) / 24.0
_OF_DAY, _OF_HOUR = 0.95, 1.5
"""Errors of a day and of an hour, over that of a day's mean: together they make that, and no odd day is a step."""
_HENRY = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))
_RISING = np.r_[np.geomspace(1e-5, 0.02, 160, endpoint=False), np.linspace(0.02, 0.99, 400)]
_FROM_NONE = np.r_[0.0, _RISING]
_HAIR = 1e-9
"""By so much at least a blend rises from one of these humidities to the next, as in ``physics.sorption.tabulated``.
[g/g]"""


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
            course = self._followed(theta, priors[0], start, length, AHEAD if last else 0)
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

    def _next(self, priors: list[Prior], theta: FloatArray, before: _Course) -> FloatArray:
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

    def _followed(self, theta: FloatArray, prior: Prior, start: FloatArray, length: FloatArray, ahead: int) -> _Course:
        """Step all of them through an episode of their own length, and ahead until every one is over its limit."""
        rng, count = self.rng, self.count
        exact = _exact_box(prior, theta)
        scale = prior.dry_mass_g * np.exp(theta[:, Unknown.log_capacity_scale])
        rh = np.minimum(np.exp(theta[:, Unknown.log_start_humidity]), 0.95)
        slow, wander = np.exp(theta[:, Unknown.log_slow_humidity]), ASSUME.drift_sd * rng.standard_normal(count)
        ajar, settling = np.zeros(count), np.full(count, ASSUME.settling_humidity)
        leaked, dose = np.zeros(count), np.zeros(count)
        found = _Course.empty(count)
        found.water_at_start_g = np.asarray(exact.water_g(rh, self.room_degc[start, np.arange(count)]))
        columns, beads_only = np.arange(count), replace(exact, volume_liter=0.0)
        over_salt = ASSUME.unknown_humidity_over_salt if prior.humidity_shows == "phase" else 0.0
        crossing, water = np.where(length >= 0, np.inf, 0.0), None
        longest = int(length.max())
        for day, span, ends_day in _steps(longest, ahead):
            past, kept = day < length, np.exp(-span / ASSUME.drift_days)
            if not past.any() and np.isfinite(crossing).all():
                break
            degc, out_kpa = self.room_degc[start + day, columns], self.room_kpa[start + day, columns]
            conductance = np.exp(theta[:, Unknown.log_conductance] + wander + ajar)
            air = Climate(np.full(2, span / 2.0), *np.broadcast_arrays(1e3 * out_kpa, degc, np.zeros((2, 1)))[:2])
            if water is not None:  # a warmer day drives no water out of a closed box, but its humidity up
                rh = humidity_holding(beads_only, water, degc, rh)
            begun, stepped = rh, follow(replace(exact, conductance_g_per_day_per_kpa=conductance), air, rh, (slow,))
            quarter, rh = stepped.relative_humidity
            gained, slow = stepped.leaked_g[-1], stepped.slow_loading_g_per_g[0][-1]
            leaked, dose = leaked + past * np.abs(gained), dose + past * np.abs(gained) / conductance
            slope = scale / np.asarray(beads_only.water_slope_g(rh, degc))
            humid = np.where(past, settling**2 + over_salt**2, 0.0)
            variance = ASSUME.unknown_share**2 * (gained / scale) ** 2 / span + ASSUME.unknown_g_per_g**2 * span
            variance = variance + humid * span / np.maximum(slope, FLATTEST) ** 2
            settling = settling * np.exp(-span / ASSUME.settling_days)
            more_g = scale * np.sqrt(variance) * rng.standard_normal(count)
            wander = kept * wander + ASSUME.drift_sd * np.sqrt(1.0 - kept**2) * rng.standard_normal(count)
            opened, swapped = np.zeros((2, count))
            if not ends_day or span == 1.0:
                opened, swapped = rng.poisson(self.rates.T) * (day > 0)
                more_g = more_g + self._brought_g(prior, rh, slope, scale, degc, out_kpa, opened, swapped)
                if self.is_nylon.any():  # of which there is one spool, whose water is followed as it comes
                    another = self.swapped_humidity + ASSUME.swapped_humidity_sd * rng.standard_normal(count)
                    slow = np.where(self.is_nylon & (swapped > 0), np.maximum(another, 0.0), slow)
                found.opened.append(opened)
                found.swapped.append(swapped)
                settling = np.where(swapped > 0, np.maximum(settling, ASSUME.settling_humidity), settling)
                wander = wander + np.sqrt(opened + swapped) * ASSUME.seating_sd * rng.standard_normal(count)
            disturbed = opened + swapped > 0
            badly = np.where(rng.random(count) < ASSUME.badly_seated, ASSUME.ajar_log_conductance, 0.0)
            left = np.where(rng.random(count) < np.exp(-span / ASSUME.ajar_days), ajar, 0.0)
            ajar = np.where(past, 0.0, np.where(disturbed, badly, left))
            found.path.append(np.array([begun, quarter, rh]))
            most = np.asarray(beads_only.water_g(np.full(count, 0.98), degc))
            water = np.clip(np.asarray(beads_only.water_g(rh, degc)) + more_g, 1e-6 * most, most)
            rh = humidity_holding(beads_only, water, degc, rh)
            if ends_day:
                ended = day + 1 == length
                found.note(
                    ended,
                    rh,
                    slow,
                    conductance=np.exp(theta[:, Unknown.log_conductance] + wander),
                    water_g=np.asarray(beads_only.water_g(rh, degc)),
                    leak=leaked / np.maximum(dose, 1e-9),
                )
                found.beads_g.append(np.asarray(beads_only.water_g(rh, degc)))
                crossing = np.where(ended, np.where(rh > LIMIT, 0.0, np.inf), crossing)
                later = (day + 1 > length) & np.isinf(crossing) & (rh > LIMIT)
                crossing = np.where(later, day - length + _part(found, rh), crossing)
                found.humidity_at_day_end = rh
        found.days_left = crossing
        return found

    def _brought_g(  # noqa: PLR0917
        self, prior: Prior, rh: FloatArray, slope: FloatArray, scale: FloatArray, degc: FloatArray, out_kpa: FloatArray,
        opened: FloatArray, swapped: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Water on the beads that openings and swapped spools bring, by the table of disturbances."""
        rng, saturation_pa = self.rng, np.asarray(saturation_vapor_pressure_pa(degc))
        air_g = LITER / 1e3 * saturation_pa * np.asarray(grams_per_m3_per_pa(degc))
        capacity = scale + air_g * slope
        per_g = slope / capacity
        dose = opened * air_g * np.maximum(1e3 * out_kpa / saturation_pa - rh, 0.0)
        most = ASSUME.swapped_humidity_sd / per_g
        least = [np.minimum(sd, most) for sd in (ASSUME.opening_sd_g, ASSUME.swap_least_sd_g)]
        dose = dose + np.sqrt(opened) * least[0] * rng.standard_normal(self.count)
        store = np.where(self.is_nylon, 0.0, 1.0 / (1.0 / prior.swapped_g_per_humidity + per_g))
        fresh = self.swapped_humidity * swapped
        fresh = fresh + np.sqrt(swapped) * ASSUME.swapped_humidity_sd * rng.standard_normal(self.count)
        dose = dose + store * (fresh - swapped * rh) + np.sqrt(swapped) * least[1] * rng.standard_normal(self.count)
        return np.asarray(dose * scale / capacity)

    def _log(self, theta: FloatArray, course: _Course, start: FloatArray, length: FloatArray, number: int) -> None:
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
            since = int(ends[-2][i]) if len(ends) > 1 else 0
            wander = _wander_of_sensor(days, rng)
            off_by_day = walk - walk[-1] + wander - wander[since:].mean()
            off = theta[i, Unknown.sensor_bias] + np.repeat(off_by_day, 24) + spread * error
            step = box.sensor.resolution
            shown = np.clip(np.round((humidity + off) / step) * step, box.sensor.floor or 0.0, 1.0)
            self.shown[i] = [shown]

    def _life(self, i: int, theta: FloatArray, course: _Course, ends: list[FloatArray]) -> PriorLife:
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


def _steps(days: int, ahead: int) -> Iterator[tuple[int, float, bool]]:
    """Day, length and whether it ends the day: half days while there are readings, whole ones ahead."""
    for day in range(days):
        yield from ((day, _HALF, False), (day, _HALF, True))
    yield from ((day, 1.0, True) for day in range(days, days + ahead))


@dataclass(eq=False)
class _Course:
    """What became of an episode."""

    path: list[FloatArray]
    """Humidity at the start, middle and end of each half day. (3 × columns)"""
    opened: list[FloatArray]
    swapped: list[FloatArray]
    beads_g: list[FloatArray]
    """Water in the beads at the end of each day."""
    slow_humidity: FloatArray
    conductance: FloatArray
    water_g: FloatArray
    leak: FloatArray
    days_left: FloatArray
    water_at_start_g: FloatArray
    humidity_at_day_end: FloatArray

    @classmethod
    def empty(cls, count: int) -> _Course:
        return cls([], [], [], [], *(np.full(count, np.nan) for _ in range(7)))

    def note(self, ended: FloatArray, rh: FloatArray, slow: FloatArray, **now: FloatArray) -> None:
        """Keep how things stand where an episode ends today."""
        self.slow_humidity = np.where(ended, slow, self.slow_humidity)
        for name, values in now.items():
            setattr(self, name, np.where(ended, values, getattr(self, name)))


def _wander_of_sensor(days: int, rng: np.random.Generator) -> FloatArray:
    """A first-order process by the day, at rest from the first; its mean over the last episode is in the bias."""
    kept = float(np.exp(-1.0 / ASSUME.reading_wander_days))
    steps = ASSUME.reading_wander_sd * rng.standard_normal(days)
    steps[1:] *= np.sqrt(1.0 - kept**2)
    return np.asarray(lfilter([1.0], [1.0, -kept], steps))


def _wander_var(days: FloatArray) -> FloatArray:
    """Variance of the mean of what wanders over an episode: it is a part of how far leaks of episodes lie apart."""
    lasted = days / ASSUME.drift_days
    return ASSUME.drift_sd**2 * 2.0 / lasted * (1.0 - (1.0 - np.exp(-lasted)) / lasted)


def _part(found: _Course, rh: FloatArray) -> FloatArray:
    """Share of the day after which the limit was passed, on a line from its start to its end."""
    before = found.humidity_at_day_end
    return np.clip((LIMIT - before) / np.maximum(rh - before, 1e-9), 0.0, 1.0)


class _Blend:
    """Beads between two isotherms, a column each, as the model states them: none falls, and Dubinin's law moves it.

    Beyond either end a blend may fall again, as that of 13X beads and a straight line does from 12 % RH on at -0.5: no
    box with such beads would ever pass its limit.
    """

    def __init__(self, prior: Prior, shape: FloatArray) -> None:
        first, second = (np.asarray(one.loading_g_per_g(_RISING, REFERENCE_DEGC))[:, None] for one in prior.shapes)
        self.by_potential = prior.shapes[0].by_potential
        self._held = (
            np.maximum.accumulate((1.0 - shape) * first + shape * second) + _HAIR * np.arange(len(_RISING))[:, None]
        )
        self._held = np.vstack([np.zeros(len(shape)), self._held])
        self._columns = np.arange(len(shape))

    def loading_g_per_g(self, humidity: FloatArray, degc: FloatArray) -> FloatArray:
        alike, _ = self._at_reference(humidity, degc)
        cell = self._cell(alike)
        return self._held[cell, self._columns] + (alike - _FROM_NONE[cell]) * self._rise(cell)

    def slope(self, humidity: FloatArray, degc: FloatArray) -> FloatArray:
        alike, per_humidity = self._at_reference(humidity, degc)
        return self._rise(self._cell(alike)) * per_humidity

    def _at_reference(self, humidity: FloatArray, degc: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Humidity over as much water at 23 °C, and its slope by humidity: R T ln(RH) stays."""
        power = (degc + KELVIN_AT_0_DEGC) / (REFERENCE_DEGC + KELVIN_AT_0_DEGC) if self.by_potential else 1.0
        humidity = np.maximum(humidity, 1e-9)
        return humidity**power, power * humidity ** (power - 1.0)

    def _cell(self, humidity: FloatArray) -> NDArray[np.intp]:
        return np.clip(np.searchsorted(_FROM_NONE, humidity, side="right") - 1, 0, len(_RISING) - 1)

    def _rise(self, cell: NDArray[np.intp]) -> FloatArray:
        per_step = self._held[cell + 1, self._columns] - self._held[cell, self._columns]
        return per_step / (_FROM_NONE[cell + 1] - _FROM_NONE[cell])


def _exact_box(prior: Prior, theta: FloatArray) -> ExactBox:
    """The beads lie between two isotherms; the spools on a straight line, behind the air by their lag."""
    held, shape = np.exp(theta[:, Unknown.log_capacity_scale]), np.clip(theta[:, Unknown.isotherm_shape], -0.5, 1.5)
    beads = Sorbent(_Blend(prior, shape), prior.dry_mass_g, held)  # type: ignore[arg-type]
    spools = Sorbent(_HENRY, np.exp(theta[:, Unknown.log_slow_capacity]), 1.0, np.exp(theta[:, Unknown.log_slow_lag]))
    return ExactBox(LITER, 1.0, (beads,), (spools,))
