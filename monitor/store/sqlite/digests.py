"""What the readings of a box came to up to an instant, in sums: others where one was added, withdrawn or marked."""

from __future__ import annotations

from hashlib import blake2b
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

_MS_PER_HOUR = 3_600_000  # by definition
_HOURS_SUMMED = """
SELECT sum(count), sum((hour - 438288) * (count + 3 * sum_temperature + 7 * sum_humidity))
FROM hourly WHERE box_id = :box AND hour >= :first AND hour < :hour
"""
"""Each hour weighs by its number since 2020, so that what moves from one to another shows, and ten years of a reading a
second stay within 63 bits. Two sums, as a year of hours costs a shelf's night more than its sorption does: a change
that leaves both alike would have to take from one value just what it gives to another of the same hour."""
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
        self._summed: dict[tuple[int, int], tuple[int, tuple[int, ...]]] = {}
        """Up to which hour the roll-up of a box was summed from an hour on, and what that came to."""
        self._summed_in: object = None
        """The state of the file then."""

    def of(self, connection: sqlite3.Connection, box_id: int, first_hour: int, end_ms: int) -> bytes:
        """Return the digest of a box's readings from an hour to an instant, and of their marks."""
        span = {"box": box_id, "first": first_hour, "end": end_ms, "hour": end_ms // _MS_PER_HOUR}
        sums = [connection.execute(each, span).fetchone() for each in (_SINCE_SUMMED, _MARKS_SUMMED)]
        sums.append(self._hours_summed(connection, span))
        return blake2b(repr(sums).encode()).digest()

    def _hours_summed(self, connection: sqlite3.Connection, span: Mapping[str, int]) -> tuple[int, ...]:
        state = connection.execute("PRAGMA data_version").fetchone()[0], connection.total_changes
        if state != self._summed_in:
            self._summed_in, self._summed = state, {}
        which = span["box"], span["first"]
        until, sums = self._summed.get(which, (span["first"], (0, 0)))
        if until > span["hour"]:
            until, sums = span["first"], (0, 0)
        more = connection.execute(_HOURS_SUMMED, {**span, "first": until}).fetchone()
        sums = tuple(one + (other or 0) for one, other in zip(sums, more, strict=True))
        self._summed[which] = span["hour"], sums
        return sums
