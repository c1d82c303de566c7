"""`siccast box`: give a box another name everywhere, or take one off the shelf; nothing stored is destroyed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.session import open_to_write, shelf_of
from monitor.errors import FeedError, LedgerError, UnknownBoxError
from monitor.records import ROOM
from monitor.records.names import (
    NAME_RULE,
    hint,
    is_name,
    tidy,
)
from monitor.settings import SHELF_FILE

if TYPE_CHECKING:
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

box = typer.Typer(help="Give a box another name, or take one off the shelf.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(box, name="box")


@box.command()
def rename(
    context: typer.Context,
    old: Annotated[
        str, typer.Argument(metavar="OLD", help="What the box is called now.", autocompletion=arguments.box_names)
    ],
    new: Annotated[str, typer.Argument(metavar="NEW", help="What it is to be called.")],
) -> None:
    """Give a box another name: its readings, ledger, beads and its tables in the shelf file move along.

    What its sensor goes on sending under the old name is led to the new one by [[moves]] in the shelf file.
    """
    from monitor.settings.shelf_edit import rename_box

    shelf, new = shelf_of(context), tidy(new)
    if not is_name(new):
        raise typer.BadParameter(f"'{new}' won't do; a name is {NAME_RULE}", param_hint="'NEW'")
    with open_to_write(shelf) as stores:
        old = arguments.known_box(old, shelf, stores)
        _require_renamable(shelf, old, new)
        reports = old in stores.readings.latest(removed=True)
        now = datetime.now(tz=UTC)
        held = stores.boxes.rename(old, new, now, lambda: rename_box(shelf.folder, old, new, reports=reports))
    typer.echo(f"'{old}' is called '{new}' now, with its {held} readings, its ledger and its beads")
    _forget_outlook(shelf, old)
    typer.echo("Start `siccast listen` and `siccast serve` anew where they run: they read the shelf file once.")


@box.command()
def remove(
    context: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="BOX", help="The box that is no more.", autocompletion=arguments.box_names)
    ],
) -> None:
    """Take a box off the shelf: it is assessed no more, and what it stored stays.

    Its tables in the shelf file become comments; its readings can still be exported. `siccast adopt` brings it back.
    """
    from monitor.settings.shelf_edit import remove_box

    shelf, declared = shelf_of(context), False

    def take_out() -> None:
        nonlocal declared
        declared = remove_box(shelf.folder, name)

    with open_to_write(shelf) as stores:
        name = arguments.known_box(name, shelf, stores)
        if name in _rooms(shelf):
            raise UnknownBoxError(f"'{name}' is the sensor in the room, not a box; it stays")
        _require_empty(stores, name)
        held = stores.boxes.remove(name, datetime.now(tz=UTC), take_out)
    said = f"; its tables in {shelf.folder / SHELF_FILE} are comments now" if declared else ""
    typer.echo(f"'{name}' is off the shelf{said}")
    if held:
        back = hint("adopt", name)
        typer.echo(
            f"Its {held} readings and its ledger are kept: {back} brings it back. It shows up if it reports again."
        )
    _forget_outlook(shelf, name)


def _require_renamable(shelf: Shelf, old: str, new: str) -> None:
    declared = {each.name for each in shelf.boxes}
    if old == ROOM:
        raise UnknownBoxError(f"'{old}' is the sensor in the room, not a box; it keeps its name")
    if new in _rooms(shelf) or new == old:
        raise typer.BadParameter(f"'{new}' is taken; choose another name", param_hint="'NEW'")
    if new in declared and old in declared:
        raise LedgerError(f"box '{new}' is declared already in {shelf.folder / SHELF_FILE}; choose another name")


def _rooms(shelf: Shelf) -> set[str]:
    return {ROOM} | {declared.room for declared in shelf.boxes}


def _require_empty(stores: Stores, name: str) -> None:
    from monitor.desk.apply_events import replay
    from monitor.records.desk_events import BOX

    charges = replay(stores.events.events()).charges.values()
    inside = next((charge.name for charge in charges if charge.place == BOX + name and not charge.retired), None)
    if inside is not None:
        raise LedgerError(f"charge '{inside}' is in box '{name}'; {hint('charge', 'take-out', inside)} first")


def _forget_outlook(shelf: Shelf, name: str) -> None:
    """Clear what the broker retains under a name; where it can't be reached, say what is left to do."""
    if shelf.broker is None:
        return
    from monitor.cli.site.publish import forget_outlook
    from monitor.presentation.answers import outlook_topic

    try:
        forget_outlook(shelf.site, name, shelf.broker)
    except FeedError as error:
        topic = outlook_topic(shelf.site, name)
        typer.echo(f"{error}. Its last outlook stays there: send an empty retained message to {topic}", err=True)
