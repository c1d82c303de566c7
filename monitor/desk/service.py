"""The recharge desk: what charges do in boxes and jars, beside the runs that dry them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.desk.apply_events import apply
from monitor.desk.box_entries import filled, others_there
from monitor.desk.checked_log import require_confirmed
from monitor.desk.inventory import (
    Charge,
    Inventory,
)
from monitor.desk.methods import Service, beads_of, services_of
from monitor.desk.questions import about_event, about_use
from monitor.desk.run_log import RunLog
from monitor.desk.runs import first_days
from monitor.desk.told_by_box import ToldByBox, another_dry_mass, came_out_of, told_by_box
from monitor.errors import LedgerError
from monitor.inference.drying.jar import JarVerdict, jar_verdict
from monitor.records import Box, EntryKind, LedgerEntry
from monitor.records.desk_events import (
    BOX,
    SPARE,
    ChargeMoved,
    JarChecked,
    LoggedEvent,
)
from monitor.records.logged import FILLINGS
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class Desk(RunLog):
    """The desk of one shelf."""

    def put(
        self, charge_name: str, box_name: str, now: datetime, *, beside: bool = False, confirmed: bool = False
    ) -> LedgerEntry:
        """Put a charge into a box: a new episode of that box begins, with what is known of the loading.

        What was in the box becomes spare, unless the charge goes in beside it.

        Raises
        ------
        TrapError
            If the beads would take in hardly any water there and nobody has confirmed it.
        """
        inventory = self.inventory()
        charge, box = inventory.active_charge(charge_name), self.box(box_name)
        there = others_there(inventory, BOX + box.name, charge_name)
        event = ChargeMoved(charge_name, BOX + box.name, () if beside else tuple(other.name for other in there))
        entry = self._filled(inventory, [charge, *(there if beside else [])], box, now)
        apply(inventory, LoggedEvent(0, now, event))  # refuses what can't be first
        told = self.told_of_beads(box.name, now) if came_out_of(inventory, charge_name) == box.name else None
        doubts = (*about_use(inventory, charge_name, box, now), *another_dry_mass(None if beside else told, entry))
        require_confirmed((*about_event(inventory, event, now), *doubts), confirmed)
        self.keep(event, now, entry, confirmed=confirmed)
        return entry

    def told_of_beads(self, box_name: str, now: datetime) -> ToldByBox | None:
        """Return what the log of a box tells of the beads in it."""
        return told_by_box(self.stores.ledger.entries(box_name, before=now + timedelta(seconds=1)))

    def services(self, charge_name: str, now: datetime, box_name: str | None = None) -> tuple[Service, ...]:
        """Return what a charge is worth in a box, or in each; nothing where nobody knows how wet it is."""
        boxes = self.boxes if box_name is None else [self.box(box_name)]
        return services_of(self.inventory(), charge_name, boxes, now)

    def take_out(self, charge_name: str, now: datetime) -> None:
        """Lay a charge aside; where others stay in its box, the box goes on with those."""
        inventory = self.inventory()
        place = inventory.active_charge(charge_name).place
        there = others_there(inventory, place, charge_name) if place.startswith(BOX) else []
        entry = self._filled(inventory, there, self.box(place.removeprefix(BOX)), now) if there else None
        self.keep(ChargeMoved(charge_name, SPARE), now, entry)

    def jar_check(
        self, charge_name: str, relative_humidity: float, temperature_degc: float, accuracy: float, now: datetime
    ) -> JarVerdict:
        """Keep a jar check and return what it says beside the weighings."""
        inventory = self.inventory()
        charge = inventory.active_charge(charge_name)
        beads = beads_of(inventory, charge_name)
        verdict = jar_verdict(beads, relative_humidity, temperature_degc, accuracy, charge.loading_g_per_g)
        joined = verdict.combined_g_per_g if verdict.agrees else verdict.alone_g_per_g
        loading = (joined.p05, joined.p50, joined.p95)
        self.keep(JarChecked(charge_name, relative_humidity, temperature_degc, accuracy, loading), now)
        return verdict

    def _filled(self, inventory: Inventory, charges: Sequence[Charge], box: Box, now: datetime) -> LedgerEntry:
        earlier = self.stores.ledger.entries(box.name, before=now)
        kind = EntryKind.recharge if any(entry.kind in FILLINGS for entry in earlier) else EntryKind.charge
        return filled(inventory, charges, box.name, kind, now)

    def first_days(self, charge_name: str) -> JarVerdict | None:
        """Return what the box a charge lies in says of it after its first days; None while it is too early."""
        inventory = self.inventory()
        there = others_there(inventory, inventory.charge(charge_name).place, charge_name)
        if there and inventory.charge(charge_name).place.startswith(BOX):
            raise LedgerError(
                say(
                    "'{there}' lies beside '{charge_name}'. The box can't judge them one by one",
                    there=there[0].name,
                    charge_name=charge_name,
                )
            )
        found = first_days(self.stores.readings, inventory, charge_name)
        if found is None:
            return None
        box = self.box(inventory.charge(charge_name).place.removeprefix(BOX))
        return jar_verdict(beads_of(inventory, charge_name), *found, box.sensor.accuracy)
