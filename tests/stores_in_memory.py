"""Stores in memory that keep the contracts of the real ones, for tests that need no file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from monitor.records import LedgerEntry, Reading, ReadingSeries, RejectedMessage, Rejection
from monitor.series.spans import unmarked


@dataclass
class FakeReadings:
    """A time series in memory; stands beside the real store and keeps the same contract."""

    held: dict[str, dict[datetime, Reading]] = field(default_factory=dict)

    def add(self, readings: Iterable[Reading], rejections: Iterable[Rejection] = ()) -> int:
        before = self.count()
        for reading in readings:
            self.held.setdefault(reading.box, {}).setdefault(reading.at, reading)
        return self.count() - before

    def series(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        there = [
            reading
            for at, reading in sorted(self.held.get(box, {}).items())
            if (start is None or at >= start) and (end is None or at < end)
        ]
        return unmarked(
            box,
            np.array([reading.at.timestamp() for reading in there]),
            np.array([reading.temperature_degc for reading in there]),
            np.array([reading.relative_humidity for reading in there]),
        )

    def evidence(self, box: str, end: datetime | None = None, *, start: datetime | None = None) -> ReadingSeries:
        return self.series(box, start, end)

    def hourly(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        return self.series(box, start, end)

    def marked(self, box: str, start: datetime | None = None, end: datetime | None = None) -> ReadingSeries:
        return self.series(box, end, end)

    def latest(self, before: datetime | None = None, *, removed: bool = False) -> Mapping[str, Reading]:
        return {box: there[max(there)] for box, there in self.held.items()}

    def count(self) -> int:
        return sum(len(there) for there in self.held.values())

    def digest(self, box: str, start: datetime | None, end: datetime) -> bytes:
        series = self.series(box, start, end)
        return series.at_s.tobytes() + series.temperature_degc.tobytes() + series.relative_humidity.tobytes()


@dataclass
class FakeLedger:
    """A ledger in memory; stands beside the real store and keeps the same contract."""

    held: list[LedgerEntry] = field(default_factory=list)

    def log(self, entry: LedgerEntry, now: datetime) -> int:
        self.held.append(replace(entry, entry_id=len(self.held) + 1))
        return len(self.held)

    def undo(self, entry_id: int, now: datetime) -> LedgerEntry:
        return self.held.pop(entry_id - 1)

    def entries(self, box: str | None = None, before: datetime | None = None) -> Sequence[LedgerEntry]:
        there = [e for e in self.held if box in (None, e.box) and (before is None or e.at < before)]
        return sorted(there, key=lambda entry: entry.at)

    def rejected(self, newest: int = 50) -> Sequence[RejectedMessage]:
        return []

    def rejected_count(self) -> int:
        return 0


@dataclass(frozen=True)
class FakeStores:
    readings: FakeReadings = field(default_factory=FakeReadings)
    ledger: FakeLedger = field(default_factory=FakeLedger)
