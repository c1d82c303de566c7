"""How leaky a box is: one conductance, its other names (air changes, half-times), and the paths it is made of.

Conductance is grams a day for each kilopascal of vapor pressure difference. Paths add: wall, seal, gap, hole and
breathing. Only their sum can be told from humidity; the paths set the expectation before any reading is in.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.physics.numerics import Numeric, plain, require_within
from monitor.physics.psychrometrics import REFERENCE_DEGC, STANDARD_PRESSURE_PA, grams_per_m3_per_pa
from monitor.physics.saturation import GAS_CONSTANT_J_PER_MOL_PER_K, saturation_vapor_pressure_pa
from monitor.units import KELVIN_AT_0_DEGC, SECONDS_PER_DAY

_LN2 = float(np.log(2.0))  # no unit, by definition
_LITERS_PER_M3, _PA_PER_KPA, _MM_PER_M = 1e3, 1e3, 1e3  # by definition

BARRER_IN_G_MM_PER_M2_PER_DAY_PER_KPA = 5.20874e-4
"""One barrer of water vapor, by definition 1e-10 cm³(STP) cm/(cm² s cmHg) with 18.015 g in 22 414 cm³."""

G_MIL_PER_100_IN2_IN_G_MM_PER_M2 = 0.0254 / (100 * 0.0254**2)
"""One g mil/(100 in² day), exact inches, in g mm/(m² day)."""


def conductance_from_air_changes(
    air_changes_per_day: Numeric, volume_liter: Numeric, temperature_degc: Numeric
) -> Numeric:
    """Return G = n V / (Rv T), exact for well-mixed air. [g/day/kPa]

    Examples
    --------
    >>> round(conductance_from_air_changes(1.0, 10.0, 23.0), 6)
    0.073163
    """
    return air_changes_per_day * volume_liter / _LITERS_PER_M3 * _PA_PER_KPA * grams_per_m3_per_pa(temperature_degc)


def air_changes_per_day(
    conductance_g_per_day_per_kpa: Numeric, volume_liter: Numeric, temperature_degc: Numeric
) -> Numeric:
    """Return how often a day the air of the box is exchanged: the inverse of `conductance_from_air_changes`.

    Examples
    --------
    >>> round(air_changes_per_day(0.073163, 10.0, 23.0), 4)
    1.0
    """
    return conductance_g_per_day_per_kpa / conductance_from_air_changes(1.0, volume_liter, temperature_degc)


def empty_box_half_time_days(
    conductance_g_per_day_per_kpa: Numeric, volume_liter: Numeric, temperature_degc: Numeric
) -> Numeric:
    """Return ln 2 / n: when an empty box has come half-way to the room. [days]

    The law of tracer decay (ASTM E741) for water vapor; the time constant is this over ln 2. Walls that take up water
    slow it.

    Examples
    --------
    >>> round(empty_box_half_time_days(0.20285, 10.0, 23.0), 3)
    0.25
    """
    return _LN2 / air_changes_per_day(conductance_g_per_day_per_kpa, volume_liter, temperature_degc)


def conductance_from_half_time(half_time_days: Numeric, volume_liter: Numeric, temperature_degc: Numeric) -> Numeric:
    """Return the conductance of a box that came half-way to the room in this time while empty. [g/day/kPa]

    Examples
    --------
    >>> round(conductance_from_half_time(0.25, 10.0, 23.0), 5)
    0.20285
    """
    return conductance_from_air_changes(_LN2 / half_time_days, volume_liter, temperature_degc)


def conductance_from_weighing(gain_g: Numeric, days: Numeric, mean_difference_pa: Numeric) -> Numeric:
    """Return the conductance from what a charge gained: the cheapest absolute measurement. [g/day/kPa]

    Examples
    --------
    >>> round(conductance_from_weighing(0.9, 20.0, 900.0), 3)
    0.05
    """
    return gain_g / days / (mean_difference_pa / _PA_PER_KPA)


def ingress_g_per_day(
    conductance_g_per_day_per_kpa: Numeric, outside_vapor_pressure_pa: Numeric, inside_vapor_pressure_pa: Numeric
) -> Numeric:
    """Return G (p_out - p_in), the water that leaks in; below zero it leaks out. [g/day]

    Examples
    --------
    One box at 10 % RH in January and July of a humid subtropical year: the season counts for more than the seal.

    >>> ingress_g_per_day(0.05, np.array([450.0, 2360.0]), 264.0).round(3)
    array([0.009, 0.105])
    """
    difference_kpa = (outside_vapor_pressure_pa - inside_vapor_pressure_pa) / _PA_PER_KPA
    return conductance_g_per_day_per_kpa * difference_kpa


def hygrometric_half_time_days(
    conductance_g_per_day_per_kpa: Numeric,
    dry_mass_g: Numeric,
    slope_g_per_g: Numeric,
    temperature_degc: Numeric,
) -> Numeric:
    """Return when a buffered box has come half-way to the room: ln 2 m q' / (G e_s), box air left out. [days]

    ``slope_g_per_g`` is d loading / d RH, RH a fraction.

    References
    ----------
    .. [1] Thomson (1977), Studies in Conservation 22:85; his constant 4 holds at 20 °C only, so it is computed here.

    Examples
    --------
    >>> round(hygrometric_half_time_days(0.2, 100.0, 0.55, 21.0), 1)
    76.6
    """
    saturation_kpa = saturation_vapor_pressure_pa(temperature_degc) / _PA_PER_KPA
    return _LN2 * dry_mass_g * slope_g_per_g / (conductance_g_per_day_per_kpa * saturation_kpa)


def thomson_coefficient(temperature_degc: Numeric) -> Numeric:
    """Return Thomson's constant at a temperature: ln 2 / (0.01 c_sat). [day kg % / g]

    Examples
    --------
    >>> round(thomson_coefficient(20.0), 3)
    4.009
    """
    saturated_g_per_m3 = saturation_vapor_pressure_pa(temperature_degc) * grams_per_m3_per_pa(temperature_degc)
    return _LN2 / (0.01 * saturated_g_per_m3)  # per % RH, by definition


@dataclass(frozen=True)
class WallMaterial:
    """What a wall or seal lets through: permeability in g mm/(m² day kPa), and its rise with temperature."""

    permeability: float
    at_degc: float
    energy_kj_per_mol: float
    sigma_ln: float
    verified: str

    def permeability_at(self, temperature_degc: Numeric) -> Numeric:
        """Return the permeability at a temperature, by Arrhenius' law. [g mm/(m² day kPa)]"""
        return self.permeability * arrhenius_factor(self.energy_kj_per_mol, self.at_degc, temperature_degc)


