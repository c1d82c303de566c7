"""The water balance of a closed box without shortcuts: the truth that made-up boxes and the fast step are held to.

Isotherms are inverted to rounding error, each content keeps its own curve and lag, and a step that bends is taken
along its chord. It is itself held against a stiff solver in tests/physics/test_exact_balance.py.

Water in the box is what the charge, the board, the filament and the air hold; it changes by what leaks in and by what
an opened lid lets in:

    d/dt [ sum m s q(RH, T) + V rho_v ] = G (p_out - p_in) + water from slow contents + openings

Contents are *prompt* (at rest with the air: the charge) or *slow* (behind it by a lag: wound filament, board). Mass,
capacity scale, lag, conductance and start may be arrays of draws; all draws step together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.physics.numerics import FloatArray, Numeric, require_within
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import Isotherm

_LITERS_PER_M3, _PA_PER_KPA = 1e3, 1e3
_DRIEST, _CLOSE, _MOST_REFINEMENTS = 1e-9, 1e-7, 50
_BENDS, _WET = 0.02, 0.9999  # a step in humidity over which an isotherm may bend; where liquid may stand


@dataclass(frozen=True)
class Sorbent:
    """Something in the box that holds water: its isotherm, dry mass, and how it differs from the book.

    ``capacity_scale`` multiplies the isotherm (a lot, ageing, hysteresis); ``lag_days`` is the time constant of slow
    contents and not used for prompt ones.
    """

    isotherm: Isotherm
    dry_mass_g: Numeric
    capacity_scale: Numeric = 1.0
    lag_days: Numeric = 1.0

    def water_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the water it holds at rest with this air. [g]"""
        loading = self.isotherm.loading_g_per_g(relative_humidity, temperature_degc)
        return self.dry_mass_g * self.capacity_scale * loading

    def water_slope_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return d water / d relative humidity. [g per unit of humidity]"""
        return self.dry_mass_g * self.capacity_scale * self.isotherm.slope(relative_humidity, temperature_degc)


@dataclass(frozen=True)
class Box:
    """A closed box: its air, how leaky it is, and what in it holds water."""

    volume_liter: Numeric
    conductance_g_per_day_per_kpa: Numeric
    prompt: tuple[Sorbent, ...] = ()
    slow: tuple[Sorbent, ...] = ()

    def water_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the water in air and prompt contents at this humidity. [g]

        Examples
        --------
        The air of a 10 L box at 50 % RH holds 0.09 g.

        >>> round(Box(10.0, 0.05).water_g(0.5, 21.0), 2)
        0.09
        """
        held = relative_humidity * self.air_water_at_saturation_g(temperature_degc)
        return held + sum(s.water_g(relative_humidity, temperature_degc) for s in self.prompt)

    def water_slope_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return d water / d relative humidity of air and prompt contents. [g per unit of humidity]"""
        slope = self.air_water_at_saturation_g(temperature_degc)
        return slope + sum(s.water_slope_g(relative_humidity, temperature_degc) for s in self.prompt)

    def air_water_at_saturation_g(self, temperature_degc: Numeric) -> Numeric:
        """Return the water its air would hold at saturation. [g]"""
        saturated = saturation_vapor_pressure_pa(temperature_degc) * grams_per_m3_per_pa(temperature_degc)
        return self.volume_liter / _LITERS_PER_M3 * saturated


@dataclass(frozen=True)
class Climate:
    """What acts on a box, a value for each step: its length, the vapor outside, the temperature inside.

    ``air_replaced`` is the share of the box's air swapped for room air by openings at the start of the step.
    Outside vapor pressure, temperature and share may carry further axes that broadcast against the draws.
    """

    step_days: FloatArray
    outside_vapor_pressure_pa: FloatArray
    box_temperature_degc: FloatArray
    air_replaced: FloatArray | None = None
    conductance_times: FloatArray | None = None
    """What the box's conductance is multiplied by in each step, for seals that age or fail."""


@dataclass(frozen=True)
class Trajectory:
    """Where the box stood at the end of every step; the first axis is the steps, the others the draws."""

    relative_humidity: FloatArray
    water_g: FloatArray
    """Water in air and prompt contents. [g]"""
    leaked_g: FloatArray
    """Water that came in through the leak, from the start on. [g]"""
    slow_loading_g_per_g: tuple[FloatArray, ...]


