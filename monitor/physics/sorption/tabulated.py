"""A fast way from loading to humidity for many draws at once, each with its own shape of isotherm.

No published curve fits every lot, so the shape is itself unknown: a draw's isotherm lies on the line between two
published ones (score 0 the first, 1 the second, a little beyond either allowed). The logarithm of humidity is tabulated
over loading on a grid that is fine at both ends, dry and full.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.physics.numerics import FloatArray, Numeric
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.sorption.isotherm import Isotherm
from monitor.units import KELVIN_AT_0_DEGC

_POINTS = 256
"""Points of the grid of fill. A judgement: humidity is then within 2e-4 (the example below)."""
_SCORES = np.linspace(-0.5, 1.5, 81)
"""Where between the two shapes, as a share of the way. A judgement: half as far again either side, in steps no one
sees."""
# fractions; judgement: even in the logarithm where gel is dry, even beyond, and short of saturation
_HUMIDITIES = np.concatenate([np.geomspace(1e-5, 0.02, 80, endpoint=False), np.linspace(0.02, 0.985, 160)])
_EMPTY, _FULL = 1e-6, 1.0 - 1e-5  # share of the full loading; judgement: keeps ln and arcsin finite
_PER_ANGLE = (_POINTS - 1) * 2.0 / np.pi
"""Points of the grid for each radian of arcsin(sqrt(fill)), which is fine at both ends."""


class SorptionTable:
    """Isotherms of a batch of draws, blended between two published shapes and tabulated backward.

    Parameters
    ----------
    first, second : Isotherm
        The two ends of the line of shapes.
    score : ndarray
        Where on the line each draw lies; kept within -0.5 to 1.5 and to the nearest 0.025.

    Examples
    --------
    >>> from monitor.physics.materials import desiccant
    >>> gel = desiccant("silica_regular").isotherm
    >>> table = SorptionTable(gel, desiccant("type_rd").isotherm, np.zeros(1))
    >>> humidity, slope = table.humidity(np.array([gel.loading_g_per_g(0.20, 23.0)]), 23.0)
    >>> bool(abs(humidity[0] - 0.20) < 2e-4)
    True
    """

    def __init__(self, first: Isotherm, second: Isotherm, score: FloatArray) -> None:
        self._first, self._second = first, second
        place = np.clip(np.rint((score - _SCORES[0]) / (_SCORES[1] - _SCORES[0])), 0, len(_SCORES) - 1)
        rows = place.astype(np.intp)
        self._score = _SCORES[rows]
        logs, rises, full = _grid(first, second)
        self._logs, self._rises, self.grid_rows = logs, rises, rows * _POINTS
        self.full_loading_g_per_g: FloatArray = full[rows]
        self.fill_per_loading = 1.0 / self.full_loading_g_per_g
        self.nearly_full_g_per_g = _FULL * self.full_loading_g_per_g
        self.by_potential = first.by_potential

    def __reduce__(self) -> tuple[type[SorptionTable], tuple[Isotherm, Isotherm, FloatArray]]:
        """Travel between processes as what it was made of; the grid is there already or made once."""
        return SorptionTable, (self._first, self._second, self._score)

    def take(self, draws: NDArray[np.intp]) -> SorptionTable:
        """Return the table of some of the draws, in that order."""
        return SorptionTable(self._first, self._second, self._score[draws])

    def humidity(self, loading_g_per_g: FloatArray, temperature_degc: Numeric) -> tuple[FloatArray, FloatArray]:
        """Return humidity at rest, and its slope by loading."""
        fill = np.minimum(np.maximum(loading_g_per_g * self.fill_per_loading, _EMPTY), _FULL)
        place = np.arcsin(np.sqrt(fill)) * _PER_ANGLE
        cell = place.astype(np.intp)
        at, beyond = self.grid_rows + cell, place - cell
        above = at + 1
        low, rise = self._logs.take(at), self._rises.take(at)
        log_humidity = low + beyond * (self._logs.take(above) - low)
        steepness = rise + beyond * (self._rises.take(above) - rise)
        if self.by_potential:
            power = self.power(temperature_degc)
            log_humidity, steepness = log_humidity * power, steepness * power
        humidity = np.exp(log_humidity)
        per_loading = (0.5 * _PER_ANGLE) * self.fill_per_loading / np.sqrt(fill * (1.0 - fill))
        return humidity, humidity * steepness * per_loading

    def loading(self, relative_humidity: Numeric, temperature_degc: Numeric) -> FloatArray:
        """Return the loading of each draw at rest with this humidity, one for all or one each. [g/g]"""
        if isinstance(relative_humidity, float) and isinstance(temperature_degc, float):
            one, other = _of_both(self._first, self._second, relative_humidity, temperature_degc)
        else:
            humidity = np.clip(relative_humidity, _HUMIDITIES[0], _HUMIDITIES[-1])
            one = self._first.loading_g_per_g(humidity, temperature_degc)
            other = self._second.loading_g_per_g(humidity, temperature_degc)
        return np.asarray((1.0 - self._score) * one + self._score * other)

    def keep_within(self, loading_g_per_g: FloatArray) -> FloatArray:
        """Return loadings kept between dry and full."""
        return np.asarray(np.minimum(np.maximum(loading_g_per_g, _EMPTY), self.nearly_full_g_per_g))

    def power(self, temperature_degc: Numeric) -> Numeric:
        """Dubinin's law of temperature: A = -R T ln(RH) stays, so ln RH goes as 1/T; other curves know none."""
        if not self.by_potential:
            return 1.0 + 0.0 * temperature_degc
        return (REFERENCE_DEGC + KELVIN_AT_0_DEGC) / (temperature_degc + KELVIN_AT_0_DEGC)

    @property
    def grid(self) -> tuple[dict[str, float], FloatArray, FloatArray]:
        """What a compiled look-up takes: constants of the grid, logarithms of humidity, and their rises."""
        return {"empty": _EMPTY, "full": _FULL, "points_per_radian": _PER_ANGLE}, self._logs, self._rises


