"""Where water vapor saturates, over liquid water and over ice, and what it takes to evaporate it."""

from __future__ import annotations

from functools import cache

import numpy as np

from monitor.physics.numerics import FloatArray, InverseTable, Numeric, in_blocks, plain, require_within
from monitor.units import KELVIN_AT_0_DEGC

GAS_CONSTANT_J_PER_MOL_PER_K = 8.314462618
"""Molar gas constant, exact since 2019 (SI brochure, 9th ed.)."""

WATER_MOLAR_MASS_G_PER_MOL = 18.015268
"""IAPWS R6-95(2018), section 2."""

VAPOR_GAS_CONSTANT_J_PER_KG_PER_K = 461.526
"""Specific gas constant of water vapor (IAPWS R7-97, eq. 1)."""

TRIPLE_POINT_DEGC = 0.01  # 273.16 K, IAPWS R14-08(2011)
TRIPLE_POINT_PRESSURE_PA = 611.657  # IAPWS R14-08(2011), eq. 6

WATER_RANGE_DEGC = (-45.0, 373.946)
"""Up to the critical point (IAPWS SR1-86); down as far as the equation, carried on, was held to Sonntag (1990)."""
ICE_RANGE_DEGC = (-223.15, TRIPLE_POINT_DEGC)
"""From 50 K, as IAPWS R14-08(2011) has it."""
FROST_RANGE_DEGC = (-130.0, TRIPLE_POINT_DEGC)
"""A judgement: drier than any air that is met, and still resolved by the table of the inverse."""
VAPORIZATION_RANGE_DEGC = (WATER_RANGE_DEGC[0], 370.0)
"""A judgement: short of the critical point, where two equal densities are subtracted."""

# Wagner & Pruss 2002 [1]: critical point and the coefficients of th, th^1.5, th^3, th^3.5, th^4, th^7.5
_CRITICAL_K, _CRITICAL_PA, _CRITICAL_KG_PER_M3 = 647.096, 22.064e6, 322.0
# [1] eq. 2.5, no unit: they multiply powers of th = 1 - T/Tc
_A1, _A2, _A3, _A4, _A5, _A6 = -7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502
FIT_OVER_WATER = {
    "critical_k": _CRITICAL_K, "critical_pa": _CRITICAL_PA,
    "a1": _A1, "a2": _A2, "a3": _A3, "a4": _A4, "a5": _A5, "a6": _A6,
}  # fmt: skip
"""The same by the names that compiled code has for them."""
# IAPWS SR1-86(1992), eq. 2: (power of th, coefficient) for the ratio of liquid to critical density
_LIQUID = ((1 / 3, 1.99274064), (2 / 3, 1.09965342), (5 / 3, -0.510839303), (16 / 3, -1.75493479),
           (43 / 3, -45.5170352), (110 / 3, -6.74694450e5))  # fmt: skip
# same release, IAPWS SR1-86(1992), eq. 3: (power of th, coefficient) for the log of the ratio of vapor density
_VAPOR = ((2 / 6, -2.03150240), (4 / 6, -2.68302940), (8 / 6, -5.38626492), (18 / 6, -17.2991605),
          (37 / 6, -44.7586581), (71 / 6, -63.9201063))  # fmt: skip
# IAPWS R14-08(2011), eq. 6: (power, coefficient) of the ratio T / Tt
_ICE = ((0.00333333333, -21.2144006), (1.20666667, 27.3203819), (1.70333333, -6.10598130))
_TRIPLE_K = 273.16  # IAPWS R14-08(2011)


