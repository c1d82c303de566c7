"""The exact balance of the tests, compiled: box by box and policy by policy, a year of a site in a second.

The equations and the order of their terms are those of tests/exact_balance.py, and so are its tolerances or better
ones; the truth of each site holds its first week against it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import GAS_CONSTANT_J_PER_MOL_PER_K, saturation_vapor_pressure_pa
from monitor.physics.sorption import GAB, Isotherm, PiecewiseLinear, TwoTermDubinin
from monitor.units import KELVIN_AT_0_DEGC
from tests.exact_balance import Box, Climate

_DUBININ, _GAB, _PIECES = 0, 1, 2
_POINTS = 4  # of straight pieces, at most
_LITERS_PER_M3, _PA_PER_KPA = 1e3, 1e3
_DRIEST, _CLOSE, _MOST_REFINEMENTS, _BENDS, _WET = 1e-9, 1e-10, 50, 0.02, 0.9999
_NOTHING, _SMALLEST_J_PER_MOL = 1e-300, 1e-12


class _Contents(NamedTuple):
    """Of one box, the prompt ones first."""

    prompts: int
    kinds: FloatArray
    """Of isotherms. (contents)"""
    numbers: FloatArray
    """Of isotherms. (contents × numbers)"""
    grams: FloatArray
    scales: FloatArray
    lag_days: FloatArray


class _Step(NamedTuple):
    days: float
    outside_pa: float
    saturation_pa: float
    air_g_per_pa: float
    work_j_per_mol: float
    conductance: float


def follow(
    box: Box, climate: Climate, humidity: FloatArray, slow: list[FloatArray]
) -> tuple[FloatArray, list[FloatArray]]:
    """Return the humidity at the end of each step, and the loadings of slow contents at the end of all.

    (steps × boxes × policies), and (boxes × policies) each
    """
    found, loadings = np.empty((len(climate.step_days), *humidity.shape)), np.stack(slow)
    degc = np.asarray(climate.box_temperature_degc)[:, :, 0]
    conductance = np.asarray(box.conductance_g_per_day_per_kpa) * climate.conductance_times
    series = (
        np.broadcast_to(climate.step_days[:, None], degc.shape),
        np.broadcast_to(np.asarray(climate.outside_vapor_pressure_pa)[:, None], degc.shape),
        np.asarray(saturation_vapor_pressure_pa(degc)),
        np.ravel(box.volume_liter) / _LITERS_PER_M3 * np.asarray(grams_per_m3_per_pa(degc)),
        GAS_CONSTANT_J_PER_MOL_PER_K * (degc + KELVIN_AT_0_DEGC),
    )
    for i in range(len(humidity)):
        of_box, steps = _contents(box, i), np.stack([each[:, i] for each in series], axis=1)
        start, replaced = np.maximum(humidity[i], _DRIEST), np.asarray(climate.air_replaced)[:, i]
        _follow(of_box, steps, np.stack([replaced, conductance[:, i]]), start, loadings[:, i], found[:, i])
    return found, list(loadings)


def _contents(box: Box, i: int) -> _Contents:
    contents, count = (*box.prompt, *box.slow), len(np.atleast_1d(box.volume_liter))
    kinds, numbers = zip(*(_as_numbers(one.isotherm) for one in contents), strict=True)
    columns = (
        np.array([np.broadcast_to(getattr(one, name), (count, 1))[i, 0] for one in contents], float)
        for name in ("dry_mass_g", "capacity_scale", "lag_days")
    )
    return _Contents(len(box.prompt), np.array(kinds), np.array(numbers), *columns)


def _as_numbers(isotherm: Isotherm) -> tuple[int, list[float]]:
    """Return the kind of an isotherm and its numbers, filled up to as many as the longest has."""
    if isinstance(isotherm, TwoTermDubinin):
        kind, numbers = _DUBININ, [*isotherm.capacity_g_per_g, *isotherm.energy_j_per_mol, *isotherm.exponent]
    elif isinstance(isotherm, GAB):
        kind = _GAB
        numbers = [isotherm.monolayer_g_per_g, isotherm.energy_constant, isotherm.multilayer_constant]
    elif isinstance(isotherm, PiecewiseLinear) and len(isotherm.humidities) <= _POINTS:
        kind, lacking = _PIECES, _POINTS - len(isotherm.humidities)
        numbers = [*isotherm.humidities, *[2.0] * lacking, *isotherm.loadings_g_per_g, *[0.0] * lacking]
    else:
        raise TypeError(f"no compiled isotherm for {isotherm}")
    return kind, numbers + [0.0] * (2 * _POINTS - len(numbers))


@njit(cache=True)
def _held(kind, c, rh, work):
    """Return the loading in balance with this air, and its slope by humidity."""
    if kind == _DUBININ:
        a = -work * math.log(rh + _NOTHING)
        power1, power2 = (a / c[2]) ** c[4], (a / c[3]) ** c[5]
        first, second = c[0] * math.exp(-power1), c[1] * math.exp(-power2)
        slope = (c[4] * first * power1 + c[5] * second * power2) / max(a, _SMALLEST_J_PER_MOL)
        return first + second, slope * work / (rh + _NOTHING)
    if kind == _GAB:
        y, k = c[2] * rh, c[1]
        slope = c[0] * k * c[2] * (1.0 + (k - 1.0) * y * y) / ((1.0 - y) * (1.0 + (k - 1.0) * y)) ** 2
        return c[0] * k * y / ((1.0 - y) * (1.0 - y + k * y)), slope
    piece = 0
    while piece < _POINTS - 2 and rh >= c[piece + 1] and c[piece + 2] <= 1.0:
        piece += 1
    slope = (c[_POINTS + piece + 1] - c[_POINTS + piece]) / (c[piece + 1] - c[piece])
    return c[_POINTS + piece] + slope * (rh - c[piece]), slope


@njit(cache=True)
def _water(of_box, step, rh):
    """Return the water in air and prompt contents, and its slope by humidity."""
    slope = step.air_g_per_pa * step.saturation_pa
    water = rh * slope
    for k in range(of_box.prompts):
        loading, rise = _held(of_box.kinds[k], of_box.numbers[k], rh, step.work_j_per_mol)
        water += of_box.grams[k] * of_box.scales[k] * loading
        slope += of_box.grams[k] * of_box.scales[k] * rise
    return water, slope


@njit(cache=True)
def _at_rest(of_box, step, water, guess):
    """Return the humidity at which air and prompt contents hold this water."""
    rh, low, high = guess, _DRIEST, 1.0
    for _ in range(_MOST_REFINEMENTS):
        there, slope = _water(of_box, step, rh)
        short = water - there
        if short > 0.0:
            low = rh
        elif short < 0.0:
            high = rh
        if abs(short) <= _CLOSE * water or high - low <= _CLOSE * high:
            break
        newton = rh + short / slope
        rh = newton if low < newton < high else 0.5 * (low + high)
    return rh


@njit(cache=True)
def _change(of_box, step, k, loading, rh):
    """Return the change of a slow loading over a step at steady humidity, and how it rises with humidity. [g/g]"""
    at_rest, rise = _held(of_box.kinds[k], of_box.numbers[k], rh, step.work_j_per_mol)
    share = -math.expm1(-step.days / of_box.lag_days[k])
    return (of_box.scales[k] * at_rest - loading) * share, of_box.scales[k] * rise * share


@njit(cache=True)
def _moved(of_box, step, water, rh, slope, loadings, changes):  # noqa: PLR0917 -- compiled code
    """Return water and humidity at the end of a step if water were straight in humidity; fill the changes."""
    pull = step.conductance * step.saturation_pa / _PA_PER_KPA
    flux = step.conductance * (step.outside_pa - rh * step.saturation_pa) / _PA_PER_KPA
    for k in range(len(loadings)):
        slow = k + of_box.prompts
        if of_box.grams[slow] > 0.0:
            change, rise = _change(of_box, step, slow, loadings[k], rh)
            flux -= of_box.grams[slow] * change / step.days
            pull += of_box.grams[slow] * rise / step.days
    x = max(pull * step.days / slope, 1e-12)
    whole, covered = flux / max(pull, 1e-300), -math.expm1(-x)
    mean_rh = min(max(rh + whole * (1.0 - covered / x), 0.0), 1.0)
    end_rh = min(max(rh + whole * covered, _DRIEST), 1.0)
    water += step.days * step.conductance * (step.outside_pa - mean_rh * step.saturation_pa) / _PA_PER_KPA
    for k in range(len(loadings)):
        slow = k + of_box.prompts
        if of_box.grams[slow] > 0.0:
            changes[k] = _change(of_box, step, slow, loadings[k], mean_rh)[0]
            water -= of_box.grams[slow] * changes[k]
    return water, _at_rest(of_box, step, water, end_rh)


@njit(cache=True)
def _tangent(of_box, step, water, rh):
    """Return the slope of the water; where liquid stands, the chord that lets it all dry to the room."""
    if rh < _WET:
        return _water(of_box, step, rh)[1]
    room = min(step.outside_pa / step.saturation_pa, 0.99)
    return (water - _water(of_box, step, room)[0]) / (1.0 - room)


@njit(cache=True)
def _follow(of_box, steps, by_policy, start, slow, found):  # noqa: PLR0917 -- as above
    """Follow one box under all policies; ``slow`` (contents × policies) moves on, and ``found`` is filled."""
    changes = np.zeros(len(slow))
    for p in range(len(start)):
        rh, loadings, water = start[p], slow[:, p].copy(), 0.0
        for s in range(len(steps)):
            days, outside, saturation, air, work = steps[s]
            step = _Step(days, outside, saturation, air, work, by_policy[1, s, p])
            if s == 0:
                water = _water(of_box, step, rh)[0]
            water += by_policy[0, s, p] * air * (outside - rh * saturation)
            rh = _at_rest(of_box, step, water, rh)
            slope = _tangent(of_box, step, water, rh)
            ends, end = _moved(of_box, step, water, rh, slope, loadings, changes)
            if abs(end - rh) > _BENDS:
                chord = (_water(of_box, step, end)[0] - _water(of_box, step, rh)[0]) / (end - rh)
                ends, end = _moved(of_box, step, water, rh, chord, loadings, changes)
            water, rh = ends, end
            loadings += changes
            found[s, p] = rh
        slow[:, p] = loadings
