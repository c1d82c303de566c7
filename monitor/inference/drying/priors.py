"""What physics and earlier runs say of a drying run before its weighings: dry mass, end loading, pace."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.drying.prior_curves import DryMass, EndLoading, Pace
from monitor.physics.drying import drying_floor_g_per_g

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.physics.materials import Desiccant


LotFactor = tuple[float, float]
"""Capacity of a lot over the isotherm's: median and relative standard deviation."""

NEW_LOADING = 0.025
"""Mean of the water in beads from a fresh bag: JIS Z 0701:1977 allows 2.0 to 2.5 % as supplied; that handling adds some
is a judgement. [g/g]"""
NEW_LOADING_SD = 0.015
"""Its standard deviation. [g/g] Judgement: from bone-dry to twice as much."""
_SDS_OF_NEW = 3.0
"""Beads from a fresh bag are wetter than this once in 740 bags, so those that are were not fresh. [standard deviations]
Judgement: three sigma, as is usual."""

UNKNOWN_LOADING = 0.18
"""Mean of the water in beads of which nothing is known. [g/g] Judgement: between half dry and full."""
UNKNOWN_RELATIVE_SD = 0.07
"""Standard deviation that this leaves in their dry mass. [ln mass] Judgement: anything from half dry to full."""

ROOM_HUMIDITY_SD = 0.05
"""How far the air that beads lay in may have been from what the room shows now (a judgement). [fraction of
saturation]"""

MICROWAVE_END = EndLoading(0.012, 0.010)
"""No published end loading of a household microwave was found. Beads that no longer boil sit near 100 to 120 °C, where
the floor of room air is 0.6 to 1.2 %; steam that lingers adds to it, so the spread is wide on purpose: both are
judgements. [g/g]"""

LEAST_FLOOR = 0.002
"""Above 120 °C beads count as dry, 0.2 ± 0.2 %: relative to what laboratories degas at, usually 120 to 150 °C.
Judgement. [g/g]"""

_PACES = MappingProxyType(
    {
        "microwave": Pace(330.0, 0.7),
        "oven": Pace(2400.0, 0.8),
        "filament_dryer": Pace(30_000.0, 0.8),
        "print_bed": Pace(36_000.0, 0.9),
        "other": Pace(7200.0, 1.2),
    }
)
"""Time constants until runs of one's own are logged: median [s] and sd of its logarithm. Oven: one to two hours in a
thin layer at 100-120 °C (museum and conservation advice after Weintraub). Microwave and filament dryer: common
practice, no source. Print bed, others and the spreads: judgements."""
_HOT_DEGC = 100.0
"""An oven below this is slower than one that museums use. [°C] Judgement: the least of the 100 to 120 °C they use for
gel (after Weintraub)."""
_HALVED_EVERY_K = 17.0
"""Diffusion in the bead slows by half every so many kelvin: 42 kJ/mol from 60 to 100 °C (Sakoda and Suzuki 1984, J.
Chem. Eng. Japan 17:52, from memory). [K]"""
_LEARNED_LOG_SD = 0.4
"""How far a run's time constant lies from those of earlier runs. [ln s] Judgement: loads and layers differ by a
half."""
DECLARED_DRY_SD = 0.05
"""How far the beads of a box may be from the dry mass in its log. [ln mass] Judgement: 3 % for what was declared (as in
monitor/inference/model/prior.py), and 4 % for beads that stayed in the box or were added without a word."""
_LEAST_DRY_SD = 0.003
"""No dry mass is known better than this. [relative] Judgement: beads dried at 120 °C in room air still hold 0.3 to 0.8
% by the isotherm."""
_DRIEST_AIR, _WETTEST_AIR = 0.02, 0.98
"""Beads are at rest with no drier and no moister room than this. [fraction of saturation] Judgement: no room is."""
LEAST_INFORMATIVE_AIR = 0.05
"""Beads that were at rest with drier air show nothing of a lot's capacity. [fraction of saturation] Judgement: below it
the isotherms of lots differ most, and sensors err by as much."""
_FLOOR_SHARE_SD, _FLOOR_HOT_SD, _HOT_FLOOR_DEGC = 0.25, 0.005, 90.0
"""How well the floor of hot air is known: a quarter of it from lot to lot up to this temperature [°C], and half a per
cent above [g/g], both sd: from measured isotherms of three lots of gel (monitor/physics/drying.py)."""


def known_dry_mass(dry_mass_g: float, relative_sd: float) -> DryMass:
    """Return a dry mass known from an earlier run, or from weighing new beads.

    Parameters
    ----------
    dry_mass_g : float
        Median. [g]
    relative_sd : float
        Relative standard deviation, kept above a least one. [fraction]

    Returns
    -------
    DryMass
        Lognormal.
    """
    return DryMass(dry_mass_g, max(relative_sd, _LEAST_DRY_SD))


def dry_mass_of_new(mass_g: float) -> DryMass:
    """Return the dry mass of beads from a fresh bag.

    Parameters
    ----------
    mass_g : float
        As they come. [g]

    Returns
    -------
    DryMass
        Lognormal.
    """
    sd = NEW_LOADING_SD / (1.0 + NEW_LOADING)
    return DryMass(mass_g / (1.0 + NEW_LOADING), sd)


