"""Toth's isotherm with temperature-dependent constants: zeolites over a wide range of temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.physics.numerics import FloatArray, Numeric, plain, require_within
from monitor.physics.saturation import (
    VAPOR_GAS_CONSTANT_J_PER_KG_PER_K,
    WATER_MOLAR_MASS_G_PER_MOL,
    heat_of_vaporization_kj_per_kg,
    saturation_vapor_pressure_pa,
)
from monitor.physics.sorption.isotherm import Isotherm
from monitor.units import KELVIN_AT_0_DEGC

_HALF_STEP_K = 0.05  # judgement: small against the curve, large against rounding


@dataclass(frozen=True)
class Toth(Isotherm):
    """q = a p / (1 + (b p)^t)^(1/t), with a = a0 exp(E/T), b = b0 exp(E/T), t = t0 + c/T, p in kPa.

    References
    ----------
    .. [1] Wang, LeVan (2009), J. Chem. Eng. Data 54:2839, doi:10.1021/je800900a.

    Examples
    --------
    >>> sieve = Toth(1.10602e-8, 4.714e-10, 9955.0, 0.3548, -51.14)
    >>> round(sieve.loading_g_per_g(0.2, 25.0), 3), round(sieve.relative_humidity(0.2249, 25.0), 2)
    (0.225, 0.2)
    """

    affinity_mol_per_kg_per_kpa: float
    saturation_per_kpa: float
    energy_k: float
    heterogeneity: float
    heterogeneity_k: float

    def _constants(self, temperature_degc: Numeric) -> tuple[Numeric, Numeric, Numeric]:
        """a in g/g/kPa, b in 1/kPa, t."""
        T = temperature_degc + KELVIN_AT_0_DEGC
        boltzmann = np.exp(self.energy_k / T)
        a = self.affinity_mol_per_kg_per_kpa * WATER_MOLAR_MASS_G_PER_MOL / 1e3 * boltzmann
        return a, self.saturation_per_kpa * boltzmann, self.heterogeneity + self.heterogeneity_k / T

    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        a, b, t = self._constants(temperature_degc)
        p = self._pressure_kpa(relative_humidity, temperature_degc)
        return plain(a * p / (1.0 + (b * p) ** t) ** (1.0 / t))

    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
        saturation_kpa = saturation_vapor_pressure_pa(temperature_degc) / 1e3
        full = self.loading_g_per_g(1.0, temperature_degc)
        pressure_kpa = self._pressure_at_loading_kpa(np.minimum(loading_g_per_g, full), temperature_degc)
        return plain(np.minimum(pressure_kpa / saturation_kpa, 1.0))

    def _pressure_at_loading_kpa(self, loading: Numeric, temperature_degc: Numeric) -> FloatArray:
        a, b, t = self._constants(temperature_degc)
        relative = np.asarray(b / a * loading) ** t
        return np.asarray(loading / a / (1.0 - relative) ** (1.0 / t))

    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        a, b, t = self._constants(temperature_degc)
        p = self._pressure_kpa(relative_humidity, temperature_degc)
        per_kpa = a / (1.0 + (b * p) ** t) ** (1.0 / t + 1.0)
        return plain(per_kpa * saturation_vapor_pressure_pa(temperature_degc) / 1e3)

    def heat_of_adsorption_kj_per_kg(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return Rv T² d ln p / dT at constant loading (Clausius-Clapeyron), by central difference over 0.1 K.

        Near saturation the published constants of 5A fall up to 8 % below the heat of vaporization, which no
        adsorbed water does; that heat is the least returned.
        """
        # [fraction] judgement: no logarithm of zero
        loading = self.loading_g_per_g(np.maximum(relative_humidity, 1e-9), temperature_degc)
        warm = self._pressure_at_loading_kpa(loading, temperature_degc + _HALF_STEP_K)
        cool = self._pressure_at_loading_kpa(loading, temperature_degc - _HALF_STEP_K)
        T = temperature_degc + KELVIN_AT_0_DEGC
        heat = VAPOR_GAS_CONSTANT_J_PER_KG_PER_K / 1e3 * T * T * np.log(warm / cool) / (2.0 * _HALF_STEP_K)
        return plain(np.maximum(heat, heat_of_vaporization_kj_per_kg(temperature_degc)))

    def _pressure_kpa(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        return relative_humidity * saturation_vapor_pressure_pa(temperature_degc) / 1e3
