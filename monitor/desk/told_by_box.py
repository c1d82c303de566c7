"""What the log of a box tells of its beads before the desk has ever weighed them: kind, dry mass, last dried weight."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.desk.inventory import SURELY_SDS
from monitor.desk.traps import Trap, fullest_g_per_g
from monitor.inference.drying.priors import DECLARED_DRY_SD
from monitor.physics.materials import desiccant
from monitor.records.desk_events import BOX
from monitor.records.logged import FILLINGS
from monitor.records.words import NOT_DRIED
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.desk.inventory import Inventory, Run
    from monitor.records import LedgerEntry

OF_BOX = "-beads"
"""What the name of a charge ends with that was taken out of a box before anybody declared it."""
_SAID_SHARE = 0.03  # of a dry mass; judgement: as far as a declared one lies from the truth


@dataclass(frozen=True, slots=True)
class ToldByBox:
    """What the newest entry of beads in a box's log says."""

    box: str
    kind: str
    dry_mass_g: float
    dried_g: float | None = None
    """What they weighed after their last drying, where it was logged."""


def told_by_box(entries: Sequence[LedgerEntry]) -> ToldByBox | None:
    """Return what the log of a box tells of the beads that lie in it; None where it does not say how heavy they are."""
    starts = [entry for entry in entries if entry.kind in FILLINGS]
    if not starts or not starts[-1].dry_mass_g:
        return None
    newest = starts[-1]
    kind = next((entry.desiccant for entry in reversed(starts) if entry.desiccant), None)
    if kind is None or newest.dry_mass_g is None:
        return None
    return ToldByBox(newest.box, kind, newest.dry_mass_g, None if newest.method == NOT_DRIED else newest.mass_g)


def came_out_of(inventory: Inventory, charge: str) -> str:
    """Return the box whose log told of a charge before its last run; '' where none did."""
    runs = [run for run in inventory.runs.values() if run.start.charge == charge]
    return runs[-1].charge_before.of_box if runs else inventory.charge(charge).of_box


def another_dry_mass(told: ToldByBox | None, entry: LedgerEntry) -> Iterable[Trap]:
    """Ask before the log of a box gets another dry mass for the very beads that came out of it."""
    if told is None or entry.dry_mass_g is None:
        return
    if abs(entry.dry_mass_g / told.dry_mass_g - 1.0) > _SAID_SHARE:
        text = say(
            "the log of {box} will say {mass} g when fully dry. Before, it said {before} g of these beads. Are they"
            " other beads, or still wet?",
            box=told.box,
            mass=f"{entry.dry_mass_g:.0f}",
            before=f"{told.dry_mass_g:.0f}",
        )
        yield Trap(
            "another dry mass",
            text,
        )


def unlike_its_log(told: ToldByBox, mass_g: float) -> Trap | None:
    """Return what speaks against beads of this weight being all the beads of a box, as its log has them."""
    slack = 1.0 + SURELY_SDS * DECLARED_DRY_SD
    least_g = told.dry_mass_g / slack
    most_g = told.dry_mass_g * slack * (1.0 + fullest_g_per_g(desiccant(told.kind)))
    if least_g <= mass_g <= most_g:
        return None
    said = say(
        "{mass} g of beads, but the log of {box} says {dry_mass} g when fully dry",
        mass=f"{mass_g:.0f}",
        box=told.box,
        dry_mass=f"{told.dry_mass_g:.0f}",
    )
    why = say("Is it only a part of them") if mass_g < least_g else say("Is the holder included")
    return Trap("unlike the box's log", say("{said}. {why}, or are they other beads?", said=said, why=why))


def box_of_beads(charge: str, boxes: Iterable[str]) -> str:
    """Return the box that beads were taken out of before anybody declared them; '' where it can't be told."""
    return next((box for box in boxes if charge.startswith(f"{box}{OF_BOX}")), "")


def came_from(run: Run, boxes: Sequence[str]) -> str:
    """Return the box that the beads of a run came out of; '' where it can't be told."""
    place = run.charge_before.place.removeprefix(BOX)
    return place if place in boxes else box_of_beads(run.start.charge, boxes)