@in_blocks
def saturation_vapor_pressure_pa(temperature_degc: Numeric) -> Numeric:
    """Return the pressure at which air at this temperature is full of water vapor, over liquid water.

    Parameters
    ----------
    temperature_degc : float or ndarray
        From -45 to 373.946. Below 0.01 the equation is carried on to supercooled water. [°C]

    Returns
    -------
    float or ndarray
        Saturation vapor pressure. Within 0.01 % of IAPWS-95 from 0.01 to 120 °C; below, within 0.1 % of Sonntag (1990)
        to -45 °C, and 0.08 % of Murphy and Koop (2005) to -20 °C, 1.3 % above them at -45 °C. [Pa]

    Raises
    ------
    OutOfRangeError
        If any temperature is missing or out of range.

    References
    ----------
    .. [1] Wagner, Pruss (2002), J. Phys. Chem. Ref. Data 31:387, eq. 2.5; the same as IAPWS SR1-86(1992), eq. 1.

    Examples
    --------
    >>> round(saturation_vapor_pressure_pa(25.0), 1)
    3169.8
    """
    require_within("temperature_degc", temperature_degc, *WATER_RANGE_DEGC, "°C")
    T = temperature_degc + KELVIN_AT_0_DEGC
    return plain(_CRITICAL_PA * np.exp(_log_reduced_pressure(T)))


def _log_reduced_pressure(T: Numeric) -> FloatArray:
    """Right side of [1] eq. 2.5, its half powers taken by one square root."""
    th = np.abs(1.0 - T / _CRITICAL_K)  # rounding may carry the critical point across zero
    root = np.sqrt(th)
    th2 = th * th
    series = th * (_A1 + _A2 * root + th2 * (_A3 + _A4 * root + _A5 * th + _A6 * root * (th2 * th2)))
    return np.asarray(series * _CRITICAL_K / T)


def log_saturation_slope_per_k(temperature_degc: Numeric) -> Numeric:
    """Return d ln(saturation pressure over water) / dT, the derivative of [1] eq. 2.5. [1/K]

    Examples
    --------
    About 6.2 % a kelvin at 20 °C.

    >>> round(log_saturation_slope_per_k(20.0), 3)
    0.062
    """
    require_within("temperature_degc", temperature_degc, *WATER_RANGE_DEGC, "°C")
    T = temperature_degc + KELVIN_AT_0_DEGC
    th = np.abs(1.0 - T / _CRITICAL_K)
    root = np.sqrt(th)
    slope = (  # each term of Wagner & Pruss (2002), eq. 2.5, times its power of the ratio th
        _A1 + 1.5 * _A2 * root
        + th * th * (3.0 * _A3 + 3.5 * _A4 * root + 4.0 * _A5 * th + 7.5 * _A6 * root * th**4)
    )  # fmt: skip
    return plain(-(_log_reduced_pressure(T) + slope) / T)


@in_blocks
def saturation_vapor_pressure_over_ice_pa(temperature_degc: Numeric) -> Numeric:
    """Return the saturation vapor pressure over ice.

    Parameters
    ----------
    temperature_degc : float or ndarray
        From -223.15 to 0.01. [°C]

    Returns
    -------
    float or ndarray
        Sublimation pressure; uncertainty of the release 0.1 % down to -83 °C. [Pa]

    Raises
    ------
    OutOfRangeError
        If any temperature is missing or out of range.

    References
    ----------
    .. [1] IAPWS R14-08(2011), Pressure along the Melting and Sublimation Curves, eq. 6.

    Examples
    --------
    >>> round(saturation_vapor_pressure_over_ice_pa(-43.15), 5)
    8.94735
    """
    require_within("temperature_degc", temperature_degc, *ICE_RANGE_DEGC, "°C")
    th = (temperature_degc + KELVIN_AT_0_DEGC) / _TRIPLE_K
    series = sum(b * th**c for c, b in _ICE)
    return plain(TRIPLE_POINT_PRESSURE_PA * np.exp(series / th))


