"""Joint: questions about one box beside its assessment: what if, and how leaky it is empty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.errors import UnknownBoxError
from monitor.inference.forecast import forecast
from monitor.inference.leak import Record, estimate
from monitor.inference.posterior.hours import Hours, reduce_to_hours
from monitor.inference.questions.leak_test import STEPS, EmptyBoxLeak, leak_of_empty_box
from monitor.inference.questions.what_if import WhatIf, what_if

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import Box, CrossingForecast, RoomClimate
    from monitor.store.contracts import Ledger, Readings

__all__ = ["STEPS", "EmptyBoxLeak", "WhatIf", "imagine", "leak_when_empty"]


def imagine(
    readings: Readings,
    ledger: Ledger,
    box: Box,
    as_of: datetime,
    change: WhatIf,
    *,
    room_climate: RoomClimate | None = None,
) -> tuple[CrossingForecast, CrossingForecast]:
    """Return the forecast of a box as it is, and as it would be.

    Raises
    ------
    TooLittleEvidence
        If the box as it is can't be forecast.
    """
    record = Record(
        box,
        reduce_to_hours(readings.series(box.name, end=as_of)),
        _hours_of_room(readings, box, as_of),
        tuple(ledger.entries(box.name, before=as_of)),
        room_climate,
    )
    posterior = estimate(record, as_of.timestamp())
    return forecast(posterior), what_if(posterior, change)


def leak_when_empty(readings: Readings, box: Box, start: datetime, end: datetime) -> EmptyBoxLeak:
    """Return the leak of a box that stood empty between two instants, from readings inside and outside.

    Raises
    ------
    UnknownBoxError
        If no sensor stands outside the box.
    TooLittleEvidence
        If the test was too short, or the box started too near the room.
    """
    room = _hours_of_room(readings, box, end)
    if room is None:
        raise UnknownBoxError(f"no readings of '{box.room}': an empty-box test needs a sensor outside the box too")
    inside = reduce_to_hours(readings.series(box.name, start, end))
    return leak_of_empty_box(inside, room, start.timestamp(), end.timestamp(), box.volume_liter)


def _hours_of_room(readings: Readings, box: Box, end: datetime) -> Hours | None:
    series = readings.series(box.room, end=end)
    return reduce_to_hours(series) if len(series) else None
