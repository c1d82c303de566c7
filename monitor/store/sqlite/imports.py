"""Imports by number, and readings that are set aside: withdrawn, or at odds with what was held before.

A reading that is set aside counts for nothing and is lost to nobody: it can be read, and put back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.errors import LedgerError, UnknownBoxError, UnknownNameError
from monitor.records import ImportCounts, ImportKind, NumberedImport
from monitor.records.readings import ROWS_AT_ONCE
from monitor.store.sqlite.ledger import add_rejections
from monitor.store.sqlite.rows import AT, from_ms, from_ms_or_none, span_ms, to_ms, to_reading
from monitor.store.sqlite.withdrawing import VALUES_ALONE, put_back, values_alone, withdraw

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from monitor.records import Reading, Rejection
    from monitor.store.sqlite.connection import Database
    from monitor.store.sqlite.readings import Landed, SqliteReadings


_LISTED = f"""
SELECT number, kind, what, begun_at_ms, finished_at_ms, new, held, differing, rejected,
    (SELECT count(*) FROM set_aside WHERE set_aside.number = imports.number)
    + ({VALUES_ALONE.replace("?", "imports.number")}),
    coalesce(withdrawn.rows, 0)
FROM imports LEFT JOIN (
    SELECT set_aside.import_number, count(*) AS rows FROM set_aside JOIN imports AS later USING (number)
    WHERE later.kind = 'withdrawal' GROUP BY set_aside.import_number
) AS withdrawn ON withdrawn.import_number = imports.number
"""
_SET_ASIDE = """
SELECT place, boxes.name, floor, marks, at_ms, temperature, humidity, battery, seq, origin
FROM set_aside JOIN boxes USING (box_id) WHERE number = ? AND place > ? ORDER BY place LIMIT ?
"""
_SET_ONE_ASIDE = """
INSERT INTO set_aside (number, box_id, at_s, temperature, humidity, battery, told, import_number, marks) VALUES (
    ?8, ?1, ?2 / 1000.0, ?3, ?4, ?5,
    CASE ?7 WHEN 0 THEN ?6 ELSE -(?7 + 8 * (coalesce(?6, -1) + 1)) END, ?8, ?9
)
"""
_WIDEN_SPAN = """
INSERT INTO imported_spans VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET
    first_ms = min(first_ms, excluded.first_ms), last_ms = max(last_ms, excluded.last_ms)