def arrhenius_factor(energy_kj_per_mol: Numeric, from_degc: Numeric, to_degc: Numeric) -> Numeric:
    """Return exp(-(E/R)(1/T2 - 1/T1)).

    >>> round(arrhenius_factor(20.5, 40.0, 20.0) / 90.0, 4)
    0.0065
    """
    inverse = 1.0 / (to_degc + KELVIN_AT_0_DEGC) - 1.0 / (from_degc + KELVIN_AT_0_DEGC)
    return plain(np.exp(-1e3 * energy_kj_per_mol / GAS_CONSTANT_J_PER_MOL_PER_K * inverse))


@cache
def wall_materials() -> dict[str, WallMaterial]:
    """Return every wall and seal material of the table, by name."""
    text = (files("monitor.physics") / "tables" / "walls.toml").read_text(encoding="utf-8")
    return {name: WallMaterial(**row) for name, row in tomllib.loads(text)["walls"].items()}


def wall_conductance(
    material: str, area_m2: Numeric, thickness_mm: Numeric, temperature_degc: Numeric = REFERENCE_DEGC
) -> Numeric:
    """Return P A / thickness of a wall or a seal. Good to a factor of 1.5 for a named plastic. [g/day/kPa]

    Examples
    --------
    A 2 mm polypropylene box of 10 L.

    >>> round(wall_conductance("PP", 0.30, 2.0), 4)
    0.0025
    """
    try:
        wall = wall_materials()[material]
    except KeyError:
        known = ", ".join(wall_materials())
        raise OutOfRangeError(f"{material!r} is not among the wall materials; known are {known}") from None
    require_within("thickness_mm", thickness_mm, 1e-3, 1e3, "mm")  # judgement: from a film to a wall a meter thick
    return wall.permeability_at(temperature_degc) * area_m2 / thickness_mm


def permeability_from_transmission(
    transmission_g_mil_per_100_in2_per_day: Numeric, temperature_degc: Numeric = 38.0, relative_humidity: Numeric = 0.90
) -> Numeric:
    """Return permeability from a film's transmission rate at stated conditions. [g mm/(m² day kPa)]

    38 °C and 90 % RH unless told otherwise: where the trade table of ``tables/walls.toml`` (table 11.2) was measured.

    Examples
    --------
    >>> round(permeability_from_transmission(0.65), 4)
    0.0429
    """
    driving_kpa = relative_humidity * saturation_vapor_pressure_pa(temperature_degc) / _PA_PER_KPA
    return transmission_g_mil_per_100_in2_per_day * G_MIL_PER_100_IN2_IN_G_MM_PER_M2 / driving_kpa