def follow(
    box: Box,
    climate: Climate,
    start_relative_humidity: Numeric,
    slow_start_g_per_g: tuple[Numeric, ...] = (),
) -> Trajectory:
    """Step the balance through a climate and return the humidity at the end of each step, for every draw at once.

    Within a step the balance is linear about its start and solved exactly (an exponential step), so a leaky or empty
    box is stable at any step length; water is conserved to rounding error. Against a stiff solver, steps of up to a
    day err by less than 0.002 RH (tests/physics); much longer ones may overshoot where the isotherm bends.

    Parameters
    ----------
    box : Box
    climate : Climate
    start_relative_humidity : float or ndarray
        Humidity of the air, and with it of the prompt contents, at the start. Fraction.
    slow_start_g_per_g : tuple
        Loading of each slow content at the start; at rest with the starting air when left out. [g/g dry]

    Raises
    ------
    OutOfRangeError
        If a humidity or temperature is out of range, or a step is not longer than zero.

    Examples
    --------
    An empty 10 L box that changes its air once a day goes from 10 to 35.3 % RH in a day in a room at 50 %.

    >>> p_out = 0.5 * saturation_vapor_pressure_pa(23.0)
    >>> day = Climate(np.array([1.0]), np.array([p_out]), np.array([23.0]))
    >>> round(float(follow(Box(10.0, 0.07316), day, 0.10).relative_humidity[-1]), 3)
    0.353
    """
    require_within("step_days", climate.step_days, 1e-9, np.inf, "days")
    require_within("start_relative_humidity (a fraction)", start_relative_humidity, 0.0, 1.0)
    slow_loadings: list[Numeric] = list(slow_start_g_per_g) or [
        s.capacity_scale * s.isotherm.loading_g_per_g(start_relative_humidity, float(climate.box_temperature_degc[0]))
        for s in box.slow
    ]
    rh = np.zeros(_draws_shape(box, climate, start_relative_humidity, *slow_loadings))
    rh = np.maximum(start_relative_humidity + rh, _DRIEST)
    water, leaked = box.water_g(rh, climate.box_temperature_degc[0]), np.zeros_like(rh)
    kept = [np.empty((len(climate.step_days), *rh.shape)) for _ in range(3 + len(box.slow))]
    for k, step in enumerate(_steps(box, climate)):
        water = water + _let_in_g(box, step, rh)
        rh = _humidity_at_rest(box, water, rh, step)
        moved = _moved(_as_leaky_now(box, climate, k), water, rh, slow_loadings, step)
        leaked, water, slow_loadings, rh = leaked + moved.gained_g, moved.water_g, moved.slow_loadings, moved.rh
        for room, value in zip(kept, (rh, water, leaked, *slow_loadings), strict=True):
            room[k] = value
    return Trajectory(kept[0], kept[1], kept[2], tuple(kept[3:]))


def humidity_holding(box: Box, water_g: FloatArray, temperature_degc: Numeric, guess: FloatArray) -> FloatArray:
    """Return the humidity at which air and prompt contents hold this water. Fraction."""
    nothing = np.zeros(1)
    air_full_g = box.air_water_at_saturation_g(temperature_degc)
    return _humidity_at_rest(box, water_g, guess, _Step(1.0, nothing, temperature_degc, nothing, air_full_g, nothing))


def _as_leaky_now(box: Box, climate: Climate, k: int) -> Box:
    if climate.conductance_times is None:
        return box
    conductance = box.conductance_g_per_day_per_kpa * climate.conductance_times[k]
    return replace(box, conductance_g_per_day_per_kpa=conductance)


class _Step(NamedTuple):
    days: float
    p_out: Numeric
    t: Numeric
    saturation_pa: Numeric
    air_full_g: Numeric
    """Water that the box's air would hold at saturation: reckoned once a step, and asked for many times."""
    replaced: Numeric

    def held_g(self, box: Box, rh: Numeric) -> Numeric:
        """Water in air and prompt contents."""
        return rh * self.air_full_g + sum(s.water_g(rh, self.t) for s in box.prompt)

    def slope_g(self, box: Box, rh: Numeric) -> Numeric:
        """The same, d water / d relative humidity."""
        return self.air_full_g + sum(s.water_slope_g(rh, self.t) for s in box.prompt)


def _steps(box: Box, climate: Climate) -> Iterator[_Step]:
    saturation_pa = np.asarray(saturation_vapor_pressure_pa(np.asarray(climate.box_temperature_degc)))
    air_g_per_m3 = saturation_pa * grams_per_m3_per_pa(climate.box_temperature_degc)
    replaced = np.zeros(len(climate.step_days)) if climate.air_replaced is None else climate.air_replaced
    series = (climate.outside_vapor_pressure_pa, climate.box_temperature_degc, saturation_pa, air_g_per_m3, replaced)
    for days, p_out, t, saturated_pa, g_per_m3, share in zip(climate.step_days, *series, strict=True):
        yield _Step(float(days), p_out, t, saturated_pa, box.volume_liter / _LITERS_PER_M3 * g_per_m3, share)


def _draws_shape(box: Box, climate: Climate, *starts: Numeric) -> tuple[int, ...]:
    """The common shape of everything that may be drawn."""
    parts = [box.volume_liter, box.conductance_g_per_day_per_kpa, *starts]
    for s in (*box.prompt, *box.slow):
        parts += [s.dry_mass_g, s.capacity_scale, s.lag_days]
    series = [climate.outside_vapor_pressure_pa, climate.box_temperature_degc]
    series += [] if climate.air_replaced is None else [climate.air_replaced]
    return np.broadcast_shapes(*(np.shape(part) for part in parts), *(np.shape(one)[1:] for one in series))


