"""The first look at a box among many: what it tells by itself, and what it has to tell of others of its style."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from monitor.errors import SiccastError, TooLittleEvidence
from monitor.inference.episodes import Episode
from monitor.inference.pooling import Sighting, sighting_of, tested
from monitor.inference.posterior.believed import Posterior, Record
from monitor.inference.posterior.beside_room import comparisons
from monitor.inference.posterior.fit import estimate
from monitor.inference.posterior.hours import Hours, reduce_to_hours
from monitor.inference.posterior.priors import Assumptions
from monitor.inference.questions.changes import Change, latest_change, level_of, with_change
from monitor.records import BoxHistory, EntryKind, Outlook, ReadingSeries
from monitor.records.words import NOT_DRIED

_DRAWS_OF_EARLIER = 400
"""An earlier episode only tells where its box may stand."""


@dataclass(frozen=True, eq=False)
class Room:
    """A room as its sensor told it, reduced once for all the boxes that share it."""

    series: ReadingSeries
    hours: Hours


@dataclass(frozen=True, eq=False)
class Told:
    """A box's history, its room by number: rooms are many boxes' and travel once."""

    history: BoxHistory
    room: int | None

    @property
    def name(self) -> str:
        """Name of the box."""
        return self.history.box.name

    def record(self, rooms: Sequence[Room]) -> Record:
        """Return what a fit looks at."""
        room = None if self.room is None else rooms[self.room].series
        compared = comparisons(self.history.readings, room, self.history.entries)
        return replace(self.bare_record(rooms), comparisons=compared)

    def bare_record(self, rooms: Sequence[Room]) -> Record:
        """Return the same without comparisons of the sensor with the room's."""
        history, hours = self.history, reduce_to_hours(self.history.readings)
        room = None if self.room is None else rooms[self.room].hours
        return Record(history.box, hours, room, history.entries, history.room_climate)


@dataclass(frozen=True, eq=False)
class Looked:
    """A box after the first look: what it told by itself."""

    first: Posterior | None
    refused: Outlook = field(default_factory=Outlook)
    """What is answered in its place where there is none."""
    sightings: tuple[Sighting, ...] = ()
    remark: str = ""
    apart: Change | None = None
    """The newest change of its leak, within an episode or from one to the next, as far as a first look can tell."""

    def leak_seen_before(self, start_s: float) -> bool:
        """Return whether the leak of this box was seen without the beads of an episode."""
        return any(one.before(start_s) for one in self.sightings)


def by_room(histories: Sequence[BoxHistory]) -> tuple[list[Told], tuple[Room, ...]]:
    """Return boxes without their rooms, and the rooms: each once."""
    numbers: dict[int, int] = {}
    rooms: list[Room] = []
    told = []
    for history in histories:
        series = history.room
        if series is not None and len(series) and id(series) not in numbers:
            numbers[id(series)] = len(rooms)
            rooms.append(Room(series, reduce_to_hours(series)))
        told.append(Told(replace(history, room=None), numbers.get(id(series))))
    return told, tuple(rooms)


def first_look(
    told: Told,
    rooms: Sequence[Room],
    now_s: float,
    assumptions: Assumptions | None = None,
    *,
    at_any_age: bool = False,
) -> Looked:
    """Return what a box tells by itself; where an estimate fails, why.

    ``at_any_age`` a box is answered by its prior where too little was seen of it yet; a person is told just that.
    """
    try:
        record = told.record(rooms)
        looked = _look(record, now_s, assumptions)
        if looked.first is None and at_any_age:
            first = estimate(record, now_s, assumptions=assumptions, least_days=0.0)
            return replace(looked, first=first.without_present())
    except Exception as error:
        return Looked(None, refused(error))
    return looked


def refused(error: Exception) -> Outlook:
    """Return what is answered where an estimate came to nothing; a defect of ours travels with its trace."""
    if isinstance(error, SiccastError):
        return Outlook(refusal=str(error))
    return Outlook(
        refusal=f"the estimate failed ({type(error).__name__}: {error}); please report it",
        trace="".join(traceback.format_exception(error)),
    )


def _look(record: Record, now_s: float, assumptions: Assumptions | None) -> Looked:
    try:
        first = estimate(record, now_s, assumptions=assumptions)
    except TooLittleEvidence as error:
        return _too_young(record, now_s, assumptions, str(error))
    earlier = _earlier(record, first.episode.start_s, assumptions)
    found = [sighting_of(first), *map(sighting_of, earlier), *tested(record.box, record.entries, now_s)]
    apart = latest_change(tuple(level_of(one) for one in (*earlier, first)))
    return Looked(first.without_present(), sightings=tuple(s for s in found if s is not None), apart=apart)


def _too_young(record: Record, now_s: float, assumptions: Assumptions | None, refusal: str) -> Looked:
    """Look at an episode that has no readings yet: where the leak is known from before, that stands in.

    How dry the beads are is then known from the recharge desk or the scale, or is what their method usually reaches.
    """
    fillings = [e for e in record.entries if e.kind in (EntryKind.charge, EntryKind.recharge)]
    newest = max((e for e in fillings if e.at.timestamp() < now_s), key=lambda e: e.at, default=None)
    if newest is None:
        return Looked(None, Outlook(refusal=refusal))
    earlier = _earlier(record, newest.at.timestamp(), assumptions)
    told = (*map(sighting_of, earlier), *tested(record.box, record.entries, now_s))
    found = tuple(s for s in told if s is not None)
    if not found:
        return Looked(None, Outlook(refusal=refusal))
    first = estimate(record, now_s, assumptions=assumptions, least_days=0.0)
    apart = latest_change((level_of(first),))
    return Looked(first.without_present(), sightings=found, remark=_rests_on(first.episode), apart=apart)


def _rests_on(episode: Episode) -> str:
    if episode.known_loading is not None:
        dryness = "how dry they are is known from the recharge desk"
    elif episode.loaded_mass is not None:
        dryness = "how dry they are is known from the scale"
    elif episode.method == NOT_DRIED:
        dryness = "how much water they hold is open"
        return f"Beads that were not dried, all or some: {dryness}. How leaky the box is was known before they went in."
    elif episode.method == "unknown":
        dryness = "they are taken to be as dry as recharges usually make them"
    else:
        dryness = f"they are taken to be as dry as this method ({episode.method}) usually makes them"
    return f"Fresh beads: {dryness}. How leaky the box is was known before they went in."


def _earlier(record: Record, start_s: float, assumptions: Assumptions | None) -> list[Posterior]:
    """What the last three earlier episodes told, each looked at as it ended."""
    fillings = (EntryKind.charge, EntryKind.recharge)
    ends = [e.at.timestamp() for e in record.entries if e.kind in fillings and e.at.timestamp() <= start_s + 60.0][1:]
    found: list[Posterior] = []
    for end in sorted(ends)[-3:]:
        try:
            found.append(with_change(estimate(record, end - 1.0, assumptions=assumptions, count=_DRAWS_OF_EARLIER)))
        except TooLittleEvidence:
            continue
    return found
