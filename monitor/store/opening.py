"""From where a site keeps its things to the two open stores."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from monitor.errors import OlderStoreError, StoreBusyError, StoreError
from monitor.store.listener_lock import listeners
from monitor.store.sqlite.alerts import SqliteAlerts
from monitor.store.sqlite.announcements import SqliteAnnouncements
from monitor.store.sqlite.boxes import SqliteBoxes
from monitor.store.sqlite.connection import Database
from monitor.store.sqlite.desk_events import SqliteDeskEvents
from monitor.store.sqlite.imports import SqliteImports
from monitor.store.sqlite.kept_outlooks import SqliteKeptOutlooks
from monitor.store.sqlite.kept_plans import SqliteKeptPlans
from monitor.store.sqlite.ledger import SqliteLedger
from monitor.store.sqlite.plan_decisions import SqlitePlanDecisions
from monitor.store.sqlite.readings import SqliteReadings
from monitor.store.sqlite.upkeep import SqliteUpkeep
from monitor.store.sqlite.watch import Marks, Watch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

    from monitor.records import Forwarding, InfluxAddress
    from monitor.store.contracts import Boxes, DeskEvents, Imports, Ledger, PlanDecisions, Readings, Upkeep
    from monitor.store.kept_contracts import Alerts, Announcements, KeptOutlooks, KeptPlans

__all__ = [
    "Marks",
    "Stores",
    "Watch",
    "forward_all_again",
    "forward_readings",
    "look_at_forwarding",
    "open_stores",
    "open_to_read",
    "require_begun",
    "restore_backup",
    "watch",
]


@dataclass(frozen=True, slots=True)
class Stores:
    """What a site holds: readings, what people did, decided and heard, kept outlooks, and the care for their file."""

    readings: Readings
    imports: Imports
    ledger: Ledger
    events: DeskEvents
    upkeep: Upkeep
    boxes: Boxes
    outlooks: KeptOutlooks
    plans: KeptPlans
    plan_decisions: PlanDecisions
    announcements: Announcements
    alerts: Alerts


@contextmanager
def open_stores(
    database: Path,
    *,
    influx: InfluxAddress | None = None,
    read_only: bool = False,
    any_schema: bool = False,
    begin: bool = False,
    synchronous: str = "FULL",
    report: Callable[[str], None] = lambda _: None,
    now: datetime | None = None,
) -> Iterator[Stores]:
    """Open both stores of a site and close them at the end.

    Reading makes and changes nothing. Writing makes the database where there is none and brings an older one up to
    date, a copy beside it first; ``report`` is told of both. Only ``begin`` makes the folder, too: any other is a
    slip of the pen. ``any_schema`` also reads what an older siccast wrote, for a copy of it. ``now`` dates the steps
    that bring a file up to date; they stand there undated without it.

    Raises
    ------
    StoreError
        When the file can't be opened, or nothing was begun where it is only to be read; a ``StoreBusyError`` where
        trying again may help.
    """
    if begin:
        _make_folder(database.parent)
    if read_only:
        require_database(database)
    else:
        require_begun(database.parent)
    with ExitStack() as stack:
        file = Database(
            database, read_only=read_only, any_schema=any_schema, synchronous=synchronous, report=report, now=now
        )
        stack.callback(file.close)
        stack.enter_context(file.errors())
        readings = _open_readings(stack, file, influx, report)
        yield Stores(
            readings,
            SqliteImports(file, readings),
            SqliteLedger(file),
            SqliteDeskEvents(file),
            SqliteUpkeep(file),
            SqliteBoxes(file, forwards=influx is not None),
            SqliteKeptOutlooks(file),
            SqliteKeptPlans(file),
            SqlitePlanDecisions(file),
            SqliteAnnouncements(file),
            SqliteAlerts(file),
        )


@contextmanager
def open_to_read(
    database: Path,
    *,
    influx: InfluxAddress | None = None,
    report: Callable[[str], None] = lambda _: None,
    tell: Callable[[str], None],
    now: datetime,
) -> Iterator[Stores]:
    """Open both stores of a site to read; the file of an older siccast is brought up to date before.

    That is done as by whoever writes: by one process alone, all or nothing, a copy beside the file first. ``tell`` is
    told of it. A listener that is at work is not upgraded under: one of the older version would stop, and one that has
    just started does it itself.

    Raises
    ------
    StoreError
        As ``open_stores`` does; an ``OlderStoreError`` where the file can't be brought up to date now.
    """
    with ExitStack() as stack:
        opening = partial(open_stores, database, influx=influx, read_only=True, report=report)
        try:
            stores = stack.enter_context(opening())
        except OlderStoreError:
            _upgrade(database, tell, now)
            stores = stack.enter_context(opening())
        yield stores


def _upgrade(database: Path, tell: Callable[[str], None], now: datetime) -> None:
    at_work = next((one for one in listeners(database.parent) if one.at_work), None)
    if at_work is not None:
        raise OlderStoreError(
            f"{database} is from an older siccast, and process {at_work.process} listens on it. Restart that "
            "`siccast listen`: it upgrades the database and keeps a copy beside it. If it has just started, wait"
        )
    try:
        Database(database, report=tell, now=now).close()
    except StoreBusyError as error:
        raise OlderStoreError(
            f"{database} is from an older siccast and can't be upgraded now: {error}. Its owner can do it by `siccast"
            " boxes`"
        ) from error


def watch(database: Path) -> Watch:
    """Return what notices, at next to no cost, that anybody wrote into the shelf's file."""
    return Watch(database, require_database)


