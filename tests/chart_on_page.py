"""A shelf with all that the charts of a box show, served: marks, a room, every kind of entry, a leak line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from answers_by_hand import AS_OF
from shelf_on_page import make_shelf, serving, take_snapshot_by_hand

from monitor.presentation.clock import utc_now
from monitor.records import Assessment, EntryKind, LeakLine, LedgerEntry, Mark, Quantiles, Reading
from monitor.settings import Shelf
from monitor.store.opening import open_stores
from monitor.web.snapshot import Keeper, Snapshot

BOX = "soon"
LINE = LeakLine(
    at_s=tuple(AS_OF.timestamp() - 86_400.0 * days for days in (40, 30, 20, 10, 1)),
    push_kpa_days=(0.0, 9.0, 18.0, 27.0, 36.0),
    taken_up_g=(0.0, 0.5, 0.9, 2.4, 3.9),
    line_g=(0.0, 0.45, 0.9, 2.4, 3.9),
    line_low_g=(0.0, 0.3, 0.6, 1.6, 2.6),
    line_high_g=(0.0, 0.6, 1.2, 3.2, 5.2),
    changed_push_kpa_days=18.0,
)
ENTRIES = {
    EntryKind.recharge: "",
    EntryKind.spool_swap: "black reel in",
    EntryKind.sensor_swap: "battery was flat",
    EntryKind.color: "",
    EntryKind.note: "lid feels loose",
    EntryKind.leak_test: "",
}
MARKED = ((6, 0.62, Mark.spike.bit), (5, 0.055, Mark.stuck.bit | Mark.at_floor.bit))
"""Days before now, humidity, marks."""


def make_chart_shelf(folder: Path, more: str = "") -> Shelf:
    """Write the shelf, with marks on two readings and an entry of each kind in box `soon`."""
    shelf = make_shelf(folder, more)
    with open_stores(shelf.database_path) as stores:
        for days, (kind, note) in enumerate(ENTRIES.items(), start=10):
            color = "orange" if kind is EntryKind.color else None
            stores.ledger.log(LedgerEntry(kind, BOX, AS_OF - timedelta(days=days), note=note, color=color), utc_now())
        stores.readings.add(
            Reading(BOX, AS_OF - timedelta(days=days, minutes=-20), 20.0, humidity, marks=marks)
            for days, humidity, marks in MARKED
        )
        stores.readings.add([Reading("=1+1", AS_OF - timedelta(hours=3), 20.0, 0.5)])
    return shelf


def told(answer: Assessment) -> Assessment:
    """Return an assessment, one of them with a reading that is forty days old."""
    if answer.box.name == "far" and answer.latest and answer.forecast:
        old = answer.latest._replace(at=AS_OF - timedelta(days=40), relative_humidity=0.129)
        present = Quantiles(0.15, 0.176, 0.20)
        return replace(answer, latest=old, forecast=replace(answer.forecast, present_relative_humidity=present))
    return answer


def snapshot(shelf: Shelf, clock: datetime) -> Snapshot:
    """Return the assessments that are written by hand."""
    found = take_snapshot_by_hand(shelf, clock)
    hostile = replace(found.answers[-1], box=replace(found.answers[-1].box, name="=1+1"))
    return replace(found, answers=(*map(told, found.answers), hostile))


def line_of(_: Snapshot, answer: Assessment) -> LeakLine | None:
    """Return the leak line of the one box that has one."""
    return LINE if answer.box.name == BOX else None


@contextmanager
def serving_charts(folder: Path, more: str = "") -> Iterator[str]:
    """Serve that shelf."""
    shelf = make_chart_shelf(folder, more)
    keeper = Keeper(partial(snapshot, shelf), lambda _: 1, leak_line=line_of)
    with serving(shelf, keeper) as address:
        yield address
