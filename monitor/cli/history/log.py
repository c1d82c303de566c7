"""`siccast log`: write down what was done to a box; entries border the episodes that leaks are estimated from."""

from __future__ import annotations

import shlex
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.desk.session import Sure, in_command_words
from monitor.cli.session import open_to_write
from monitor.errors import LedgerError, SiccastError, UnconfirmedError
from monitor.presentation import moments, quantities
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry, Reading, ReadingSource
from monitor.records.readings import SENSOR_RANGE_DEGC
from monitor.settings import load_shelf, shelf_folder
from monitor.units import degf_to_degc

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.presentation.wording import Wording
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

_MS = timedelta(milliseconds=1)  # by definition
_HUNDREDTH = 0.01  # °C or % RH; judgement: what the store keeps, so finer is the same

log = typer.Typer(help="Record what you did to a box: filled, opened, weighed, read.", no_args_is_help=True)

BoxName = Annotated[str, typer.Argument(metavar="BOX", help="Name of the box.", autocompletion=arguments.box_names)]
At = Annotated[str | None, typer.Option("--at", help=f"When it happened: {moments.MOMENTS}. Default: now.")]
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
            desiccant=arguments.desiccant(desiccant), dry_mass_g=_grams(shelf, dry_mass), method=method,
            mass_g=_net(shelf, mass, holder), scale_resolution_g=_step(shelf, resolution, mass),
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
            desiccant=arguments.desiccant(desiccant), dry_mass_g=_grams(shelf, dry_mass), method=method,
            mass_g=_net(shelf, mass, holder), scale_resolution_g=_step(shelf, resolution, mass),
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
            mass_g=_net(shelf, mass, holder), scale_resolution_g=_step(shelf, resolution, mass),
        )  # fmt: skip


