"""What physics lets us believe of a drying run before its weighings: dry mass, end loading, pace."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.drying.priors import DryMass, EndLoading, Pace
from monitor.physics.drying import drying_floor_g_per_g

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.physics.materials import Desiccant

LotFactor = tuple[float, float]
"""Capacity of a lot over the isotherm's: median and relative standard deviation."""

NEW_LOADING = 0.025
NEW_LOADING_SD = 0.015
"""Water in beads from a fresh bag: JIS Z 0701:1977 allows 2.0 to 2.5 % as supplied; handling adds. [g/g]"""

UNTOLD_LOADING = 0.18
UNTOLD_RELATIVE_SD = 0.07
"""Beads of which nothing is known: anything from half dry to full (a guess of ours). [g/g]"""

ROOM_HUMIDITY_SD = 0.05
"""How far the air that beads lay in may have been from what the room shows now (a guess of ours)."""

MICROWAVE_END = EndLoading(0.012, 0.010, "beads at about 100 to 120 °C once the steam is swept off")
"""No published end loading of a household microwave was found. Beads that no longer boil sit near 100 to 120 °C, where
the floor of room air is 0.6 to 1.2 %; steam that lingers adds to it, so the spread is wide on purpose. [g/g]"""

LEAST_FLOOR = 0.002
"""Above 120 °C beads count as dry, 0.2 ± 0.2 %: relative to what laboratories degas at. [g/g]"""

_PACES = MappingProxyType(
    {
        "microwave": Pace(330.0, 0.7),
        "oven": Pace(2400.0, 0.8),
        "filament_dryer": Pace(30_000.0, 0.8),
        "print_bed": Pace(36_000.0, 0.9),
        "other": Pace(7200.0, 1.2),
    }
)
"""Time constants until runs of one's own are logged. Oven: one to two hours in a thin layer at 100-120 °C (museum and
conservation advice after Weintraub). Microwave and filament dryer: common practice, no source. Print bed: a guess."""
_HOT_DEGC = 100.0
_LEARNED_LOG_SD = 0.4


def known_dry_mass(dry_mass_g: float, relative_sd: float, because: str) -> DryMass:
    """Return a dry mass known from an earlier run, or from weighing new beads."""
    return DryMass(dry_mass_g, max(relative_sd, 0.003), because)


def dry_mass_of_new(mass_g: float) -> DryMass:
    """Return the dry mass of beads from a fresh bag. [g]"""
    sd = NEW_LOADING_SD / (1.0 + NEW_LOADING)
    return DryMass(mass_g / (1.0 + NEW_LOADING), sd, "new beads carry about 2.5 % of water")


def least_dry_of_new(mass_g: float) -> float:
    """Return what beads that were thought fresh from the bag weigh at least when dry; below it they were not. [g]"""
    return mass_g / (1.0 + NEW_LOADING + 3.0 * NEW_LOADING_SD)


def dry_mass_from_room(
    mass_g: float,
    desiccant: Desiccant,
    room_temperature_degc: float,
    room_relative_humidity: float,
    factor: LotFactor | None = None,
) -> DryMass:
    """Return the dry mass of beads that have come to rest with the air of a room. [g]

    m / (1 + q): the loading follows from the isotherm, the lot's capacity (its own where a run of it told it, else the
    spread between lots) and how well the room is known.
    """
    humidity = np.clip(room_relative_humidity, 0.02, 0.98)
    loading = float(desiccant.isotherm.loading_g_per_g(float(humidity), room_temperature_degc))
    slope = float(desiccant.isotherm.slope(float(humidity), room_temperature_degc))
    middle, relative_sd = factor or (1.0, desiccant.sigma_ln_capacity)
    sd = np.hypot(loading * middle * relative_sd, slope * middle * ROOM_HUMIDITY_SD) / (1.0 + loading * middle)
    told = "a run of the same lot" if factor else f"beads at rest with {100.0 * room_relative_humidity:.0f} % RH"
    return DryMass(mass_g / (1.0 + loading * middle), float(sd), f"{told}: about {100.0 * loading * middle:.0f} %")


def dry_mass_untold(mass_g: float) -> DryMass:
    """Return the dry mass of beads of which nothing is known. [g]"""
    return DryMass(mass_g / (1.0 + UNTOLD_LOADING), UNTOLD_RELATIVE_SD, "nobody knows how wet they were")


def lot_factor(desiccant: Desiccant, starts: Sequence[tuple[float, float, float]]) -> LotFactor | None:
    """Return a lot's capacity from runs that began with beads at rest with the room; None without such runs.

    ``starts``: loading at the start [g/g], room temperature [°C] and relative humidity of each run.
    """
    factors = [
        loading / float(desiccant.isotherm.loading_g_per_g(humidity, temperature))
        for loading, temperature, humidity in starts
        if loading > 0.0 and humidity > 0.05
    ]
    if not factors:
        return None
    return float(np.exp(np.mean(np.log(factors)))), desiccant.sigma_ln_capacity_known / np.sqrt(len(factors))


def end_of_hot_air(
    desiccant: Desiccant, dryer_degc: float, room_temperature_degc: float, room_relative_humidity: float
) -> EndLoading:
    """Return the loading that hot room air ends at: the floor, and how far real beds stray from it. [g/g]"""
    floor = float(drying_floor_g_per_g(desiccant.isotherm, dryer_degc, room_temperature_degc, room_relative_humidity))
    return EndLoading(
        max(floor, LEAST_FLOOR), because=f"hot room air at {dryer_degc:.0f} °C ends near {100.0 * floor:.1f} %"
    )


def floor_sd_g_per_g(floor_g_per_g: float, dryer_degc: float) -> float:
    """Return how well the floor itself is known: a quarter of it up to 90 °C, 0.005 g/g above."""
    return max(0.25 * floor_g_per_g, 0.0 if dryer_degc <= 90.0 else 0.005)


def pace(appliance_kind: str, dryer_degc: float | None, learned_s: Sequence[float] = ()) -> Pace:
    """Return how quickly such a load dries; the time constants of earlier runs of the appliance take over."""
    usual = _PACES.get(appliance_kind, _PACES["other"])
    if learned_s:
        return Pace(float(np.exp(np.mean(np.log(learned_s)))), _LEARNED_LOG_SD)
    if appliance_kind == "oven" and dryer_degc is not None and dryer_degc < _HOT_DEGC:
        # Diffusion in the bead slows by half every 17 K there (42 kJ/mol, Sakoda and Suzuki 1984, from memory).
        return Pace(usual.median_s * 2.0 ** ((_HOT_DEGC - dryer_degc) / 17.0), usual.log_sd)
    return usual
