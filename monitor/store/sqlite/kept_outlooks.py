"""Outlooks kept from question to question: made of what else is in the file, so any may be dropped at any time.

They are written over a connection of their own, which waits for nobody: a question is answered without them, too.
"""

from __future__ import annotations

import contextlib
import sqlite3
import zlib
from typing import TYPE_CHECKING

from monitor.records import KeptOutlook
from monitor.store.sqlite.beside import log_was_taken_away, writing_beside
from monitor.store.sqlite.digests import sum_hours_that_are_over
from monitor.store.sqlite.rows import from_ms, from_ms_or_none, to_ms, to_ms_or_none

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

_LARGEST_BYTES = 200_000  # judgement: a thousand draws in single precision take half of it
_KEPT = "box, as_of_ms, rests_on, answer, teaching, fitted_until_ms, fit_rests_on"
_KEEP = f"""
INSERT INTO kept_outlooks ({_KEPT}, fit, checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (box) DO UPDATE SET
    as_of_ms = excluded.as_of_ms, rests_on = excluded.rests_on, answer = excluded.answer,
    teaching = excluded.teaching, fitted_until_ms = excluded.fitted_until_ms, fit_rests_on = excluded.fit_rests_on,
    fit = coalesce(excluded.fit, fit), checksum = excluded.checksum
WHERE excluded.fit IS NOT NULL OR (fit IS NOT NULL AND fit_rests_on = excluded.fit_rests_on)
    OR excluded.fitted_until_ms IS NULL
"""
"""The fit is left as it is where none is given and the one that is there is the one that was answered from."""


class SqliteKeptOutlooks:
    """Keeps the ``KeptOutlooks`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self, box: str | None = None) -> Mapping[str, KeptOutlook]:
        """Return what is kept of each box, or of one; what is damaged is passed over."""
        rows: list[tuple[object, ...]] = []
        which, names = ("", ()) if box is None else (" WHERE box = ?", (box,))
        with contextlib.suppress(sqlite3.Error):
            found = self._database.connection.execute(f"SELECT {_KEPT}, checksum FROM kept_outlooks{which}", names)
            rows = found.fetchall()
        whole = (_to_kept(row[:-1]) for row in rows if _checksum(row[:-1]) == row[-1])
        return {one.box: one for one in whole if one is not None}

    def stamps(self) -> Mapping[str, tuple[datetime, bytes]]:
        """Return for each box the instant that its outlook was made for and what it rests on; cheaper than all."""
        with contextlib.suppress(sqlite3.Error, TypeError, OverflowError):
            rows = self._database.connection.execute("SELECT box, as_of_ms, rests_on FROM kept_outlooks")
            return {box: (from_ms(as_of_ms), rests_on) for box, as_of_ms, rests_on in rows}
        return {}

    def fit(self, box: str, rests_on: bytes) -> bytes | None:
        """Return the packed fit of a box that rests on this; None where another was kept since."""
        with contextlib.suppress(sqlite3.Error):
            row = self._database.connection.execute(
                "SELECT fit FROM kept_outlooks WHERE box = ? AND fit_rests_on = ?", (box, rests_on)
            ).fetchone()
            return row[0] if row and isinstance(row[0], bytes) else None
        return None

    def heard(self) -> bytes:
        """Return the digest of the teachings that all boxes have heard of; empty where there is none."""
        with contextlib.suppress(sqlite3.Error):
            row = self._database.connection.execute("SELECT digest FROM kept_teachings").fetchone()
            return bytes(row[0]) if row else b""
        return b""

    def keep(
        self, kept: Sequence[tuple[KeptOutlook, bytes | None]], boxes: Collection[str], heard: bytes = b""
    ) -> bool:
        """Keep outlooks, each with its packed fit where that is another one; forget all but these boxes.

        False where the file can't be written to at once.
        """
        if log_was_taken_away(self._database.path):
            return False
        try:
            with writing_beside(self._database.path) as connection:
                for one, fit in kept:
                    if fit is None or len(fit) + len(one.answer) + len(one.teaching) <= _LARGEST_BYTES:
                        row = _to_row(one)
                        connection.execute(_KEEP, (*row, fit, _checksum(row)))
                sum_hours_that_are_over(connection, (one.box for one, _ in kept))
                names = [name for (name,) in connection.execute("SELECT box FROM kept_outlooks")]
                gone = [(name,) for name in names if name not in boxes]
                connection.executemany("DELETE FROM kept_outlooks WHERE box = ?", gone)
                if heard:
                    connection.execute("INSERT OR REPLACE INTO kept_teachings VALUES (1, ?)", (heard,))
        except sqlite3.Error:
            return False
        return True


def _to_row(kept: KeptOutlook) -> tuple[object, ...]:
    return (
        kept.box,
        to_ms(kept.as_of),
        kept.rests_on,
        kept.answer,
        kept.teaching,
        to_ms_or_none(kept.fitted_until),
        kept.fit_rests_on,
    )


def _to_kept(row: tuple[object, ...]) -> KeptOutlook | None:
    box, as_of_ms, rests_on, answer, teaching, fitted_until_ms, fit_rests_on = row
    try:
        return KeptOutlook(
            box,  # type: ignore[arg-type]
            from_ms(as_of_ms),  # type: ignore[arg-type]
            rests_on,  # type: ignore[arg-type]
            answer,  # type: ignore[arg-type]
            teaching,  # type: ignore[arg-type]
            from_ms_or_none(fitted_until_ms),  # type: ignore[arg-type]
            fit_rests_on,  # type: ignore[arg-type]
        )
    except (TypeError, OverflowError):
        return None


def _checksum(row: Sequence[object]) -> int:
    """Of a row's values; long ones are bytes, and go in as they are."""
    checksum = zlib.crc32(repr([len(one) if isinstance(one, bytes) else one for one in row]).encode())
    for one in row:
        checksum = zlib.crc32(one, checksum) if isinstance(one, bytes) else checksum
    return checksum
