"""The contracts of what was told: readings (a time series), ledger and events (what people did), what they decided.

What siccast itself found, planned and said is in ``kept_contracts``.
"""

from __future__ import annotations

from contextlib import nullcontext
from types import MappingProxyType
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager
    from datetime import datetime, timedelta
    from pathlib import Path

    from monitor.records import (
        AnnouncedDay,
        HalfReading,
        ImportCounts,
        LedgerEntry,
        NumberedImport,
        PlanDecision,
        Reading,
        ReadingSeries,
        RejectedMessage,
        Rejection,
    )
    from monitor.records.desk_events import DeskEvent, LoggedEvent


REJECTED_LISTED = 50  # messages; judgement: a screenful or two


class Readings(Protocol):
    """A time series of readings; adding the same reading twice changes nothing.

    It can be pickled: what arrives in another process reads the same store there.
    """

    @property
    def contested(self) -> Sequence[Rejection]:
        """What the last ``add`` itself kept among the rejected messages: readings at odds with one held already."""
        ...

    def add(
        self,
        readings: Iterable[Reading],
        rejections: Iterable[Rejection] = (),
        halves: Sequence[HalfReading] | None = None,
        taken_in: Mapping[int, datetime] = MappingProxyType({}),
    ) -> int:
        """Store readings and rejections in one transaction and return how many readings were new.

        All of them land or none does. A reading already held, known by its box and its instant, stays as it was;
        one that claims the same box and instant with other values is kept among the rejected messages, and so is one
        that the store can't hold. Without a time of its own but with a ``seq``, a reading is known by box, seq and
        values for a day, until its node counts anew; with neither, each is a reading. Where its arrival is taken, it
        goes to the next free millisecond. ``halves`` replace those that waited for their other quantity; ``taken_in``
        are the numbers of rejected messages that these readings come from after all, and when they were read.

        Raises
        ------
        StoreBusyError
            When nothing could be written for now (locked, disk full); the caller may try the same again.
        """
        ...

    def series(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return the readings of one box with ``start <= at < end``, in time order."""
        ...

    def evidence(self, box: str, end: datetime | None = None, *, start: datetime | None = None) -> ReadingSeries:
        """Return what estimates rest on: the readings before an instant, and where they were thinned one value an hour.

        That value is the one that an estimate would have made of the hour's readings; it stands halfway through it.
        The hour that ``start`` lies in comes whole.
        """
        ...

    def hourly(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return hourly means of one box from the roll-up, stamped at the start of the hour; marks are 0."""
        ...

    def marked(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        """Return those readings of one box with ``start <= at < end`` that screening marked, in time order."""
        ...

    def latest(self, before: datetime | None = None, *, removed: bool = False) -> Mapping[str, Reading]:
        """Return the newest reading of each box that ever reported, or reported before an instant.

        A box that was taken off the shelf and has been silent since is left out, unless ``removed`` asks for it.
        """
        ...

    def count(self) -> int:
        """Return how many readings are held."""
        ...

    def digest(self, box: str, start: datetime | None, end: datetime) -> bytes:
        """Return a digest of the readings of a box with ``start <= at < end`` and of their marks, without reading them.

        It changes where one of them comes late, is withdrawn or marked; not where they are thinned out, which changes
        no estimate. The start is taken down to the whole hour.
        """
        ...

    def each(self, box: str, start: datetime | None = None, end: datetime | None = None) -> Iterator[Reading]:
        """Yield whole readings of one box in time order, never holding them all at once."""
        ...

    def mark(self, series: ReadingSeries) -> None:
        """Replace the marks of these readings by those in the series; values stay as they are."""
        ...

    def halves(self) -> Sequence[HalfReading]:
        """Return the halves that wait for their other quantity."""
        ...


class Imports(Protocol):
    """Imports by number, and readings that are set aside: withdrawn, or at odds with what was held before.

    What is set aside counts for nothing, but can be read and put back. Imports and withdrawals share one row of
    numbers.
    """

    def begin(self, what: str, at: datetime) -> int:
        """Give the next number to an import."""
        ...

    def add(
        self,
        number: int,
        readings: Iterable[Reading],
        rejections: Sequence[Rejection] = (),
        *,
        bring_back: bool = False,
    ) -> ImportCounts:
        """Store readings of an import, and its rejections, in one transaction, and return what became of them.

        One that claims the box and the instant of a reading held already, with other values, is set aside under the
        number of the import. One that may have been here before it was thinned out stays out, unless it is to be
        brought back; withdrawing the import then takes it out again.
        """
        ...

    def finish(self, number: int, at: datetime) -> None:
        """Note that an import went through to its end."""
        ...

    def listed(self) -> Sequence[NumberedImport]:
        """Return all imports and withdrawals, in the order of their numbers."""
        ...

    def withdraw_import(self, number: int, at: datetime) -> NumberedImport:
        """Set aside what an import brought and what of it still counts.

        Raises
        ------
        LedgerError
            When there is no such import, or nothing of it counts any more.
        """
        ...

    def withdraw_span(self, box: str, start: datetime | None, end: datetime | None, at: datetime) -> NumberedImport:
        """Set aside all readings of a box with ``start <= at < end``, and the values of thinned hours it touches."""
        ...

    def restore(self, number: int) -> tuple[int, int]:
        """Put back what is set aside under a number; return how many came back, and how many found their place taken.

        What found another reading in its place stays aside.
        """
        ...

    def set_aside(self, number: int) -> Iterator[Reading]:
        """Yield the readings that are set aside under a number, in the order in which they were."""
        ...


class Ledger(Protocol):
    """What people did to their boxes, and the messages that could not be used."""

    def log(self, entry: LedgerEntry, now: datetime) -> int:
        """Keep an entry, logged now, and return its number."""
        ...

    def undo(self, entry_id: int, now: datetime) -> LedgerEntry:
        """Mark an entry as taken back; it stays readable, and no longer counts."""
        ...

    def entries(self, box: str | None = None, before: datetime | None = None) -> Sequence[LedgerEntry]:
        """Return the entries that count, in the order of the instants they speak of."""
        ...

    def entry(self, entry_id: int, *, undone: bool = False) -> LedgerEntry | None:
        """Return the entry of a number that counts, or one that was undone; None where there is no such."""
        ...

    def from_desk(self, box: str) -> Mapping[int, int]:
        """Return which entries of a box landed with an event of the desk, each with the number of that."""
        ...

    def stamp(self) -> object:
        """Return something cheap that is another thing after each entry that is logged or taken back."""
        ...

    def rejected(self, newest: int = REJECTED_LISTED) -> Sequence[RejectedMessage]:
        """Return the newest rejected messages that were not taken in later, newest first."""
        ...

    def rejected_from(self, feed: str, after: int, at_most: int) -> Sequence[RejectedMessage]:
        """Return rejected messages of one feed with a higher number, oldest first."""
        ...

    def rejected_count(self) -> int:
        """Return how many messages were ever rejected."""
        ...


ALONE: AbstractContextManager[None] = nullcontext()
"""Where nothing goes along with a change."""


def unchecked() -> None:
    """Ask for nothing before a change."""


class Boxes(Protocol):
    """What boxes are called, and which of them are still on the shelf."""

    def rename(
        self,
        old: str,
        new: str,
        at: datetime,
        *,
        first: Callable[[], object] = unchecked,
        alongside: AbstractContextManager[None] = ALONE,
    ) -> int:
        """Give a box another name in readings, ledger and events, and return how many readings it has.

        All of it in one transaction. ``first`` is called when nobody else can write any more, and nothing has changed
        yet; ``alongside`` is entered before all is committed. Where one of them raises, nothing was renamed, and where
        the commit fails, ``alongside`` is told so.

        Raises
        ------
        LedgerError
            When the new name has readings or entries of its own.
        """
        ...

    def renamed_to(self, old: str) -> str | None:
        """Return what a box is called now that had another name before; None where none had it."""
        ...

    def remove(
        self,
        name: str,
        at: datetime,
        *,
        first: Callable[[], object] = unchecked,
        alongside: AbstractContextManager[None] = ALONE,
    ) -> int:
        """Leave a box out until it reports again, ``first`` and ``alongside`` as in renaming; nothing is deleted."""
        ...

    def bring_back(self, name: str, *, alongside: AbstractContextManager[None] = ALONE) -> None:
        """Take a box onto the shelf again, ``alongside`` as in renaming."""
        ...


class Upkeep(Protocol):
    """Care for the file that the ledger, and mostly the readings too, are kept in."""

    @property
    def path(self) -> Path:
        """Where the file is."""
        ...

    def begun_at(self) -> datetime | None:
        """Return when the file was begun; None where that was not noted."""
        ...

    def back_up(self, target: Path) -> int:
        """Write a copy of this very moment beside a working listener, check it, and return its size. [bytes]"""
        ...

    def faults(self) -> list[str]:
        """Return what is wrong with the file; empty where it is sound."""
        ...

    def waiting(self) -> int:
        """Return how many readings a second store does not have yet."""
        ...

    def thin(self, before: datetime, step: timedelta) -> int:
        """Keep one reading a step of what is older, and return how many were deleted.

        Hourly means stay, and the value of each hour that estimates rest on.
        """
        ...

    def shrink(self) -> int:
        """Give space that nothing uses any more back to the disk, and return how much the file shrank. [bytes]"""
        ...


class PlanDecisions(Protocol):
    """What people decided about the days of drying: added or taken back, never edited."""

    def keep(self, decision: PlanDecision, now: datetime) -> int:
        """Keep a decision made now and return its number."""
        ...

    def undo(self, decision_id: int, now: datetime) -> PlanDecision:
        """Take a decision back; it stays readable, and no longer counts.

        Raises
        ------
        LedgerError
            When there is no such decision, or it was taken back before.
        """
        ...

    def counting(self, before: datetime | None = None) -> Sequence[PlanDecision]:
        """Return the decisions that count, in the order in which they were made; only those made before an instant."""
        ...

    def announced(self, before: datetime | None = None) -> Mapping[str, AnnouncedDay]:
        """Return the day that was last announced for each box; only what was announced before an instant."""
        ...

    def stamp(self) -> object:
        """Return something cheap that is another thing after each decision that is made or taken back."""
        ...


class DeskEvents(Protocol):
    """What people did with beads at the recharge desk; lots, charges and runs are the sum of it."""

    def transaction(self) -> AbstractContextManager[None]:
        """Everything logged or taken back in the body lands, or nothing does; nobody else writes meanwhile."""
        ...

    def log(self, event: DeskEvent, at: datetime, now: datetime, box_entry: LedgerEntry | None = None) -> LoggedEvent:
        """Keep an event, logged now, and, where it touches a box, that box's ledger entry: both or neither."""
        ...

    def undo(self, event_id: int, now: datetime) -> LoggedEvent:
        """Take an event back, and the box's ledger entry that landed with it; both stay readable."""
        ...

    def events(self) -> Sequence[LoggedEvent]:
        """Return the events that count, in the order in which they were logged."""
        ...

    def stamp(self) -> object:
        """Return something cheap that changes with every event that is logged or taken back."""
        ...


class DeskStores(Protocol):
    """What was measured and done: the stores that the recharge desk works with."""

    @property
    def readings(self) -> Readings:
        """What the sensors said."""
        ...

    @property
    def ledger(self) -> Ledger:
        """What was done to boxes."""
        ...

    @property
    def events(self) -> DeskEvents:
        """What was done with beads."""
        ...
