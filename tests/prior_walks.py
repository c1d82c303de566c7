"""Boxes stepped through an episode by the exact balance, with the noises that the model states.

Each box is a column. A step is half a day while there are readings, a day ahead; random numbers of all boxes are drawn
together, in the order of the step.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from exact_balance import Box as ExactBox
from exact_balance import Climate, Sorbent, follow, humidity_holding

from monitor.inference.model.disturbances import FLATTEST
from monitor.inference.model.prior import Assumptions, Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear

ASSUME = Assumptions()
LITER, LIMIT = 10.0, 0.20
_HALF = 0.5
_HENRY = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Surroundings:
    """The rooms that boxes stand in, and how they are used."""

    room_kpa: FloatArray
    """(days × columns)"""
    room_degc: FloatArray
    """(days × columns)"""
    rates: FloatArray
    """Openings and swaps a day. (columns × 2)"""
    swapped_humidity: FloatArray
    """Of the spools that usually come in. (columns)"""
    is_nylon: FloatArray
    """Whether the one spool of the box is, whose water is followed as it comes. (columns)"""


@dataclass(eq=False)
class Course:
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
    def empty(cls, count: int) -> Course:
        return cls([], [], [], [], *(np.full(count, np.nan) for _ in range(7)))

    def note(self, ended: FloatArray, rh: FloatArray, slow: FloatArray, **now: FloatArray) -> None:
        """Keep how things stand where an episode ends today."""
        self.slow_humidity = np.where(ended, slow, self.slow_humidity)
        for name, values in now.items():
            setattr(self, name, np.where(ended, values, getattr(self, name)))


class _Day(NamedTuple):
    """One step of all boxes."""

    number: int
    """From the start of the episode."""
    days: float
    ends_day: bool


def followed(
    where: Surroundings, theta: FloatArray, prior: Prior, rng: np.random.Generator, *,
    start: FloatArray, length: FloatArray, ahead: int,
) -> Course:  # fmt: skip
    """Step all of them through an episode of their own length, and ahead until every one is over its limit."""
    walk = _Walk(where, theta, prior, rng, start=start, length=length)
    for step in _steps(int(length.max()), ahead):
        if walk.is_over(step.number):
            break
        walk.step(step)
    walk.found.days_left = walk.crossing
    return walk.found


class _Walk:
    """Where all boxes are in their episode."""

    def __init__(
        self, where: Surroundings, theta: FloatArray, prior: Prior, rng: np.random.Generator, *,
        start: FloatArray, length: FloatArray,
    ) -> None:  # fmt: skip
        count = len(theta)
        self.where, self.prior, self.start, self.length, self.rng = where, prior, start, length, rng
        self.columns = np.arange(count)
        self.log_conductance = theta[:, Unknown.log_conductance]
        self.exact = _exact_box(prior, theta)
        self.beads_only = replace(self.exact, volume_liter=0.0)
        self.scale = prior.dry_mass_g * np.exp(theta[:, Unknown.log_capacity_scale])
        self.over_salt = ASSUME.unknown_humidity_over_salt if prior.humidity_shows == "phase" else 0.0

        self.rh = np.minimum(np.exp(theta[:, Unknown.log_start_humidity]), 0.95)
        self.slow = np.exp(theta[:, Unknown.log_slow_humidity])
        self.wander = ASSUME.drift_sd * rng.standard_normal(count)
        self.ajar, self.settling = np.zeros(count), np.full(count, ASSUME.settling_humidity)
        self.leaked_g, self.push = np.zeros(count), np.zeros(count)
        self.crossing = np.where(length >= 0, np.inf, 0.0)
        self.found = Course.empty(count)
        self.found.water_at_start_g = np.asarray(self.exact.water_g(self.rh, where.room_degc[start, self.columns]))

    def is_over(self, day: int) -> bool:
        """Whether every episode is over and every box has passed its limit."""
        return not (day < self.length).any() and bool(np.isfinite(self.crossing).all())

    def step(self, step: _Day) -> None:
        """Leak, noise, what a person does, and the water of all that."""
        past = step.number < self.length
        degc = self.where.room_degc[self.start + step.number, self.columns]
        out_kpa = self.where.room_kpa[self.start + step.number, self.columns]
        begun = self.rh
        middle, gained_g = self._leaks(step, past, degc, out_kpa)
        slope = self.scale / np.asarray(self.beads_only.water_slope_g(self.rh, degc))
        more_g = self._unseen_g(step, past, gained_g, slope)
        visits = np.zeros(len(self.rh))
        if not step.ends_day or step.days == 1.0:
            opened, swapped = self.rng.poisson(self.where.rates.T) * (step.number > 0)
            more_g = more_g + self._brought_g(slope, degc, out_kpa, opened, swapped)
            self._disturbed(opened, swapped)
            visits = opened + swapped
        self._lids(step, past, visits)
        self.found.path.append(np.array([begun, middle, self.rh]))
        water = np.asarray(self.beads_only.water_g(self.rh, degc)) + more_g
        most = np.asarray(self.beads_only.water_g(np.full(len(self.rh), 0.98), degc))
        self.rh = humidity_holding(self.beads_only, np.clip(water, 1e-6 * most, most), degc, self.rh)
        if step.ends_day:
            self._day_ends(step.number, degc)

    def _leaks(
        self, step: _Day, past: FloatArray, degc: FloatArray, out_kpa: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Go through the step by the exact balance; return the humidity halfway and the water that came in. [g]"""
        conductance = np.exp(self.log_conductance + self.wander + self.ajar)
        lasting, still = np.full(2, step.days / 2.0), np.zeros((2, 1))
        air = Climate(lasting, *np.broadcast_arrays(1e3 * out_kpa, degc, still)[:2])
        stepped = follow(replace(self.exact, conductance_g_per_day_per_kpa=conductance), air, self.rh, (self.slow,))
        middle, self.rh = stepped.relative_humidity
        gained_g, self.slow = stepped.leaked_g[-1], stepped.slow_loading_g_per_g[0][-1]
        self.leaked_g = self.leaked_g + past * np.abs(gained_g)
        self.push = self.push + past * np.abs(gained_g) / conductance
        return middle, gained_g

    def _unseen_g(self, step: _Day, past: FloatArray, gained_g: FloatArray, slope: FloatArray) -> FloatArray:
        """Draw gains that nobody sees and humidity that moves without leak; and the leak wanders. [g]"""
        humid = np.where(past, self.settling**2 + self.over_salt**2, 0.0)
        variance = ASSUME.unknown_share**2 * (gained_g / self.scale) ** 2 / step.days
        variance = variance + ASSUME.unknown_g_per_g**2 * step.days
        variance = variance + humid * step.days / np.maximum(slope, FLATTEST) ** 2
        self.settling = self.settling * np.exp(-step.days / ASSUME.settling_days)
        more_g = self.scale * np.sqrt(variance) * self.rng.standard_normal(len(self.rh))
        kept = np.exp(-step.days / ASSUME.drift_days)
        noise = ASSUME.drift_sd * np.sqrt(1.0 - kept**2) * self.rng.standard_normal(len(self.rh))
        self.wander = kept * self.wander + noise
        return more_g

    def _brought_g(
        self, slope: FloatArray, degc: FloatArray, out_kpa: FloatArray, opened: FloatArray, swapped: FloatArray
    ) -> FloatArray:
        """Water on the beads that openings and swapped spools bring, by the table of disturbances."""
        where, rng, count = self.where, self.rng, len(self.rh)
        saturation_pa = np.asarray(saturation_vapor_pressure_pa(degc))
        air_g = LITER / 1e3 * saturation_pa * np.asarray(grams_per_m3_per_pa(degc))
        capacity = self.scale + air_g * slope
        per_g = slope / capacity
        dose = opened * air_g * np.maximum(1e3 * out_kpa / saturation_pa - self.rh, 0.0)
        most = ASSUME.swapped_humidity_sd / per_g
        least = [np.minimum(sd, most) for sd in (ASSUME.opening_sd_g, ASSUME.swap_least_sd_g)]
        dose = dose + np.sqrt(opened) * least[0] * rng.standard_normal(count)
        store = np.where(where.is_nylon, 0.0, 1.0 / (1.0 / self.prior.swapped_g_per_humidity + per_g))
        fresh = where.swapped_humidity * swapped
        fresh = fresh + np.sqrt(swapped) * ASSUME.swapped_humidity_sd * rng.standard_normal(count)
        dose = dose + store * (fresh - swapped * self.rh) + np.sqrt(swapped) * least[1] * rng.standard_normal(count)
        return np.asarray(dose * self.scale / capacity)

    def _disturbed(self, opened: FloatArray, swapped: FloatArray) -> None:
        """What openings and swaps do beside the water they bring: other spools, settling, lids seated anew."""
        where, count = self.where, len(self.rh)
        if where.is_nylon.any():
            another = where.swapped_humidity + ASSUME.swapped_humidity_sd * self.rng.standard_normal(count)
            self.slow = np.where(where.is_nylon & (swapped > 0), np.maximum(another, 0.0), self.slow)
        self.found.opened.append(opened)
        self.found.swapped.append(swapped)
        anew = np.maximum(self.settling, ASSUME.settling_humidity)
        self.settling = np.where(swapped > 0, anew, self.settling)
        seated = np.sqrt(opened + swapped) * ASSUME.seating_sd * self.rng.standard_normal(count)
        self.wander = self.wander + seated

    def _lids(self, step: _Day, past: FloatArray, visits: FloatArray) -> None:
        """Ahead a lid may sit badly after a visit, until that is noticed."""
        chance, noticed = self.rng.random(len(self.rh)), self.rng.random(len(self.rh))
        badly = np.where(chance < ASSUME.badly_seated, ASSUME.ajar_log_conductance, 0.0)
        left = np.where(noticed < np.exp(-step.days / ASSUME.ajar_days), self.ajar, 0.0)
        self.ajar = np.where(past, 0.0, np.where(visits > 0, badly, left))

    def _day_ends(self, day: int, degc: FloatArray) -> None:
        """Keep how things stand, where an episode ends today, and when its limit is passed after that."""
        water_g = np.asarray(self.beads_only.water_g(self.rh, degc))
        ended = day + 1 == self.length
        self.found.note(
            ended,
            self.rh,
            self.slow,
            conductance=np.exp(self.log_conductance + self.wander),
            water_g=water_g,
            leak=self.leaked_g / np.maximum(self.push, 1e-9),
        )
        self.found.beads_g.append(water_g)
        self.crossing = np.where(ended, np.where(self.rh > LIMIT, 0.0, np.inf), self.crossing)
        later = (day + 1 > self.length) & np.isinf(self.crossing) & (self.rh > LIMIT)
        self.crossing = np.where(later, day - self.length + _part(self.found, self.rh), self.crossing)
        self.found.humidity_at_day_end = self.rh


