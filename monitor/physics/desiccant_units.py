"""What packaging standards would put into a closed package: desiccant units by their rules, for comparison.

All three are quoted from memory: the texts were not at hand. Their coefficients agree with one another and with the
units they are given in (tests/physics/test_desiccant_units.py); no worked example of theirs could be checked. Left out,
as their factors could not be recalled for sure: IPC/JEDEC J-STD-033 and JIS Z 0301.
"""

from __future__ import annotations

from dataclasses import dataclass

_DIN_UNIT_G = {0.20: 3.0, 0.40: 6.0, 0.50: 7.0, 0.60: 8.0}
"""Water one unit may take up until the air of the package is so humid (DIN 55474, from memory; DIN 55473: a unit takes
up at least 6 g at 40 % RH and 23 °C). [g]"""
_DIN_EASIER = {0.20: 0.9, 0.40: 0.7, 0.50: 0.6, 0.60: 0.5}
"""Share of the push of its test climate that a film sees at that limit (DIN 55474, from memory). [1]"""
GEL_PER_UNIT_G = 26.0
"""Dry silica gel in a pack of one unit: from the unit weights of a trade paper, from memory. [g]"""
_MIL_BAG_PER_IN2 = 0.011
"""Units for each square inch of a barrier bag (MIL-STD-2073-1, from memory; the same as 1.6 a square foot). [1/in²]"""
_MIL_DUNNAGE_PER_LB = {"wood": 8.0, "felt": 8.0, "glass": 6.0, "foam": 2.0, "plastic": 0.5}
"""Units for each pound of dunnage (MIL-STD-2073-1, from memory). [1/lb]"""
_MIL_RIGID_PER_IN3 = 0.0007
"""Units for each cubic inch of a rigid metal container (MIL-STD-2073-1, from memory; 1.2 a cubic foot). [1/in³]"""
_MIL_UNIT_G_AT_20, _MIL_UNIT_G_AT_40 = 3.0, 6.0
"""A unit takes up at least so much at 20 and at 40 % RH and 25 °C (MIL-D-3464, from memory). [g]"""
_CM2_PER_IN2 = 6.4516  # exact: the inch is 2.54 cm
_G_PER_LB = 453.59237  # exact
_LITERS_PER_IN3 = 0.016387064  # exact
_CM2_PER_M2, _LITERS_PER_M3 = 1e4, 1e3  # by definition


@dataclass(frozen=True)
class UnitsAsked:
    """What a standard would put in."""

    standard: str
    units: float
    gel_g: float
    """The same as dry silica gel."""
    why_different: str


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
    """Return n = (V b + m c + A e D t)/a, the rule of DIN 55474 (from memory).

    Parameters
    ----------
    volume_liter, area_m2, wvtr_g_per_m2_day, days : float
        Package, film, its transmission in the test climate of the tropics, and how long. [L, m², g/m²/day, days]
    limit : float
        Humidity allowed at the end; the nearest stricter row counts. [fraction of saturation]
    air_g_per_m3 : float
        Water in the air closed in; 17.3 is that of saturated air at 20 °C (monitor/physics/psychrometrics.py). [g/m³]
    hygroscopic_g : float
        Water that packing aids give off. [g]

    Examples
    --------
    >>> round(din_55474(1000.0, 6.0, 0.1, 365.0, 0.40).units, 1)
    28.4
    """
    row = max((humidity for humidity in _DIN_UNIT_G if humidity <= limit), default=min(_DIN_UNIT_G))
    water_g = volume_liter / _LITERS_PER_M3 * air_g_per_m3 + hygroscopic_g
    water_g += area_m2 * _DIN_EASIER[row] * wvtr_g_per_m2_day * days
    units = water_g / _DIN_UNIT_G[row]
    why = (
        f"it takes the film's transmission in the tropics times {_DIN_EASIER[row]:g} for all seasons, "
        f"and a unit for {_DIN_UNIT_G[row]:g} g at {100.0 * row:.0f} % RH"
    )
    return UnitsAsked("DIN 55474 / DIN 55473 (from memory)", units, units * GEL_PER_UNIT_G, why)


def mil_bag(area_m2: float, dunnage_g: float = 0.0, dunnage: str = "plastic") -> UnitsAsked:
    """Return U = 0.011 A + X D, the rule of MIL-STD-2073-1 for a barrier bag (from memory), A in in² and D in lb.

    Examples
    --------
    >>> round(mil_bag(1.0).units, 1)
    17.1
    """
    square_inches = area_m2 * _CM2_PER_M2 / _CM2_PER_IN2
    units = _MIL_BAG_PER_IN2 * square_inches + _MIL_DUNNAGE_PER_LB[dunnage] * dunnage_g / _G_PER_LB
    why = "it counts the area of a barrier bag, whatever the film lets through, how long it lies and its limit"
    return UnitsAsked("MIL-STD-2073-1 / MIL-D-3464, bag (from memory)", units, units * GEL_PER_UNIT_G, why)


def mil_rigid(volume_liter: float, dunnage_g: float = 0.0, dunnage: str = "plastic") -> UnitsAsked:
    """Return U = 0.0007 V + X D, the rule of MIL-STD-2073-1 for a sealed metal container (from memory), V in in³.

    Examples
    --------
    >>> round(mil_rigid(12.0).units, 2)
    0.51
    """
    cubic_inches = volume_liter / _LITERS_PER_IN3
    units = _MIL_RIGID_PER_IN3 * cubic_inches + _MIL_DUNNAGE_PER_LB[dunnage] * dunnage_g / _G_PER_LB
    why = "it is for welded metal: it counts the air and the packing once, and no leak at all"
    return UnitsAsked("MIL-STD-2073-1 / MIL-D-3464, rigid (from memory)", units, units * GEL_PER_UNIT_G, why)
