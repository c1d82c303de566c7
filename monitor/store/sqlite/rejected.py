"""Messages that could not be used: kept with their reasons, the oldest given up when they fill their allowance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.records import RejectedMessage, Rejection
from monitor.store.sqlite.rows import from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

ALLOWANCE_BYTES = 64 * 1024 * 1024
_ROW_BYTES = 200
"""What a rejection takes besides its payload, about."""

_PRUNE = """
DELETE FROM rejected WHERE rejection_id <= (
    SELECT max(rejection_id) FROM (
        SELECT rejection_id, sum(length(payload) + ?) OVER (ORDER BY rejection_id DESC) AS so_far FROM rejected
    ) WHERE so_far > ?
)
"""


def add(connection: sqlite3.Connection, rejections: Sequence[Rejection]) -> None:
    """Keep rejections, and forget the oldest where all together take more than their allowance."""
    if not rejections:
        return
    connection.executemany(
        "INSERT INTO rejected (arrived_at_ms, feed, topic, payload, reason) VALUES (?, ?, ?, ?, ?)",
        [(to_ms(each.arrived_at), each.feed, each.topic, each.payload, each.reason) for each in rejections],
    )
    newest = int(connection.execute("SELECT max(rejection_id) FROM rejected").fetchone()[0])
    if newest // 1000 != (newest - len(rejections)) // 1000 or any(len(each.payload) > 4096 for each in rejections):
        connection.execute(_PRUNE, (_ROW_BYTES, ALLOWANCE_BYTES))


def newest(connection: sqlite3.Connection, how_many: int) -> list[RejectedMessage]:
    """Return the newest rejections, newest first."""
    rows = connection.execute(
        "SELECT arrived_at_ms, feed, topic, payload, reason, rejection_id FROM rejected"
        " ORDER BY rejection_id DESC LIMIT ?",
        (how_many,),
    )
    return [RejectedMessage(from_ms(at_ms), *rest) for at_ms, *rest in rows]


def count(connection: sqlite3.Connection) -> int:
    """Return how many messages were ever rejected, those no longer kept included."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'rejected'").fetchone()
    return int(row[0]) if row else 0
