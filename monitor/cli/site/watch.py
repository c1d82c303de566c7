"""`siccast watch`: say in time what needs the person, by the routes of shelf.toml, until somebody has heard it."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated
from uuid import uuid4

import typer

from monitor.cli import arguments
from monitor.cli.session import AsJson, ask, open_to_read, open_to_write, shelf_of, tell
from monitor.errors import SettingsError, SiccastError
from monitor.presentation.clock import utc_now
from monitor.settings import SHELF_FILE, shelf_as_it_is

if TYPE_CHECKING:
    from monitor.records.alerts import StandingAlert
    from monitor.settings import Shelf

watch = typer.Typer(help="Send alerts by mail and other routes.")

_LOOKS = 3  # judgement: nobody logs so often while boxes are looked at; what is left, the next run finds
_EXAMPLE = """
    [routes.mail]
    kind = "email"
    host = "smtp.example.org"
    from = "boxes@example.org"
    to = ["me@example.org"]
"""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(watch, name="watch")


@watch.callback(invoke_without_command=True)
def run(
    context: typer.Context,
    *,
    once: Annotated[bool, typer.Option("--once", help="Look and send once, then end; for a scheduled job.")] = False,
    test: Annotated[bool, typer.Option("--test", help="Send a test by each route, and say what came of it.")] = False,
) -> None:
    """Send alerts by mail and other routes.

    It looks every hour, and soon after you log something, until you press Ctrl-C. Each alert is sent once. `siccast
    listen` does the same by itself if shelf.toml has routes, so you need this only without a listener.
    """
    if context.invoked_subcommand is not None:
        return
    shelf = shelf_of(context)
    if not shelf.routes:
        raise SettingsError(
            f"{shelf.folder / SHELF_FILE} has no [routes.NAME], so nobody can be told. For mail, add:{_EXAMPLE}"
            "`siccast watch --test` then sends a test"
        )
    if test:
        _test(shelf)
    elif once:
        _once(shelf)
    else:
        _until_stopped(shelf)


@watch.command()
def heard(
    context: typer.Context,
    box: Annotated[
        str, typer.Argument(metavar="BOX", help="Name of the box, or 'all'.", autocompletion=arguments.box_names)
    ],
) -> None:
    """Say that you know: nothing of it is said again. What comes up later is."""
    shelf = shelf_of(context)
    with open_to_write(shelf) as stores:
        name = None if box == "all" else arguments.known_box(box, shelf, stores)
        known = stores.alerts.hear(utc_now(), name)
    if not known:
        typer.echo("There is nothing new to hear.")
    for one in known:
        typer.echo(f"heard: {one.alert.text}")


@watch.command()
def show(context: typer.Context, as_json: AsJson = False) -> None:
    """List what stands, who has heard it, and how each route is doing."""
    from monitor.cli.output import show_json, show_notes, show_table
    from monitor.presentation.wording import Wording
    from monitor.records.alerts import RouteState
    from monitor.services.watch import how_it_does

    shelf = shelf_of(context)
    with open_to_read(shelf) as stores:
        standing, states = stores.alerts.standing(), stores.alerts.routes()
    if as_json:
        routes = [asdict(states.get(route.name, RouteState(route.name))) for route in shelf.routes]
        show_json({"as_of": utc_now(), "matters": [_fields(one) for one in standing], "routes": routes})
        return
    wording = Wording.of(shelf)
    rows = [
        (wording.moment(one.since), one.alert.kind, "yes" if one.heard_at else "no", one.alert.text) for one in standing
    ]
    if rows:
        show_table(("since", "about", "heard", "alert"), rows, wrap={3: None})
    else:
        typer.echo(
            "Nothing stands. `siccast listen` and `siccast watch` look while they run; `siccast today` looks now."
        )
    told = [(route.name, f"{route.kind}: {how_it_does(states.get(route.name))}") for route in shelf.routes]
    show_notes("Routes", told)


def _fields(standing: StandingAlert) -> dict[str, object]:
    alert = asdict(standing.alert)
    return {"matter": alert.pop("kind"), **alert, "since": standing.since, "heard_at": standing.heard_at}


def _once(shelf: Shelf) -> None:
    from monitor.cli.site.sending import note_alerts, outbox_of
    from monitor.store.listener_lock import lock_sending

    with lock_sending(shelf.folder, utc_now()), open_to_write(shelf) as stores:
        new = None
        for _ in range(_LOOKS):
            if new is None:
                new = note_alerts(ask(shelf_as_it_is(shelf), beside_other_work=True))
        taken = outbox_of(shelf, stores, shelf.broker, tell).send(utc_now())
    typer.echo(f"{len(new or ())} new, {taken} message{'' if taken == 1 else 's'} sent")


def _until_stopped(shelf: Shelf) -> None:
    from monitor.cli.site.listen import Stop
    from monitor.cli.site.sending import keep_sending

    stop = Stop()
    tell(f"watching {len(shelf.boxes)} boxes; alerts go by {', '.join(route.name for route in shelf.routes)}")
    keep_sending(shelf, shelf.broker, stop, tell, look=True)


def _test(shelf: Shelf) -> None:
    """Send a test by each route; one that fails keeps no other back."""
    from monitor.cli.site.sending import opener
    from monitor.services.watch import trial_message

    open_route, failed = opener(shelf, shelf.broker), False
    for route in shelf.routes:
        try:
            open_route(route).send(trial_message(route, shelf.site, uuid4().hex, utc_now()))
        except SiccastError as error:
            failed = True
            typer.echo(f"{route.name} ({route.kind}): not sent. {error}")
        else:
            typer.echo(f"{route.name} ({route.kind}): sent. Look whether it arrived")
    if failed:
        raise typer.Exit(1)
