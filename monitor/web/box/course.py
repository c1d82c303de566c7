"""What the charts of a box are drawn from: its hours and its room's, what was marked, what was logged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.physics import calculators
from monitor.records import ROOM, EntryKind, ReadingSeries
from monitor.web.drawing import NEARLY_ALL, top_pct

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from monitor.records import LedgerEntry
    from monitor.store.opening import Stores

    Column = NDArray[np.float64]

SIGNS = {
    EntryKind.charge: "fill",
    EntryKind.recharge: "dry",
    EntryKind.opening: "lid",
    EntryKind.weighing: "scale",
    EntryKind.spool_swap: "spool",
    EntryKind.sensor_swap: "sensor",
    EntryKind.leak_test: "test",
    EntryKind.color: "color",
    EntryKind.note: "note",
}
"""Each kind of entry has a shape of its own in the template."""
HOUR_S, DAY_S = 3600, 86_400  # by definition
_MOST_POINTS = 3000  # judgement: two or three a pixel of a wide screen
_HOURS_OF_A_MEAN = (1, 2, 3, 6, 12, 24, 24 * 7)  # judgement: spans in which a day or a week goes without rest
_PCT = 100.0  # by definition


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A box as it was, up to an instant."""

    history: ReadingSeries
    """By the hour."""
    room: ReadingSeries
    """By the hour; empty where no sensor stands in the room."""
    marked: ReadingSeries
    """What screening marked."""
    entries: Sequence[LedgerEntry]
    """In the order of time."""


def read_course(stores: Stores, box: str, as_of: datetime) -> Course:
    """Return what is known of a box before an instant."""
    readings = stores.readings
    return Course(
        history=readings.hourly(box, end=as_of),
        room=readings.hourly(ROOM, end=as_of),
        marked=readings.marked(box, end=as_of),
        entries=stores.ledger.entries(box, before=as_of),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """Hours, or means over more hours where a browser would have to draw too many points."""

    hours: int
    """How many hours each mean is over."""
    at_s: Column
    humidity_pct: Column
    temperature_degc: Column
    vapor_kpa: Column
    absolute_g_per_m3: Column


def hours_of_a_mean(count: int) -> int:
    """Return over how many hours the means of so many hours are taken."""
    return next(h for h in _HOURS_OF_A_MEAN if count / h <= _MOST_POINTS or h == _HOURS_OF_A_MEAN[-1])


def thinned(series: ReadingSeries, hours: int) -> Thinned:
    """Return the means of a series over so many hours; vapor is worked out hour by hour, before."""
    air = calculators.moisture(series.temperature_degc, np.clip(series.relative_humidity, 0.0, 1.0))
    columns = (_PCT * series.relative_humidity, series.temperature_degc, *air.values())
    if not len(series):
        return Thinned(hours, np.empty(0), *(np.empty(0) for _ in columns))
    bins, starts, counts = np.unique(series.at_s // (HOUR_S * hours), return_index=True, return_counts=True)
    means = (np.add.reduceat(column, starts) / counts for column in columns)
    return Thinned(hours, (bins + 0.5) * HOUR_S * hours, *means)


def top_with(course: Course, top: int, *, with_room: bool) -> int:
    """Return where the axis of humidity ends; higher where the room is shown too, and goes beyond it. [%]"""
    if not with_room or not len(course.room):
        return top
    return max(top, top_pct(float(np.quantile(course.room.relative_humidity, NEARLY_ALL))))


def few_marked(marked: ReadingSeries, hours: int) -> ReadingSeries:
    """Return one marked reading for each kind of marks in each span of so many hours: the first."""
    bins = (marked.at_s // (HOUR_S * hours)).astype(np.int64)
    _, first = np.unique(np.stack((bins, marked.marks.astype(np.int64))), axis=1, return_index=True)
    return some_of(marked, np.sort(first))


def some_of(series: ReadingSeries, here: NDArray[np.bool_] | NDArray[np.intp]) -> ReadingSeries:
    """Return some of the readings of a series, in that order."""
    return ReadingSeries(
        box=series.box,
        at_s=series.at_s[here],
        temperature_degc=series.temperature_degc[here],
        relative_humidity=series.relative_humidity[here],
        marks=series.marks[here],
    )
