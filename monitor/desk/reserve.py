"""What the desk's log tells a plan: charges in reserve, beads in boxes, what appliances took and reached so far."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.methods import beads_of, services
from monitor.desk.traps import before_heating
from monitor.inference.drying.monthly_reach import EarlierEnd
from monitor.inference.drying.priors import NEW_LOADING, NEW_LOADING_SD
from monitor.inference.drying.reach import temperature_of
from monitor.physics.materials import desiccant
from monitor.records import NORMAL_P95, Quantiles, RoomClimate
from monitor.records.desk_events import BOX, SPARE
from monitor.records.plan_input import Beads, SpareCharge

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from monitor.desk.inventory import Charge, Inventory, Run
    from monitor.records import Appliance, Box


def spare_charges(
    inventory: Inventory, appliances: Sequence[Appliance], boxes: Sequence[Box], at: datetime
) -> tuple[SpareCharge, ...]:
    """Return the charges that lie in no box and in no appliance.

    One is dry where some box would get most of what bone-dry beads would give it.
    """
    spares = [one for one in inventory.charges.values() if one.place == SPARE and not one.retired]
    return tuple(_spare(inventory, charge.as_it_lies(at), appliances, boxes) for charge in spares)


def beads_in_boxes(inventory: Inventory) -> Mapping[str, tuple[Beads, datetime | None]]:
    """Return the beads that the desk knows of in each box, and since when they are there."""
    return {
        charge.place.removeprefix(BOX): (_beads(inventory, charge), charge.placed_at)
        for charge in inventory.charges.values()
        if charge.place.startswith(BOX) and not charge.retired
    }


def forbidden(beads: Beads, appliances: Sequence[Appliance]) -> dict[str, str]:
    """Return why beads may not go into an appliance, for each one that is too hot for them, their dye or holder."""
    known = desiccant(beads.kind)
    found = {tool.name: before_heating(known, tool.kind, temperature_of(tool), beads.holder) for tool in appliances}
    return {name: _sentence(traps[0].text) for name, traps in found.items() if traps}


def earlier_ends(inventory: Inventory, appliance: str, kind: str) -> list[EarlierEnd]:
    """Return what the finished runs of an appliance reached with one kind of beads."""
    runs = [run for run in _finished(inventory, appliance) if beads_of(inventory, run.start.charge).kind == kind]
    return [
        EarlierEnd(
            Quantiles(*run.finished.loading_g_per_g),
            run.start.temperature_degc,
            RoomClimate(run.start.room_temperature_degc, run.start.room_relative_humidity),
        )
        for run in runs
        if run.finished is not None
    ]


def usual_minutes(inventory: Inventory, appliance: str) -> float | None:
    """Return how long the finished runs of an appliance were heated, the middle one; None without any. [min]"""
    # seconds a minute, by definition
    heated = [run.weighings[-1].heated_s / 60.0 for run in _finished(inventory, appliance)]
    return median(heated) if heated else None


def _finished(inventory: Inventory, appliance: str) -> list[Run]:
    """Return runs that say something of an appliance."""
    return [
        run
        for run in inventory.runs.values()
        if run.start.appliance == appliance and run.finished is not None and run.finished.fits and run.weighings
    ]


def _spare(inventory: Inventory, charge: Charge, appliances: Sequence[Appliance], boxes: Sequence[Box]) -> SpareCharge:
    beads, loading = _beads(inventory, charge), _loading(charge)
    dry = False
    if loading is not None and beads.dry_mass_g is not None:
        grams = Quantiles(beads.dry_mass_g, beads.dry_mass_g, beads.dry_mass_g)
        dry = any(one.good for one in services(beads_of(inventory, charge.name), grams, loading, boxes))
    return SpareCharge(charge.name, beads, dry, loading, forbidden(beads, appliances))


def _beads(inventory: Inventory, charge: Charge) -> Beads:
    dry_g = charge.dry_mass_g
    if dry_g is None and charge.state == "new":
        dry_g = charge.mass_g / (1.0 + NEW_LOADING)
    kind = beads_of(inventory, charge.name).kind
    return Beads(kind, charge.lot, dry_g, charge.holder, charge.name)


def _loading(charge: Charge) -> Quantiles | None:
    """Return the water in a charge as it lies: as a run judged it, or as beads come from their bag."""
    if charge.loading_g_per_g is not None:
        return Quantiles(*charge.loading_g_per_g)
    if charge.state != "new" or charge.was_in_box:
        return None
    log_sd = np.sqrt(np.log1p((NEW_LOADING_SD / NEW_LOADING) ** 2))
    return Quantiles(*(float(NEW_LOADING * np.exp(z * log_sd)) for z in (-NORMAL_P95, 0.0, NORMAL_P95)))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
