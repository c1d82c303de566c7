"""What a method of drying can reach in a room: end loading, jar check, time, heat; before anyone switches it on."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.drying.priors import (
    MICROWAVE_END,
    end_of_hot_air,
    floor_sd_g_per_g,
    pace,
)
from monitor.inference.drying.verdict import SETTLED_SHARE
from monitor.physics.drying import JAR_DEGC, desorption_energy_kj, jar_relative_humidity, sensible_heat_kj
from monitor.records import NORMAL_P95, Quantiles
from monitor.units import W_PER_KW

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.physics.materials import Desiccant
    from monitor.records import Appliance, RoomClimate

_KJ_PER_KWH = 3600.0
"""Exact."""
_BOILING_OFF_DEGC = 110.0
"""Beads in a microwave, for the heat they take. [°C] Judgement: steam leaves them at about 100 to 120 °C."""
_DRIEST = 1e-4
"""Heat is added up to no drier an end than this. [g/g] Judgement: far below any floor; it only keeps a logarithm
sound."""
_SHARE_OF_RATED = 0.5
"""What an appliance that holds a temperature draws on average, over what its plate says. Judgement: a thermostat heats
half of the time."""
_MICROWAVE_INPUT_SHARE = 0.6
"""Microwave power that reaches the food over what the plug draws. [share] From memory."""
_USUAL_MEAN_DRAW_W = MappingProxyType(
    {"microwave": 700.0, "oven": 250.0, "filament_dryer": 90.0, "print_bed": 120.0, "other": 500.0}
)
"""Mean draw while drying. [W] From memory: an oven holding 110 °C takes some 0.4 to 0.6 kWh in two hours; the others
are judgements."""
_HANDS_ON_MIN = MappingProxyType({"microwave": 20, "oven": 10, "filament_dryer": 5, "print_bed": 10, "other": 10})
"""A person's own work a batch: loading, stirring, weighing. [min] Judgement."""
USUAL_DEGC = MappingProxyType({"oven": 110.0, "filament_dryer": 65.0, "print_bed": 70.0, "other": 60.0})
"""Taken where the shelf file names no temperature. [°C] Oven: museum practice for gel is 100 to 120 °C (after
Weintraub); the others are judgements, what such appliances are usually given."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What one method can do for one load of beads in one room."""

    method: str
    """Name of the appliance."""
    kind: str
    """Kind of the appliance."""
    temperature_degc: float | None
    """Of its air; None in a microwave. [°C]"""
    end_g_per_g: Quantiles
    """Where it ends. [g/g]"""
    jar_relative_humidity: float | None
    """Over the cooled beads at 25 °C, if they get to the end; None where the end is a guess.
    [fraction of saturation]"""
    time_s: Quantiles
    """Until the loading is within ``SETTLED_SHARE`` of its end. [s]"""
    water_off_g: float
    """To the end's median. [g]"""
    energy_kwh: float
    """From the plug over the median time, never below the least. [kWh]"""
    least_energy_kwh: float
    """What physics asks for: the heat of adsorption and the warming up, without losses. [kWh]"""
    hands_on_min: int
    """A person's own work. [min]"""
    over_ceiling: bool
    """Hotter than these beads or their dye stand."""


