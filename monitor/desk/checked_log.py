"""Every event of the recharge desk is checked against the inventory before it is kept, whoever sends it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.desk.apply_events import apply, replay
from monitor.desk.inventory import (
    Inventory,
)
from monitor.desk.questions import about_addition, about_entry, about_event, completed
from monitor.desk.questions import beside as joined
from monitor.desk.traps import (
    Trap,
    TrapError,
)
from monitor.errors import LedgerError, UnknownBoxError, UnknownNameError
from monitor.records import ROOM, Appliance, Box, LedgerEntry, RoomClimate
from monitor.records.desk_events import (
    DeskEvent,
    LoggedEvent,
)
from monitor.records.names import tidy
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime

    from monitor.store.contracts import DeskStores

FRESH_ROOM = timedelta(hours=6)
"""A room reading older than this is not the room of now (a judgement: weather turns in hours)."""


@dataclass(frozen=True, slots=True)
class CheckedLog:
    """Events and entries of one shelf, and what was declared there."""

    stores: DeskStores
    boxes: Sequence[Box]
    appliances: Sequence[Appliance]
    room_climate: RoomClimate | None = None
    clock: Callable[[], datetime] = field(kw_only=True)
    """Says when an event or an entry was written down; a guide stays open for hours."""

    def inventory(self) -> Inventory:
        """Add up the events."""
        return replay(self.stores.events.events())

    def keep(
        self, event: DeskEvent, at: datetime, box_entry: LedgerEntry | None = None, *, confirmed: bool = False
    ) -> LoggedEvent:
        """Keep an event that agrees with the inventory.

        Raises
        ------
        LedgerError
            If it contradicts them.
        TrapError
            If it hardly happened so and nobody has confirmed it.
        """
        with self.stores.events.transaction():
            inventory = self.inventory()
            apply(inventory, LoggedEvent(0, at, event))
            require_confirmed(about_event(inventory, event, at), confirmed)
            return self.stores.events.log(event, at, self.clock(), box_entry)

    def log(self, entry: LedgerEntry, *, beside: bool = False, confirmed: bool = False) -> int:
        """Keep an entry of a box's ledger and return its number; ``beside``: the beads join those already there.

        Raises
        ------
        TrapError
            If it hardly happened so and nobody has confirmed it.
        """
        with self.stores.events.transaction():
            others = self.stores.ledger.entries(entry.box)
            if beside:
                require_confirmed(about_addition(entry, others), confirmed)
                entry = joined(entry, others)
            else:
                entry = completed(entry, others)
                require_confirmed(about_entry(entry, others), confirmed)
            return self.stores.ledger.log(entry, self.clock())

    def undo(self, event_id: int) -> LoggedEvent:
        """Take an event back, unless a later one rests on it."""
        with self.stores.events.transaction():
            rest = [logged for logged in self.stores.events.events() if logged.event_id != event_id]
            try:
                replay(rest)
            except LedgerError as error:
                raise LedgerError(
                    say(
                        "can't undo {event_id}: something later depends on it ({error}). Undo that first",
                        event_id=event_id,
                        error=error,
                    )
                ) from error
            return self.stores.events.undo(event_id, self.clock())

    def room(self, now: datetime, told: RoomClimate | None = None) -> tuple[RoomClimate, str]:
        """Return the air the appliance draws, and where that is known from."""
        if told is not None:
            return told, "told"
        seen = self.stores.readings.series(ROOM, now - FRESH_ROOM, now + timedelta(seconds=1))
        if len(seen):
            return RoomClimate(float(seen.temperature_degc[-1]), float(seen.relative_humidity[-1])), "sensor"
        return (self.room_climate, "shelf file") if self.room_climate else (RoomClimate(), "assumed")

    def appliance(self, name: str) -> Appliance:
        """Return a declared appliance."""
        for appliance in self.appliances:
            if appliance.name == name:
                return appliance
        known = ", ".join(appliance.name for appliance in self.appliances)
        raise UnknownNameError(
            say("appliance '{name}' is not in the shelf file. Declared: {known}", name=name, known=known)
        )

    def box(self, name: str) -> Box:
        """Return a declared box."""
        for box in self.boxes:
            if box.name == tidy(name):
                return box
        raise UnknownBoxError(
            say(
                "box '{name}' is not declared. Declared: {names}",
                name=name,
                names=", ".join(box.name for box in self.boxes),
            )
        )


def require_confirmed(found: Iterable[Trap], confirmed: bool) -> None:
    """Refuse what hardly happened so, unless somebody confirmed it."""
    found = tuple(found)
    if found and not confirmed:
        raise TrapError(found)
