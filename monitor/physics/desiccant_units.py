"""What packaging standards would put into a closed package, for comparison: their rules, as quoted at second hand.

No standard's own text was at hand. Rules and factors are those that packers' and sellers' sheets quote, with worked
examples, in tests/published/tables/leakage.csv, where each row names its sheet; tests/published/test_leakage.py holds
these functions to them. What is from memory says so; what a person reads of each rule stands in
monitor/presentation/standards_wording.py. EIA-583, whose rule is J-STD-033's with 0.231 in place of 0.304
for milder stores, is not given: sheets contradict each other on what its unit takes up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.units import LITERS_PER_M3, PA_PER_KPA

_DIN_UNIT_G = {0.20: 3.0, 0.40: 6.0, 0.50: 7.0, 0.60: 8.0}
"""Water one unit may take up until the air of the package is so humid (DIN 55474, as a sheet quotes it, and from
memory; DIN 55473, from memory: a unit takes up at least 6 g at 40 % RH and 23 °C). [g]"""
DIN_EASIER = {0.20: 0.9, 0.40: 0.7, 0.50: 0.65, 0.60: 0.6}
"""Share of the push of its test climate that a film sees at that limit (DIN 55474: rows DIN-E20, DIN-E60 and DIN-FOIL
of leakage.csv; that of 50 % is from the same sheet). [1]"""
GEL_PER_UNIT_G = 26.0
"""Dry silica gel in a pack of one unit: from the unit weights of a trade paper, from memory. [g]"""
_MIL_BAG_PER_IN2 = 0.011
"""Units for each square inch of a barrier bag (MIL-STD-2073-1; row MIL-AREA-1 of leakage.csv; 1.6 a square foot).
[1/in²]"""
_MIL_RIGID_PER_IN3 = 0.0007
"""Units for each cubic inch of a rigid metal container (MIL-STD-2073-1, rounded; row MIL-SI-VOL of leakage.csv says
1.2 a cubic foot). [1/in³]"""
_J_STD_CONSTANT = 0.003
"""Units for a month, a cm², and a g/m²/day, times the grams that a unit takes up (IPC/JEDEC J-STD-033, from memory: 30
days a month and 10⁴ cm² a m²; rows JSTD-CONST-IN and JSTD-EX1 of leakage.csv have it in inches, 0.304). [day·m²/cm²]"""
J_STD_LIMIT = 0.10
"""Humidity that J-STD-033 keeps inside (from memory). [fraction of saturation]"""
J_STD_UNIT_G = 2.0
"""Water a unit takes up at that humidity and 25 °C (a seller's note of 2012, row JSTD-EX1 of leakage.csv). [g]"""
_JIS_K1 = ((5.0, 0.48), (10.0, 0.81), (15.0, 1.27), (20.0, 2.0), (25.0, 3.1), (30.0, 4.9), (35.0, 7.3), (40.0, 11.1))
"""K1 of JIS Z 0301 for films of PET by the temperature outside: what goes through for each percent of RH, over what
goes through in the test of the film (row JIS-E-PET of leakage.csv). [°C], [1e-3 for each % RH]"""
JIS_SUPPLIED_G_PER_G = 0.02
"""Water in gel as it is supplied (row JIS-SG-30 of leakage.csv; JIS Z 0701:1977 allows 2.0 to 2.5 %). [g/g]"""
_JIS_TEST_DEGC, _JIS_TEST_HUMIDITY = 40.0, 0.90
"""The climate that JIS Z 0301 has films tested in (row JIS-K1-40 of leakage.csv). [°C], [fraction of saturation]"""
_CM2_PER_IN2 = 6.4516  # exact: the inch is 2.54 cm
_LITERS_PER_IN3 = 0.016387064  # exact
_CM2_PER_M2, _PER_THOUSAND = 1e4, 1e-3  # by definition


@dataclass(frozen=True)
class UnitsAsked:
    """What a standard would put in."""

    standard: str
    """Which rule: 'din_55474', 'mil_bag', 'mil_rigid', 'j_std_033' or 'jis_z0301'."""
    units: float | None
    """None where it counts in grams."""
    gel_g: float
    """The same as silica gel; infinite where no gel is enough. [g]"""
    by: Mapping[str, float] = field(default_factory=dict)
    """What it reckons with where our answer has something else, by the name of the quantity with its unit."""


def din_55474(
    volume_liter: float,
    area_m2: float,
    wvtr_g_per_m2_day: float,
    days: float,
    limit: float,
    *,
    air_g_per_m3: float = 17.3,
    hygroscopic_g: float = 0.0,
) -> UnitsAsked:
    """Return n = (V b + m c + A e D t)/a, the rule of DIN 55474.

    Parameters
    ----------
    volume_liter, area_m2, wvtr_g_per_m2_day, days : float
        Package, film, its transmission in the climate that it lies in, and how long. [L, m², g/m²/day, days]
    limit : float
        Humidity allowed at the end; the nearest stricter row counts. [fraction of saturation]
    air_g_per_m3 : float
        Water in the air closed in; 17.3 is that of saturated air at 20 °C (monitor/physics/psychrometrics.py). [g/m³]
    hygroscopic_g : float
        Water that packing aids give off, m c. [g]

    Examples
    --------
    >>> round(din_55474(1000.0, 6.0, 0.1, 365.0, 0.40).units, 1)
    28.4
    """
    row = max((humidity for humidity in _DIN_UNIT_G if humidity <= limit), default=min(_DIN_UNIT_G))
    water_g = volume_liter / LITERS_PER_M3 * air_g_per_m3 + hygroscopic_g
    water_g += area_m2 * DIN_EASIER[row] * wvtr_g_per_m2_day * days
    units = water_g / _DIN_UNIT_G[row]
    by = {"easier": DIN_EASIER[row], "unit_g": _DIN_UNIT_G[row], "limit": row}
    return UnitsAsked("din_55474", units, units * GEL_PER_UNIT_G, by)


def mil_bag(area_m2: float) -> UnitsAsked:
    """Return U = 0.011 A + X D, the rule of MIL-STD-2073-1 for a barrier bag without dunnage (D), A in in².

    Examples
    --------
    >>> round(mil_bag(1.0).units, 1)
    17.1
    """
    square_inches = area_m2 * _CM2_PER_M2 / _CM2_PER_IN2
    units = _MIL_BAG_PER_IN2 * square_inches
    return UnitsAsked("mil_bag", units, units * GEL_PER_UNIT_G)


def mil_rigid(volume_liter: float) -> UnitsAsked:
    """Return U = 0.0007 V + X D, the rule of MIL-STD-2073-1 for a sealed metal container without dunnage, V in in³.

    Examples
    --------
    >>> round(mil_rigid(12.0).units, 2)
    0.51
    """
    cubic_inches = volume_liter / _LITERS_PER_IN3
    units = _MIL_RIGID_PER_IN3 * cubic_inches
    return UnitsAsked("mil_rigid", units, units * GEL_PER_UNIT_G)


def j_std_033(area_m2: float, wvtr_g_per_m2_day: float, months: float, unit_g: float = J_STD_UNIT_G) -> UnitsAsked:
    """Return U = 0.003 M W A/D, the rule of IPC/JEDEC J-STD-033 for dry packs, A in cm².

    Parameters
    ----------
    area_m2, wvtr_g_per_m2_day, months : float
        Film, its transmission by its sheet, and how long. [m², g/m²/day, months]
    unit_g : float
        D, what a unit takes up until the air inside has 10 % RH. [g]

    Examples
    --------
    >>> round(j_std_033(0.258064, 0.31, 12.0).units, 1)
    14.4
    """
    units = _J_STD_CONSTANT * months * wvtr_g_per_m2_day * area_m2 * _CM2_PER_M2 / unit_g
    return UnitsAsked("j_std_033", units, units * GEL_PER_UNIT_G, {"limit": J_STD_LIMIT, "unit_g": unit_g})


def jis_z0301(
    film_g_per_day: float,
    days: float,
    outside_humidity: float,
    limit: float,
    *,
    k1: float,
    holds_g_per_g: float,
    supplied_g_per_g: float = JIS_SUPPLIED_G_PER_G,
    packing_g: float = 0.0,
) -> UnitsAsked:
    """Return W = (R A t (h1 - h2) K1 + K2 D)/(C2 - C1), the rule of JIS Z 0301, humidities in % and contents in g/g.

    Parameters
    ----------
    film_g_per_day, days : float
        R A, what the film lets through in its test (40 °C, 90 % RH), and how long. [g/day, days]
    outside_humidity, limit : float
        Means outside and allowed inside. [fraction of saturation]
    k1 : float
        Of the film at the mean temperature outside. [1/% RH]
    holds_g_per_g, supplied_g_per_g : float
        C2, what the gel holds at the limit, and C1, as it is put in. [g/g]
    packing_g : float
        K2 D, water that packing gives off; no table of K2 was at hand. [g]

    Examples
    --------
    >>> round(jis_z0301(48.0, 30.0, 0.85, 0.50, k1=0.0045, holds_g_per_g=0.24).gel_g)
    1031
    """
    push_pct = 100.0 * max(0.0, outside_humidity - limit)
    water_g = film_g_per_day * days * push_pct * k1 + packing_g
    takes_up = holds_g_per_g - supplied_g_per_g
    gel_g = water_g / takes_up if takes_up > 0.0 else float("inf")
    return UnitsAsked("jis_z0301", None, gel_g, {"outside": outside_humidity, "limit": limit})


def jis_film_g_per_day(conductance_g_per_day_per_kpa: float) -> float:
    """Return R A of JIS Z 0301: what would come in at 40 °C and 90 % RH outside, and none inside.

    Parameters
    ----------
    conductance_g_per_day_per_kpa : float
        Of the package. [g/day/kPa]

    Returns
    -------
    float
        [g/day]

    Examples
    --------
    >>> round(jis_film_g_per_day(1.0), 2)
    6.65
    """
    push_kpa = _JIS_TEST_HUMIDITY * float(saturation_vapor_pressure_pa(_JIS_TEST_DEGC)) / PA_PER_KPA
    return conductance_g_per_day_per_kpa * push_kpa


def jis_k1_of_pet(temperature_degc: float) -> float:
    """Return K1 of JIS Z 0301 for a film of PET; between its rows on a line in ln K1, beyond them that of the last.

    Parameters
    ----------
    temperature_degc : float
        Where the package lies. [°C]

    Returns
    -------
    float
        Share of ``jis_film_g_per_day`` for each % RH of difference. [1/% RH]

    Examples
    --------
    >>> round(jis_k1_of_pet(20.0), 4)
    0.002
    """
    degc, per_mille = np.array(_JIS_K1).T
    return _PER_THOUSAND * float(np.exp(np.interp(temperature_degc, degc, np.log(per_mille))))
