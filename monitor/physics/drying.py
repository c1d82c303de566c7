"""What drying can and can't do: the floor of hot room air, the jar check, energy, the bound on a microwave burst."""

from __future__ import annotations

import numpy as np

from monitor.physics.numerics import Numeric, plain, require_within
from monitor.physics.psychrometrics import relative_humidity_from_vapor_pressure, vapor_pressure_pa
from monitor.physics.sorption import Isotherm

WATER_HEAT_CAPACITY_KJ_PER_KG_PER_K = 4.186
"""Liquid water near 25 °C (the 15 °C calorie, from memory); good to 1 % from 0 to 100 °C."""
JAR_DEGC = 25.0
"""A jar in a room, and beads in general where nothing else is said. A judgement: most isotherms were measured there."""
GEL_HEAT_WHILE_DRYING_KJ_PER_KG = 2800.0
"""Heat of adsorption for each kilogram of water: the middle of 2.6 to 3.2 MJ/kg, worked out here from the default gel
for 45 to 120 °C (vaporization plus A); published are 2.71 (type A, from memory) and 2.69 (type RD)."""
_SENSIBLE_KJ_PER_G = 0.6
"""For each gram of water that leaves. A judgement: some 70 kJ warm 500 g of gel and the 110 g of water that leave it to
110 °C."""


def dryer_relative_humidity(
    dryer_temperature_degc: Numeric, room_temperature_degc: Numeric, room_relative_humidity: Numeric
) -> Numeric:
    """Return relative humidity of room air after it is heated: its vapor pressure stays, saturation rises.

    By definition, and as exact as the two saturation pressures. An unvented dryer is wetter than this: water leaving
    the load raises the pressure inside.

    Parameters
    ----------
    dryer_temperature_degc : float or ndarray
        Of the heated air. [°C]
    room_temperature_degc : float or ndarray
        Of the air that goes in. [°C]
    room_relative_humidity : float or ndarray
        Of the same. [fraction of saturation]

    Returns
    -------
    float or ndarray
        Never above 1. [fraction of saturation]

    Examples
    --------
    >>> round(dryer_relative_humidity(55.0, 20.0, 0.5), 3)
    0.074
    """
    room_pa = vapor_pressure_pa(room_temperature_degc, room_relative_humidity)
    return plain(np.minimum(relative_humidity_from_vapor_pressure(dryer_temperature_degc, room_pa), 1.0))


def drying_floor_g_per_g(
    isotherm: Isotherm,
    dryer_temperature_degc: Numeric,
    room_temperature_degc: Numeric,
    room_relative_humidity: Numeric,
) -> Numeric:
    """Return the loading that hot room air can't dry below, however long it blows.

    The isotherm at the dryer's temperature and the room's vapor pressure. For regular-density gel ±25 % (one sigma)
    from 45 to 90 °C, ±0.005 g/g above; "dry" is what a laboratory reaches at 120-150 °C.

    Parameters
    ----------
    isotherm : Isotherm
        Of the beads.
    dryer_temperature_degc : float or ndarray
        Of the heated air. [°C]
    room_temperature_degc : float or ndarray
        Of the air that goes in. [°C]
    room_relative_humidity : float or ndarray
        Of the same. [fraction of saturation]

    Returns
    -------
    float or ndarray
        [g/g]

    Examples
    --------
    >>> from monitor.physics.materials import desiccant
    >>> round(drying_floor_g_per_g(desiccant("silica_regular").isotherm, 65.0, 20.0, 0.5), 3)
    0.035
    """
    humidity = dryer_relative_humidity(dryer_temperature_degc, room_temperature_degc, room_relative_humidity)
    return isotherm.loading_g_per_g(humidity, dryer_temperature_degc)


def jar_relative_humidity(
    isotherm: Isotherm,
    dryer_temperature_degc: Numeric,
    room_temperature_degc: Numeric,
    room_relative_humidity: Numeric,
    jar_temperature_degc: Numeric = JAR_DEGC,
) -> Numeric:
    """Return the humidity that beads dried to the floor must show after cooling in a closed jar.

    For gel this needs no capacity and no mass: RH_jar = exp(-A / (R T)). Within 20 % down to 1.5 % RH on three
    measured points of two lots; below 1 % RH it reads too dry (0.3 for 0.9 measured).

    Parameters
    ----------
    isotherm : Isotherm
        Of the beads.
    dryer_temperature_degc : float or ndarray
        Of the heated air. [°C]
    room_temperature_degc : float or ndarray
        Of the air that goes in. [°C]
    room_relative_humidity : float or ndarray
        Of the same. [fraction of saturation]
    jar_temperature_degc : float or ndarray
        After cooling. [°C]

    Returns
    -------
    float or ndarray
        [fraction of saturation]

    Examples
    --------
    >>> from monitor.physics.materials import desiccant
    >>> round(jar_relative_humidity(desiccant("silica_regular").isotherm, 55.0, 20.0, 0.5), 3)
    0.057
    """
    humidity = dryer_relative_humidity(dryer_temperature_degc, room_temperature_degc, room_relative_humidity)
    return isotherm.relative_humidity_at(humidity, dryer_temperature_degc, jar_temperature_degc)


