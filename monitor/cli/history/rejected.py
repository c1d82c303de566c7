"""`siccast rejected`: the messages that could not be used, and why."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.session import open_to_read, open_to_write
from monitor.settings import load_shelf, shelf_folder


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(rejected)


def rejected(
    context: typer.Context,
    # messages; judgement: a screenful, and no more than a terminal holds
    newest: Annotated[int, typer.Option(min=1, max=100_000, help="How many to list, newest first.")] = 20,
    again: Annotated[
        bool, typer.Option("--again", help="Try them again with the shelf file and the clock as they are now.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """List messages from sensors that could not be used, and why.

    After you mended the shelf file or the clock, --again tries to read them once more.
    """
    if again:
        _try_again(context)
        return
    from monitor.cli.output import show_json, show_table
    from monitor.feed.formats.values import SHOWN_OF_TOPIC, escaped

    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_read(shelf) as stores:
        messages = stores.ledger.rejected(newest)
        ever = stores.ledger.rejected_count()
    if as_json:
        show_json(
            {
                "rejected_ever": ever,
                "newest": [
                    {
                        "number": each.rejection_id,
                        "arrived_at": each.arrived_at,
                        "feed": each.feed,
                        "topic": each.topic,
                        "reason": each.reason,
                        "payload": each.payload.decode("utf-8", "replace"),
                    }
                    for each in messages
                ],
            }
        )
        return
    rows = [
        (
            str(each.rejection_id),
            f"{each.arrived_at:%Y-%m-%d %H:%M:%S}",
            escaped(each.topic, SHOWN_OF_TOPIC),
            escaped(each.reason),
        )
        for each in messages
    ]
    show_table(("number", "arrived (UTC)", "topic", "reason"), rows, right=(0,))
    shows = "--json shows the payloads" if messages else "all that are still stored could be read later"
    typer.echo(f"{ever} rejected so far" + (f"; {shows}" if ever else ""))


def _try_again(context: typer.Context) -> None:
    from datetime import UTC, datetime

    from monitor.services.reread_rejected import try_again
    from monitor.store.opening import require_begun

    shelf = load_shelf(shelf_folder(context.obj))
    require_begun(shelf.folder)
    with open_to_write(shelf) as stores:
        now = datetime.now(tz=UTC)
        found = try_again(
            stores.readings, stores.ledger, shelf.feeds,
            site=shelf.site, moves=shelf.moves, now=now, alone=stores.events.transaction,
        )  # fmt: skip
    differing = f", {found.differing} that differ from a stored one" if found.differing else ""
    typer.echo(
        f"tried {found.tried} again. {found.taken_in} can be read now ({found.new} new readings, {found.held} already"
        f" stored{differing}). {found.tried - found.taken_in} still can't"
    )
