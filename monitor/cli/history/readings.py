"""`siccast readings`: write readings to a file, screen and thin them; how they come in and go out is in `imports`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from monitor.cli import arguments
from monitor.cli.history import imports
from monitor.cli.session import open_to_read, open_to_write
from monitor.errors import SettingsError, StoreBusyError, UnknownBoxError
from monitor.settings import SHELF_FILE, load_shelf, shelf_folder

if TYPE_CHECKING:
    from monitor.records import Reading
    from monitor.store.opening import Stores

_UTC = ZoneInfo("UTC")

readings = typer.Typer(help="Import, export, check or delete readings.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    imports.register(readings)
    app.add_typer(readings, name="readings")


@readings.command("export")
def export_readings(
    context: typer.Context,
    file: Annotated[Path | None, typer.Argument(help="File to write. Default: standard output.")] = None,
    *,
    box: Annotated[list[str] | None, typer.Option(help="Only this box. You may repeat this option.")] = None,
    start: Annotated[str | None, typer.Option(metavar="TIME", help="From this time on (UTC).")] = None,
    end: Annotated[str | None, typer.Option(metavar="TIME", help="Up to this time, not including it (UTC).")] = None,
    set_aside: Annotated[
        int | None,
        typer.Option(
            metavar="NUMBER",
            help="Instead: the readings that this import or withdrawal set aside (stored, but not in use)."
            " `siccast readings imports` lists the numbers.",
        ),
    ] = None,
) -> None:
    """Write readings to a CSV or Parquet file.

    The ending of the file name decides which. `siccast readings import` can read the file again.
    """
    from monitor.cli.history.table_file import open_new_table
    from monitor.cli.output import progress_bar
    from monitor.feed.formats.headings import OWN_COLUMNS

    shelf = load_shelf(shelf_folder(context.obj))
    span = (arguments.span_end(start, _UTC, "--start"), arguments.span_end(end, _UTC, "--end"))
    if span[0] is not None and span[1] is not None and span[0] >= span[1]:
        raise typer.BadParameter("the span ends before it begins", param_hint="'--end'")
    with open_to_read(shelf, shelf.influx, lambda line: typer.echo(line, err=True)) as stores:
        if set_aside is not None:
            kept = stores.imports.set_aside(set_aside)
            begin = list(islice(kept, 1))  # a number that there isn't is told before a file is begun
            with open_new_table(file, OWN_COLUMNS) as write:
                for reading in chain(begin, kept):
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
    """Send all readings to InfluxDB again.

    Use it when [influx] is new in the shelf file. Readings that InfluxDB already has stay as they are.
    """
    from monitor.store.opening import forward_all_again

    shelf = load_shelf(shelf_folder(context.obj))
    if shelf.influx is None:
        raise SettingsError(f"{shelf.folder / SHELF_FILE} names no [influx], so readings can't be forwarded")
    waiting = forward_all_again(shelf.database_path, datetime.now(tz=UTC))
    typer.echo(f"{waiting} readings wait for {shelf.influx.url}. `siccast listen` forwards them")


@readings.command("screen")
def screen_readings(
    context: typer.Context,
    box: Annotated[list[str] | None, typer.Option(help="Only this box. You may repeat this option.")] = None,
) -> None:
    """Check all readings again for spikes, steps and stuck sensors.

    Doubtful readings get a mark, and the estimates leave them out. No value is changed or deleted.
    """
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
    older_than_days: Annotated[int, typer.Option(min=30, help="Delete readings older than so many days.")],
    # judgement: a day
    keep_every_minutes: Annotated[
        int, typer.Option(min=1, max=1440, help="Of these, keep one reading for each span of so many minutes.")
    ],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask first.")] = False,
) -> None:
    """Delete most of the old readings. Forecasts stay the same.

    siccast never does this by itself. It keeps one value for each hour, because estimates use that, and all readings
    around an opening or a filling of a box. The others are gone for good. If you may want them back, first make a copy
    with `siccast readings export`. Later you can import it with --bring-back.
    """
    shelf = load_shelf(shelf_folder(context.obj))
    before = datetime.now(tz=UTC) - timedelta(days=older_than_days)
    if not yes:
        typer.confirm(
            f"Delete the readings before {before:%Y-%m-%d}, except one in every {keep_every_minutes} min?", abort=True
        )
    with open_to_write(shelf) as stores:
        deleted = stores.upkeep.thin(before, timedelta(minutes=keep_every_minutes))
        try:
            freed = stores.upkeep.shrink()
        except StoreBusyError as error:
            again = "To give it back to the disk, run the same command again"
            typer.echo(f"deleted {deleted} readings. New ones will use their space. {again} ({error})")
            return
    typer.echo(f"deleted {deleted} readings. The database is {freed / 2**20:.1f} MiB smaller")


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
            raise UnknownBoxError(f"box '{name}' has no readings. Boxes with readings: {', '.join(known) or 'none'}")
    return asked or known