@in_blocks
def dew_point_from_vapor_pressure(vapor_pressure_pa: Numeric) -> Numeric:
    """Return the temperature at which this vapor would saturate over liquid water, supercooled below 0 °C. [°C]

    The inverse of `saturation_vapor_pressure_pa`, to 1e-8 K up to 350 °C, between 11.2 Pa (-45 °C) and 22 MPa.

    Examples
    --------
    >>> round(dew_point_from_vapor_pressure(3169.82449), 6)
    25.0
    """
    low, high = _pressure_range_over_water_pa()
    require_within("vapor_pressure_pa", vapor_pressure_pa, low, high, "Pa")
    return plain(_dew_point_table()(np.log(vapor_pressure_pa)))


@in_blocks
def frost_point_from_vapor_pressure(vapor_pressure_pa: Numeric) -> Numeric:
    """Return the temperature at which this vapor would saturate over ice. [°C]

    The inverse of `saturation_vapor_pressure_over_ice_pa`, to 1e-9 K, from -130 °C to the triple point. Above
    611.657 Pa there is no frost point.

    Examples
    --------
    >>> round(frost_point_from_vapor_pressure(8.94735274), 5)
    -43.15
    """
    low = float(saturation_vapor_pressure_over_ice_pa(FROST_RANGE_DEGC[0]))
    require_within("vapor_pressure_pa", vapor_pressure_pa, low, TRIPLE_POINT_PRESSURE_PA, "Pa")
    return plain(_frost_point_table()(np.log(vapor_pressure_pa)))


@cache
def _pressure_range_over_water_pa() -> tuple[float, float]:
    low, high = WATER_RANGE_DEGC
    return float(saturation_vapor_pressure_pa(low)), float(saturation_vapor_pressure_pa(high))


@cache
def _dew_point_table() -> InverseTable:
    def forward(t: FloatArray) -> FloatArray:
        return np.asarray(np.log(saturation_vapor_pressure_pa(t)))

    def slope(t: FloatArray) -> FloatArray:
        return np.asarray(log_saturation_slope_per_k(t))

    return InverseTable(forward, slope, WATER_RANGE_DEGC)


@cache
def _frost_point_table() -> InverseTable:
    def forward(t: FloatArray) -> FloatArray:
        return np.asarray(np.log(saturation_vapor_pressure_over_ice_pa(t)))

    def slope(t: FloatArray) -> FloatArray:
        th = (t + KELVIN_AT_0_DEGC) / _TRIPLE_K
        return np.asarray(sum(b * (c - 1.0) * th ** (c - 2.0) for c, b in _ICE) / _TRIPLE_K)

    return InverseTable(forward, slope, FROST_RANGE_DEGC)


def heat_of_vaporization_kj_per_kg(temperature_degc: Numeric) -> Numeric:
    """Return the heat that evaporates liquid water at its saturation pressure.

    Clapeyron's equation with the densities of the two saturated phases.

    Parameters
    ----------
    temperature_degc : float or ndarray
        From -45 (supercooled, carried on) to 370. [°C]

    Returns
    -------
    float or ndarray
        Within 0.05 % of IAPWS-95 from 0.01 to 150 °C. [kJ/kg]

    References
    ----------
    .. [1] IAPWS SR1-86(1992), eqs. 1-3, with h'' - h' = T (v'' - v') dp/dT.

    Examples
    --------
    >>> round(heat_of_vaporization_kj_per_kg(25.0), 0)
    2442.0
    """
    require_within("temperature_degc", temperature_degc, *VAPORIZATION_RANGE_DEGC, "°C")
    T = temperature_degc + KELVIN_AT_0_DEGC
    th = 1.0 - T / _CRITICAL_K
    liquid = _CRITICAL_KG_PER_M3 * (1.0 + sum(b * th**n for n, b in _LIQUID))
    vapor = _CRITICAL_KG_PER_M3 * np.exp(sum(c * th**n for n, c in _VAPOR))
    slope_pa_per_k = saturation_vapor_pressure_pa(temperature_degc) * log_saturation_slope_per_k(temperature_degc)
    return plain(T * (1.0 / vapor - 1.0 / liquid) * slope_pa_per_k / 1e3)