@log.command()
def opening(context: typer.Context, box: BoxName, at: At = None, note: Note = "", *, sure: Sure = False) -> None:
    """Record that you opened a box and closed it again."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.opening, box, at=at, note=note, sure=sure)


@log.command()
def spool(context: typer.Context, box: BoxName, at: At = None, note: Note = "", *, sure: Sure = False) -> None:
    """Record that you put a spool in, took one out or swapped one."""
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
    from monitor.desk.cautions import color_seen

    with _writing(context) as (shelf, stores):
        when = arguments.instant(at, shelf.timezone, datetime.now(tz=UTC))
        name = arguments.known_box(box, shelf, stores)
        word, meaning = color_seen(_beads_in(stores, name, when), seen)
        _keep(shelf, stores, EntryKind.color, box, at=at, note=note, sure=sure, color=word)
        typer.echo(meaning)


@log.command()
def note(context: typer.Context, box: BoxName, text: Annotated[str, typer.Argument()], at: At = None) -> None:
    """Record anything else about a box."""
    with _writing(context) as (shelf, stores):
        _keep(shelf, stores, EntryKind.note, box, at=at, note=text)


@log.command()
def reading(
    context: typer.Context,
    box: BoxName,
    humidity: Annotated[float, typer.Argument(min=0.0, max=100.0, help="Relative humidity on the display, in %.")],
    temperature: Annotated[
        float, typer.Argument(help="Temperature on the display, in °C (or °F, if the shelf uses °F).")
    ],
    *,
    at: At = None,
    sure: Sure = False,
) -> None:
    """Record humidity and temperature that you read from a display. RH first, then temperature."""
    from monitor.feed.formats.plausible import Plausibility

    with _writing(context) as (shelf, stores):
        degc = degf_to_degc(temperature) if shelf.fahrenheit else temperature
        if not SENSOR_RANGE_DEGC[0] <= degc <= SENSOR_RANGE_DEGC[1]:
            right = "from -40 to 185 °F" if shelf.fahrenheit else "from -40 to 85 °C"
            raise typer.BadParameter(
                f"{temperature:g} is not valid: a hygrometer works {right}", param_hint="'TEMPERATURE'"
            )
        when = arguments.instant(at, shelf.timezone, datetime.now(tz=UTC))
        when = when.replace(microsecond=when.microsecond // 1000 * 1000)
        name = arguments.known_box(box, shelf, stores)
        told = Reading(name, when, degc, humidity / 100.0, source=ReadingSource.hand)
        doubt = None if sure else Plausibility("F" if shelf.fahrenheit else "C").doubt([told])
        if doubt is not None:
            raise UnconfirmedError(f"Not saved: {doubt}")
        new = stores.readings.add([told])
        held = list(stores.readings.each(name, when, when + _MS))
    withdraw = _withdraw_command(name, when)
    if new:
        unit = "°F" if shelf.fahrenheit else "°C"
        said = f"saved a reading of {name}: {humidity:g} % RH, {temperature:g} {unit}"
        typer.echo(f"{said}. To undo: `{withdraw}`")
    elif held and not _tell_the_same(told, held[0]):
        raise LedgerError(
            f"Not saved: {name} already has {held[0].temperature_degc:.2f} °C and"
            f" {100 * held[0].relative_humidity:.2f} % for that time. If what you typed now is right: `{withdraw}`,"
            " then log it again"
        )
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
    from monitor.presentation.wording import Wording
    from monitor.store.opening import open_stores

    shelf = load_shelf(shelf_folder(context.obj))
    with open_stores(shelf.database_path, read_only=True) as stores:
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
            entry.kind.value,
            "" if entry.mass_g is None else wording.weight(entry.mass_g),
            _details(entry, wording),
        )
        for entry in entries
    ]
    show_table(("number", "when", "box", "what", "weighed", "details"), rows, right=(0, 4))


def _details(entry: LedgerEntry, wording: Wording) -> str:
    from monitor.presentation.wording import beads

    dry = "" if entry.dry_mass_g is None else f"{wording.weight(entry.dry_mass_g)} dry"
    held = " ".join(filter(None, (dry, beads(entry.desiccant) if entry.desiccant else "")))
    return "; ".join(filter(None, (held, entry.method, entry.color, entry.note)))


@log.command()
def undo(
    context: typer.Context, number: Annotated[int, typer.Argument(help="Number of the entry in `siccast log show`.")]
) -> None:
    """Undo an entry of `siccast log show`. The entry is not deleted, only ignored."""
    with _writing(context) as (_, stores):
        entry = stores.ledger.undo(number, utc_now())
    typer.echo(f"undid entry {number}: {entry.kind.value} of {entry.box} at {entry.at:%Y-%m-%d %H:%M} UTC")


def _withdraw_command(box: str, at: datetime) -> str:
    start, end = (f"{each.isoformat(timespec='milliseconds').removesuffix('+00:00')}Z" for each in (at, at + _MS))
    return f"siccast readings withdraw --box {shlex.quote(box)} --from {start} --to {end}"


def _tell_the_same(one: Reading, other: Reading) -> bool:
    """Return whether two readings are equal in the hundredths that are kept."""
    degrees = abs(one.temperature_degc - other.temperature_degc)
    return max(degrees, 100.0 * abs(one.relative_humidity - other.relative_humidity)) < _HUNDREDTH


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


def _beads_in(stores: Stores, box: str, when: datetime) -> str:
    """Return the kind of desiccant that was in a box."""
    kinds = [entry.desiccant for entry in stores.ledger.entries(box, before=when) if entry.desiccant]
    if not kinds:
        raise LedgerError(
            f"no beads of {box} were logged before that time. First log them with their kind: `siccast log charge`"
        )
    return kinds[-1]


def _keep(
    shelf: Shelf,
    stores: Stores,
    kind: EntryKind,
    box: str,
    *,
    at: str | None,
    note: str,
    sure: bool = False,
    beside: bool = False,
    **rest: float | str | None,
) -> None:
    from monitor.desk import Desk
    from monitor.presentation.wording import Wording

    now = datetime.now(tz=UTC)
    when = arguments.instant(at, shelf.timezone, now)
    name = arguments.known_box(box, shelf, stores)
    entry = LedgerEntry(kind, name, when, note=note, **rest)  # type: ignore[arg-type]
    desk = Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=utc_now)
    number = desk.log(entry, beside=beside, confirmed=sure)
    typer.echo(f"saved as entry {number}: {_repeated(entry, Wording.of(shelf))}. To undo: `siccast log undo {number}`")
    if shelf.recorded_until is not None and when >= shelf.recorded_until:
        typer.echo("this changes no answer: the shelf is a recording that ends earlier. Give an earlier time with --at")


def _repeated(entry: LedgerEntry, wording: Wording) -> str:
    """Return what was understood, so that a slip is seen at once."""
    weighed = "" if entry.mass_g is None else f"weighed {wording.weight(entry.mass_g)}"
    when = entry.at.astimezone(wording.zone)
    what = f"{entry.kind.value.replace('_', ' ')} of {entry.box}, {when:%Y-%m-%d %H:%M}"
    return "; ".join(filter(None, (what, weighed, _details(entry, wording))))


def _grams(shelf: Shelf, weight: str | None) -> float | None:
    return None if weight is None else quantities.mass_g(weight, shelf)


def _step(shelf: Shelf, resolution: str | None, weight: str | None) -> float | None:
    """Return the step of the scale: as it was told, or as the weight was typed."""
    if resolution is not None or weight is None:
        return _grams(shelf, resolution)
    return quantities.step_g(weight, shelf)


def _net(shelf: Shelf, weight: str | None, holder: str | None) -> float | None:
    """Return grams of beads with their water, the holder taken off."""
    whole_g, holder_g = _grams(shelf, weight), 0.0
    if whole_g is None:
        return None
    if holder is not None and holder.strip() != "0":
        holder_g = quantities.mass_g(holder, shelf)
    if holder_g >= whole_g:
        raise typer.BadParameter(f"the holder ({holder}) can't weigh as much as holder and beads together ({weight})")
    return whole_g - holder_g
