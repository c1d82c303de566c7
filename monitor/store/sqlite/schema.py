"""Which siccast a database file is of: ours to read, ours to bring up to date, or another's to leave alone."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from typing import TYPE_CHECKING

from monitor.errors import OlderStoreError, StoreError
from monitor.store.sqlite.copies import new_name, write_copy
from monitor.store.sqlite.migrations import MIGRATIONS, applied_steps, migrate

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from pathlib import Path

_ROOM_TO_UPGRADE = 4.0
"""Times the file: the copy takes as much, and the largest step so far needed 2.7 times as much while it ran
(measured)."""


def require_ours(path: Path, connection: sqlite3.Connection) -> None:
    """Refuse a file that is of something else, or that a newer siccast has changed."""
    applied = applied_steps(connection)
    if not applied and connection.execute("SELECT 1 FROM sqlite_master WHERE name <> 'migrations'").fetchone():
        raise StoreError(f"{path} is a database of another program. Move it away, or put a backup in its place")
    if newer := applied - _known():
        raise StoreError(
            f"{path} was upgraded by a newer siccast (it knows '{min(newer)}'). Install that version here. "
            "Or go back: restore the copy that was made beside it then"
        )


def require_begun(path: Path, connection: sqlite3.Connection) -> None:
    """Refuse a file that holds nothing yet, or that is none of ours to read."""
    require_ours(path, connection)
    if not applied_steps(connection):
        raise StoreError(
            f"{path} is empty: nothing was written to it yet, or it is damaged. `siccast listen` starts it, "
            "`siccast restore` puts a backup in its place"
        )


def require_present(path: Path, connection: sqlite3.Connection) -> None:
    """Refuse a file that has not been through every step; a reader changes nothing."""
    require_begun(path, connection)
    if _known() - applied_steps(connection):
        raise OlderStoreError(
            f"{path} is from an older siccast. `siccast listen`, `siccast boxes` or a start of `siccast serve` "
            "upgrades it and keeps a copy beside it"
        )


def bring_up_to_date(
    path: Path, connection: sqlite3.Connection, report: Callable[[str], None], now: datetime | None
) -> None:
    """Apply the missing steps; where that changes an older file, say so and put a copy beside it first."""
    copies: list[Path] = []

    def before(seen: Sequence[str]) -> None:
        if not seen:
            return
        copies.extend(_copy_beside(path))
        kept = (
            f"The old state is in {copies[0]}. To go back: stop siccast, install the older version, "
            "put the copy in the place of the database, and delete the -wal file"
            if copies
            else "There is no room for a copy of the old state. The only way back is a backup of yours"
        )
        report(f"upgrading {path} for this siccast. {kept}")

    try:
        migrate(connection, before=before, now=now)
    except BaseException:
        for copy in copies:  # the file is as it was, and the next try makes a copy of its own
            with contextlib.suppress(OSError):
                copy.unlink()
        raise


def _known() -> set[str]:
    return {name for name, _ in MIGRATIONS}


def _copy_beside(path: Path) -> list[Path]:
    """Return the copy of a file, or nothing where the disk has no room for it and for the steps."""
    log = path.with_name(path.name + "-wal")
    size = path.stat().st_size + (log.stat().st_size if log.exists() else 0)
    if shutil.disk_usage(path.parent).free < _ROOM_TO_UPGRADE * size:
        return []
    copy = new_name(path, "before-upgrade")
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source:
            write_copy(source, copy)
    except BaseException:
        copy.unlink(missing_ok=True)
        raise
    return [copy]
