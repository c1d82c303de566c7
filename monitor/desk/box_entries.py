"""What the desk writes into a box's own ledger: beads that went in, and what they weighed on their way out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk.methods import beads_of
from monitor.inference.drying.priors import NEW_LOADING, UNKNOWN_LOADING
from monitor.physics.materials import mixed_kind
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import BOX
from monitor.records.words import NOT_DRIED

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.desk.inventory import (
        Charge,
        Inventory,
        Loading,
        Run,
    )
    from monitor.records.desk_events import RunWeighed


def filled(inventory: Inventory, charges: Sequence[Charge], box: str, kind: EntryKind, now: datetime) -> LedgerEntry:
    """Return what a box is told of the charges that lie in it from now on, side by side where there are several."""
    charges = [charge.as_it_lies(now) for charge in charges]
    was_in_box = any(charge.was_in_box for charge in charges)  # what they took up since, the readings have to tell
    dry_g = [_dry_mass_g(charge) for charge in charges]
    kinds = [beads_of(inventory, charge.name).kind for charge in charges]
    methods = {charge.method or ("new" if charge.state == "new" else None) for charge in charges}
    return LedgerEntry(
        kind=kind,
        box=box,
        at=now,
        mass_g=None if was_in_box else sum(charge.mass_g for charge in charges),
        desiccant=mixed_kind(list(zip(kinds, dry_g, strict=True))),
        dry_mass_g=sum(dry_g),
        method=NOT_DRIED if was_in_box else next(iter(methods)) if len(methods) == 1 else None,
        loading_g_per_g=_combined_loading([charge.loading_g_per_g for charge in charges], dry_g),
        note="charge " + " and ".join(charge.name for charge in charges),
    )


def weighed_on_its_way(
    inventory: Inventory, run: Run, mass_g: float, weighed: RunWeighed, now: datetime
) -> LedgerEntry | None:
    """Return what the first weighing of a run tells of the box the beads came from: water taken up, in grams."""
    place = run.charge_before.place
    if not place.startswith(BOX) or others_there(inventory, place, run.start.charge):
        return None
    return LedgerEntry(
        kind=EntryKind.weighing,
        box=place.removeprefix(BOX),
        at=now,
        mass_g=mass_g,
        scale_resolution_g=weighed.resolution_g * weighed.factor,
        note=f"charge {run.start.charge}, on its way to the {run.start.appliance}",
    )


def others_there(inventory: Inventory, place: str, charge_name: str) -> list[Charge]:
    """Return the charges that lie where this one lies or goes."""
    return [other for other in inventory.charges.values() if other.place == place and other.name != charge_name]


def _combined_loading(loadings: Sequence[Loading | None], dry_g: Sequence[float]) -> Loading | None:
    """Return the loading of beads side by side: their water adds up, whatever the kinds; None where one is unknown."""
    known = [loading for loading in loadings if loading is not None]
    if len(known) < len(loadings):
        return None
    shares = [mass / sum(dry_g) for mass in dry_g]
    low, middle, high = (
        sum(share * loading[point] for share, loading in zip(shares, known, strict=True))
        for point in range(len(known[0]))
    )
    return (low, middle, high)


def _dry_mass_g(charge: Charge) -> float:
    if charge.dry_mass_g is not None:
        return charge.dry_mass_g
    return charge.mass_g / (1.0 + (NEW_LOADING if charge.state == "new" else UNKNOWN_LOADING))