def _steps(days: int, ahead: int) -> Iterator[_Day]:
    """Day, length and whether it ends the day: half days while there are readings, whole ones ahead."""
    for day in range(days):
        yield from (_Day(day, _HALF, ends_day=False), _Day(day, _HALF, ends_day=True))
    yield from (_Day(day, 1.0, ends_day=True) for day in range(days, days + ahead))


def _part(found: Course, rh: FloatArray) -> FloatArray:
    """Share of the day after which the limit was passed, on a line from its start to its end."""
    before = found.humidity_at_day_end
    return np.clip((LIMIT - before) / np.maximum(rh - before, 1e-9), 0.0, 1.0)


def _exact_box(prior: Prior, theta: FloatArray) -> ExactBox:
    """The beads lie between two isotherms; the spools on a straight line, behind the air by their lag."""
    held, shape = np.exp(theta[:, Unknown.log_capacity_scale]), np.clip(theta[:, Unknown.isotherm_shape], -0.5, 1.5)
    beads = tuple(
        Sorbent(isotherm, prior.dry_mass_g, held * share)
        for isotherm, share in zip(prior.shapes, (1.0 - shape, shape), strict=True)
    )
    spools = Sorbent(_HENRY, np.exp(theta[:, Unknown.log_slow_capacity]), 1.0, np.exp(theta[:, Unknown.log_slow_lag]))
    return ExactBox(LITER, 1.0, beads, (spools,))
