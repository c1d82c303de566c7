"""What people did to their boxes: entries are added or taken back, never edited."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from monitor.errors import LedgerError
from monitor.records import EntryKind, LedgerEntry, RejectedMessage
from monitor.store.sqlite import rejected
from monitor.store.sqlite.rows import from_ms, to_ms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.store.sqlite.connection import Database

_COLUMNS = (
    "kind, box, at_ms, mass_g, scale_resolution_g, desiccant, dry_mass_g, method,"
    " loading_p05, loading_p50, loading_p95, note, logged_at_ms"
)
_INSERT = f"INSERT INTO ledger ({_COLUMNS}) VALUES ({', '.join('?' * 13)})"
_SELECT = f"SELECT entry_id, {_COLUMNS} FROM ledger"


class SqliteLedger:
    """Keeps the ``Ledger`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def log(self, entry: LedgerEntry) -> int:
        """Keep an entry and return its number."""
        with self._database.transaction() as connection:
            return int(connection.execute(_INSERT, _to_row(entry)).lastrowid or 0)

    def undo(self, entry_id: int) -> LedgerEntry:
        """Mark an entry as taken back; it stays readable, and no longer counts."""
        with self._database.transaction() as connection:
            row = connection.execute(
                f"{_SELECT} WHERE entry_id = ? AND taken_back_at_ms IS NULL", (entry_id,)
            ).fetchone()
            if row is None:
                raise LedgerError(
                    f"entry {entry_id} is not in the ledger or was taken back before; see `siccast log show`"
                )
            now_ms = to_ms(datetime.now(tz=UTC))
            connection.execute("UPDATE ledger SET taken_back_at_ms = ? WHERE entry_id = ?", (now_ms, entry_id))
        return _to_entry(row)

    def entries(self, box: str | None = None, before: datetime | None = None) -> Sequence[LedgerEntry]:
        """Return the entries that count, in the order of the instants they speak of."""
        with self._database.errors():
            rows = self._database.connection.execute(
                f"{_SELECT} WHERE taken_back_at_ms IS NULL AND box = coalesce(?, box) AND at_ms < ?"
                " ORDER BY at_ms, entry_id",
                (box, 2**62 if before is None else to_ms(before)),
            )
            return [_to_entry(row) for row in rows]

    def rejected(self, newest: int = 50) -> Sequence[RejectedMessage]:
        """Return the newest rejected messages, newest first."""
        with self._database.errors():
            return rejected.newest(self._database.connection, newest)

    def rejected_count(self) -> int:
        """Return how many messages were ever rejected."""
        with self._database.errors():
            return rejected.count(self._database.connection)


def _to_row(entry: LedgerEntry) -> tuple[object, ...]:
    return (
        entry.kind.value,
        entry.box,
        to_ms(entry.at),
        entry.mass_g,
        entry.scale_resolution_g,
        entry.desiccant,
        entry.dry_mass_g,
        entry.method,
        *(entry.loading_g_per_g or (None, None, None)),
        entry.note,
        to_ms(entry.logged_at or datetime.now(tz=UTC)),
    )


def _to_entry(row: tuple[object, ...]) -> LedgerEntry:
    entry_id, kind, box, at_ms, mass, resolution, desiccant, dry_mass, method, p05, p50, p95, note, logged_ms = row
    entry = LedgerEntry(
        EntryKind(kind), box, from_ms(at_ms), mass, resolution, desiccant, dry_mass, method,  # type: ignore[arg-type]
        note=note, entry_id=entry_id, logged_at=from_ms(logged_ms),  # type: ignore[arg-type]
    )  # fmt: skip
    return entry if p50 is None else replace(entry, loading_g_per_g=(p05, p50, p95))  # type: ignore[arg-type]
