"""`siccast log`: write down what was done to a box; entries border the episodes that leaks are estimated from."""

from __future__ import annotations

import shlex
from contextlib import contextmanager
from datetime import UTC, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.desk.session import At, Sure, in_command_words
from monitor.cli.session import BoxName, alone, open_to_read, open_to_write
from monitor.errors import SiccastError, TypedError
from monitor.presentation import quantities
from monitor.presentation.clock import utc_now
from monitor.presentation.log_input import hand_reading, typed_entry
from monitor.records import EntryKind
from monitor.settings import load_shelf, shelf_folder
from monitor.units import degc_to_degf

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.settings import Shelf
    from monitor.store.opening import Stores

_NAMED = MappingProxyType({
    "at": "'--at'", "desiccant": "'--desiccant'", "holder": None, "temperature": "'TEMPERATURE'",
})  # fmt: skip
"""How a person knows what was typed wrongly, by its field; the rest says it by itself."""

log = typer.Typer(help="Record what you did to a box: filled, opened, weighed, read.", no_args_is_help=True)

Note = Annotated[str, typer.Option(help="Anything worth remembering.")]
_WEIGHT = "150, 150g or 5.3oz. Without a unit, the shelf's unit counts"
Mass = Annotated[str | None, typer.Option(metavar="WEIGHT", help=f"Weight of the beads on the scale: {_WEIGHT}.")]
Holder = Annotated[
    str | None,
    typer.Option(metavar="WEIGHT", help="Weight of the empty holder, if it was on the scale too. It is subtracted."),
]
Resolution = Annotated[str | None, typer.Option(metavar="WEIGHT", help="Smallest step of the scale, for example 0.1g.")]
Beside = Annotated[bool, typer.Option("--beside", help="Keep the old beads in the box too.")]
Method = Annotated[str | None, typer.Option(help="How you dried them: oven_120C_3h, microwave, hot_air_65C, new, …")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(log, name="log")


@log.command()
def charge(
    context: typer.Context,
    box: BoxName,
    *,
    dry_mass: Annotated[str, typer.Option(metavar="WEIGHT", help=f"Weight of the beads when fully dry: {_WEIGHT}.")],
    desiccant: Annotated[str, typer.Option(help="Kind of beads. `siccast words beads` lists them.")] = "silica_gel",
    mass: Mass = None,
    holder: Holder = None,
    resolution: Resolution = None,
    method: Method = None,
    at: At = None,
    note: Note = "",
    beside: Beside = False,
    sure: Sure = False,
) -> None:
    """Record that you put beads into a box.

    Use this if you did not weigh the beads at the recharge desk. If you did, use `siccast charge put`.
    """
    with _writing(context) as (shelf, stores):
        _keep(
            shelf, stores, EntryKind.charge, box, at=at, note=note, sure=sure, beside=beside,
            desiccant=desiccant, dry_mass=dry_mass, method=method, mass=mass, holder=holder, resolution=resolution,
        )  # fmt: skip


@log.command()
def recharge(
    context: typer.Context,
    box: BoxName,
    *,
    method: Method = None,
    mass: Mass = None,
    holder: Holder = None,
    resolution: Resolution = None,
    dry_mass: Annotated[
        str | None, typer.Option(metavar="WEIGHT", help="Weight when fully dry, if it changed.")
    ] = None,
    desiccant: Annotated[str | None, typer.Option(help="Kind of beads, if it changed.")] = None,
    at: At = None,
    note: Note = "",
    sure: Sure = False,
) -> None:
    """Record that you dried or swapped the beads of a box.

    Use this if you did not weigh the beads while they dried. If you want to, use `siccast recharge`.
    """
    with _writing(context) as (shelf, stores):
        _keep(
            shelf, stores, EntryKind.recharge, box, at=at, note=note, sure=sure,
            desiccant=desiccant, dry_mass=dry_mass, method=method, mass=mass, holder=holder, resolution=resolution,
        )  # fmt: skip


@log.command()
def weighing(
    context: typer.Context,
    box: BoxName,
    mass: Annotated[str, typer.Argument(metavar="WEIGHT", help=f"Weight on the scale: {_WEIGHT}.")],
    *,
    holder: Holder = None,
    resolution: Resolution = None,
    at: At = None,
    note: Note = "",
    sure: Sure = False,
) -> None:
    """Record a weighing of the beads of a box. They go back unchanged."""
    with _writing(context) as (shelf, stores):
        _keep(
            shelf, stores, EntryKind.weighing, box, at=at, note=note, sure=sure,
            mass=mass, holder=holder, resolution=resolution,
        )  # fmt: skip


@log.command()
def opening(context: typer.Context, box: BoxName, at: At = None, note: Note = "", *, sure: Sure = False) -> None:
    """Record that you opened a box and closed it again."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.opening, box, at=at, note=note, sure=sure)


@log.command()
def spool(context: typer.Context, box: BoxName, at: At = None, note: Note = "", *, sure: Sure = False) -> None:
    """Record that you put a spool in, took one out or swapped one.

    Of nylon, say how the one that went in was: `--note dried`, or fresh, open (it lay in the room) or wet. Its water
    takes weeks to come out.
    """
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.spool_swap, box, at=at, note=note, sure=sure)


@log.command()
def sensor(context: typer.Context, box: BoxName, at: At = None, note: Note = "", *, sure: Sure = False) -> None:
    """Record that you swapped or calibrated the sensor of a box."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.sensor_swap, box, at=at, note=note, sure=sure)


@log.command()
def color(
    context: typer.Context,
    box: BoxName,
    seen: Annotated[str, typer.Argument(metavar="COLOR", help="orange, green or turning; or blue, pink or turning.")],
    *,
    at: At = None,
    note: Note = "",
    sure: Sure = False,
) -> None:
    """Record the color of the beads. It tells little: beads look dry long before they are."""
    from monitor.desk.questions import color_of_beads

    with _writing(context) as (shelf, stores):
        when = arguments.instant(at, shelf.timezone, datetime.now(tz=UTC))
        name = arguments.known_box(box, shelf, stores)
        word, meaning = color_of_beads(name, stores.ledger.entries(name, before=when), seen)
        _keep(shelf, stores, EntryKind.color, box, at=at, note=note, sure=sure, color=word)
        typer.echo(meaning)


@log.command()
def note(context: typer.Context, box: BoxName, text: Annotated[str, typer.Argument()], at: At = None) -> None:
    """Record anything else about a box."""
    if not text.strip():
        raise typer.BadParameter("there is nothing to note: write a few words", param_hint="'TEXT'")
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.note, box, at=at, note=text)