def least_dry_of_new(mass_g: float) -> float:
    """Return what beads that were thought fresh from the bag weigh at least when dry; below it they were not.

    Parameters
    ----------
    mass_g : float
        As they came. [g]

    Returns
    -------
    float
        [g]
    """
    return mass_g / (1.0 + NEW_LOADING + _SDS_OF_NEW * NEW_LOADING_SD)


def dry_mass_from_room(
    mass_g: float,
    desiccant: Desiccant,
    room_temperature_degc: float,
    room_relative_humidity: float,
    factor: LotFactor | None = None,
) -> DryMass:
    """Return the dry mass of beads that have come to rest with the air of a room.

    m / (1 + q): the loading follows from the isotherm, the lot's capacity (its own where a run of it gave it, else the
    spread between lots) and how well the room is known.

    Parameters
    ----------
    mass_g : float
        As they are. [g]
    desiccant : Desiccant
        The beads.
    room_temperature_degc : float
        [°C]
    room_relative_humidity : float
        [fraction of saturation]
    factor : LotFactor, optional
        Capacity of the lot over the isotherm's: median and relative standard deviation. [ratio]

    Returns
    -------
    DryMass
        Lognormal.
    """
    humidity = np.clip(room_relative_humidity, _DRIEST_AIR, _WETTEST_AIR)
    loading = float(desiccant.isotherm.loading_g_per_g(float(humidity), room_temperature_degc))
    slope = float(desiccant.isotherm.slope(float(humidity), room_temperature_degc))
    middle, relative_sd = factor or (1.0, desiccant.sigma_ln_capacity)
    sd = np.hypot(loading * middle * relative_sd, slope * middle * ROOM_HUMIDITY_SD) / (1.0 + loading * middle)
    return DryMass(mass_g / (1.0 + loading * middle), float(sd))


def dry_mass_unknown(mass_g: float) -> DryMass:
    """Return the dry mass of beads of which nothing is known.

    Parameters
    ----------
    mass_g : float
        As they are. [g]

    Returns
    -------
    DryMass
        Lognormal.
    """
    return DryMass(mass_g / (1.0 + UNKNOWN_LOADING), UNKNOWN_RELATIVE_SD)


def lot_factor(desiccant: Desiccant, starts: Sequence[tuple[float, float, float]]) -> LotFactor | None:
    """Return a lot's capacity from runs that began with beads at rest with the room.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    starts : sequence of (float, float, float)
        Of each run the loading at its start [g/g], room temperature [°C] and relative humidity
        [fraction of saturation].

    Returns
    -------
    LotFactor or None
        Capacity over the isotherm's: median and relative standard deviation; None without such runs. [ratio]
    """
    factors = [
        loading / float(desiccant.isotherm.loading_g_per_g(humidity, temperature))
        for loading, temperature, humidity in starts
        if loading > 0.0 and humidity > LEAST_INFORMATIVE_AIR
    ]
    if not factors:
        return None
    return float(np.exp(np.mean(np.log(factors)))), desiccant.sigma_ln_capacity_known / np.sqrt(len(factors))


def end_of_hot_air(
    desiccant: Desiccant, dryer_degc: float, room_temperature_degc: float, room_relative_humidity: float
) -> EndLoading:
    """Return the loading that hot room air ends at: the floor, and how far real beds stray from it.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    dryer_degc : float
        Air temperature of the appliance. [°C]
    room_temperature_degc : float
        [°C]
    room_relative_humidity : float
        [fraction of saturation]

    Returns
    -------
    EndLoading
        About the floor.
    """
    floor = float(drying_floor_g_per_g(desiccant.isotherm, dryer_degc, room_temperature_degc, room_relative_humidity))
    return EndLoading(max(floor, LEAST_FLOOR))


def floor_sd_g_per_g(floor_g_per_g: float, dryer_degc: float) -> float:
    """Return how well the floor itself is known: a quarter of it up to 90 °C, 0.005 g/g above.

    Parameters
    ----------
    floor_g_per_g : float
        The floor. [g/g]
    dryer_degc : float
        Air temperature of the appliance. [°C]

    Returns
    -------
    float
        Standard deviation. [g/g]
    """
    return max(_FLOOR_SHARE_SD * floor_g_per_g, 0.0 if dryer_degc <= _HOT_FLOOR_DEGC else _FLOOR_HOT_SD)


def pace(appliance_kind: str, dryer_degc: float | None, learned_s: Sequence[float] = ()) -> Pace:
    """Return how quickly such a load dries; the time constants of earlier runs of the appliance take over.

    Parameters
    ----------
    appliance_kind : str
        As declared.
    dryer_degc : float or None
        Air temperature; None in a microwave. [°C]
    learned_s : sequence of float
        Time constants of earlier runs of the appliance. [s]

    Returns
    -------
    Pace
        Lognormal.
    """
    usual = _PACES.get(appliance_kind, _PACES["other"])
    if learned_s:
        return Pace(float(np.exp(np.mean(np.log(learned_s)))), _LEARNED_LOG_SD)
    if appliance_kind == "oven" and dryer_degc is not None and dryer_degc < _HOT_DEGC:
        return Pace(usual.median_s * 2.0 ** ((_HOT_DEGC - dryer_degc) / _HALVED_EVERY_K), usual.log_sd)
    return usual