def restore_backup(database: Path, source: Path) -> Path | None:
    """Put a backup in the place of the shelf's file, and return where what was there is now; None if nothing was."""
    from monitor.store.sqlite.restoring import restore  # noqa: PLC0415 -- for one command

    require_begun(database.parent)
    return restore(database, source)


def forward_readings(
    database: Path,
    influx: InfluxAddress,
    stopped: Callable[[], bool],
    pause: Callable[[float], object],
    report: Callable[[str], None],
    *,
    clock: Callable[[], datetime],
) -> None:
    """Forward what the shelf's file holds to InfluxDB until told to stop; for a thread of its own."""
    from monitor.store.influx.outbox import keep_forwarding  # noqa: PLC0415 -- a quarter of a second to import

    keep_forwarding(lambda: Database(database, now=clock()), influx, stopped, pause, report, clock=clock)


def forward_all_again(database: Path, now: datetime) -> int:
    """Let the listener forward every reading once more, and return how many wait then."""
    from monitor.store.influx.outbox import queue_all  # noqa: PLC0415 -- a quarter of a second to import

    require_database(database)
    file = Database(database, now=now)
    try:
        return queue_all(file)
    finally:
        file.close()


def look_at_forwarding(database: Path, influx: InfluxAddress, now: datetime) -> Forwarding:
    """Ask InfluxDB whether it is there, and count what it does not have yet."""
    from monitor.store.influx.outbox import look_at  # noqa: PLC0415 -- a quarter of a second to import

    require_database(database)
    file = Database(database, read_only=True)
    try:
        return look_at(file, influx, now)
    finally:
        file.close()


def _open_readings(
    stack: ExitStack, file: Database, influx: InfluxAddress | None, report: Callable[[str], None]
) -> SqliteReadings:
    if influx is None:
        return SqliteReadings(file)
    from monitor.store.influx.readings import InfluxReadings  # noqa: PLC0415 -- a quarter of a second to import

    readings = InfluxReadings(file, influx, report)
    stack.callback(readings.close)
    return readings


def require_begun(folder: Path) -> None:
    """Refuse a shelf that nobody began: a slip in its name makes no folder."""
    if not folder.is_dir():
        raise StoreError(
            f"there is no shelf in {folder}. `siccast listen` starts one there, `siccast demo` shows one, "
            "--shelf chooses another folder"
        )


def require_database(database: Path) -> None:
    """Refuse a database that is not there, where none is to be begun."""
    require_begun(database.parent)
    if not database.exists():
        raise StoreError(
            f"there is no database {database}. `siccast listen` starts one. If there was one, "
            "`siccast restore` puts a backup in its place. Without any sensor, begin with `siccast box add BOX`"
        )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreBusyError(
            f"can't make the folder {folder}: {error.strerror}. Choose one that you may write to"
        ) from error
