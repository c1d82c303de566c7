"""Moist air: vapor pressure, humidity in its several measures, dew and frost point.

Relative humidity is a fraction of saturation over *liquid* water at every temperature, as hygrometers report it.
Water vapor counts as an ideal gas; what leaving out the enhancement factor costs (0.4 %) cancels between the two
sides of a box wall, so it enters only where a humidity ratio is asked for.
"""

from __future__ import annotations

import numpy as np

from monitor.physics.numerics import Numeric, in_blocks, plain, require_within
from monitor.physics.saturation import (
    TRIPLE_POINT_DEGC,
    VAPOR_GAS_CONSTANT_J_PER_KG_PER_K,
    dew_point_from_vapor_pressure,
    frost_point_from_vapor_pressure,
    saturation_vapor_pressure_over_ice_pa,
    saturation_vapor_pressure_pa,
)
from monitor.units import KELVIN_AT_0_DEGC

__all__ = [
    "PRESSURE_RANGE_PA",
    "REFERENCE_DEGC",
    "STANDARD_PRESSURE_PA",
    "Numeric",
    "absolute_humidity_g_per_m3",
    "dew_point_degc",
    "dew_point_from_vapor_pressure",
    "enhancement_factor",
    "frost_point_degc",
    "frost_point_from_vapor_pressure",
    "mixing_ratio_from_vapor_pressure_g_per_kg",
    "mixing_ratio_g_per_kg",
    "moist_air_density_kg_per_m3",
    "relative_humidity_from_vapor_pressure",
    "saturation_vapor_pressure_over_ice_pa",
    "saturation_vapor_pressure_pa",
    "vapor_pressure_pa",
]

STANDARD_PRESSURE_PA = 101_325.0
"""Standard atmosphere (ISO 2533:1975)."""

PRESSURE_RANGE_PA = (20_000.0, 2_000_000.0)
"""Where the enhancement factor is used. A judgement: about where Greenspan (1976) fitted it, recalled and not read."""

