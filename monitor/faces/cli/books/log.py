"""`siccast log`: write down what was done to a box; entries border the episodes that leaks are estimated from."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import LedgerError
from monitor.faces.cli import given
from monitor.faces.cli.asking import open_to_write
from monitor.records import EntryKind, LedgerEntry, Reading, ReadingSource
from monitor.settings import load_shelf, shelf_folder
from monitor.units import degf_to_degc, ounces_to_grams

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.faces.wording import Wording
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

log = typer.Typer(help="Write down what was done to a box.", no_args_is_help=True)

BoxName = Annotated[str, typer.Argument(metavar="BOX", help="Name of the box.")]
At = Annotated[str | None, typer.Option("--at", help="When, as in 2026-03-01T07:30; now when left out.")]
Note = Annotated[str, typer.Option(help="Anything worth remembering.")]
Mass = Annotated[
    float | None, typer.Option(min=0.0, help="Weight on the scale; grams, or ounces where the shelf file says so.")
]
Holder = Annotated[float, typer.Option(min=0.0, help="Weight of the holder the beads sit in, taken off.")]
Resolution = Annotated[float | None, typer.Option(min=0.0, help="Smallest step the scale shows.")]
Method = Annotated[str | None, typer.Option(help="How it was dried: oven_120C_3h, microwave, hot_air_65C, new ….")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(log, name="log")


@log.command()
def charge(
    context: typer.Context,
    box: BoxName,
    *,
    dry_mass: Annotated[float, typer.Option(min=0.1, help="Weight of the beads when fully dry.")],
    desiccant: Annotated[str, typer.Option(help="Kind of desiccant.")] = "silica_gel",
    mass: Mass = None,
    holder: Holder = 0.0,
    resolution: Resolution = None,
    method: Method = None,
    at: At = None,
    note: Note = "",
) -> None:
    """Beads were put into a box."""
    with _writing(context) as (shelf, stores):
        _keep(
            shelf, stores, EntryKind.charge, box, at=at, note=note,
            desiccant=given.desiccant(desiccant), dry_mass_g=_grams(shelf, dry_mass), method=method,
            mass_g=_net(shelf, mass, holder), scale_resolution_g=_grams(shelf, resolution),
        )  # fmt: skip


@log.command()
def recharge(
    context: typer.Context,
    box: BoxName,
    *,
    method: Method = None,
    mass: Mass = None,
    holder: Holder = 0.0,
    resolution: Resolution = None,
    dry_mass: Annotated[float | None, typer.Option(min=0.1, help="Weight when fully dry, where it changed.")] = None,
    desiccant: Annotated[str | None, typer.Option(help="Kind of desiccant, where it changed.")] = None,
    at: At = None,
    note: Note = "",
) -> None:
    """The beads of a box were dried or swapped for dry ones."""
    with _writing(context) as (shelf, stores):
        _keep(
            shelf, stores, EntryKind.recharge, box, at=at, note=note,
            desiccant=given.desiccant(desiccant), dry_mass_g=_grams(shelf, dry_mass), method=method,
            mass_g=_net(shelf, mass, holder), scale_resolution_g=_grams(shelf, resolution),
        )  # fmt: skip


@log.command()
def weighing(
    context: typer.Context,
    box: BoxName,
    mass: Annotated[float, typer.Argument(min=0.1, help="Weight on the scale.")],
    *,
    holder: Holder = 0.0,
    resolution: Resolution = None,
    at: At = None,
    note: Note = "",
) -> None:
    """The beads of a box were weighed and went back in as they were."""
    with _writing(context) as (shelf, stores):
        net_g, step_g = _net(shelf, mass, holder), _grams(shelf, resolution)
        _keep(shelf, stores, EntryKind.weighing, box, at=at, note=note, mass_g=net_g, scale_resolution_g=step_g)


@log.command()
def opening(context: typer.Context, box: BoxName, at: At = None, note: Note = "") -> None:
    """A box was opened and closed again."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.opening, box, at=at, note=note)


@log.command()
def spool(context: typer.Context, box: BoxName, at: At = None, note: Note = "") -> None:
    """A spool was put in, taken out or swapped."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.spool_swap, box, at=at, note=note)


@log.command()
def sensor(context: typer.Context, box: BoxName, at: At = None, note: Note = "") -> None:
    """The sensor of a box was swapped or calibrated."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.sensor_swap, box, at=at, note=note)


@log.command()
def color(
    context: typer.Context,
    box: BoxName,
    seen: Annotated[str, typer.Argument(metavar="COLOR", help="Orange, green or turning; blue, pink or turning.")],
    *,
    at: At = None,
    note: Note = "",
) -> None:
    """The indicating beads of a box were looked at; a weak sign of how spent they are."""
    from monitor.desk.cautions import color_seen

    with _writing(context) as (shelf, stores):
        when = given.instant(at, shelf.timezone, datetime.now(tz=UTC))
        name = given.known_box(box, shelf, stores)
        word, meaning = color_seen(_beads_in(stores, name, when), seen)
        _keep(shelf, stores, EntryKind.color, box, at=at, note=note, color=word)
        typer.echo(meaning)


