"""What beads are worth to boxes, and what each method of drying could make of them in a room."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.inventory import (
    Charge,
    Inventory,
    Run,
)
from monitor.desk.traps import before_heating
from monitor.errors import OutOfRangeError, TypedError, UnknownNameError
from monitor.inference.drying import priors as drying_priors
from monitor.inference.drying.reach import Reach, reach, temperature_of
from monitor.inference.drying.verdict import SETTLED_SHARE
from monitor.physics.materials import Desiccant, desiccant
from monitor.records import Appliance, Box, Quantiles, RoomClimate
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

STORAGE_DEGC = 22.0
"""Temperature at which the water a box's beads can take is computed. A judgement: a room where people live."""

_GOOD_SHARE, _SLIGHT_SHARE = 0.6, 0.25
"""Shares of what dry beads take in from which on beads are good, and below which they are of little use. Judgements:
weeks saved, or hardly worth closing the box."""

USUAL_DRY_G = 250.0
"""Beads the table is computed for where no charge is named. A judgement: a batch that most appliances take."""

NORMAL_90_SDS = 3.29
"""Standard deviations between the 5 % and the 95 % point of a normal, by definition."""


@dataclass(frozen=True, slots=True)
class Service:
    """What the beads as they are now would do in a box."""

    box: str
    humidity_limit: float
    usable_g: Quantiles
    """Water they would still take up before the box passes its limit."""
    share: float
    """That over what bone-dry beads would take."""

    @property
    def good(self) -> bool:
        """Whether the beads take in most of what dry ones would."""
        return self.share >= _GOOD_SHARE

    @property
    def of_little_use(self) -> bool:
        """Whether the beads take in hardly anything there."""
        return self.share < _SLIGHT_SHARE


@dataclass(frozen=True, slots=True)
class Further:
    """What another declared appliance would still bring after a run."""

    appliance: str
    temperature_degc: float | None
    water_g: float
    time_s: Quantiles


@dataclass(frozen=True, slots=True)
class Method:
    """What one appliance could do, for which boxes, and what speaks against it."""

    reach: Reach
    services: tuple[Service, ...]
    risks: tuple[str, ...]
    dry_mass_g: float
    """Of the beads that all this is computed for."""


def compare_methods(
    inventory: Inventory, appliances: Sequence[Appliance], boxes: Sequence[Box], room: RoomClimate, *, of: str
) -> tuple[Method, ...]:
    """Return what each appliance could reach with a charge, or with 250 g of a kind of beads wet from the room."""
    beads, dry_g, start, holder = _load(inventory, of, room)
    capacity = capacity_of(inventory, inventory.charges[of]) if of in inventory.charges else None
    told = []
    for appliance in appliances:
        it = reach(appliance, beads, room, dry_g, start, learned_s=learned_s(inventory, appliance.name))
        dry = Quantiles(dry_g, dry_g, dry_g)
        risks = _risks(beads, appliance, holder)
        told.append(Method(it, services(beads, dry, it.end_g_per_g, boxes, capacity), risks, dry_g))
    return tuple(told)


def further_methods(
    inventory: Inventory, run: Run, declared: Sequence[Appliance], dry_mass_g: float, loading_g_per_g: float
) -> tuple[Further, ...]:
    """Return which other appliances would take off more than a scale hardly shows, the most first.

    Left out are one that is too hot for beads, dye or holder, and the one of the run unless it is hotter: more of the
    same is no other method.
    """
    beads, start = beads_of(inventory, run.start.charge), run.start
    room = RoomClimate(start.room_temperature_degc, start.room_relative_humidity)
    found = []
    for appliance in declared:
        degc = temperature_of(appliance)
        risky = before_heating(beads, appliance.kind, degc, run.charge_before.holder)
        if risky or _more_of_the_same(run, appliance.name, degc):
            continue
        learned = learned_s(inventory, appliance.name)
        it = reach(appliance, beads, room, dry_mass_g, max(loading_g_per_g, 0.0), learned_s=learned)
        if it.water_off_g >= SETTLED_SHARE * dry_mass_g:
            found.append(Further(appliance.name, degc, it.water_off_g, it.time_s))
    return tuple(sorted(found, key=lambda further: -further.water_g))


def _more_of_the_same(run: Run, appliance: str, temperature_degc: float | None) -> bool:
    if appliance != run.start.appliance:
        return False
    before_degc = run.start.temperature_degc
    return temperature_degc is None or before_degc is None or temperature_degc <= before_degc


def learned_s(inventory: Inventory, appliance: str) -> list[float]:
    """Return the time constants of the finished runs of an appliance whose weighings fitted a curve."""
    return [
        run.finished.time_constant_s
        for run in inventory.runs.values()
        if run.finished is not None and run.finished.fits and run.start.appliance == appliance
    ]


def capacity_of(inventory: Inventory, charge: Charge, but: str = "") -> drying_priors.LotFactor:
    """Return what a charge holds over what the isotherm says: median and relative standard deviation.

    Runs of its lot that began with beads at rest with the room tell it, ``but`` one; without them its age does,
    roughly.
    """
    beads = beads_of(inventory, charge.name)
    learned = drying_priors.lot_factor(beads, starts_in_room(inventory, charge.lot, but))
    if learned is not None:
        return learned
    aged = beads.ageing.capacity_factor(charge.cycles) if beads.ageing else 1.0
    return aged, beads.sigma_ln_capacity