"""
_COUNT = """
UPDATE imports SET new = new + ?, held = held + ?, differing = differing + ?, rejected = rejected + ? WHERE number = ?
"""


class SqliteImports:
    """Keeps the ``Imports`` contract in the shelf's own file."""

    def __init__(self, database: Database, readings: SqliteReadings) -> None:
        self._database = database
        self._readings = readings

    def begin(self, what: str, at: datetime) -> int:
        """Give the next number to an import."""
        with self._database.transaction() as connection:
            return _begin(connection, ImportKind.imported, what, at)

    def add(
        self,
        number: int,
        readings: Iterable[Reading],
        rejections: Sequence[Rejection] = (),
        *,
        bring_back: bool = False,
    ) -> ImportCounts:
        """Store readings of an import, and its rejections, in one transaction, and return what became of them."""
        with self._readings.writing() as connection:
            landed = self._readings.land(connection, readings, number, bring_back=bring_back)
            rejections = [*rejections, *landed.refused]
            add_rejections(connection, rejections)
            connection.executemany(
                _SET_ONE_ASIDE, [(*row, number, reading.marks) for row, reading, _ in landed.differing]
            )
            connection.executemany(_WIDEN_SPAN, [(number, *span) for span in _spans(landed)])
            new, back, differing = len(landed.new), len(landed.back), len(landed.differing)
            connection.execute(_COUNT, (new + back, landed.held, differing, len(rejections), number))
        at_odds_with = frozenset(held[2] for _, _, held in landed.differing)
        return ImportCounts(new, landed.held, differing, at_odds_with, landed.thinned_out, back)

    def finish(self, number: int, at: datetime) -> None:
        """Note that an import went through to its end."""
        with self._database.transaction() as connection:
            _finish(connection, number, at)

    def listed(self) -> Sequence[NumberedImport]:
        """Return all imports and withdrawals, in the order of their numbers."""
        with self._database.errors():
            rows = self._database.connection.execute(f"{_LISTED} ORDER BY number").fetchall()
        return [_to_import(row) for row in rows]

    def withdraw_import(self, number: int, at: datetime) -> NumberedImport:
        """Set aside what an import brought and what of it still counts."""
        with self._readings.writing() as connection:
            self._require(connection, number, ImportKind.imported)
            spans = connection.execute(
                "SELECT box_id, first_ms, last_ms + 1 FROM imported_spans WHERE number = ?", (number,)
            ).fetchall()
            withdrawal = _begin(connection, ImportKind.withdrawal, f"import {number}", at)
            taken = sum(withdraw(connection, withdrawal, span, number) for span in spans)
            if not taken:
                raise LedgerError(f"import {number} has no readings left that count. See `siccast readings imports`")
            return self._withdrawn(connection, withdrawal, taken, at)

    def withdraw_span(self, box: str, start: datetime | None, end: datetime | None, at: datetime) -> NumberedImport:
        """Set aside all readings of a box with ``start <= at < end``."""
        start_ms, end_ms = span_ms(start, end)
        span = f"{box} from {_shown(start) or 'the first'} to {_shown(end) or 'the last'}"
        with self._readings.writing() as connection:
            found = connection.execute("SELECT box_id FROM boxes WHERE name = ?", (box,)).fetchone()
            if found is None:
                raise UnknownBoxError(f"box '{box}' has no readings. `siccast boxes` lists those that do")
            withdrawal = _begin(connection, ImportKind.withdrawal, span, at)
            taken = withdraw(connection, withdrawal, (found[0], start_ms, end_ms), None)
            if not taken:
                raise LedgerError(f"there is no reading of {span}. Nothing was withdrawn")
            return self._withdrawn(connection, withdrawal, taken, at)

    def restore(self, number: int) -> tuple[int, int]:
        """Put back what is set aside under a number; return how many came back, and how many found their place taken.

        What found another reading in its place stays aside.
        """
        with self._readings.writing() as connection:
            self._require(connection, number)
            values = values_alone(connection, number)
            back = put_back(connection, number)
            self._readings.inserted(connection, back)
            left = int(connection.execute("SELECT count(*) FROM set_aside WHERE number = ?", (number,)).fetchone()[0])
        if not back and not values and not left:
            raise LedgerError(f"nothing is set aside under {number}. See `siccast readings imports`")
        return len(back) + values, left

    def set_aside(self, number: int) -> Iterator[Reading]:
        """Yield the readings that are set aside under a number, in the order in which they were."""
        with self._database.errors():
            self._require(self._database.connection, number)
            last = 0
            while rows := self._database.connection.execute(_SET_ASIDE, (number, last, ROWS_AT_ONCE)).fetchall():
                last = rows[-1][0]
                for _, name, floor, marks, *values in rows:
                    yield to_reading(name, values, floor, marks)

    def _withdrawn(self, connection: sqlite3.Connection, number: int, taken: int, at: datetime) -> NumberedImport:
        connection.execute(_COUNT, (taken, 0, 0, 0, number))
        _finish(connection, number, at)
        return self._require(connection, number)

    def _require(self, connection: sqlite3.Connection, number: int, kind: ImportKind | None = None) -> NumberedImport:
        row = connection.execute(f"{_LISTED} WHERE number = ?", (number,)).fetchone()
        if row is None:
            raise UnknownNameError(f"there is no import {number}. `siccast readings imports` lists them")
        found = _to_import(row)
        if kind is not None and found.kind is not kind:
            raise LedgerError(
                f"{number} is a {found.kind.value}, not an {kind.value}. `siccast readings restore {number}` undoes it"
            )
        return found


def _begin(connection: sqlite3.Connection, kind: ImportKind, what: str, at: datetime) -> int:
    row = (kind.value, what.encode("utf-8", "replace").decode(), to_ms(at))
    return int(connection.execute("INSERT INTO imports (kind, what, begun_at_ms) VALUES (?, ?, ?)", row).lastrowid or 0)


def _finish(connection: sqlite3.Connection, number: int, at: datetime) -> None:
    connection.execute("UPDATE imports SET finished_at_ms = ? WHERE number = ?", (to_ms(at), number))


def _spans(landed: Landed) -> list[tuple[int, int, int]]:
    """Return for each box from when to when new readings came in."""
    instants: dict[int, list[int]] = {}
    for row, _ in (*landed.new, *landed.back):
        instants.setdefault(row[0], []).append(row[AT])
    return [(box_id, min(at_ms), max(at_ms)) for box_id, at_ms in instants.items()]


def _to_import(row: tuple[object, ...]) -> NumberedImport:
    number, kind, what, begun_ms, finished_ms, *counts = row
    return NumberedImport(
        number, ImportKind(kind), what, from_ms(begun_ms),  # type: ignore[arg-type]
        from_ms_or_none(finished_ms), *counts,  # type: ignore[arg-type]
    )  # fmt: skip


def _shown(at: datetime | None) -> str:
    return "" if at is None else f"{at:%Y-%m-%dT%H:%M:%SZ}"
