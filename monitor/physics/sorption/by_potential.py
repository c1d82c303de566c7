"""Isotherms of microporous gels: loading depends on the adsorption potential alone (Dubinin's theory of pore filling).

One potential A = R T ln(psat(T) / p) stands for humidity and temperature together, so one curve serves the box at
20 °C and the dryer at 110 °C, and the heat of adsorption follows from the same curve.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from monitor.physics.numerics import FloatArray, InverseTable, Numeric, in_blocks, plain, require_within
from monitor.physics.saturation import (
    GAS_CONSTANT_J_PER_MOL_PER_K,
    WATER_MOLAR_MASS_G_PER_MOL,
    heat_of_vaporization_kj_per_kg,
)
from monitor.physics.sorption.isotherm import Isotherm
from monitor.units import KELVIN_AT_0_DEGC

_NOTHING = 1e-300  # [fraction] judgement: lets a logarithm take zero humidity, and changes no other


def adsorption_potential_j_per_mol(relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
    """Return A = -R T ln(RH), the work to bring a mole of vapor to saturation. [J/mol]

    References
    ----------
    .. [1] Dubinin (1960), Chem. Rev. 60:235.

    Examples
    --------
    >>> round(adsorption_potential_j_per_mol(0.1, 25.0))
    5708
    """
    require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
    return plain(-_work_j_per_mol(temperature_degc) * np.log(relative_humidity + _NOTHING))


def _work_j_per_mol(temperature_degc: Numeric) -> Numeric:
    return GAS_CONSTANT_J_PER_MOL_PER_K * (temperature_degc + KELVIN_AT_0_DEGC)


class PotentialIsotherm(Isotherm):
    """An isotherm that knows its loading from the potential, and the potential from its loading."""

    @abstractmethod
    def loading_at_potential(self, potential_j_per_mol: Numeric) -> FloatArray:
        """Return the loading at a potential A. [g/g]"""

    @abstractmethod
    def potential_slope(self, potential_j_per_mol: Numeric) -> FloatArray:
        """Return d loading / dA, never above zero. [g/g per J/mol]"""

    @abstractmethod
    def potential_at_loading(self, loading_g_per_g: Numeric) -> FloatArray:
        """Return the potential A that holds this loading; 0 at and beyond saturation. [J/mol]"""

    @in_blocks
    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        return plain(self.loading_at_potential(adsorption_potential_j_per_mol(relative_humidity, temperature_degc)))

    @in_blocks
    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
        potential = self.potential_at_loading(loading_g_per_g)
        return plain(np.exp(potential / -_work_j_per_mol(temperature_degc)))

    @in_blocks
    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        potential = adsorption_potential_j_per_mol(relative_humidity, temperature_degc)
        per_humidity = _work_j_per_mol(temperature_degc) / (relative_humidity + _NOTHING)
        return plain(-self.potential_slope(potential) * per_humidity)

    def heat_of_adsorption_kj_per_kg(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return heat of vaporization plus A: exact for a loading that depends on A alone (Clausius-Clapeyron)."""
        potential = adsorption_potential_j_per_mol(relative_humidity, temperature_degc)
        return heat_of_vaporization_kj_per_kg(temperature_degc) + potential / WATER_MOLAR_MASS_G_PER_MOL

    def relative_humidity_at(
        self, relative_humidity: Numeric, temperature_degc: Numeric, new_temperature_degc: Numeric
    ) -> Numeric:
        """Return the humidity at another temperature: A is kept, so RH' = RH^(T/T')."""
        potential = adsorption_potential_j_per_mol(relative_humidity, temperature_degc)
        return plain(np.exp(-potential / _work_j_per_mol(new_temperature_degc)))


@dataclass(frozen=True)
class DubininAstakhov(PotentialIsotherm):
    """q = W0 exp(-(A/E)^n).

    References
    ----------
    .. [1] Dubinin, Astakhov (1971), Adv. Chem. Ser. 102:69.

    Examples
    --------
    >>> sieve = DubininAstakhov(0.205, 15_700.0, 2.27)
    >>> round(sieve.loading_g_per_g(0.1, 25.0), 3), round(sieve.relative_humidity(0.185, 25.0), 2)
    (0.185, 0.1)
    """

    capacity_g_per_g: float
    energy_j_per_mol: float
    exponent: float

    def loading_at_potential(self, potential_j_per_mol: Numeric) -> FloatArray:
        ratio = potential_j_per_mol / self.energy_j_per_mol
        return np.asarray(self.capacity_g_per_g * np.exp(-(ratio**self.exponent)))

    def potential_slope(self, potential_j_per_mol: Numeric) -> FloatArray:
        ratio = potential_j_per_mol / self.energy_j_per_mol
        steepness = self.exponent / self.energy_j_per_mol * ratio ** (self.exponent - 1.0)
        return np.asarray(-steepness * self.loading_at_potential(potential_j_per_mol))

    def potential_at_loading(self, loading_g_per_g: Numeric) -> FloatArray:
        empty = np.maximum(-np.log(loading_g_per_g / self.capacity_g_per_g + _NOTHING), 0.0)
        return np.asarray(self.energy_j_per_mol * empty ** (1.0 / self.exponent))