def reach(
    appliance: Appliance,
    desiccant: Desiccant,
    room: RoomClimate,
    dry_mass_g: float,
    start_loading_g_per_g: float,
    *,
    learned_s: Sequence[float] = (),
) -> Reach:
    """Return what an appliance can do for one load of beads.

    Parameters
    ----------
    appliance : Appliance
        As declared.
    desiccant : Desiccant
        The beads.
    room : RoomClimate
        Air that the appliance heats.
    dry_mass_g : float
        Of the load. [g]
    start_loading_g_per_g : float
        Before the heat. [g/g]
    learned_s : sequence of float
        Time constants of earlier runs of the appliance. [s]

    Returns
    -------
    Reach
        In this room.
    """
    degc = temperature_of(appliance)
    end = end_in_room(desiccant, room, degc)
    middle = min(end.p50, start_loading_g_per_g)
    span_s = pace(appliance.kind, degc, learned_s)
    constants = np.log(max((start_loading_g_per_g - middle) / SETTLED_SHARE, 1.0))
    spread = np.exp(NORMAL_P95 * span_s.log_sd)
    time_s = Quantiles(*(float(constants * span_s.median_s * factor) for factor in (1.0 / spread, 1.0, spread)))
    water_g = dry_mass_g * (start_loading_g_per_g - middle)
    hot = _BOILING_OFF_DEGC if degc is None else degc
    heat_kj = desorption_energy_kj(desiccant.isotherm, dry_mass_g, start_loading_g_per_g, max(middle, _DRIEST), hot)
    heat_kj += sensible_heat_kj(
        dry_mass_g,
        dry_mass_g * start_loading_g_per_g,
        room.temperature_degc,
        hot,
        desiccant.dry_heat_capacity_kj_per_kg_per_k,
    )
    return Reach(
        method=appliance.name,
        kind=appliance.kind,
        temperature_degc=degc,
        end_g_per_g=end,
        jar_relative_humidity=_jar(desiccant, room, degc),
        time_s=time_s,
        water_off_g=float(water_g),
        energy_kwh=max(mean_draw_w(appliance) * time_s.p50 / W_PER_KW / _KJ_PER_KWH, float(heat_kj) / _KJ_PER_KWH),
        least_energy_kwh=float(heat_kj) / _KJ_PER_KWH,
        hands_on_min=_HANDS_ON_MIN.get(appliance.kind, _HANDS_ON_MIN["other"]),
        over_ceiling=degc is not None and degc > desiccant.max_regeneration_degc,
    )


def temperature_of(appliance: Appliance) -> float | None:
    """Return the air temperature an appliance works at.

    Parameters
    ----------
    appliance : Appliance
        As declared.

    Returns
    -------
    float or None
        None for a microwave, which has none. [°C]
    """
    if appliance.kind == "microwave":
        return None
    return appliance.temperature_degc or USUAL_DEGC.get(appliance.kind, USUAL_DEGC["other"])


def mean_draw_w(appliance: Appliance) -> float:
    """Return what an appliance draws on average while drying.

    Parameters
    ----------
    appliance : Appliance
        As declared.

    Returns
    -------
    float
        [W]
    """
    if appliance.power_w is None:
        return _USUAL_MEAN_DRAW_W.get(appliance.kind, _USUAL_MEAN_DRAW_W["other"])
    return (
        appliance.power_w / _MICROWAVE_INPUT_SHARE
        if appliance.kind == "microwave"
        else _SHARE_OF_RATED * appliance.power_w
    )


def end_in_room(desiccant: Desiccant, room: RoomClimate, degc: float | None) -> Quantiles:
    """Return the loading that beads end at, in a room.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    room : RoomClimate
        Air that the appliance heats.
    degc : float or None
        Of the appliance's air; None in a microwave. [°C]

    Returns
    -------
    Quantiles
        Lognormal about the floor. [g/g]
    """
    if degc is None:
        mean, sd = MICROWAVE_END.mean_g_per_g, MICROWAVE_END.sd_g_per_g
    else:
        mean = end_of_hot_air(desiccant, degc, room.temperature_degc, room.relative_humidity).mean_g_per_g
        sd = floor_sd_g_per_g(mean, degc)
    log_sd = np.sqrt(np.log1p((sd / mean) ** 2))
    return Quantiles(*(float(mean * np.exp(z * log_sd)) for z in (-NORMAL_P95, 0.0, NORMAL_P95)))


def _jar(desiccant: Desiccant, room: RoomClimate, degc: float | None) -> float | None:
    if degc is None:
        return None
    return float(
        jar_relative_humidity(desiccant.isotherm, degc, room.temperature_degc, room.relative_humidity, JAR_DEGC)
    )
