"""`siccast check`, `backup`, `restore`, `adopt`: is the site well, its copies, and boxes that reported uninvited."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import (
    AsJson,
    ask,
    open_to_read,
    open_to_write,
    shelf_of,
)
from monitor.errors import NEEDS_THE_PERSON, SiccastError
from monitor.records.declared import LIMIT_RANGE_PCT, USUAL_LIMIT, USUAL_VOLUME_LITER, VOLUME_RANGE_LITER
from monitor.records.names import hint
from monitor.settings import SHELF_FILE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.services.site_check import Finding
    from monitor.settings import Shelf


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(check)
    app.command()(backup)
    app.command()(restore)
    app.command()(adopt)


def check(
    context: typer.Context,
    *,
    everything: Annotated[bool, typer.Option("--all", help="Also list what is in order.")] = False,
    trial: Annotated[
        bool, typer.Option("--trial", help="Also test whether the broker keeps 1100 messages while siccast is away.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check that everything works, and say what to do.

    It checks broker, session, clocks, database, disk, permissions and boxes. A box is checked for silence, for a
    humidity over its limit, and for an estimate that failed. The exit code is 3 if something needs you.
    `siccast today` says what the boxes themselves need.
    """
    from monitor.cli.output import show_json
    from monitor.services.site_check import Severity

    shelf = shelf_of(context)
    now = shelf.now(datetime.now(tz=UTC))
    findings = list(_look(shelf, now, trial))
    needing = [finding for finding in findings if finding.verdict is not Severity.well]
    if as_json:
        show_json({"as_of": now, "findings": [asdict(finding) for finding in findings]})
    else:
        lines = [_line(finding) for finding in (findings if everything else needing)]
        typer.echo("\n".join(lines) or f"All is well: {len(findings)} checks, nothing found. --all lists them.")
    if needing:
        raise typer.Exit(NEEDS_THE_PERSON)


def _line(finding: Finding) -> str:
    return f"{finding.subject}: {finding.found}" + (f" – {finding.remedy}" if finding.remedy else "")


def _look(shelf: Shelf, now: datetime, trial: bool) -> Iterator[Finding]:
    from monitor.services.route_check import check_routes
    from monitor.services.site_check import (
        Finding,
        Severity,
        check_at_hand,
        check_broker,
        check_estimates,
        check_files,
        check_forwarding,
        check_listener,
        check_store,
    )
    from monitor.store.listener_lock import is_sent_for, listeners
    from monitor.store.opening import look_at_forwarding

    yield from check_files(shelf.folder, shelf.database_path, shelf.doubts)
    try:
        with open_to_read(shelf) as stores:
            yield from check_store(stores.upkeep)
            yield from check_at_hand(stores.readings, stores.ledger, shelf.boxes, now)
            yield from check_routes(shelf.routes, stores.alerts.routes(), is_sent=is_sent_for(shelf.folder))
        if shelf.influx:
            yield from check_forwarding(look_at_forwarding(shelf.database_path, shelf.influx, now), shelf.influx.url)
        yield from check_estimates(ask(shelf).assessments)
    except SiccastError as error:
        yield Finding("store", Severity.fault, str(error), "fix this, then check again")
    broker = [
        Finding("broker", Severity.well, "none in the shelf file. `siccast listen` runs its own, for this machine only")
    ]
    if shelf.broker:
        broker = list(check_broker(shelf.broker, shelf.site, now, with_trial=trial))
    yield from broker
    if shelf.recorded_until is None:
        yield from check_listener(listeners(shelf.folder), broker)


def backup(
    context: typer.Context,
    target: Annotated[Path, typer.Argument(help="File to write. It must not exist yet.")],
) -> None:
    """Copy the database to a file, and check the copy. `siccast listen` may keep running."""
    from monitor.store.opening import open_stores

    shelf = shelf_of(context)
    with open_stores(shelf.database_path, read_only=True, any_schema=True) as stores:
        size = stores.upkeep.back_up(target)
    typer.echo(f"wrote {target} ({size / 2**20:.1f} MiB) and checked it: no damage found")


def restore(
    context: typer.Context,
    source: Annotated[Path, typer.Argument(help="File that `siccast backup` wrote.")],
    *,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask first.")] = False,
) -> None:
    """Replace the database with a backup. `siccast listen` may keep running.

    The database that was there stays beside it, under another name.
    """
    from monitor.store.opening import restore_backup

    shelf = shelf_of(context)
    if not yes and source.exists():
        typer.confirm(f"Replace {shelf.database_path} with {source}?", abort=True)
    kept = restore_backup(shelf.database_path, source)
    with open_to_read(shelf) as stores:
        held = stores.readings.count()
    typer.echo(f"restored {source}: {held} readings" + (f". The old database is now {kept}" if kept else ""))


def adopt(
    context: typer.Context,
    box: Annotated[str, typer.Argument(help="Name of a box that sends readings and is not in shelf.toml.")],
    *,
    volume_l: Annotated[
        float | None,
        typer.Option(
            min=VOLUME_RANGE_LITER[0],
            max=VOLUME_RANGE_LITER[1],
            help=f"Inner volume in liters. Default: {USUAL_VOLUME_LITER:g}, or what it had before it was removed.",
        ),
    ] = None,
    limit_rh: Annotated[
        float | None,
        typer.Option(
            min=LIMIT_RANGE_PCT[0],
            max=LIMIT_RANGE_PCT[1],
            help=f"Humidity limit in %. Default: {100.0 * USUAL_LIMIT:g}, or what it had before it was removed.",
        ),
    ] = None,
) -> None:
    """Make a box of a sensor that already sends readings, in shelf.toml.

    Its readings are stored already, from the first message on. A box that was removed comes back as it was.
    """
    from monitor.cli.output import say
    from monitor.services import adoption

    shelf = shelf_of(context)
    with open_to_write(shelf) as stores:
        adopted = adoption.adopt(
            shelf.folder, stores.readings, stores.boxes, shelf.boxes, box,
            volume_liter=volume_l, humidity_limit=None if limit_rh is None else limit_rh / 100.0,
        )  # fmt: skip
    place = shelf.folder / SHELF_FILE
    readings = "1 reading" if adopted.readings == 1 else f"{adopted.readings} readings"
    has = f"{readings} so far, {adopted.volume_liter:g} L and a limit of {100.0 * adopted.humidity_limit:g} %"
    if adopted.as_before:
        say(f"{adopted.box} is a box again, as it stood in {place}, with {has}")
        return
    say(
        f"{adopted.box} is a box now, with {has}. "
        f"Next: {hint('log', 'charge', adopted.box)} for the beads in it; spools and style go into {place}"
    )
