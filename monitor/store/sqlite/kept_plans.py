"""The plan kept from question to question: made of what else is in the file, so it may be dropped at any time.

It is written over a connection of its own, which waits for nobody.
"""

from __future__ import annotations

import contextlib
import sqlite3
import zlib
from typing import TYPE_CHECKING

from monitor.records import KeptPlan
from monitor.store.sqlite.beside import log_was_taken_away, writing_beside
from monitor.store.sqlite.plan_decisions import announce_by

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from monitor.records import AnnouncedDay
    from monitor.store.sqlite.connection import Database

_LARGEST_BYTES = 2_000_000  # judgement: a year of ten thousand boxes takes less


class SqliteKeptPlans:
    """Keeps the ``KeptPlans`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def newest(self) -> KeptPlan | None:
        """Return what is kept; None where there is nothing, or it is damaged."""
        with contextlib.suppress(sqlite3.Error):
            rows = self._database.connection.execute("SELECT rests_on, asked, plan, checksum FROM kept_plan")
            for *values, checksum in rows:
                if all(isinstance(one, bytes) for one in values) and _checksum(*values) == checksum:
                    return KeptPlan(*values)
        return None

    def keep(
        self, plan: KeptPlan, announced: Iterable[AnnouncedDay], now: datetime, still: Callable[[], bool] = lambda: True
    ) -> bool:
        """Keep a plan in the place of the last one, and the days it says as announced now: both or neither.

        ``still`` is asked when nobody else can write: whether the plan is still that of now.
        """
        values = plan.rests_on, plan.asked, plan.plan
        if len(plan.plan) > _LARGEST_BYTES or log_was_taken_away(self._database.path):
            return False
        try:
            with writing_beside(self._database.path) as connection:
                if not still():
                    return False
                connection.execute(
                    "INSERT OR REPLACE INTO kept_plan (only_row, rests_on, asked, plan, checksum)"
                    " VALUES (1, ?, ?, ?, ?)",
                    (*values, _checksum(*values)),
                )
                announce_by(connection, announced, now)
        except sqlite3.Error:
            return False
        return True


def _checksum(*values: bytes) -> int:
    checksum = zlib.crc32(repr([len(one) for one in values]).encode())
    for one in values:
        checksum = zlib.crc32(one, checksum)
    return checksum