@log.command()
def reading(
    context: typer.Context,
    box: BoxName,
    humidity: Annotated[str, typer.Argument(metavar="RH", help="Relative humidity on the display, in %.")],
    temperature: Annotated[
        str,
        typer.Argument(metavar="TEMPERATURE", help="Temperature on the display, in °C (or °F, if the shelf uses °F)."),
    ],
    *,
    at: At = None,
    sure: Sure = False,
) -> None:
    """Record humidity and temperature that you read from a display. RH first, then temperature."""
    from monitor.services.hand_readings import OtherReadingHeldError, keep_hand_reading

    with _writing(context) as (shelf, stores), _typed():
        now = datetime.now(tz=UTC)
        fraction, degc = quantities.humidity(humidity), quantities.temperature_degc(temperature, shelf)
        try:
            with alone(shelf, stores) as shelf:  # noqa: PLW2901 -- as it is by then
                name = arguments.known_box(box, shelf, stores)
                told = hand_reading(shelf, name, now, relative_humidity=fraction, temperature_degc=degc, at=at)
                withdraw = _withdraw_command(name, told.at)
                new = keep_hand_reading(stores.readings, told, fahrenheit=shelf.fahrenheit, confirmed=sure)
        except OtherReadingHeldError as error:
            error.args = (f"{error}. If what you typed now is right: `{withdraw}`, then log it again",)
            raise
    if new:
        shown = f"{degc_to_degf(degc):g} °F" if shelf.fahrenheit else f"{degc:g} °C"
        said = f"saved a reading of {name}: {100.0 * fraction:g} % RH, {shown}"
        typer.echo(f"{said}. To undo: `{withdraw}`")
    else:
        typer.echo(f"{name} already has that reading. Nothing changed")


