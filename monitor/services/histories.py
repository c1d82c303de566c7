"""What is known of the boxes of a shelf at one instant, read from the stores box by box as it is asked for.

Of years gone by nothing is read that would change no estimate, so that the tenth year costs what the first did.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from typing import TYPE_CHECKING

import numpy as np

from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, ReadingSeries, RoomClimate
from monitor.records.logged import FILLINGS
from monitor.records.readings import NOT_GOOD
from monitor.series.hourly_values import HOUR_S, hourly_values
from monitor.series.spans import between, joined, unmarked
from monitor.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.inference import Needed
    from monitor.records import Reading
    from monitor.store.contracts import Ledger, Readings

_RECENT_S = 30.0 * SECONDS_PER_DAY
"""Readings this young stay one by one. [s] Judgement: a month is well beyond the fortnight that an update of a fit
looks at again, and what a page says of now."""
_GRID_S = 28.0 * SECONDS_PER_DAY
"""What is recent moves on in such steps, so that what a kept fit knew stays as it was meanwhile. [s] The judgement of
``inference.shelf.needed``, written twice because what was kept is answered without importing any model; a test holds
both equal."""
TWO_SENSORS_WITHIN = timedelta(days=7)  # judgement: two sensors under one name show within days
_TEACHING_KINDS = (*FILLINGS, EntryKind.opening, EntryKind.spool_swap)
"""Entries by which the use of one box says something of the others: ``inference.rates_of``."""
_DIGESTED_FILLINGS = 12  # charges; judgement: twice as many as an estimate looks back
_DIGESTED_BEFORE = timedelta(days=60)
"""Readings from so long before the first of them are digested, too. Judgement: several times what counts of them."""
_ROOM_YEARS = 3
"""Whole years of a room before that. Judgement: its climate is learned from two."""


@dataclass(frozen=True, eq=False)
class Histories:
    """The boxes of a shelf before one instant: what was declared and logged, and what their sensors showed."""

    readings: Readings
    boxes: Sequence[Box]
    entries: Mapping[str, tuple[LedgerEntry, ...]]
    """Of each box, in the order of the instants they speak of."""
    as_of: datetime
    room_climate: RoomClimate | None = None
    latest: Mapping[str, Reading] = field(default_factory=dict)
    """The newest reading before the instant, of every name that ever had one."""
    _rooms: dict[str, ReadingSeries] = field(default_factory=dict, init=False, repr=False)
    _recent_rooms: dict[str, ReadingSeries] = field(default_factory=dict, init=False, repr=False)
    _needed: dict[str, Needed] = field(default_factory=dict, init=False, repr=False)
    _digests: dict[tuple[str, datetime], bytes] = field(default_factory=dict, init=False, repr=False)
    _digests_of_readings: dict[tuple[str, datetime | None, datetime], bytes] = field(
        default_factory=dict, init=False, repr=False
    )
    """Many boxes stand in one room."""

    @classmethod
    def of(
        cls,
        readings: Readings,
        ledger: Ledger,
        boxes: Sequence[Box],
        as_of: datetime,
        room_climate: RoomClimate | None = None,
    ) -> Histories:
        """Return those of some boxes; their readings are read when they are asked for."""
        as_of = as_of.replace(microsecond=as_of.microsecond // 1000 * 1000)  # instants are kept by the millisecond
        by_box: dict[str, list[LedgerEntry]] = defaultdict(list)
        for entry in ledger.entries(boxes[0].name if len(boxes) == 1 else None, before=as_of):
            by_box[entry.box].append(entry)
        entries = {box.name: tuple(by_box[box.name]) for box in boxes}
        latest = readings.latest(before=as_of, removed=True)
        return cls(readings, boxes, entries, as_of, room_climate, latest)

    def history(self, box: Box, since: datetime | None = None) -> BoxHistory:
        """Return what estimates rest on, of the readings of the box only those since an instant."""
        read = self.readings.evidence
        series = self._by_the_hour(box) if since is None else read(box.name, self.as_of, start=since)
        return BoxHistory(
            box=box,
            readings=series,
            room=self._room(box.room),
            room_climate=self.room_climate,
            entries=self.entries[box.name],
        )

    def recent(self, box: Box) -> ReadingSeries:
        """Return the last readings of a box: of a week, or all where none of these is good."""
        series = self.readings.series(box.name, self.as_of - TWO_SENSORS_WITHIN, self.as_of)
        if np.any((series.marks & NOT_GOOD) == 0):
            return series
        return self.readings.evidence(box.name, self.as_of)

    def recent_room(self, box: Box) -> ReadingSeries:
        """Return the readings of a week of the sensor outside a box; empty where there is none."""
        if box.room not in self._recent_rooms:
            self._recent_rooms[box.room] = self.readings.series(box.room, self.as_of - TWO_SENSORS_WITHIN, self.as_of)
        return self._recent_rooms[box.room]

    def digest(self, box: Box, until: datetime) -> bytes:
        """Return a digest of what a history would have said at an instant; readings themselves stay unread."""
        if (box.name, until) not in self._digests:
            logged = [entry for entry in self.entries[box.name] if entry.at < until]
            digest = blake2b(repr((box, self.room_climate, logged)).encode())
            since = digested_since(logged)
            digest.update(self._digest_of_readings(box.name, since, until))
            digest.update(self._digest_of_readings(box.room, _years_before(since), until))
            self._digests[box.name, until] = digest.digest()
        return self._digests[box.name, until]

    def logged_since(self, box: Box, until: datetime) -> bool:
        """Return whether something counts now that did not yet at an instant."""
        return any(entry.at >= until for entry in self.entries[box.name])

    def digest_of_use(self) -> bytes:
        """Return a digest of what was declared and logged of all boxes as far as it says something of others."""
        told = [
            (box.name, box.style, [(e.kind, e.at) for e in self.entries[box.name] if e.kind in _TEACHING_KINDS])
            for box in self.boxes
        ]
        return blake2b(repr(sorted(told)).encode()).digest()

    def _digest_of_readings(self, name: str, since: datetime | None, until: datetime) -> bytes:
        if (name, since, until) not in self._digests_of_readings:
            self._digests_of_readings[name, since, until] = self.readings.digest(name, since, until)
        return self._digests_of_readings[name, since, until]

    def _room(self, name: str) -> ReadingSeries | None:
        if name not in self.latest:
            return None
        if name not in self._rooms:
            since_s = min(self._needed_of(box).room_since_s for box in self.boxes if box.room == name)
            self._rooms[name] = self.readings.evidence(name, self.as_of, start=_instant(since_s))
        return self._rooms[name]

    def _needed_of(self, box: Box) -> Needed:
        from monitor.inference import needed_of  # noqa: PLC0415 -- what was kept is answered without any model

        if box.name not in self._needed:
            entries, newest_s = self.entries[box.name], self._newest_s(box)
            self._needed[box.name] = needed_of(entries, newest_s, self.as_of.timestamp())
        return self._needed[box.name]

    def _newest_s(self, box: Box) -> float:
        """An hour to spare: a value that stands for a thinned hour may be stamped before its reading."""
        newest = self.latest.get(box.name)
        return (self.as_of if newest is None else newest.at).timestamp() - HOUR_S

    def _by_the_hour(self, box: Box) -> ReadingSeries:
        """The readings that are needed, with one value an hour where an estimate would make that of them anyway.

        That is a sixth of the size. The last weeks stay as they are: what a box shows now, and that two sensors speak
        under one name, is read off them.
        """
        series, spans = self._read(box), self._needed_of(box).one_by_one
        recent_s = (self._newest_s(box) - _RECENT_S) // _GRID_S * _GRID_S
        recent_s = min([recent_s, *(start_s for start_s, next_end_s in spans if next_end_s >= recent_s)])
        parts, end_s = [], -math.inf
        for start_s, next_end_s in (*(span for span in spans if span[1] < recent_s), (recent_s, math.inf)):
            parts += [_hourly(between(series, end_s, start_s)), between(series, start_s, next_end_s)]
            end_s = next_end_s
        return joined(parts)

    def _read(self, box: Box) -> ReadingSeries:
        needed = self._needed_of(box)
        spans = [(_instant(start_s), _instant(end_s)) for start_s, end_s in needed.earlier]
        spans.append((_instant(needed.since_s), self.as_of))
        return joined([self.readings.evidence(box.name, end, start=start) for start, end in spans])


def digested_since(entries: Sequence[LedgerEntry]) -> datetime | None:
    """Return since when readings of a box are digested, by what was logged of it; None for all of them.

    Long before what an estimate can rest on (``inference.needed_of``; a test holds the two), and known without it.
    """
    fillings = sorted(entry.at for entry in entries if entry.kind in FILLINGS)
    if len(fillings) < _DIGESTED_FILLINGS:
        return None
    swaps = [entry.at for entry in entries if entry.kind is EntryKind.sensor_swap]
    return min([fillings[-_DIGESTED_FILLINGS], *swaps]) - _DIGESTED_BEFORE


def _years_before(since: datetime | None) -> datetime | None:
    """The start of a year, so that boxes of one room share its digest."""
    return None if since is None else datetime(since.year - _ROOM_YEARS, 1, 1, tzinfo=UTC)


def _hourly(series: ReadingSeries) -> ReadingSeries:
    """Return one robust value an hour, halfway through it."""
    hour, temperature_degc, humidity = hourly_values(series)
    at_s = (hour.astype(np.float64) + 0.5) * HOUR_S
    return unmarked(series.box, at_s, temperature_degc, humidity)


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
