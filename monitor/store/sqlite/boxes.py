"""Boxes that get another name or leave the shelf: every table at once, and not one row is destroyed."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

from monitor.errors import LedgerError
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import BOX
from monitor.store.contracts import ALONE, unchecked
from monitor.store.sqlite.announcements import rename_announced
from monitor.store.sqlite.ledger import INSERT_ENTRY, entry_row
from monitor.store.sqlite.rows import to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

_OWN_ROWS = (
    "readings",
    "latest",
    "hourly",
    "marks",
    "timeless",
    "thinned",
    "thinned_hours",
    "thinned_imports",
    "outbox",
    "removed",
    "imported_spans",
)


_RENAMED = "called '{old}' until now"
"""The note in the log of a box that got another name, by which the old one is found again."""


class SqliteBoxes:
    """Keeps the ``Boxes`` contract in the shelf's own file."""

    def __init__(self, database: Database, *, forwards: bool = False) -> None:
        self._database = database
        self._forwards = forwards

    def rename(
        self,
        old: str,
        new: str,
        at: datetime,
        *,
        first: Callable[[], object] = unchecked,
        alongside: AbstractContextManager[None] = ALONE,
    ) -> int:
        """Give a box another name wherever it stands, and return how many readings it has."""
        with ExitStack() as until_committed, self._database.transaction() as connection:
            first()
            _require_unused(connection, new)
            _drop_empty(connection, new)
            connection.execute("UPDATE boxes SET name = ? WHERE name = ?", (new, old))
            connection.execute("UPDATE ledger SET box = ? WHERE box = ?", (new, old))
            connection.execute("UPDATE plan_decisions SET box = ? WHERE box = ?", (new, old))
            rename_announced(connection, old, new)
            connection.execute("UPDATE alert_matters SET box = ? WHERE box = ?", (new, old))
            connection.execute("UPDATE plan_announcements SET box = ? WHERE box = ?", (new, old))
            connection.execute(
                "UPDATE deeds SET body = json_set(body, '$.place', ?) WHERE json_extract(body, '$.place') = ?",
                (BOX + new, BOX + old),
            )
            note = LedgerEntry(EntryKind.note, new, at, note=_RENAMED.format(old=old))
            connection.execute(INSERT_ENTRY, entry_row(note, at))
            if self._forwards:  # the server knows these readings under the old name only
                connection.execute(
                    "INSERT OR IGNORE INTO outbox SELECT box_id, at_ms FROM readings JOIN boxes USING (box_id)"
                    " WHERE name = ?",
                    (new,),
                )
            held = _count(connection, "readings JOIN boxes USING (box_id) WHERE name = ?", new)
            until_committed.enter_context(alongside)
        return held

    def renamed_to(self, old: str) -> str | None:
        """Return what a box is called now that had another name before, by the note of its renaming."""
        with self._database.errors():
            found = self._database.connection.execute(
                "SELECT box FROM ledger WHERE kind = ? AND note = ? AND taken_back_at_ms IS NULL"
                " ORDER BY entry_id DESC",
                (EntryKind.note.value, _RENAMED.format(old=old)),
            ).fetchone()
        return None if found is None else str(found[0])

    def remove(
        self,
        name: str,
        at: datetime,
        *,
        first: Callable[[], object] = unchecked,
        alongside: AbstractContextManager[None] = ALONE,
    ) -> int:
        """Leave a box out of what is asked and said until it reports again; return how many readings are kept."""
        with ExitStack() as until_committed, self._database.transaction() as connection:
            first()
            connection.execute(
                "INSERT OR REPLACE INTO removed SELECT box_id, ? FROM boxes WHERE name = ?", (to_ms(at), name)
            )
            held = _count(connection, "readings JOIN boxes USING (box_id) WHERE name = ?", name)
            until_committed.enter_context(alongside)
        return held

    def bring_back(self, name: str, *, alongside: AbstractContextManager[None] = ALONE) -> None:
        """Take a box onto the shelf again."""
        with ExitStack() as until_committed, self._database.transaction() as connection:
            connection.execute("DELETE FROM removed WHERE box_id = (SELECT box_id FROM boxes WHERE name = ?)", (name,))
            until_committed.enter_context(alongside)


def _require_unused(connection: sqlite3.Connection, name: str) -> None:
    readings = _count(connection, "readings JOIN boxes USING (box_id) WHERE name = ?", name)
    readings += _count(connection, "set_aside JOIN boxes USING (box_id) WHERE name = ?", name)
    entries = _count(connection, "ledger WHERE taken_back_at_ms IS NULL AND box = ?", name)
    if readings or entries:
        raise LedgerError(
            f"box '{name}' has {readings} readings and {entries} log entries of its own."
            " Two boxes can't become one. Choose another name"
        )


def _drop_empty(connection: sqlite3.Connection, name: str) -> None:
    """Forget a box of which nothing is held but its name."""
    for table in _OWN_ROWS:
        connection.execute(f"DELETE FROM {table} WHERE box_id = (SELECT box_id FROM boxes WHERE name = ?)", (name,))
    connection.execute("DELETE FROM boxes WHERE name = ?", (name,))


def _count(connection: sqlite3.Connection, where: str, name: str) -> int:
    return int(connection.execute(f"SELECT count(*) FROM {where}", (name,)).fetchone()[0])
