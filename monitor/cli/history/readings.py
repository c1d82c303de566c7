"""`siccast readings`: write readings to a file, screen and thin them; how they come in and go out is in `imports`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.history import imports
from monitor.cli.session import open_to_write
from monitor.errors import SettingsError, StoreBusyError, UnknownBoxError
from monitor.settings import SHELF_FILE, load_shelf, shelf_folder

if TYPE_CHECKING:
    from monitor.records import Reading
    from monitor.store.opening import Stores

readings = typer.Typer(help="Take readings from a file, or write them to one.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    imports.register(readings)
    app.add_typer(readings, name="readings")


@readings.command("export")
def export_readings(
    context: typer.Context,
    file: Annotated[Path | None, typer.Argument(help="Where to write; standard output when left out.")] = None,
    *,
    box: Annotated[list[str] | None, typer.Option(help="Only this box; may be given several times.")] = None,
    start: Annotated[datetime | None, typer.Option(help="From this instant on (UTC).")] = None,
    end: Annotated[datetime | None, typer.Option(help="Up to this instant, itself left out (UTC).")] = None,
    set_aside: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Instead, what is set aside under this number of `imports`.")
    ] = None,
) -> None:
    """Write readings as CSV (or Parquet, by the file's ending), in the columns that `readings import` reads."""
    from monitor.cli.history.table_file import open_new_table
    from monitor.cli.output import progress_bar
    from monitor.feed.formats.headings import OWN_COLUMNS
    from monitor.store.opening import open_stores

    shelf = load_shelf(shelf_folder(context.obj))
    span = (_utc(start), _utc(end))
    opened = open_stores(
        shelf.database_path, influx=shelf.influx, read_only=True, report=lambda line: typer.echo(line, err=True)
    )
    with opened as stores:
        if set_aside is not None:
            with open_new_table(file, OWN_COLUMNS) as write:
                for reading in stores.imports.set_aside(set_aside):
                    write(_cells(reading))
            return
        boxes = _boxes(stores, box)
        with open_new_table(file, OWN_COLUMNS) as write, progress_bar("writing", None) as advance:
            for name in boxes:
                written = 0
                for reading in stores.readings.each(name, *span):
                    write(_cells(reading))
                    written += 1
                advance(written)


@readings.command("forward")
def forward_readings(context: typer.Context) -> None:
    """Send every reading to InfluxDB once more, as when [influx] is new; what it has already stays as it is."""
    from monitor.store.opening import forward_all_again

    shelf = load_shelf(shelf_folder(context.obj))
    if shelf.influx is None:
        raise SettingsError(f"{shelf.folder / SHELF_FILE} names no [influx] to forward readings to")
    waiting = forward_all_again(shelf.database_path, datetime.now(tz=UTC))
    typer.echo(f"{waiting} readings wait for {shelf.influx.url}; `siccast listen` forwards them")


@readings.command("screen")
def screen_readings(
    context: typer.Context,
    box: Annotated[list[str] | None, typer.Option(help="Only this box; may be given several times.")] = None,
) -> None:
    """Look for spikes, steps, stuck sensors and the like in all readings again; values stay as they are."""
    from monitor.cli.output import progress_bar, show_table
    from monitor.services.housekeeping import Screener

    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_write(shelf) as stores:
        boxes = _boxes(stores, box)
        screener, screened = Screener(stores.readings, shelf.boxes), []
        with progress_bar("screening", len(boxes)) as advance:
            for name in boxes:
                screened.append(screener.screen_box(name))
                advance(1)
    rows = [(each.box, str(each.readings), str(each.marked)) for each in screened]
    show_table(("box", "readings", "marked"), rows, right=(1, 2))
    for each in screened:
        if each.remark:
            typer.echo(f"{each.box}: {each.remark}")


@readings.command("thin")
def thin_readings(
    context: typer.Context,
    *,
    # judgement: the last month stays whole
    older_than_days: Annotated[int, typer.Option(min=30, help="Thin what is older than this.")],
    # judgement: a day
    keep_every_minutes: Annotated[int, typer.Option(min=1, max=1440, help="Of that, keep one reading in so long.")],
    yes: Annotated[bool, typer.Option("--yes", help="Delete without asking.")] = False,
) -> None:
    """Delete most of the old readings of every box; forecasts stay as they are, and nothing is ever thinned unasked.

    Of each hour one value stays, which estimates rest on; and every reading from about when a box was opened or filled.
    To have the others back one day, keep a copy (`readings export`) and import it with --bring-back.
    """
    shelf = load_shelf(shelf_folder(context.obj))
    before = datetime.now(tz=UTC) - timedelta(days=older_than_days)
    if not yes:
        typer.confirm(f"Delete all but one reading in {keep_every_minutes} min before {before:%Y-%m-%d}?", abort=True)
    with open_to_write(shelf) as stores:
        deleted = stores.upkeep.thin(before, timedelta(minutes=keep_every_minutes))
        try:
            freed = stores.upkeep.shrink()
        except StoreBusyError as error:
            again = "the same command again gives it back to the disk"
            typer.echo(f"deleted {deleted} readings; their space is used by new ones, and {again} ({error})")
            return
    typer.echo(f"deleted {deleted} readings; the database is {freed / 2**20:.1f} MiB smaller")


def _cells(reading: Reading) -> tuple[Any, ...]:
    return (
        reading.box,
        reading.at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        f"{reading.temperature_degc:.2f}",
        f"{100.0 * reading.relative_humidity:.2f}",
        "" if reading.battery_v is None else f"{reading.battery_v:.3f}",
        "" if reading.seq is None else reading.seq,
        reading.source.value,
    )


def _boxes(stores: Stores, asked: list[str] | None) -> list[str]:
    known = sorted(stores.readings.latest(removed=True))
    for name in asked or ():
        if name not in known:
            raise UnknownBoxError(f"box '{name}' has no readings; there are readings of {', '.join(known) or 'no box'}")
    return asked or known


def _utc(at: datetime | None) -> datetime | None:
    return None if at is None else at.replace(tzinfo=UTC)