@dataclass(frozen=True)
class TwoTermDubinin(PotentialIsotherm):
    """q = W1 exp(-(A/E1)^n1) + W2 exp(-(A/E2)^n2): pores that fill by capillarity, and a surface that holds on.

    The inverse is a table in sqrt(-ln(q/qmax)), in which the curve is smooth; near saturation and for the last
    traces it is polished by Newton's method. Round trips hold to 1e-9 of the humidity.

    Examples
    --------
    >>> gel = TwoTermDubinin((0.210, 0.123), (3370.0, 7200.0), (2.0, 1.30))
    >>> round(gel.loading_g_per_g(0.2, 25.0), 3), round(gel.relative_humidity(0.129, 25.0), 3)
    (0.129, 0.2)
    """

    capacity_g_per_g: tuple[float, float]
    energy_j_per_mol: tuple[float, float]
    exponent: tuple[float, float]

    def _terms(self, potential: Numeric) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Both loadings, and both exponents (A/E)^n that belong to them."""
        (w1, w2), (e1, e2), (n1, n2) = self.capacity_g_per_g, self.energy_j_per_mol, self.exponent
        a = np.asarray(potential, dtype=np.float64)
        power1, power2 = (a / e1) ** n1, (a / e2) ** n2
        return w1 * np.exp(-power1), w2 * np.exp(-power2), power1, power2

    def loading_at_potential(self, potential_j_per_mol: Numeric) -> FloatArray:
        first, second, _, _ = self._terms(potential_j_per_mol)
        return first + second

    def potential_slope(self, potential_j_per_mol: Numeric) -> FloatArray:
        first, second, power1, power2 = self._terms(potential_j_per_mol)
        n1, n2 = self.exponent
        return -(n1 * first * power1 + n2 * second * power2) / np.maximum(potential_j_per_mol, _SMALLEST_J_PER_MOL)

    def potential_at_loading(self, loading_g_per_g: Numeric) -> FloatArray:
        capacity = sum(self.capacity_g_per_g)
        x = np.sqrt(np.maximum(np.log(capacity / (np.asarray(loading_g_per_g) + _NOTHING)), 0.0))
        table, x_high = self._table
        potential = table(x)
        if x.size and (x.min() < _NEAR_SATURATION or x.max() > x_high):
            edge = (x < _NEAR_SATURATION) | (x > x_high)
            potential[edge] = self._polished(x[edge])
        return potential

    def _polished(self, x: FloatArray) -> FloatArray:
        """Newton in the plain of the wider term's own inverse, which is nearly straight at both ends."""
        (_, w2), (_, e2), (_, n2) = self.capacity_g_per_g, self.energy_j_per_mol, self.exponent
        capacity = sum(self.capacity_g_per_g)
        near = x < 1.0
        drop = np.where(near, -np.expm1(-x * x) * capacity / w2, x * x + np.log(w2 / capacity))
        a = e2 * np.maximum(drop, 0.0) ** (1.0 / n2)
        for _ in range(6):  # steps of Newton; judgement: digits double, 6 reach rounding from anywhere
            first, second, power1, power2 = self._terms(a)
            missing = -(self.capacity_g_per_g[0] * np.expm1(-power1) + w2 * np.expm1(-power2))
            miss = np.where(near, missing + capacity * np.expm1(-x * x), np.log((first + second) / capacity) + x * x)
            per_a = -self.potential_slope(a) * np.where(near, 1.0, -1.0 / np.maximum(first + second, _NOTHING))
            a = np.maximum(a - miss / np.where(per_a == 0.0, np.inf, per_a), 0.0)
        return np.where(x == 0.0, 0.0, a)

    def __getstate__(self) -> dict[str, object]:
        """Travel and be kept without the table, which is ten times the size of all else in a fit."""
        return {name: value for name, value in self.__dict__.items() if name != "_table"}

    @cached_property
    def _table(self) -> tuple[InverseTable, float]:
        capacity = sum(self.capacity_g_per_g)

        def forward(a: FloatArray) -> FloatArray:
            return np.asarray(np.sqrt(-np.log(self.loading_at_potential(a) / capacity)))

        def slope(a: FloatArray) -> FloatArray:
            q = self.loading_at_potential(a)
            return np.asarray(-self.potential_slope(a) / (2.0 * q * forward(a)))

        high = 8.0 * self.energy_j_per_mol[1]  # times E2; judgement: next to nothing is held there
        # J/mol and pieces; judgement: round trips then hold to 1e-9 of the humidity
        return InverseTable(forward, slope, (1e-4, high), pieces=16_384), float(forward(np.asarray(high)))


_SMALLEST_J_PER_MOL = 1e-12  # judgement: keeps 0/0 out at saturation, and changes nothing else
_NEAR_SATURATION = 0.004  # [square root of a logarithm, no unit] judgement: nearer to full the table is too coarse
