"""What an estimate is given of each box, read from the store: the readings that it rests on, and no more."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference import Needed, needed_of
from monitor.records import BoxHistory, ReadingSeries
from monitor.series.hourly_values import HOUR_S, hourly_values
from monitor.series.spans import between, joined
from monitor.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Box, Reading, RoomClimate
    from monitor.store.contracts import Ledger, Readings

_RECENT_S = 30.0 * SECONDS_PER_DAY
"""Readings this young stay one by one. [s] Judgement: a month is well beyond the fortnight that a memory of fits looks
at again, and what a page says of now."""
_GRID_S = 28.0 * SECONDS_PER_DAY
"""What is recent moves on in such steps, so that what a memory of fits knew stays as it was meanwhile. [s] Judgement:
fits are renewed more often anyway."""


def read_histories(
    readings: Readings, ledger: Ledger, boxes: Sequence[Box], as_of: datetime, room_climate: RoomClimate | None = None
) -> list[BoxHistory]:
    """Return the history of each box before an instant, in order; boxes of one room share its readings.

    Of years gone by nothing is read that would change no estimate, so that the tenth year costs what the first did.
    """
    latest = readings.latest(before=as_of, removed=True)
    entries = {box.name: tuple(ledger.entries(box.name, before=as_of)) for box in boxes}
    # an hour to spare: a value that stands for a thinned hour may be stamped before its reading
    newest_s = {box.name: _newest_s(latest.get(box.name), as_of) - HOUR_S for box in boxes}
    needed = {box.name: needed_of(entries[box.name], newest_s[box.name], as_of.timestamp()) for box in boxes}
    rooms: dict[str, ReadingSeries] = {}
    for name in {box.room for box in boxes} & set(latest):
        since_s = min(needed[box.name].room_since_s for box in boxes if box.room == name)
        rooms[name] = readings.evidence(name, as_of, start=_instant(since_s))
    return [
        BoxHistory(
            box=box,
            readings=_by_the_hour(
                _read(readings, box.name, needed[box.name], as_of), needed[box.name].one_by_one, newest_s[box.name]
            ),
            room=rooms.get(box.room),
            room_climate=room_climate,
            entries=entries[box.name],
        )
        for box in boxes
    ]


def _read(readings: Readings, box: str, needed: Needed, as_of: datetime) -> ReadingSeries:
    """Return the readings of a box that are needed, span by span."""
    parts = [readings.evidence(box, _instant(end_s), start=_instant(start_s)) for start_s, end_s in needed.earlier]
    parts.append(readings.evidence(box, as_of, start=_instant(needed.since_s)))
    return joined(parts)


def _by_the_hour(series: ReadingSeries, one_by_one: Sequence[tuple[float, float]], newest_s: float) -> ReadingSeries:
    """Return a series with one value an hour where an estimate would make that of it anyway: a sixth of the size.

    The last weeks stay as they are: what a box shows now, and that two sensors speak under one name, is read off them.
    """
    recent_s = (newest_s - _RECENT_S) // _GRID_S * _GRID_S
    recent_s = min([recent_s, *(start_s for start_s, next_end_s in one_by_one if next_end_s >= recent_s)])
    kept, hours, end_s = [], [], -math.inf
    for start_s, next_end_s in (*(span for span in one_by_one if span[1] < recent_s), (recent_s, math.inf)):
        hours.append(between(series, end_s, start_s))
        kept.append(between(series, start_s, next_end_s))
        end_s = next_end_s
    parts = [part for one, other in zip(map(_hourly, hours), kept, strict=True) for part in (one, other)]
    return joined(parts)


def _hourly(series: ReadingSeries) -> ReadingSeries:
    """Return one robust value an hour, halfway through it."""
    hour, temperature_degc, humidity = hourly_values(series)
    at_s = (hour.astype(np.float64) + 0.5) * HOUR_S
    return ReadingSeries(series.box, at_s, temperature_degc, humidity, np.zeros(len(hour), dtype=np.uint16))


def _newest_s(newest: Reading | None, as_of: datetime) -> float:
    return (as_of if newest is None else newest.at).timestamp()


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
