"""The coming weeks, a cell a day: which days are allowed, off or chosen, and the boxes on them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_full, day_of_month, near_day
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import date

    from monitor.presentation.planned import Planned
    from monitor.web.plan.rows import Row


@dataclass(frozen=True, slots=True)
class Cell:
    """One day."""

    iso: str
    label: str
    number: str
    """Of the month, with the month's name where that is new."""
    weekday: str
    ahead: int
    """Days from today; negative where it is past."""
    is_allowed: bool
    is_off: bool
    is_usual: bool
    """Whether beads are dried on its weekday."""
    rows: Sequence[Row]
    swapped: Collection[str]
    """Those of the boxes that get a spare charge."""


Week = tuple[Cell, ...]


def weeks_of(planned: Planned, rows: Mapping[str, Sequence[Row]]) -> list[Week]:
    """Return the weeks from the one of today to the one of the last day, Monday first; ``rows`` by day."""
    monday = planned.today - timedelta(days=planned.today.weekday())
    weeks = []
    while monday <= planned.last:
        days = [monday + timedelta(days=place) for place in range(DAYS_PER_WEEK)]
        weeks.append(tuple(_cell(planned, on, rows.get(on.isoformat(), ())) for on in days))
        monday += timedelta(days=DAYS_PER_WEEK)
    return weeks


def _cell(planned: Planned, on: date, rows: Sequence[Row]) -> Cell:
    today, within = planned.today, planned.today <= on <= planned.last
    return Cell(
        iso=on.isoformat() if within else "",
        label=day_in_full(on, today),
        number=day_of_month(on) if on.day == 1 or on == today else str(on.day),
        weekday=near_day(on, today),
        ahead=(on - today).days,
        is_allowed=within and planned.is_allowed(on),
        is_off=within and planned.is_off(on),
        is_usual=planned.is_usual(on),
        rows=rows,
        swapped={swap.box for swap in planned.plan.swaps if swap.on == on},
    )