@lru_cache(maxsize=32)  # a count; judgement: limits are few, and each box asks five times
def _of_both(first: Isotherm, second: Isotherm, humidity: float, temperature_degc: float) -> tuple[Numeric, Numeric]:
    """Loading by both isotherms; kept for the next question and the next box. [g/g]"""
    kept_within = np.clip(humidity, _HUMIDITIES[0], _HUMIDITIES[-1])
    return (
        first.loading_g_per_g(kept_within, temperature_degc),
        second.loading_g_per_g(kept_within, temperature_degc),
    )


@lru_cache(maxsize=32)  # pairs of shapes, a count; judgement: more than a shelf has kinds of beads
def _grid(first: Isotherm, second: Isotherm) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Logarithm of humidity on the grid of fill, its rise from point to point, and the full loading of each score."""
    one = np.asarray(first.loading_g_per_g(_HUMIDITIES, REFERENCE_DEGC))
    other = np.asarray(second.loading_g_per_g(_HUMIDITIES, REFERENCE_DEGC))
    logs, full = np.empty((len(_SCORES), _POINTS)), np.empty(len(_SCORES))
    fill: NDArray[np.float64] = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, _POINTS)) ** 2
    for row, score in enumerate(_SCORES):
        # beyond the published ends a blend may bend back; it is kept rising by a hair: 1e-9 g/g a point, a judgement
        loading = np.maximum.accumulate((1.0 - score) * one + score * other) + 1e-9 * np.arange(len(one))
        full[row] = loading[-1]
        below = np.log(_HUMIDITIES[0]) - 3.0  # [ln of a fraction] judgement: any dry end will do
        logs[row] = np.interp(fill * full[row], np.r_[0.0, loading], np.r_[below, np.log(_HUMIDITIES)])
    return logs.ravel(), np.asarray(np.gradient(logs, axis=1), dtype=np.float64).ravel(), full