@log.command()
def show(
    context: typer.Context,
    box: Annotated[str | None, typer.Argument(metavar="BOX", help="One box. Default: all.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """List what you recorded for a box, or for all boxes."""
    from dataclasses import asdict

    from monitor.cli.output import show_json, show_table
    from monitor.presentation.log_wording import called, details
    from monitor.presentation.wording import Wording

    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_read(shelf) as stores:
        entries = stores.ledger.entries(None if box is None else arguments.known_box(box, shelf, stores))
    if as_json:
        show_json({"entries": [asdict(entry) for entry in entries]})
        return
    if not entries:
        typer.echo("Nothing is logged yet.")
    wording = Wording.of(shelf)
    rows = [
        (
            str(entry.entry_id),
            f"{entry.at.astimezone(shelf.timezone):%Y-%m-%d %H:%M}",
            entry.box,
            called(entry.kind),
            "" if entry.mass_g is None else wording.weight(entry.mass_g),
            details(entry, wording),
        )
        for entry in entries
    ]
    show_table(("number", "when", "box", "what", "weighed", "details"), rows, right=(0, 4))


@log.command()
def undo(
    context: typer.Context, number: Annotated[int, typer.Argument(help="Number of the entry in `siccast log show`.")]
) -> None:
    """Undo an entry of `siccast log show`. The entry is not deleted, only ignored."""
    from monitor.cli.output import say_in_a_line
    from monitor.presentation.log_wording import repeated
    from monitor.presentation.wording import Wording

    with _writing(context) as (shelf, stores):
        entry = stores.ledger.undo(number, utc_now())
    say_in_a_line(f"undid entry {number}: {repeated(entry, Wording.of(shelf))}")


def _withdraw_command(box: str, at: datetime) -> str:
    from monitor.services.hand_readings import ONE_MS

    start, end = (f"{each.isoformat(timespec='milliseconds').removesuffix('+00:00')}Z" for each in (at, at + ONE_MS))
    return f"siccast readings withdraw --box {shlex.quote(box)} --from {start} --to {end}"


@contextmanager
def _writing(context: typer.Context) -> Iterator[tuple[Shelf, Stores]]:
    from monitor.presentation.wording import Wording

    shelf = load_shelf(shelf_folder(context.obj))
    try:
        with open_to_write(shelf) as stores:
            yield shelf, stores
    except SiccastError as error:
        error.args = (Wording.of(shelf).in_own_units(in_command_words(error)),)
        raise


def _keep(
    shelf: Shelf,
    stores: Stores,
    kind: EntryKind,
    box: str,
    *,
    sure: bool = False,
    beside: bool = False,
    **typed: str | None,
) -> None:
    from monitor.cli.output import say_in_a_line
    from monitor.desk import Desk
    from monitor.presentation.log_wording import changes_nothing, repeated
    from monitor.presentation.wording import Wording

    now = datetime.now(tz=UTC)
    with alone(shelf, stores) as shelf, _typed():  # noqa: PLR1704 -- as it is by then
        of_any_sensor = kind in (EntryKind.sensor_swap, EntryKind.note)
        name = (arguments.known_box if of_any_sensor else arguments.box_not_room)(box, shelf, stores)
        entry = typed_entry(shelf, kind, name, now, **typed)  # type: ignore[arg-type]
        desk = Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=utc_now)
        number = desk.log(entry, beside=beside, confirmed=sure)
    say_in_a_line(
        f"saved as entry {number}: {repeated(entry, Wording.of(shelf))}. To undo: `siccast log undo {number}`"
    )
    if changes_nothing(shelf, entry.at):
        typer.echo("this changes no answer: the shelf is a recording that ends earlier. Give an earlier time with --at")


@contextmanager
def _typed() -> Iterator[None]:
    """Say which option was typed wrongly, where it is one that is named."""
    try:
        yield
    except TypedError as error:
        if error.field not in _NAMED:
            raise
        raise typer.BadParameter(str(error), param_hint=_NAMED[error.field]) from None
