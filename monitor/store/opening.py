"""From where a site keeps its things to the two open stores."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.errors import StoreBusyError
from monitor.store.sqlite.connection import Database
from monitor.store.sqlite.deeds import SqliteDeeds
from monitor.store.sqlite.ledger import SqliteLedger
from monitor.store.sqlite.readings import SqliteReadings
from monitor.store.sqlite.upkeep import SqliteUpkeep

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from monitor.store.contracts import Deeds, Ledger, Readings, Upkeep


@dataclass(frozen=True, slots=True)
class Stores:
    """What a site holds: readings, ledger, the deeds of the recharge desk, and the care for their file."""

    readings: Readings
    ledger: Ledger
    deeds: Deeds
    upkeep: Upkeep


@contextmanager
def open_stores(database: Path, *, read_only: bool = False, synchronous: str = "FULL") -> Iterator[Stores]:
    """Open both stores of a site, made or brought up to date where needed, and close them at the end.

    Raises
    ------
    StoreError
        When the file can't be opened; a ``StoreBusyError`` where trying again may help.
    """
    if not read_only or not database.exists():
        _make_folder(database.parent)
        read_only = False
    file = Database(database, read_only=read_only, synchronous=synchronous)
    try:
        yield Stores(SqliteReadings(file), SqliteLedger(file), SqliteDeeds(file), SqliteUpkeep(file))
    finally:
        file.close()


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreBusyError(
            f"the folder {folder} can't be made: {error.strerror}; name one you may write to"
        ) from error
