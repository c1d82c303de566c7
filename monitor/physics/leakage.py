"""How leaky a box is, as one conductance, and what it is in changes of air; what one opening brings.

Conductance is grams a day for each kilopascal of vapor pressure difference. Walls, seal, gaps, holes and breathing add
up in it, and only their sum can be told from humidity.
"""

from __future__ import annotations

from monitor.physics.numerics import Numeric
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.units import LITERS_PER_M3


def conductance_from_air_changes(
    air_changes_per_day: Numeric, volume_liter: Numeric, temperature_degc: Numeric
) -> Numeric:
    """Return G = n V / (Rv T), exact for well-mixed air: liters against m³ cancel pascals against kPa.

    Parameters
    ----------
    air_changes_per_day : float or ndarray
        [1/day]
    volume_liter : float or ndarray
        Of the air in the box. [L]
    temperature_degc : float or ndarray
        [°C]

    Returns
    -------
    float or ndarray
        [g/day/kPa]

    Examples
    --------
    >>> round(conductance_from_air_changes(1.0, 10.0, 23.0), 6)
    0.073163
    """
    return air_changes_per_day * volume_liter * grams_per_m3_per_pa(temperature_degc)


def opening_water_g(
    volume_liter: Numeric,
    outside_vapor_pressure_pa: Numeric,
    inside_vapor_pressure_pa: Numeric,
    temperature_degc: Numeric,
) -> Numeric:
    """Return the water that all the air of the box, changed for the room's, brings; surfaces take up some on top.

    Parameters
    ----------
    volume_liter : float or ndarray
        Of the air in the box. [L]
    outside_vapor_pressure_pa, inside_vapor_pressure_pa : float or ndarray
        Of the room, and of the box before. [Pa]
    temperature_degc : float or ndarray
        Of the air that comes in. [°C]

    Returns
    -------
    float or ndarray
        Below zero where the room is drier. [g]

    Examples
    --------
    >>> round(opening_water_g(10.0, 1244.0, 248.8, 21.0), 3)
    0.073
    """
    difference_pa = outside_vapor_pressure_pa - inside_vapor_pressure_pa
    return volume_liter / LITERS_PER_M3 * difference_pa * grams_per_m3_per_pa(temperature_degc)
