"""`siccast adopt` and `box`: a box comes to the shelf, gets another name or leaves; nothing stored is destroyed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.session import open_to_read, open_to_write, shelf_of
from monitor.errors import FeedError, LedgerError, UnknownBoxError
from monitor.records import ROOM
from monitor.records.declared import LIMIT_RANGE_PCT, USUAL_LIMIT, USUAL_VOLUME_LITER, VOLUME_RANGE_LITER
from monitor.records.names import NAME_RULE, hint, is_name, tidy
from monitor.records.words import is_style
from monitor.settings import SHELF_FILE, shelf_as_it_is

if TYPE_CHECKING:
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

box = typer.Typer(help="Add a box without a sensor, change or rename a box, or stop watching it.", no_args_is_help=True)
Volume = Annotated[
    float | None,
    typer.Option(
        min=VOLUME_RANGE_LITER[0],
        max=VOLUME_RANGE_LITER[1],
        help=f"Inner volume in liters. Default: {USUAL_VOLUME_LITER:g}, or what it had before it was removed.",
    ),
]
Limit = Annotated[
    float | None,
    typer.Option(
        min=LIMIT_RANGE_PCT[0],
        max=LIMIT_RANGE_PCT[1],
        help=f"Humidity limit in %. Default: {100.0 * USUAL_LIMIT:g}, or what it had before it was removed.",
    ),
]
Style = Annotated[
    str | None, typer.Option(help="How it closes: gasket, clip_lid, bag, tote … `siccast words` lists all.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(adopt)
    app.add_typer(box, name="box")


def adopt(
    context: typer.Context,
    box: Annotated[str, typer.Argument(help="Name of a box that sends readings and is not in shelf.toml.")],
    *,
    volume_l: Volume = None,
    limit_rh: Limit = None,
    style: Style = None,
) -> None:
    """Make a box of a sensor that already sends readings, in shelf.toml.

    Its readings are stored already, from the first message on. A box that was removed comes back as it was. For a box
    without a sensor, use `siccast box add`.
    """
    _declare(context, box, volume_l, limit_rh, style, unheard=False)


@box.command()
def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="BOX", help="Name of the box.")],
    *,
    volume_l: Volume = None,
    limit_rh: Limit = None,
    style: Style = None,
) -> None:
    """Add a box to shelf.toml, also if it has no sensor.

    Its forecast then rests on its volume, its style and what you log. Readings off any display make it sharper.
    """
    _declare(context, name, volume_l, limit_rh, style, unheard=True)


def _declare(
    context: typer.Context,
    name: str,
    volume_l: float | None,
    limit_rh: float | None,
    style: str | None,
    *,
    unheard: bool,
) -> None:
    from monitor.cli.output import say
    from monitor.services import adoption

    _require_style(style)
    shelf = shelf_of(context)
    with open_to_write(shelf) as stores:
        adopted = adoption.adopt(
            shelf.folder, stores.readings, stores.boxes, shelf.boxes, name,
            volume_liter=volume_l, humidity_limit=None if limit_rh is None else limit_rh / 100.0, style=style,
            unheard=unheard,
        )  # fmt: skip
    place = shelf.folder / SHELF_FILE
    readings = "1 reading so far" if adopted.readings == 1 else f"{adopted.readings} readings so far"
    has = f"{adopted.volume_liter:g} L and a limit of {100.0 * adopted.humidity_limit:g} %"
    has = f"{readings}, {has}" if adopted.readings or not unheard else has
    if adopted.as_before:
        say(f"{adopted.box} is a box again, as it stood in {place}, with {has}")
        return
    by_hand = "its spools go" if style else "spools and style go"
    say(
        f"{adopted.box} is a box now, with {has}. "
        f"Next: {hint('log', 'charge', adopted.box)} for the beads in it; {by_hand} into {place}"
    )


def _require_style(style: str | None) -> None:
    if style is not None and not is_style(style):
        raise typer.BadParameter(f"'{style}' is not known. `siccast words` lists styles", param_hint="'--style'")


@box.command()
def change(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="BOX", help="The box.", autocompletion=arguments.box_names)],
    *,
    volume_l: Annotated[
        float | None, typer.Option(min=VOLUME_RANGE_LITER[0], max=VOLUME_RANGE_LITER[1], help="Inner volume in liters.")
    ] = None,
    limit_rh: Annotated[
        float | None, typer.Option(min=LIMIT_RANGE_PCT[0], max=LIMIT_RANGE_PCT[1], help="Humidity limit in %.")
    ] = None,
    style: Style = None,
) -> None:
    """Change the humidity limit, the volume or the style of a box, in shelf.toml.

    All else that is declared of it, you change in the file itself.
    """
    from monitor.settings.shelf_edit import change_box

    _require_style(style)
    given: dict[str, float | str | None] = {"volume_l": volume_l, "limit_rh_pct": limit_rh, "style": style}
    values = {key: value for key, value in given.items() if value is not None}
    if not values:
        raise typer.BadParameter("nothing is changed: add --limit-rh, --volume-l or --style", param_hint="'BOX'")
    shelf = shelf_of(context)
    with open_to_read(shelf) as stores:
        name = arguments.box_not_room(name, shelf, stores)
    before = next((box for box in shelf.boxes if box.name == name), None)
    if before is None:
        raise UnknownBoxError(f"'{name}' is not in shelf.toml. {hint('adopt', name)} adds it")
    change_box(shelf.folder, name, values)
    told = []
    if limit_rh is not None:
        told.append(f"its limit is {limit_rh:g} % now (it was {100.0 * before.humidity_limit:g} %)")
    if volume_l is not None:
        told.append(f"its volume is {volume_l:g} L now (it was {before.volume_liter:g} L)")
    if style is not None:
        told.append(f"its style is '{style}' now (it was '{before.style}')")
    typer.echo(f"{name}: {', '.join(told)}")


@box.command()
def rename(
    context: typer.Context,
    old: Annotated[str, typer.Argument(metavar="OLD", help="Name of the box now.", autocompletion=arguments.box_names)],
    new: Annotated[str, typer.Argument(metavar="NEW", help="New name of the box.")],
) -> None:
    """Rename a box. Its readings, log and beads get the new name too.

    So do its tables in the shelf file. If its sensor goes on sending under the old name, its readings still reach the
    box: [[moves]] in the shelf file says so.
    """
    from monitor.settings.shelf_append import changed_with
    from monitor.settings.shelf_edit import rename_box

    shelf, new = shelf_of(context), tidy(new)
    if not is_name(new):
        raise typer.BadParameter(f"'{new}' is not valid: a name is {NAME_RULE}", param_hint="'NEW'")
    with open_to_write(shelf) as stores:
        old, reports = arguments.known_box(old, shelf, stores), False

        def require() -> None:
            nonlocal reports
            now = shelf_as_it_is(shelf)
            _require_renamable(now, arguments.known_box(old, now, stores), new)
            reports = old in stores.readings.latest(removed=True)

        alongside = changed_with(shelf.folder, lambda: rename_box(shelf.folder, old, new, reports=reports))
        held = stores.boxes.rename(old, new, datetime.now(tz=UTC), first=require, alongside=alongside)
    typer.echo(f"'{old}' is now called '{new}'. Its {held} readings, its log and its beads moved along.")
    _forget_outlook(shelf, old)
    typer.echo(
        "Restart `siccast listen` if it runs: it reads the shelf file only when it starts. Open pages take the name by"
        " themselves."
    )


@box.command()
def remove(
    context: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="BOX", help="The box to take off the shelf.", autocompletion=arguments.box_names)
    ],
) -> None:
    """Stop watching a box. All its readings stay stored.

    Its tables in the shelf file become comments. You can still export its readings. `siccast adopt` brings it back.
    """
    from monitor.settings.shelf_append import changed_with
    from monitor.settings.shelf_edit import remove_box

    shelf, declared = shelf_of(context), False

    def take_out() -> None:
        nonlocal declared
        declared = remove_box(shelf.folder, name)

    with open_to_write(shelf) as stores:
        name = arguments.known_box(name, shelf, stores)

        def require() -> None:
            now = shelf_as_it_is(shelf)
            if arguments.known_box(name, now, stores) in _rooms(now):
                raise UnknownBoxError(f"'{name}' is the room sensor, not a box. It stays")
            _require_empty(stores, name)

        alongside = changed_with(shelf.folder, take_out)
        held = stores.boxes.remove(name, datetime.now(tz=UTC), first=require, alongside=alongside)
    said = f". Its tables in {shelf.folder / SHELF_FILE} are comments now" if declared else ""
    typer.echo(f"'{name}' is off the shelf{said}")
    if held:
        back = hint("adopt", name)
        typer.echo(
            f"Its {held} readings and its log stay stored: {back} brings it back. If it sends again, it shows up again."
        )
    _forget_outlook(shelf, name)


def _require_renamable(shelf: Shelf, old: str, new: str) -> None:
    declared = {each.name for each in shelf.boxes}
    if old == ROOM:
        raise UnknownBoxError(f"'{old}' is the room sensor, not a box. It keeps its name")
    if new in _rooms(shelf) or new == old:
        raise typer.BadParameter(f"'{new}' is already in use. Choose another name", param_hint="'NEW'")
    if new in declared and old in declared:
        raise LedgerError(f"box '{new}' is already declared in {shelf.folder / SHELF_FILE}. Choose another name")


def _rooms(shelf: Shelf) -> set[str]:
    return {ROOM} | {declared.room for declared in shelf.boxes}


def _require_empty(stores: Stores, name: str) -> None:
    from monitor.desk.apply_events import replay
    from monitor.records.desk_events import BOX

    charges = replay(stores.events.events()).charges.values()
    inside = next((charge.name for charge in charges if charge.place == BOX + name and not charge.retired), None)
    if inside is not None:
        raise LedgerError(
            f"charge '{inside}' is in box '{name}'. Take it out first: {hint('charge', 'take-out', inside)}"
        )


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
        typer.echo(
            f"{error}. The broker still holds its last outlook. To delete that, send an empty retained message to"
            f" {topic}",
            err=True,
        )