VAPOR_TO_AIR_MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air. [g/g] (ASHRAE Handbook - Fundamentals 2017, ch. 1)."""

DRY_AIR_GAS_CONSTANT_J_PER_KG_PER_K = 287.042
"""ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. 1."""

# Greenspan (1976), J. Res. NBS 80A:41: polynomials in °C for alpha and for ln beta [1, per °C, per °C² ...]
_OVER_WATER = ((3.53624e-4, 2.93228e-5, 2.61474e-7, 8.57538e-9), (-10.7588, 6.32529e-2, -2.53591e-4, 6.33784e-7))
# the same over ice: Greenspan (1976) [1, per °C, per °C² ...]
_OVER_ICE = ((3.64449e-4, 2.93631e-5, 4.88635e-7, 4.36543e-9), (-10.7271, 7.61989e-2, -1.74771e-4, 2.46721e-6))
_BOILS_DEGC = 100.0  # under one atmosphere, where the fit of Greenspan (1976) ends
MOST_VAPOR_SHARE = 0.999  # of the air pressure; judgement: short of boiling, where the mixing ratio is infinite
REFERENCE_DEGC = 23.0
"""A room, where nothing else is said: the temperature at which plastics are tested (ISO 62, at 23 °C and 50 % RH)."""


def require_relative_humidity(relative_humidity: Numeric) -> None:
    """Raise unless the humidity is a fraction from 0 to 1."""
    require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)


@in_blocks
def vapor_pressure_pa(temperature_degc: Numeric, relative_humidity: Numeric) -> Numeric:
    """Return the partial pressure of water vapor in air.

    By definition of relative humidity (WMO-No. 8, annex 4.B), over liquid water. [Pa]

    Examples
    --------
    >>> round(vapor_pressure_pa(20.0, 0.5), 1)
    1169.6
    """
    require_relative_humidity(relative_humidity)
    return relative_humidity * saturation_vapor_pressure_pa(temperature_degc)


def relative_humidity_from_vapor_pressure(temperature_degc: Numeric, vapor_pressure_pa: Numeric) -> Numeric:
    """Return relative humidity for a vapor pressure; above 1 the air would be supersaturated.

    Examples
    --------
    >>> round(relative_humidity_from_vapor_pressure(55.0, 1169.6), 4)
    0.0742
    """
    return vapor_pressure_pa / saturation_vapor_pressure_pa(temperature_degc)


@in_blocks
def absolute_humidity_g_per_m3(temperature_degc: Numeric, relative_humidity: Numeric) -> Numeric:
    """Return the density of water vapor in air, taken as an ideal gas (within 0.2 % at room conditions). [g/m³]

    Examples
    --------
    DIN 55474 takes 13.83 g/m³ for 20 °C and 80 % RH.

    >>> round(absolute_humidity_g_per_m3(20.0, 0.8), 2)
    13.83
    """
    return vapor_pressure_pa(temperature_degc, relative_humidity) * grams_per_m3_per_pa(temperature_degc)


def grams_per_m3_per_pa(temperature_degc: Numeric) -> Numeric:
    """Return vapor density for each pascal of vapor pressure, 1/(Rv T): the ideal gas law. [g/m³/Pa]

    Examples
    --------
    >>> round(1000.0 * grams_per_m3_per_pa(23.0), 3)
    7.316
    """
    return 1e3 / (VAPOR_GAS_CONSTANT_J_PER_KG_PER_K * (temperature_degc + KELVIN_AT_0_DEGC))


@in_blocks
def dew_point_degc(temperature_degc: Numeric, relative_humidity: Numeric) -> Numeric:
    """Return the dew point: where this vapor saturates over liquid water, supercooled below 0 °C.

    In a dry box it lies about a kelvin below the frost point; the two are never mixed here. [°C]

    Examples
    --------
    >>> round(dew_point_degc(25.0, 0.1), 2)
    -8.71
    """
    return dew_point_from_vapor_pressure(vapor_pressure_pa(temperature_degc, relative_humidity))


@in_blocks
def frost_point_degc(temperature_degc: Numeric, relative_humidity: Numeric) -> Numeric:
    """Return the frost point: where this vapor saturates over ice; only below 611.657 Pa. [°C]

    Examples
    --------
    >>> round(frost_point_degc(25.0, 0.1), 2)
    -7.74
    """
    return frost_point_from_vapor_pressure(vapor_pressure_pa(temperature_degc, relative_humidity))


def enhancement_factor(temperature_degc: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA) -> Numeric:
    """Return how much more vapor saturated *air* holds than pure vapor would: f = 1.004 at room conditions.

    Over water from the triple point to 100 °C, over ice from there down to -100 °C; 1 where water would boil.
    Within 0.02 % of a real-gas equation (CoolProp humid air) from 0 to 90 °C at one atmosphere.

    References
    ----------
    .. [1] Greenspan (1976), J. Res. NBS 80A:41-44.

    Examples
    --------
    >>> round(enhancement_factor(25.0), 4)
    1.0041
    """
    require_within("pressure_pa", pressure_pa, *PRESSURE_RANGE_PA, "Pa")
    t = temperature_degc
    if isinstance(t, float | int):
        if t > _BOILS_DEGC:
            return plain(1.0 + 0.0 * np.asarray(pressure_pa))
        return _over_ice(t, pressure_pa) if t < TRIPLE_POINT_DEGC else _over_water(t, pressure_pa)
    ice = _over_ice(np.clip(t, -100.0, TRIPLE_POINT_DEGC), pressure_pa)
    water = _over_water(np.clip(t, TRIPLE_POINT_DEGC, _BOILS_DEGC), pressure_pa)
    return np.where(t > _BOILS_DEGC, 1.0, np.where(t < TRIPLE_POINT_DEGC, ice, water))


def _over_water(t: Numeric, pressure_pa: Numeric) -> Numeric:
    return _greenspan(t, saturation_vapor_pressure_pa(t) / pressure_pa, *_OVER_WATER)


def _over_ice(t: Numeric, pressure_pa: Numeric) -> Numeric:
    return _greenspan(t, saturation_vapor_pressure_over_ice_pa(t) / pressure_pa, *_OVER_ICE)


def _greenspan(t: Numeric, ratio: Numeric, alpha: tuple[float, ...], beta: tuple[float, ...]) -> Numeric:
    """[1]: exp(alpha (1 - e/p) + beta (p/e - 1)); no more than boiling."""
    ratio = np.minimum(ratio, 1.0)
    return plain(np.exp(_polynomial(alpha, t) * (1.0 - ratio) + np.exp(_polynomial(beta, t)) * (1.0 / ratio - 1.0)))


def _polynomial(coefficients: tuple[float, ...], t: Numeric) -> Numeric:
    total: Numeric = coefficients[-1]
    for coefficient in coefficients[-2::-1]:
        total = total * t + coefficient
    return total


def mixing_ratio_from_vapor_pressure_g_per_kg(
    vapor_pressure_pa: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA
) -> Numeric:
    """Return grams of water vapor for each kilogram of dry air: W = 0.621945 p_v / (p - p_v). [g/kg]

    Raises
    ------
    OutOfRangeError
        If the vapor would fill the whole pressure (water boils).

    References
    ----------
    .. [1] ASHRAE, Handbook - Fundamentals, 2017, ch. 1, eq. 20.

    Examples
    --------
    >>> round(mixing_ratio_from_vapor_pressure_g_per_kg(3169.7, 95_461.0), 4)
    21.3604
    """

    require_within("vapor pressure over air pressure", vapor_pressure_pa / pressure_pa, 0.0, MOST_VAPOR_SHARE)
    return 1e3 * VAPOR_TO_AIR_MASS_RATIO * vapor_pressure_pa / (pressure_pa - vapor_pressure_pa)


@in_blocks
def mixing_ratio_g_per_kg(
    temperature_degc: Numeric, relative_humidity: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA
) -> Numeric:
    """Return grams of water vapor for each kilogram of dry air, the enhancement factor applied.

    Saturated air is within 0.1 % of ASHRAE Fundamentals 2017, ch. 1, table 2, from -20 to 85 °C. [g/kg]

    Examples
    --------
    >>> round(mixing_ratio_g_per_kg(25.0, 1.0), 2)
    20.17
    """
    vapor = enhancement_factor(temperature_degc, pressure_pa) * vapor_pressure_pa(temperature_degc, relative_humidity)
    return mixing_ratio_from_vapor_pressure_g_per_kg(vapor, pressure_pa)


def moist_air_density_kg_per_m3(
    temperature_degc: Numeric, relative_humidity: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA
) -> Numeric:
    """Return the density of moist air, dry air and vapor as ideal gases; within 0.1 % at room conditions. [kg/m³]

    References
    ----------
    .. [1] ASHRAE, Handbook - Fundamentals, 2017, ch. 1, eqs. 26 and 28.

    Examples
    --------
    >>> round(moist_air_density_kg_per_m3(20.0, 0.5), 3)
    1.199
    """
    vapor = vapor_pressure_pa(temperature_degc, relative_humidity)
    require_within("vapor pressure over air pressure", vapor / pressure_pa, 0.0, 1.0)
    dry = (pressure_pa - vapor) / (DRY_AIR_GAS_CONSTANT_J_PER_KG_PER_K * (temperature_degc + KELVIN_AT_0_DEGC))
    return dry + vapor * grams_per_m3_per_pa(temperature_degc) / 1e3
