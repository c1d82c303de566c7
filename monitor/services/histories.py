"""What is known of the boxes of a shelf at one instant, read from the stores box by box as it is asked for."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import TYPE_CHECKING

import numpy as np

from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, Mark, ReadingSeries, RoomClimate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.store.contracts import Ledger, Readings

_RECENT = timedelta(days=7)  # judgement: two sensors under one name show within days
_TEACHING_KINDS = (EntryKind.charge, EntryKind.recharge, EntryKind.opening, EntryKind.spool_swap)
"""Entries by which the use of one box says something of the others: ``inference.rates_of``."""
NOT_GOOD = Mark.range.bit | Mark.spike.bit | Mark.stuck.bit
"""Marks of a reading that says nothing of the air in the box."""


@dataclass(frozen=True, eq=False)
class Histories:
    """The boxes of a shelf before one instant: what was declared and logged, and what their sensors showed."""

    readings: Readings
    boxes: Sequence[Box]
    entries: Mapping[str, tuple[LedgerEntry, ...]]
    """Of each box, in the order of the instants they speak of."""
    as_of: datetime
    room_climate: RoomClimate | None = None
    reporting: frozenset[str] = frozenset()
    """Every name that ever had a reading."""
    more_is_known: bool = False
    """True where something was shown since: the question is about the past."""
    _rooms: dict[str, ReadingSeries] = field(default_factory=dict, init=False, repr=False)
    _digests: dict[tuple[str, datetime], bytes] = field(default_factory=dict, init=False, repr=False)
    _digests_of_readings: dict[tuple[str, datetime], bytes] = field(default_factory=dict, init=False, repr=False)
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
        by_box: dict[str, list[LedgerEntry]] = defaultdict(list)
        for entry in ledger.entries(before=as_of):
            by_box[entry.box].append(entry)
        entries = {box.name: tuple(by_box[box.name]) for box in boxes}
        latest = readings.latest()
        since = any(reading.at >= as_of for reading in latest.values())
        return cls(readings, boxes, entries, as_of, room_climate, frozenset(latest), since)

    def history(self, box: Box, since: datetime | None = None) -> BoxHistory:
        """Return what estimates rest on, of the readings of the box only those since an instant."""
        return BoxHistory(
            box=box,
            readings=_since(self.readings.evidence(box.name, self.as_of), since),
            room=self._room(box.room),
            room_climate=self.room_climate,
            entries=self.entries[box.name],
        )

    def recent(self, box: Box) -> ReadingSeries:
        """Return the last readings of a box: of a week, or all where none of these is good."""
        series = self.readings.series(box.name, self.as_of - _RECENT, self.as_of)
        if np.any((series.marks & NOT_GOOD) == 0):
            return series
        return self.readings.evidence(box.name, self.as_of)

    def digest(self, box: Box, until: datetime) -> bytes:
        """Return a digest of what a history would have said at an instant; readings themselves stay unread."""
        if (box.name, until) not in self._digests:
            logged = [entry for entry in self.entries[box.name] if entry.at < until]
            digest = blake2b(repr((box, self.room_climate, logged)).encode())
            for name in (box.name, box.room):
                digest.update(self._digest_of_readings(name, until))
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

    def _digest_of_readings(self, name: str, until: datetime) -> bytes:
        if (name, until) not in self._digests_of_readings:
            self._digests_of_readings[name, until] = self.readings.digest(name, None, until)
        return self._digests_of_readings[name, until]

    def _room(self, name: str) -> ReadingSeries | None:
        if name not in self.reporting:
            return None
        if name not in self._rooms:
            self._rooms[name] = self.readings.evidence(name, self.as_of)
        return self._rooms[name]


def _since(series: ReadingSeries, since: datetime | None) -> ReadingSeries:
    kept = slice(0 if since is None else int(np.searchsorted(series.at_s, since.timestamp())), None)
    return replace(
        series,
        at_s=series.at_s[kept],
        temperature_degc=series.temperature_degc[kept],
        relative_humidity=series.relative_humidity[kept],
        marks=series.marks[kept],
    )