def _let_in_g(box: Box, step: _Step, rh: Numeric) -> Numeric:
    """Water an opening adds: the share of air replaced, times the difference in vapor density."""
    difference_pa = step.p_out - rh * step.saturation_pa
    return step.replaced * box.volume_liter / _LITERS_PER_M3 * difference_pa * grams_per_m3_per_pa(step.t)


def _humidity_at_rest(box: Box, water: Numeric, guess: FloatArray, step: _Step) -> FloatArray:
    """Humidity at which air and prompt contents hold this water: Newton, kept within a shrinking bracket.

    Above saturation the rest stands as liquid and the air stays at 1.
    """
    rh, low, high = guess, np.full_like(guess, _DRIEST), np.ones_like(guess)
    for _ in range(_MOST_REFINEMENTS):
        short = water - step.held_g(box, rh)
        close = np.abs(short) <= _CLOSE * water
        if close.all():
            break
        low, high = np.where(short > 0.0, rh, low), np.where(short < 0.0, rh, high)
        if (close | (high - low <= _CLOSE * high)).all():
            break
        newton = rh + short / step.slope_g(box, rh)
        rh = np.where((newton > low) & (newton < high), newton, 0.5 * (low + high))
    return rh


class _Moved(NamedTuple):
    rh: FloatArray
    water_g: Numeric
    gained_g: Numeric
    slow_loadings: list[Numeric]


def _moved(box: Box, water: Numeric, rh: FloatArray, slow_loadings: list[Numeric], step: _Step) -> _Moved:
    """Where a step ends: along the tangent at its start, and along the chord where that bends away."""
    moved = _moved_along(box, water, rh, slow_loadings, step, slope=_tangent(box, water, rh, step))
    if np.abs(moved.rh - rh).max() > _BENDS:
        rise = np.where(np.abs(moved.rh - rh) < _CLOSE, _CLOSE, moved.rh - rh)
        chord = (step.held_g(box, rh + rise) - step.held_g(box, rh)) / rise
        bends = np.abs(moved.rh - rh) > _BENDS
        slope = np.where(bends, chord, _tangent(box, water, rh, step))
        moved = _moved_along(box, water, rh, slow_loadings, step, slope=slope)
    return moved


def _tangent(box: Box, water: Numeric, rh: FloatArray, step: _Step) -> Numeric:
    """Slope of the water by humidity; where liquid stands at saturation, the chord that lets it all dry to the room."""
    slope = step.slope_g(box, rh)
    if rh.max() < _WET:
        return slope
    room = np.minimum(step.p_out / step.saturation_pa, 0.99)
    return np.where(rh < _WET, slope, (water - step.held_g(box, room)) / (1.0 - room))


def ingress_g_per_day(conductance: Numeric, outside_pa: Numeric, inside_pa: Numeric) -> Numeric:
    """G (p_out - p_in), the water that leaks in; below zero it leaks out."""
    return conductance * (outside_pa - inside_pa) / _PA_PER_KPA


def _moved_along(
    box: Box, water: Numeric, rh: FloatArray, slow_loadings: list[Numeric], step: _Step, *, slope: Numeric
) -> _Moved:
    """Where a step ends if water were straight in humidity: the balance relaxes as 1 - exp(-x)."""
    conductance = box.conductance_g_per_day_per_kpa
    pull = conductance * step.saturation_pa / _PA_PER_KPA
    flux = ingress_g_per_day(conductance, step.p_out, rh * step.saturation_pa)
    for s, loading in zip(box.slow, slow_loadings, strict=True):
        flux = flux - s.dry_mass_g * _slow_change_g_per_g(s, loading, rh, step) / step.days
        pull = pull + s.water_slope_g(rh, step.t) * -np.expm1(-step.days / s.lag_days) / step.days
    x = np.maximum(pull * step.days / slope, 1e-12)
    whole, covered = flux / np.maximum(pull, 1e-300), -np.expm1(-x)
    mean_rh = np.clip(rh + whole * (1.0 - covered / x), 0.0, 1.0)
    end_rh = np.clip(rh + whole * covered, _DRIEST, 1.0)
    gained = step.days * ingress_g_per_day(conductance, step.p_out, mean_rh * step.saturation_pa)
    water = water + gained
    after = []
    for s, loading in zip(box.slow, slow_loadings, strict=True):
        change = _slow_change_g_per_g(s, loading, mean_rh, step)
        water = water - s.dry_mass_g * change
        after.append(loading + change)
    return _Moved(_humidity_at_rest(box, water, end_rh, step), water, gained, after)


def _slow_change_g_per_g(s: Sorbent, loading: Numeric, rh: Numeric, step: _Step) -> Numeric:
    """Change of a slow loading over a step at steady humidity: first order towards rest."""
    at_rest = s.capacity_scale * s.isotherm.loading_g_per_g(rh, step.t)
    return (at_rest - loading) * -np.expm1(-step.days / s.lag_days)
