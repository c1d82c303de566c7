"""The two calculators: columns of temperature and humidity in, columns of physics out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import OutOfRangeError
from monitor.physics import materials
from monitor.physics import psychrometrics as air
from monitor.physics.numerics import FloatArray, require_within
from monitor.physics.saturation import (
    FROST_RANGE_DEGC,
    ICE_RANGE_DEGC,
    TRIPLE_POINT_PRESSURE_PA,
    VAPORIZATION_RANGE_DEGC,
    WATER_RANGE_DEGC,
)
from monitor.units import PA_PER_KPA

Columns = Mapping[str, FloatArray]

AIR_RANGE_C = WATER_RANGE_DEGC
SORPTION_RANGE_C = VAPORIZATION_RANGE_DEGC
HUMIDITY_RANGE_PCT = (0.0, 100.0)  # by definition
PRESSURE_RANGE_PA = air.PRESSURE_RANGE_PA


def material_kinds() -> tuple[str, ...]:
    """Return the name of every material whose sorption is known."""
    return (*materials.desiccant_kinds(), *materials.polymer_kinds(), "cardboard")


def desiccant_kinds() -> tuple[str, ...]:
    """Return the name of every desiccant whose sorption is known."""
    return materials.desiccant_kinds()


def desiccant_names() -> tuple[str, ...]:
    """Return every name and alias of a desiccant."""
    return tuple(name for kind in desiccant_kinds() for name in (kind, *materials.aliases_of(kind)))


def is_desiccant(name: str) -> bool:
    """Return whether a name or alias stands for a desiccant.

    >>> is_desiccant("orange_gel"), is_desiccant("PA6")
    (True, False)
    """
    return is_material(name) and materials.kind_of(name) in desiccant_kinds()


def desiccant_kind(name: str) -> str | None:
    """Return the name in the tables of a desiccant that may be called by an alias; None for anything else.

    >>> desiccant_kind("orange_gel"), desiccant_kind("PA6")
    ('silica_gel_orange_indicating', None)
    """
    return materials.kind_of(name) if is_desiccant(name) else None


def is_material(name: str) -> bool:
    """Return whether a name or alias stands for a material.

    >>> is_material("orange_gel"), is_material("sawdust")
    (True, False)
    """
    try:
        materials.kind_of(name)
    except OutOfRangeError:
        return False
    return True


def is_filament(name: str) -> bool:
    """Return whether a name or alias stands for a filament polymer.

    >>> is_filament("PA6-CF"), is_filament("clay")
    (True, False)
    """
    return is_material(name) and materials.kind_of(name) in materials.polymer_kinds()


def material_words(kinds: tuple[str, ...]) -> dict[str, str]:
    """Return what each kind of desiccant or filament is, and by which other names it goes."""
    told = {}
    for kind in kinds:
        title = materials.desiccant(kind).title if kind in desiccant_kinds() else ""
        others = ", ".join(name for name in materials.aliases_of(kind) if name.lower() != kind.lower())
        told[kind] = "; ".join(filter(None, (title, f"also {others}" if others else "")))
    return told


def filament_kinds() -> tuple[str, ...]:
    """Return the name of every filament polymer whose sorption is known."""
    return materials.polymer_kinds()


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
    require_within("rh_pct", rh_pct, *HUMIDITY_RANGE_PCT, "%")
    humidity = rh_pct / 100.0
    vapor = np.asarray(air.vapor_pressure_pa(temperature_c, humidity))
    factor = np.asarray(air.enhancement_factor(temperature_c, pressure_pa))
    dew_low = float(air.saturation_vapor_pressure_pa(WATER_RANGE_DEGC[0]))
    frost_low = float(air.saturation_vapor_pressure_over_ice_pa(FROST_RANGE_DEGC[0]))
    freezes = (vapor >= frost_low) & (vapor < TRIPLE_POINT_PRESSURE_PA)
    is_air = factor * vapor < air.MOST_VAPOR_SHARE * pressure_pa
    over_ice = temperature_c <= ICE_RANGE_DEGC[1]
    return {
        "saturation_pa": np.asarray(air.saturation_vapor_pressure_pa(temperature_c)),
        "vapor_pa": vapor,
        "absolute_g_per_m3": np.asarray(air.absolute_humidity_g_per_m3(temperature_c, humidity)),
        "mixing_g_per_kg": _where(is_air, air.mixing_ratio_g_per_kg, temperature_c, humidity, pressure_pa),
        "dew_point_c": _where(vapor >= dew_low, air.dew_point_from_vapor_pressure, vapor),
        "frost_point_c": _where(freezes, air.frost_point_from_vapor_pressure, vapor),
        "saturation_over_ice_pa": _where(over_ice, air.saturation_vapor_pressure_over_ice_pa, temperature_c),
        "enhancement_factor": factor,
        "density_kg_per_m3": _where(is_air, air.moist_air_density_kg_per_m3, temperature_c, humidity, pressure_pa),
    }


def moisture(temperature_c: FloatArray, relative_humidity: FloatArray) -> Columns:
    """Return the two absolute measures of vapor in air, for charts of many rows; NaN where water has no such air.

    Examples
    --------
    >>> row = moisture(np.array([20.0, -60.0]), np.array([0.8, 0.8]))
    >>> row["vapor_kpa"].round(3).tolist(), row["absolute_g_per_m3"].round(2).tolist()
    ([1.871, nan], [13.83, nan])
    """
    holds = (temperature_c >= AIR_RANGE_C[0]) & (temperature_c <= AIR_RANGE_C[1])
    holds &= (relative_humidity >= 0.0) & (relative_humidity <= 1.0)
    vapor_pa = _where(holds, air.vapor_pressure_pa, temperature_c, relative_humidity)
    return {"vapor_kpa": vapor_pa / PA_PER_KPA, "absolute_g_per_m3": absolute_g_per_m3(temperature_c, vapor_pa)}


def absolute_g_per_m3(temperature_c: FloatArray, vapor_pa: FloatArray) -> FloatArray:
    """Return how much water a cubic meter of air holds at a vapor pressure.

    Examples
    --------
    >>> round(float(absolute_g_per_m3(np.array([20.0]), np.array([1871.4]))[0]), 2)
    13.83
    """
    return np.asarray(vapor_pa * air.grams_per_m3_per_pa(temperature_c))


def _where(holds: NDArray[np.bool_], function: Callable[..., Any], *columns: FloatArray) -> FloatArray:
    """The function where it holds, NaN elsewhere."""
    answer = np.full(holds.shape, np.nan)
    answer[holds] = function(*(column[holds] for column in columns))
    return answer


def sorption(kind: str, temperature_c: FloatArray, rh_pct: FloatArray) -> Columns:
    """Return loading, the humidity read back from it, heat and slope of a material for each row.

    Examples
    --------
    >>> row = sorption("silica_gel_type_A", np.array([25.0]), np.array([40.0]))
    >>> round(float(row["loading_g_per_g"][0]), 3), round(float(row["rh_pct_back"][0]), 6)
    (0.232, 40.0)
    """
    require_within("rh_pct", rh_pct, *HUMIDITY_RANGE_PCT, "%")
    isotherm = materials.isotherm_of(kind)
    humidity = rh_pct / 100.0
    loading = np.asarray(isotherm.loading_g_per_g(humidity, temperature_c))
    return {
        "loading_g_per_g": loading,
        "rh_pct_back": 100.0 * np.asarray(isotherm.relative_humidity(loading, temperature_c)),
        "heat_kj_per_kg": np.asarray(isotherm.heat_of_adsorption_kj_per_kg(humidity, temperature_c)),
        "slope_g_per_g_per_pct": np.asarray(isotherm.slope(humidity, temperature_c)) / 100.0,
    }


def caveats(kind: str, temperature_c: float, rh_pct: float) -> dict[str, Any]:
    """Return what to know beside the numbers: spread, range, branch, heat it stands, and what the color may say.

    Examples
    --------
    >>> color = caveats("orange_gel", 25.0, 25.0)["color"]
    >>> color["turned"], color["chance_turned"]
    ('green', 0.5)
    """
    name = materials.kind_of(kind)
    if name in materials.desiccant_kinds():
        return _desiccant_caveats(materials.desiccant(name), temperature_c, rh_pct / 100.0)
    if name in materials.polymer_kinds():
        return _polymer_caveats(materials.polymer(name), temperature_c)
    board = materials.cardboard()
    return {
        "kind": name,
        "title": "cardboard of spools and cores",
        "sigma_ln_capacity": board.sigma_ln_uptake,
        "weak": True,
        "source": board.source,
        "verified": board.verified,
    }


def _desiccant_caveats(beads: materials.Desiccant, temperature_c: float, humidity: float) -> dict[str, Any]:
    low, high = beads.temperature_range_degc
    in_range = low <= temperature_c <= high and beads.humidity_range[0] <= humidity <= beads.humidity_range[1]
    answer: dict[str, Any] = {
        "kind": beads.kind,
        "title": beads.title,
        "sigma_ln_capacity": beads.sigma_ln_capacity,
        "humidity_shows": beads.humidity_shows,
        "measured_range": {"temperature_c": [low, high], "rh_pct": [100.0 * each for each in beads.humidity_range]},
        "within_measured_range": in_range,
        "max_regeneration_c": beads.max_regeneration_degc,
        "weak": beads.weak,
        "source": beads.source,
        "verified": beads.verified,
    }
    if beads.hysteresis:
        factor, sigma = beads.hysteresis.factor(humidity), beads.hysteresis.sigma(humidity)
        answer["drying_branch"] = {"loading_factor": factor, "sigma": sigma}
    if beads.dye:
        answer["color"] = {
            "dry": beads.dye.dry_color,
            "turned": beads.dye.wet_color,
            "chance_turned": beads.dye.chance_turned(humidity),
            "caution": beads.dye.caution,
        }
    return answer


def _polymer_caveats(plastic: materials.Polymer, temperature_c: float) -> dict[str, Any]:
    return {
        "kind": plastic.kind,
        "title": f"{plastic.kind} filament",
        "sigma_ln_capacity": plastic.sigma_ln_uptake,
        "spool_time_constant_days": plastic.spool_time_constant_days(temperature_c),
        "storage_rh_pct_max": 100.0 * plastic.storage_humidity_max,
        "drying_c": list(plastic.drying_degc),
        "weak": plastic.weak,
        "source": plastic.source,
        "verified": dict(plastic.verified),
    }
