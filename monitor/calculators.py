"""The two calculators: a column of temperatures and humidities in, columns of physics out; they show, and know no box."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.physics import materials
from monitor.physics import psychrometrics as air
from monitor.physics.numerics import FloatArray, require_within
from monitor.physics.saturation import ICE_RANGE_DEGC, TRIPLE_POINT_PRESSURE_PA, WATER_RANGE_DEGC
from monitor.physics.sorption import Isotherm

Columns = Mapping[str, FloatArray]


def moist_air(temperature_c: FloatArray, rh_pct: FloatArray, pressure_pa: FloatArray) -> Columns:
    """Return every moist-air quantity for each row; a quantity that does not exist there is NaN.

    There is no frost point at or above 611.657 Pa, no dew point over liquid water below -45 °C, and no mixing ratio
    where the vapor alone would exceed the air pressure.

    Examples
    --------
    >>> row = moist_air(np.array([25.0]), np.array([10.0]), np.array([101325.0]))
    >>> round(float(row["dew_point_c"][0]), 2), round(float(row["frost_point_c"][0]), 2)
    (-8.71, -7.74)
    """
    require_within("rh_pct", rh_pct, 0.0, 100.0, "%")
    require_within("temperature_c", temperature_c, *WATER_RANGE_DEGC, "°C")
    humidity = rh_pct / 100.0
    vapor = np.asarray(air.vapor_pressure_pa(temperature_c, humidity))
    factor = np.asarray(air.enhancement_factor(temperature_c, pressure_pa))
    dew_low = float(air.saturation_vapor_pressure_pa(WATER_RANGE_DEGC[0]))
    frost_low = float(air.saturation_vapor_pressure_over_ice_pa(-130.0))
    freezes = (vapor >= frost_low) & (vapor < TRIPLE_POINT_PRESSURE_PA)
    is_air = factor * vapor < 0.999 * pressure_pa
    return {
        "saturation_pa": np.asarray(air.saturation_vapor_pressure_pa(temperature_c)),
        "vapor_pa": vapor,
        "absolute_g_per_m3": np.asarray(air.absolute_humidity_g_per_m3(temperature_c, humidity)),
        "mixing_g_per_kg": _where(is_air, air.mixing_ratio_g_per_kg, temperature_c, humidity, pressure_pa),
        "dew_point_c": _where(vapor >= dew_low, air.dew_point_from_vapor_pressure, vapor),
        "frost_point_c": _where(freezes, air.frost_point_from_vapor_pressure, vapor),
        "saturation_over_ice_pa": _where(
            temperature_c <= ICE_RANGE_DEGC[1], air.saturation_vapor_pressure_over_ice_pa, temperature_c
        ),
        "enhancement_factor": factor,
        "density_kg_per_m3": _where(is_air, air.moist_air_density_kg_per_m3, temperature_c, humidity, pressure_pa),
    }


def _where(holds: FloatArray, function: object, *columns: FloatArray) -> FloatArray:
    answer = np.full(holds.shape, np.nan)
    if holds.any():
        answer[holds] = function(*(column[holds] for column in columns))  # type: ignore[operator]
    return answer


def sorption(kind: str, temperature_c: FloatArray, rh_pct: FloatArray) -> Columns:
    """Return loading, the humidity read back from it, slope and heat of a material for each row.

    Examples
    --------
    >>> row = sorption("silica_gel_type_A", np.array([25.0]), np.array([40.0]))
    >>> round(float(row["loading_g_per_g"][0]), 3), round(float(row["rh_pct_back"][0]), 6)
    (0.232, 40.0)
    """
    require_within("rh_pct", rh_pct, 0.0, 100.0, "%")
    isotherm = materials.isotherm_of(kind)
    humidity = rh_pct / 100.0
    loading = np.asarray(isotherm.loading_g_per_g(humidity, temperature_c))
    return {
        "loading_g_per_g": loading,
        "rh_pct_back": 100.0 * np.asarray(isotherm.relative_humidity(loading, temperature_c)),
        "heat_kj_per_kg": np.asarray(isotherm.heat_of_adsorption_kj_per_kg(humidity, temperature_c)),
        "slope_g_per_g_per_pct": np.asarray(isotherm.slope(humidity, temperature_c)) / 100.0,
    }
