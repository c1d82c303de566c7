"""What an estimate is given of each box, read from the store: the readings that it rests on, and no more."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from monitor.inference import Needed, needed_of
from monitor.records import BoxHistory
from monitor.series.hourly_values import HOUR_S
from monitor.series.spans import joined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Box, ReadingSeries, RoomClimate
    from monitor.store.contracts import Ledger, Readings


def read_histories(
    readings: Readings, ledger: Ledger, boxes: Sequence[Box], as_of: datetime, room_climate: RoomClimate | None = None
) -> list[BoxHistory]:
    """Return the history of each box before an instant, in order; boxes of one room share its readings.

    Of years gone by nothing is read that would change no estimate, so that the tenth year costs what the first did.
    """
    latest = readings.latest(before=as_of, removed=True)
    entries = {box.name: tuple(ledger.entries(box.name, before=as_of)) for box in boxes}
    needed = {}
    for box in boxes:
        newest = latest.get(box.name)
        # an hour to spare: a value that stands for a thinned hour may be stamped before its reading
        newest_s = (as_of if newest is None else newest.at).timestamp() - HOUR_S
        needed[box.name] = needed_of(entries[box.name], newest_s, as_of.timestamp())
    rooms: dict[str, ReadingSeries] = {}
    for name in {box.room for box in boxes} & set(latest):
        since_s = min(needed[box.name].room_since_s for box in boxes if box.room == name)
        rooms[name] = readings.evidence(name, as_of, start=_instant(since_s))
    return [
        BoxHistory(
            box=box,
            readings=_read(readings, box.name, needed[box.name], as_of),
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


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
