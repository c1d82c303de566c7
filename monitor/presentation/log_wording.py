"""An entry of a box's log in the words that repeat what was understood, so that a slip is seen at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.bead_wording import beads
from monitor.records import EntryKind
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.presentation.wording import Wording
    from monitor.records import LedgerEntry
    from monitor.settings import Shelf


_CALLED = {
    EntryKind.charge: to_say("beads put in"),
    EntryKind.recharge: to_say("beads dried or swapped"),
    EntryKind.opening: to_say("opened"),
    EntryKind.weighing: to_say("weighed"),
    EntryKind.spool_swap: to_say("spool swapped"),
    EntryKind.sensor_swap: to_say("sensor swapped"),
    EntryKind.leak_test: to_say("leak test"),
    EntryKind.color: to_say("color seen"),
    EntryKind.note: to_say("note"),
}


def called(kind: EntryKind | str) -> str:
    """Return what a kind of entry is called where it is repeated, listed or drawn.

    >>> called(EntryKind.recharge)
    'beads dried or swapped'
    """
    return say(_CALLED[EntryKind(kind)])


def repeated(entry: LedgerEntry, wording: Wording) -> str:
    """Return what was understood."""
    weighed = "" if entry.mass_g is None else say("weighed {weight}", weight=wording.weight(entry.mass_g))
    what = say("{what}, {box}, {at}", what=called(entry.kind), box=entry.box, at=wording.moment(entry.at))
    return "; ".join(filter(None, (what, weighed, details(entry, wording))))


def details(entry: LedgerEntry, wording: Wording) -> str:
    """Return what an entry says beside its kind, its time and a weight."""
    dry = "" if entry.dry_mass_g is None else say("{weight} dry", weight=wording.weight(entry.dry_mass_g))
    held = " ".join(filter(None, (dry, beads(entry.desiccant) if entry.desiccant else "")))
    method = wording.method(entry.method) if entry.method else ""
    return "; ".join(filter(None, (held, method, entry.color, entry.note)))


def changes_nothing(shelf: Shelf, at: datetime) -> bool:
    """Return whether an entry comes too late to matter: the shelf is a recording that ends earlier."""
    return shelf.recorded_until is not None and at >= shelf.recorded_until
