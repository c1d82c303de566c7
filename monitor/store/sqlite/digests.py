"""What the readings of a box came to up to an instant, in sums: others where one was added, withdrawn or marked."""

from __future__ import annotations

from hashlib import blake2b
from typing import TYPE_CHECKING

from monitor.store.sqlite.rows import MS_PER_HOUR

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence

_Sums = tuple[int, int]
"""Of the readings counted, and of their values."""
_HOURS_SUMMED = """
SELECT sum(count), sum((hour - 438288) * (count + 3 * sum_temperature + 7 * sum_humidity))
FROM hourly WHERE box_id = :box AND hour >= :first AND hour < :hour
"""
"""Each hour weighs by its number since 2020, so that what moves from one to another shows, and ten years of a reading a
second stay within 63 bits. Two sums, as a year of hours costs a shelf's night more than its sorption does: a change
that leaves both alike would have to take from one value just what it gives to another of the same hour."""
_BLOCK_HOURS = 512
"""So many hours are summed together once they are over. [hours] A judgement: three weeks, so that of the newest few are
left, and of ten years some hundred and seventy sums."""
_BLOCKS = "SELECT block, count, weighted FROM hours_summed WHERE box_id = ? AND block >= ? AND block < ? ORDER BY block"
_BLOCKS_AT_A_TIME = 320
"""So many are summed in one transaction. A judgement: some thirty milliseconds, so that a listener's commit hardly
waits; a year of sixteen boxes."""
_SINCE_SUMMED = """
SELECT count(*), sum(at_s), sum(at_s * temperature), sum(at_s * humidity)
FROM readings WHERE box_id = :box AND at_s >= :hour * 3600 AND at_s < :end / 1000.0
"""
_MARKS_SUMMED = """
SELECT count(*), sum(at_ms % 1000003 * bits)
FROM marks WHERE box_id = :box AND at_ms >= :first * 3600000 AND at_ms < :end
"""


class Digests:
    """Sums of the roll-up that go on from those before, as long as nothing was written."""

    def __init__(self) -> None:
        self._summed: dict[tuple[int, int], tuple[int, _Sums]] = {}
        """Up to which hour the roll-up of a box was summed from an hour on, and what that came to."""
        self._summed_in: object = None
        """The state of the file then."""

    def of(self, connection: sqlite3.Connection, box_id: int, first_hour: int, end_ms: int) -> bytes:
        """Return the digest of a box's readings from an hour to an instant, and of their marks."""
        span = {"box": box_id, "first": first_hour, "end": end_ms, "hour": end_ms // MS_PER_HOUR}
        sums = [connection.execute(each, span).fetchone() for each in (_SINCE_SUMMED, _MARKS_SUMMED)]
        sums.append(self._hours_summed(connection, span))
        return blake2b(repr(sums).encode()).digest()

    def _hours_summed(self, connection: sqlite3.Connection, span: Mapping[str, int]) -> _Sums:
        state = connection.execute("PRAGMA data_version").fetchone()[0], connection.total_changes
        if state != self._summed_in:
            self._summed_in, self._summed = state, {}
        which = span["box"], span["first"]
        until, sums = self._summed.get(which, (span["first"], (0, 0)))
        if until > span["hour"]:
            until, sums = span["first"], (0, 0)
        sums = _added(sums, _sums(connection, span["box"], until, span["hour"]))
        self._summed[which] = span["hour"], sums
        return sums


def sum_hours_that_are_over(connection: sqlite3.Connection, boxes: Iterable[str]) -> None:
    """Keep the sums of whole blocks of hours, within a transaction that writes; triggers drop what changes later."""
    left = _BLOCKS_AT_A_TIME
    for name in boxes:
        (box_id,) = connection.execute("SELECT box_id FROM boxes WHERE name = ?", (name,)).fetchone() or (0,)
        for block in _not_summed(connection, box_id):
            if not left:
                return
            count, weighted = _hours(connection, box_id, block * _BLOCK_HOURS, (block + 1) * _BLOCK_HOURS)
            if count:
                connection.execute("INSERT INTO hours_summed VALUES (?, ?, ?, ?)", (box_id, block, count, weighted))
                left -= 1


def _not_summed(connection: sqlite3.Connection, box_id: int) -> list[int]:
    first, newest = connection.execute(
        "SELECT (SELECT min(hour) FROM hourly WHERE box_id = ?1), (SELECT max(hour) FROM hourly WHERE box_id = ?1)",
        (box_id,),
    ).fetchone()
    if first is None:
        return []
    over = range(first // _BLOCK_HOURS, newest // _BLOCK_HOURS)
    known = {block for block, *_ in connection.execute(_BLOCKS, (box_id, over.start, over.stop))}
    return [block for block in over if block not in known]


def _sums(connection: sqlite3.Connection, box_id: int, first_hour: int, end_hour: int) -> _Sums:
    """What hours of a box came to: whole blocks by their sums where these are kept, all others hour by hour."""
    whole = range(-(-first_hour // _BLOCK_HOURS), end_hour // _BLOCK_HOURS)
    sums, at = (0, 0), first_hour
    for block, *of_block in connection.execute(_BLOCKS, (box_id, whole.start, whole.stop)).fetchall() if whole else ():
        if block * _BLOCK_HOURS > at:
            sums = _added(sums, _hours(connection, box_id, at, block * _BLOCK_HOURS))
        sums, at = _added(sums, of_block), (block + 1) * _BLOCK_HOURS
    return _added(sums, _hours(connection, box_id, at, end_hour))


def _hours(connection: sqlite3.Connection, box_id: int, first_hour: int, end_hour: int) -> _Sums:
    span = {"box": box_id, "first": first_hour, "hour": end_hour}
    count, weighted = connection.execute(_HOURS_SUMMED, span).fetchone()
    return count or 0, weighted or 0


def _added(one: Sequence[int], other: Sequence[int]) -> _Sums:
    return one[0] + other[0], one[1] + other[1]