def services(
    beads: Desiccant,
    dry_mass_g: Quantiles,
    loading_g_per_g: Quantiles,
    boxes: Sequence[Box],
    capacity: drying_priors.LotFactor | None = None,
) -> tuple[Service, ...]:
    """Return what beads of this loading would do in each box."""
    factor, relative_sd = capacity or (1.0, beads.sigma_ln_capacity)
    told = []
    for box in boxes:
        full = factor * float(beads.isotherm.loading_g_per_g(box.humidity_limit, STORAGE_DEGC))
        slack = 1.645 * relative_sd * full  # sd from the middle to the 95 % point of a normal, by definition
        left = Quantiles(
            *(full - loading for loading in (loading_g_per_g.p95, loading_g_per_g.p50, loading_g_per_g.p05))
        )
        down, up = np.hypot(left.p50 - left.p05, slack), np.hypot(left.p95 - left.p50, slack)
        shares = (left.p50 - down, left.p50, left.p50 + up)
        usable = Quantiles(*(float(np.clip(dry_mass_g.p50 * share, 0.0, None)) for share in shares))
        told.append(Service(box.name, box.humidity_limit, usable, max(left.p50, 0.0) / full))
    return tuple(told)


def services_of(inventory: Inventory, charge: str, boxes: Sequence[Box], at: datetime) -> tuple[Service, ...]:
    """Return what a charge would do in each box as it lies now; nothing where nobody knows how wet or heavy it is."""
    it = inventory.charge(charge).as_it_lies(at)
    if it.loading_g_per_g is None or it.dry_mass_g is None:
        return ()
    dry = Quantiles(it.dry_mass_g, it.dry_mass_g, it.dry_mass_g)
    loading = Quantiles(*it.loading_g_per_g)
    return services(beads_of(inventory, charge), dry, loading, boxes, _capacity_as_judged(inventory, it))


def _capacity_as_judged(inventory: Inventory, charge: Charge) -> drying_priors.LotFactor:
    """Return the capacity as the run saw it that judged a charge, so that the box is told what the run said."""
    finished = [run for run in inventory.runs.values() if run.start.charge == charge.name and not run.open]
    if not finished:
        return capacity_of(inventory, charge)
    return capacity_of(inventory, finished[-1].charge_before, but=finished[-1].name)


def beads_of(inventory: Inventory, charge: str) -> Desiccant:
    """Return what is known of the beads of a charge."""
    return desiccant(inventory.lot(inventory.charge(charge).lot).bought.desiccant)


def starts_in_room(inventory: Inventory, lot: str, but: str = "") -> list[tuple[float, float, float]]:
    """Return loading and room of every finished run of a lot that began with beads at rest with the room.

    A run that was spoilt, by a spill or because no curve fits its weighings, teaches nothing of its lot.
    """
    return [
        (run.finished.start_loading_g_per_g, run.start.room_temperature_degc, run.start.room_relative_humidity)
        for run in inventory.runs.values()
        if run.finished is not None
        and run.finished.fits
        and not run.spills
        and run.name != but
        and run.charge_before.lot == lot
        and run.charge_before.state == "room"
    ]


def kind_of_beads(name: str) -> str:
    """Return the kind of desiccant that a name or an everyday alias stands for.

    Raises
    ------
    TypedError
        If it stands for none.
    """
    try:
        return desiccant(name).kind
    except OutOfRangeError:
        raise TypedError(
            say("'{name}' is not a known kind of beads. `siccast words beads` lists them", name=name)
        ) from None


def _load(inventory: Inventory, of: str, room: RoomClimate) -> tuple[Desiccant, float, float, str]:
    """Return the beads, their dry mass, how wet they are, and what they sit in."""
    charge = inventory.charges.get(of)
    try:
        beads = beads_of(inventory, of) if charge else desiccant(of)
    except OutOfRangeError:
        known = ", ".join(inventory.charges) or say("none yet")
        text = to_say(
            "'{name}' is neither a charge nor a known kind of beads. Charges: {known}. Kinds: `siccast words beads`"
        )
        raise UnknownNameError(say(text, name=of, known=known)) from None
    wet = float(beads.isotherm.loading_g_per_g(room.relative_humidity, room.temperature_degc))
    if charge is None:
        return beads, USUAL_DRY_G, wet, ""
    if charge.dry_mass_g is None:
        return beads, charge.mass_g / (1.0 + wet), wet, charge.holder
    return beads, charge.dry_mass_g, max(charge.mass_g / charge.dry_mass_g - 1.0, wet), charge.holder


def _risks(beads: Desiccant, appliance: Appliance, holder: str) -> tuple[str, ...]:
    degc = temperature_of(appliance)
    told = [trap.text for trap in before_heating(beads, appliance.kind, degc, holder)]
    told += {
        "microwave": [say("The beads get hot spots. Use glass or ceramic only, and stir between bursts.")],
        "oven": [say("Glass and steam are hot.")],
        "filament_dryer": [say("This is slow. A deep load stays wet in the middle.")],
        "print_bed": [say("The beads are warm below and cool above. Spread a thin layer under a vented cover.")],
    }.get(appliance.kind, [])
    if appliance.temperature_degc is None and degc is not None:
        told.append(say("{degc} °C is assumed. Set temperature_c in the shelf file.", degc=f"{degc:.0f}"))
    return tuple(told)