@log.command()
def note(context: typer.Context, box: BoxName, text: Annotated[str, typer.Argument()], at: At = None) -> None:
    """Anything else about a box."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.note, box, at=at, note=text)


@log.command()
def reading(
    context: typer.Context,
    box: BoxName,
    humidity: Annotated[float, typer.Argument(min=0.0, max=100.0, help="Relative humidity on the display, per cent.")],
    temperature: Annotated[
        float, typer.Argument(help="Temperature on the display; °C, or °F where the shelf says so.")
    ],
    at: At = None,
) -> None:
    """A humidity and temperature were read off a display."""
    with _writing(context) as (shelf, stores):
        degc = degf_to_degc(temperature) if shelf.fahrenheit else temperature
        if not -40.0 <= degc <= 85.0:
            right = "from -40 to 185 °F" if shelf.fahrenheit else "from -40 to 85 °C"
            raise typer.BadParameter(
                f"{temperature:g} won't do; a hygrometer works {right}", param_hint="'TEMPERATURE'"
            )
        when = given.instant(at, shelf.timezone, datetime.now(tz=UTC))
        name = given.known_box(box, shelf, stores)
        new = stores.readings.add([Reading(name, when, degc, humidity / 100.0, source=ReadingSource.hand)])
    typer.echo(
        f"kept a reading of {name}" if new else f"{name} already has a reading for that instant; nothing changed"
    )


@log.command()
def show(
    context: typer.Context,
    box: Annotated[str | None, typer.Argument(metavar="BOX", help="One box; every box when left out.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """List what was written down."""
    from dataclasses import asdict

    from monitor.faces.cli.output import show_json, show_table
    from monitor.faces.wording import Wording
    from monitor.store.opening import open_stores

    shelf = load_shelf(shelf_folder(context.obj))
    with open_stores(shelf.database_path, read_only=True) as stores:
        entries = stores.ledger.entries(None if box is None else given.known_box(box, shelf, stores))
    if as_json:
        show_json({"entries": [asdict(entry) for entry in entries]})
        return
    if not entries:
        typer.echo("nothing was written down yet")
    wording = Wording(shelf.timezone, shelf.fahrenheit, shelf.ounces)
    rows = [
        (
            str(entry.entry_id),
            f"{entry.at.astimezone(shelf.timezone):%Y-%m-%d %H:%M}",
            entry.box,
            entry.kind.value,
            "" if entry.mass_g is None else wording.weight(entry.mass_g),
            _details(entry, wording),
        )
        for entry in entries
    ]
    show_table(("number", "when", "box", "what", "weighed", "details"), rows, right=(0, 4))


def _details(entry: LedgerEntry, wording: Wording) -> str:
    dry = "" if entry.dry_mass_g is None else f"{wording.weight(entry.dry_mass_g)} dry"
    return " ".join(filter(None, (dry, entry.desiccant, entry.method, entry.color, entry.note)))


@log.command()
def undo(context: typer.Context, number: Annotated[int, typer.Argument(help="Number of the entry.")]) -> None:
    """Take an entry back; it no longer counts."""
    with _writing(context) as (_, stores):
        entry = stores.ledger.undo(number)
    typer.echo(f"took back entry {number}: {entry.kind.value} of {entry.box} at {entry.at:%Y-%m-%d %H:%M} UTC")


@contextmanager
def _writing(context: typer.Context) -> Iterator[tuple[Shelf, Stores]]:
    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_write(shelf) as stores:
        yield shelf, stores


def _beads_in(stores: Stores, box: str, when: datetime) -> str:
    """Return the kind of desiccant that was in a box."""
    kinds = [entry.desiccant for entry in stores.ledger.entries(box, before=when) if entry.desiccant]
    if not kinds:
        raise LedgerError(f"no charge of {box} was logged before that; log the charge with its kind of desiccant first")
    return kinds[-1]


def _keep(
    shelf: Shelf, stores: Stores, kind: EntryKind, box: str, *, at: str | None, note: str, **rest: float | str | None
) -> None:
    now = datetime.now(tz=UTC)
    when = given.instant(at, shelf.timezone, now)
    name = given.known_box(box, shelf, stores)
    entry = LedgerEntry(kind, name, when, note=note, logged_at=now, **rest)  # type: ignore[arg-type]
    number = stores.ledger.log(entry)
    typer.echo(f"kept as entry {number}; `siccast log undo {number}` takes it back")
    if shelf.recorded_until is not None and when >= shelf.recorded_until:
        typer.echo("no answer changes: this shelf is a recording that ends before; --at names an earlier time")


def _grams(shelf: Shelf, mass: float | None) -> float | None:
    return ounces_to_grams(mass) if mass is not None and shelf.ounces else mass


def _net(shelf: Shelf, mass: float | None, holder: float) -> float | None:
    """Return grams of beads with their water, the holder taken off."""
    if mass is None:
        return None
    if holder >= mass:
        raise typer.BadParameter(f"the holder ({holder:g}) can't weigh as much as all of it ({mass:g})")
    return _grams(shelf, mass - holder)
