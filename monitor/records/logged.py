"""What was logged: the events of people, and messages that could not be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from monitor.records.readings import Rejection
from monitor.texts import to_say


class EntryKind(StrEnum):
    """Kinds of ledger entries."""

    charge = to_say("charge")
    """Desiccant put into a box: the start of an episode."""
    opening = to_say("opening")
    weighing = to_say("weighing")
    recharge = to_say("recharge")
    """Drying or swapping the charge of a box: the start of an episode."""
    spool_swap = to_say("spool swap")
    sensor_swap = to_say("sensor swap")
    leak_test = to_say("leak test")
    """The box was tested empty; the entry carries what that found."""
    color = to_say("color")
    """What color indicating beads showed."""
    note = to_say("note")


FILLINGS = (EntryKind.charge, EntryKind.recharge)
"""Entries with which an episode begins: beads went in."""


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One thing that a person did to a box and wrote down."""

    kind: EntryKind
    box: str
    at: datetime
    mass_g: float | None = None
    """Desiccant with its water and without its holder, where it was weighed."""
    scale_resolution_g: float | None = None
    desiccant: str | None = None
    """Kind of desiccant, by its name in monitor/physics/tables."""
    dry_mass_g: float | None = None
    """Nominal mass when fully regenerated."""
    method: str | None = None
    """How it was dried: 'oven_120C_3h', 'microwave', 'hot_air_65C', 'print_bed', 'new', 'indicator_orange' …."""
    loading_g_per_g: tuple[float, float, float] | None = None
    """Loading at the start, 5 %, 50 % and 95 %, where a drying run or a jar check told it."""
    conductance_g_per_day_per_kpa: tuple[float, float, float] | None = None
    """Leak of the box, 5 %, 50 % and 95 %, where an empty-box test told it."""
    color: str | None = None
    """What color indicating beads showed: dry, turned or 'turning', in the words of their dye."""
    note: str = ""
    entry_id: int | None = None
    logged_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class RejectedMessage(Rejection):
    """A rejection as the ledger keeps it."""

    rejection_id: int = 0


class ImportKind(StrEnum):
    """What a number in the list of imports stands for."""

    imported = "import"
    withdrawal = "withdrawal"


@dataclass(frozen=True, slots=True)
class ImportCounts:
    """What became of the readings that a file, or a part of it, told."""

    new: int = 0
    held: int = 0
    """Held already with the same values."""
    differing: int = 0
    """Set aside, because another reading is held for that instant."""
    at_odds_with: frozenset[int | None] = frozenset()
    """The imports that those other readings came with; None for readings that no import brought."""
    thinned_out: int = 0
    """Thinned out before, and left out."""
    brought_back: int = 0
    """Thinned out before, and put in again."""

    def __add__(self, other: ImportCounts) -> ImportCounts:
        return ImportCounts(
            self.new + other.new,
            self.held + other.held,
            self.differing + other.differing,
            self.at_odds_with | other.at_odds_with,
            self.thinned_out + other.thinned_out,
            self.brought_back + other.brought_back,
        )


@dataclass(frozen=True, slots=True)
class NumberedImport:
    """One import or one withdrawal, as it is listed."""

    number: int
    kind: ImportKind
    what: str
    begun_at: datetime
    finished_at: datetime | None
    """None while it goes on, and for good where it was interrupted."""
    new: int
    """Readings that an import brought, or a withdrawal took out."""
    held: int
    differing: int
    rejected: int
    set_aside: int
    """Readings that are set aside under this number now."""
    withdrawn: int
    """Readings of this import that are withdrawn now."""