def dry_mass_g(mass_g: Numeric, loading_g_per_g: Numeric) -> Numeric:
    """Return the dry mass of beads weighed at a known loading: m / (1 + q), by definition of the loading.

    Parameters
    ----------
    mass_g : float or ndarray
        Of beads and water. [g]
    loading_g_per_g : float or ndarray
        Not below 0. [g/g]

    Returns
    -------
    float or ndarray
        [g]

    Examples
    --------
    >>> round(dry_mass_g(103.5, 0.035), 6)
    100.0
    """
    require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
    return mass_g / (1.0 + loading_g_per_g)


def sensible_heat_kj(
    dry_mass_g: Numeric,
    water_g: Numeric,
    from_degc: Numeric,
    to_degc: Numeric,
    dry_heat_capacity_kj_per_kg_per_k: float = 0.92,  # gel, as in tables/desiccants.toml; from memory
) -> Numeric:
    """Return the heat that warms beads and the water in them, before any of it leaves.

    Heat capacities are taken as constant, and the water held as liquid: good to some percent from 0 to 120 °C, a
    judgement. Of spent gel it is a third of what drives the water off.

    Parameters
    ----------
    dry_mass_g, water_g : float or ndarray
        Of the beads, and of the water in them. [g]
    from_degc, to_degc : float or ndarray
        [°C]
    dry_heat_capacity_kj_per_kg_per_k : float
        Of dry beads. [kJ/(kg K)]

    Returns
    -------
    float or ndarray
        [kJ]

    Examples
    --------
    500 g of gel from 20 to 110 °C.

    >>> round(sensible_heat_kj(500.0, 0.0, 20.0, 110.0), 1)
    41.4
    """
    per_k = dry_mass_g * dry_heat_capacity_kj_per_kg_per_k + water_g * WATER_HEAT_CAPACITY_KJ_PER_KG_PER_K
    return per_k * (to_degc - from_degc) / 1e3


def desorption_energy_kj(
    isotherm: Isotherm,
    dry_mass_g: Numeric,
    from_loading_g_per_g: Numeric,
    to_loading_g_per_g: Numeric,
    temperature_degc: Numeric,
    *,
    pieces: int = 64,  # measured: 0.1 % for gel, see below
) -> Numeric:
    """Return the heat that drives water off at one temperature: the integral of the heat of adsorption.

    Midpoint rule over loading; with 64 pieces within 0.1 % of the exact integral for gel.

    Parameters
    ----------
    isotherm : Isotherm
        Of the beads; the heat follows from it.
    dry_mass_g : float or ndarray
        [g]
    from_loading_g_per_g, to_loading_g_per_g : float or ndarray
        [g/g]
    temperature_degc : float or ndarray
        [°C]
    pieces : int
        Of the integral. [count]

    Returns
    -------
    float or ndarray
        [kJ]

    Examples
    --------
    For each gram of water that spent gel gives off at 110 °C; the last of it takes more than the first. [kJ/g]

    >>> from monitor.physics.materials import desiccant
    >>> round(desorption_energy_kj(desiccant("silica_regular").isotherm, 500.0, 0.23, 0.01, 110.0) / 110.0, 1)
    2.5
    """
    middles = (np.arange(pieces) + 0.5) / pieces
    high, low = np.asarray(from_loading_g_per_g)[..., None], np.asarray(to_loading_g_per_g)[..., None]
    t = np.asarray(temperature_degc)[..., None]
    humidity = isotherm.relative_humidity(high + (low - high) * middles, t)
    heat = np.mean(isotherm.heat_of_adsorption_kj_per_kg(humidity, t), axis=-1)
    return plain(dry_mass_g * (from_loading_g_per_g - to_loading_g_per_g) * heat / 1e3)


def microwave_water_bound_g(absorbed_power_w: Numeric, duration_s: Numeric) -> Numeric:
    """Return the most water a microwave burst can drive off; a logged loss above it is a scale or log error.

    Energy balance: P t / (q_st + sensible heat for each gram of water). 600 W absorbed for three minutes gives 32 g;
    small loads absorb about half of the oven's rating (from memory).

    Parameters
    ----------
    absorbed_power_w : float or ndarray
        From 0 to 5000. [W]
    duration_s : float or ndarray
        [s]

    Returns
    -------
    float or ndarray
        [g]

    Examples
    --------
    >>> round(microwave_water_bound_g(600.0, 180.0))
    32
    """
    # judgement: more than a household socket gives
    require_within("absorbed_power_w", absorbed_power_w, 0.0, 5000.0, "W")
    return absorbed_power_w * duration_s / 1e3 / (GEL_HEAT_WHILE_DRYING_KJ_PER_KG / 1e3 + _SENSIBLE_KJ_PER_G)
