"""How leaky a box is when empty, from what a store holds or a table, and the ledger entry that remembers it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.empty_box.leak_test import (
    STEPS,
    EmptyBoxLeak,
    both_ways,
    leak_of_empty_box,
)
from monitor.inference.evidence.hours import reduce_to_hours
from monitor.records import EntryKind, LedgerEntry, Quantiles, ReadingSeries
from monitor.records.logged import FILLINGS
from monitor.series.spans import unmarked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Box, Reading

__all__ = ["STEPS", "EmptyBoxLeak", "LeakTest", "leak_when_empty", "series_of"]

UP, DOWN = "empty box, upward", "empty box, downward"
_PAIRED_WITHIN = timedelta(days=60)  # judgement: a seal changes little in two months
_SAME_WITHIN = timedelta(days=1)  # judgement: two tests of one box take longer than a day
_LEAST_TEST, _TURNED_ROUND_WITHIN = timedelta(hours=12), timedelta(hours=1)
"""No test is shorter than the one; a run the other way may be said to begin so long before the first was ended.
Judgements: half a day shows a rate against the noise of a sensor; an hour is what turning a box round takes."""
_APART_BY = 1.5
"""Factor. Walls and sensors pull a run up and a run down apart by less than this, in most boxes (a judgement)."""


@dataclass(frozen=True)
class LeakTest:
    """A test of an empty box: what it found, by itself and with the newest run the other way."""

    entry: LedgerEntry
    found: EmptyBoxLeak
    other_way: LedgerEntry | None
    combined: Quantiles | None
    """Conductance from both runs; None where there is only this one. [g/day/kPa]"""
    filled_at: datetime | None = None
    """When beads were last put in before the test, by the ledger: with them in it, it was none."""
    held: LedgerEntry | None = None
    """The same test, where it is in the ledger already."""
    doubts: tuple[str, ...] = ()
    """Why later estimates should not rest on it, in plain sentences."""


def leak_when_empty(
    inside: ReadingSeries,
    outside: ReadingSeries,
    box: Box,
    span: tuple[datetime, datetime],
    earlier: Sequence[LedgerEntry] = (),
) -> LeakTest:
    """Return the leak of a box that stood empty from one instant to another; ``earlier`` is the box's ledger.

    Raises
    ------
    TooLittleEvidence
        If there are no readings outside the box, the test was too short, the box started too near the room, or beads
        were in it.
    """
    start, end = span
    if len(outside) == 0:
        raise TooLittleEvidence(f"there are no readings of '{box.room}'; a test needs a sensor outside the box too")
    if len(inside) == 0:
        raise TooLittleEvidence(f"no readings of '{box.name}' from {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC")
    _refuse_beads(box, start, end, earlier)
    found = leak_of_empty_box(
        reduce_to_hours(inside), reduce_to_hours(outside), start.timestamp(), end.timestamp(),
        volume_liter=box.volume_liter, wall_material=box.wall_material,
    )  # fmt: skip
    there = found.conductance_g_per_day_per_kpa
    entry = LedgerEntry(
        EntryKind.leak_test, box.name, end, method=UP if found.upward else DOWN,
        conductance_g_per_day_per_kpa=(there.p05, there.p50, there.p95),
    )  # fmt: skip
    other = _other_way(entry, earlier)
    points = other.conductance_g_per_day_per_kpa if other else None
    held = next((e for e in earlier if _is_same(e, entry)), None)
    against_kept = () if held else _overlapping(start, end, earlier) or _disagreeing(entry, earlier)
    doubts = (found.objection, *against_kept)
    return LeakTest(
        entry, found, other, both_ways(there, Quantiles(*points)) if points else None, _filled_at(earlier, start),
        held, tuple(filter(None, doubts)),
    )  # fmt: skip


def series_of(readings: Sequence[Reading], name: str) -> ReadingSeries:
    """Return the readings of one name as columns in time order."""
    there = sorted((reading for reading in readings if reading.box == name), key=lambda reading: reading.at)
    return unmarked(
        name,
        np.array([reading.at.timestamp() for reading in there]),
        np.array([reading.temperature_degc for reading in there]),
        np.array([reading.relative_humidity for reading in there]),
    )


def _refuse_beads(box: Box, start: datetime, end: datetime, earlier: Sequence[LedgerEntry]) -> None:
    """Refuse a span in which beads were put in: what they take up would pass for a tight box."""
    for entry in earlier:
        if entry.kind in FILLINGS and start < entry.at < end:
            raise TooLittleEvidence(
                f"beads went into {box.name} on {entry.at:%Y-%m-%d %H:%M} UTC, during the test; end it before that"
            )


def _filled_at(earlier: Sequence[LedgerEntry], start: datetime) -> datetime | None:
    """When beads last went in; taking them out is not logged."""
    return max((e.at for e in earlier if e.kind in FILLINGS and e.at <= start), default=None)


def _is_same(one: LedgerEntry, other: LedgerEntry) -> bool:
    """True for one test computed twice: the same hours give the same numbers, whatever moment it was asked at."""
    if one.kind is not other.kind or one.method != other.method or abs(one.at - other.at) > _SAME_WITHIN:
        return False
    this, that = one.conductance_g_per_day_per_kpa, other.conductance_g_per_day_per_kpa
    # share; judgement: what the same hours give on another machine
    return bool(this and that and np.allclose(this, that, rtol=1e-6, atol=0.0))


def _overlapping(start: datetime, end: datetime, earlier: Sequence[LedgerEntry]) -> tuple[str, ...]:
    """Name a kept test that surely rests on some of the same hours; where a test began, the ledger does not tell."""
    for there in earlier:
        within = start + _TURNED_ROUND_WITHIN < there.at < end + _LEAST_TEST
        if there.kind is EntryKind.leak_test and within:
            return (
                f"Entry {there.entry_id}, a test that ended on {there.at:%Y-%m-%d %H:%M} UTC, used some of the same "
                f"hours. They must not count twice. To replace it, run `siccast log undo {there.entry_id}`, then this "
                "test again.",
            )
    return ()


def _disagreeing(entry: LedgerEntry, earlier: Sequence[LedgerEntry]) -> tuple[str, ...]:
    """Name the newest test near in time whose interval lies clear of this one's."""
    this = entry.conductance_g_per_day_per_kpa
    for there in sorted(earlier, key=lambda e: e.at, reverse=True):
        that = there.conductance_g_per_day_per_kpa
        if there.kind is not EntryKind.leak_test or not this or not that or abs(there.at - entry.at) > _PAIRED_WITHIN:
            continue
        times = max(this[1] / that[1], that[1] / this[1])
        if (this[0] > that[2] or that[0] > this[2]) and times > _APART_BY:
            return (
                f"It is {this[1] / that[1]:.2g} times what the test of {there.at:%Y-%m-%d} gave (entry "
                f"{there.entry_id}). The two do not agree: in one of them the box was not empty or not closed, or the "
                f"seal has changed since. If the older test was wrong, run `siccast log undo {there.entry_id}`, then "
                "this test again.",
            )
    return ()


def _other_way(entry: LedgerEntry, earlier: Sequence[LedgerEntry]) -> LedgerEntry | None:
    wanted = DOWN if entry.method == UP else UP
    there = [e for e in earlier if e.kind is EntryKind.leak_test and e.method == wanted]
    near = [e for e in there if abs(e.at - entry.at) <= _PAIRED_WITHIN]
    return max(near, key=lambda e: e.at, default=None)
