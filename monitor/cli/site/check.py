"""`siccast check`: is the site well, and what is to be done where it isn't."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import AsJson, ask, open_to_read, shelf_of
from monitor.errors import NEEDS_THE_PERSON, SiccastError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.services.site_check import Finding
    from monitor.settings import Shelf


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(check)


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
    from monitor.services.broker_check import check_broker
    from monitor.services.route_check import check_routes
    from monitor.services.site_check import (
        Finding,
        Severity,
        check_at_hand,
        check_estimates,
        check_files,
        check_forwarding,
        check_listener,
        check_store,
        needs_no_listener,
    )
    from monitor.store.listener_lock import is_sent_for, listeners
    from monitor.store.opening import look_at_forwarding

    by_hand = False
    yield from check_files(shelf.folder, shelf.database_path, shelf.doubts)
    try:
        with open_to_read(shelf) as stores:
            by_hand = needs_no_listener(stores.readings.latest(), shelf.boxes)
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
    there = listeners(shelf.folder)
    if shelf.recorded_until is None and (there or not by_hand):
        yield from check_listener(there, broker)