def vapor_diffusivity_m2_per_s(temperature_degc: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA) -> Numeric:
    """Return the diffusivity of water vapor in air; about 3 %. [m²/s]

    References
    ----------
    .. [1] Massman (1998), Atmos. Environ. 32:1111; constant 0.2178 cm²/s from memory, seen in several codes.

    Examples
    --------
    >>> float(f"{vapor_diffusivity_m2_per_s(23.0):.3g}")
    2.52e-05
    """
    ratio = (temperature_degc + KELVIN_AT_0_DEGC) / KELVIN_AT_0_DEGC
    return 0.2178e-4 * ratio**1.81 * STANDARD_PRESSURE_PA / pressure_pa  # [1], m²/s


def hole_conductance(diameter_mm: Numeric, wall_mm: Numeric, temperature_degc: Numeric = REFERENCE_DEGC) -> Numeric:
    """Return D pi r² / (Rv T (L + pi r / 2)): a round hole or bore, with both end corrections. [g/day/kPa]

    References
    ----------
    .. [1] Brown, Escombe (1900), Phil. Trans. R. Soc. B 193:223; end correction from memory.

    Examples
    --------
    >>> round(hole_conductance(1.0, 2.0), 5)
    0.00449
    """
    radius_m = diameter_mm / 2.0 / _MM_PER_M
    return _diffusion(np.pi * radius_m**2, wall_mm / _MM_PER_M + np.pi * radius_m / 2.0, temperature_degc)


def gap_conductance(
    gap_mm: Numeric, length_m: Numeric, path_mm: Numeric, temperature_degc: Numeric = REFERENCE_DEGC
) -> Numeric:
    """Return D w l / (Rv T L): diffusion through a lid seam, end correction neglected. [g/day/kPa]

    Examples
    --------
    A tenth of a millimeter along the lid of a 10 L box.

    >>> round(gap_conductance(0.1, 1.2, 5.0), 3)
    0.382
    """
    return _diffusion(gap_mm / _MM_PER_M * length_m, path_mm / _MM_PER_M, temperature_degc)


def _diffusion(area_m2: Numeric, path_m: Numeric, temperature_degc: Numeric) -> Numeric:
    grams_per_s_per_pa = vapor_diffusivity_m2_per_s(temperature_degc) * grams_per_m3_per_pa(temperature_degc)
    return grams_per_s_per_pa * area_m2 / path_m * SECONDS_PER_DAY * _PA_PER_KPA


def thermal_breath_liter(
    volume_liter: Numeric, swing_k: Numeric, temperature_degc: Numeric = REFERENCE_DEGC
) -> Numeric:
    """Return V dT / T: air drawn in by one temperature swing at constant pressure. [L]

    >>> round(thermal_breath_liter(10.0, 5.0), 3)
    0.169
    """
    return volume_liter * swing_k / (temperature_degc + KELVIN_AT_0_DEGC)


def barometric_breath_liter(
    volume_liter: Numeric, swing_pa: Numeric, pressure_pa: Numeric = STANDARD_PRESSURE_PA
) -> Numeric:
    """Return V dp / p: air drawn in by one swing of the barometer at constant temperature. [L]

    >>> round(barometric_breath_liter(10.0, 1000.0), 3)
    0.099
    """
    return volume_liter * swing_pa / pressure_pa


def breathing_conductance(breath_liter_per_day: Numeric, temperature_degc: Numeric = REFERENCE_DEGC) -> Numeric:
    """Return the conductance of air drawn in and out each day. [g/day/kPa]

    Examples
    --------
    5 K and 10 hPa a day move 0.27 L through a 10 L box.

    >>> round(breathing_conductance(0.27), 4)
    0.002
    """
    return conductance_from_air_changes(1.0, breath_liter_per_day, temperature_degc)


def opening_water_g(
    volume_liter: Numeric,
    outside_vapor_pressure_pa: Numeric,
    inside_vapor_pressure_pa: Numeric,
    temperature_degc: Numeric,
    air_replaced: Numeric = 1.0,
) -> Numeric:
    """Return the water an opened lid lets into the air of the box; surfaces take up some on top. [g]

    Examples
    --------
    >>> round(opening_water_g(10.0, 1244.0, 248.8, 21.0), 3)
    0.073
    """
    difference_pa = outside_vapor_pressure_pa - inside_vapor_pressure_pa
    return air_replaced * volume_liter / _LITERS_PER_M3 * difference_pa * grams_per_m3_per_pa(temperature_degc)
