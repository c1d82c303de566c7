"""`siccast readings import`, and how an import is listed, taken back and put in again."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.desk.session import IF_RIGHT, Sure
from monitor.cli.session import open_to_read, open_to_write
from monitor.errors import NEEDS_THE_PERSON, ImportFileError, UnconfirmedError
from monitor.records import ROOM
from monitor.records.names import hint
from monitor.records.words import HUMIDITY_UNITS, TEMPERATURE_UNITS, TIME_UNITS
from monitor.settings import SHELF_FILE, load_shelf, shelf_folder, zone_named

if TYPE_CHECKING:
    from collections.abc import Iterable
    from zoneinfo import ZoneInfo

    from monitor.feed.decode import Decoded
    from monitor.feed.table import Table, TableShape
    from monitor.records import ImportCounts, NumberedImport
    from monitor.settings import Shelf
    from monitor.store.opening import Stores


def register(readings: typer.Typer) -> None:
    """Add the commands of this module to `siccast readings`."""
    readings.command("import")(import_readings)
    readings.command("imports")(list_imports)
    readings.command("withdraw")(withdraw)
    readings.command("restore")(restore)


def import_readings(
    context: typer.Context,
    file: Annotated[
        Path, typer.Argument(help="Table in CSV with a heading line (may be gzipped, .gz), or in Parquet.")
    ],
    *,
    box: Annotated[str | None, typer.Option(help="Box of all rows, if the file has no column for it.")] = None,
    column: Annotated[
        list[str] | None, typer.Option(help="What the file calls one of our columns, for example rh_pct=Humidity.")
    ] = None,
    temperature_unit: Annotated[
        str | None, typer.Option(help="C, F or K. Default: as the heading says, else C.")
    ] = None,
    humidity_unit: Annotated[str, typer.Option(help="% or fraction.")] = "%",
    time_unit: Annotated[str, typer.Option(help="iso8601, epoch_s or epoch_ms.")] = "iso8601",
    time_format: Annotated[str | None, typer.Option(help="Pattern of the times, for example '%d.%m.%Y %H:%M'.")] = None,
    timezone: Annotated[
        str | None,
        typer.Option(help="Time zone of times that name none. Default: UTC if the heading says so, else the shelf's."),
    ] = None,
    delimiter: Annotated[
        str | None, typer.Option(help="Character between columns; 'tab' for tabs. Default: as in the heading line.")
    ] = None,
    decimal_comma: Annotated[
        bool, typer.Option(help="Numbers are written like 1.021,4. Needed only if dots stand for thousands.")
    ] = False,
    encoding: arguments.Encoding = "utf-8",
    bring_back: Annotated[
        bool, typer.Option("--bring-back", help="Also put back what `siccast readings thin` deleted.")
    ] = False,
    sure: Sure = False,
) -> None:
    """Import the readings of a file.

    Rows that are already stored change nothing. Rows that `siccast readings thin` deleted stay out.

    Our columns are box, t, temperature_c and rh_pct. The columns battery_v, seq and origin are optional. siccast
    recognizes usual headings such as Time, Temperature (°C) or Humidity, and shows what it read as what.

    Each import has a number: `siccast readings imports` lists them, `siccast readings withdraw` takes one back.
    """
    from monitor.cli.history.table_file import open_table, table_size
    from monitor.cli.output import progress_bar
    from monitor.feed.table import Table, TableShape

    shelf = load_shelf(shelf_folder(context.obj))
    now = datetime.now(tz=UTC)
    shape = TableShape(
        columns=_columns(column or []),
        box=box,
        temperature_unit=temperature_unit and _one_of(temperature_unit, tuple(TEMPERATURE_UNITS), "--temperature-unit"),
        humidity_unit=_one_of(humidity_unit, tuple(HUMIDITY_UNITS), "--humidity-unit"),
        time_unit=_one_of(time_unit, tuple(TIME_UNITS), "--time-unit"),
        time_format=time_format,
        timezone=None if timezone is None else _zone(timezone),
        local_zone=shelf.timezone,
        decimal_comma=decimal_comma,
    )
    with (
        progress_bar("reading", table_size(file)) as advance,
        open_table(file, delimiter and _delimiter(delimiter), advance, arguments.encoding(encoding)) as opened,
    ):
        headings, rows, between = opened
        table = Table(headings, replace(shape, delimiter=between), file.name)
        with open_to_write(shelf) as stores:
            import_ = _Import(stores, file.name, None if sure else table.shape, bring_back=bring_back)
            import_.take(table.portions(rows, now))
    _summarize(import_, table)
    _name_undeclared(import_, shelf)


class _Import:
    """One import as it goes on; it gets its number when there is a first thing to keep."""

    def __init__(self, stores: Stores, file_name: str, asked: TableShape | None, *, bring_back: bool) -> None:
        from monitor.feed.formats.plausible import Plausibility
        from monitor.records import ImportCounts

        self.file_name = file_name
        self.number: int | None = None
        self.counts: ImportCounts = ImportCounts()
        self.rejected: list[str] = []
        self.rejected_count = 0
        self.boxes: set[str] = set()
        self._imports = stores.imports
        self._bring_back = bring_back
        self._plausibility = asked and Plausibility(asked.temperature_unit or "C", asked.humidity_unit)

    def take(self, portions: Iterable[Decoded]) -> None:
        """Store portion after portion; what is doubtful is asked about before it is stored."""
        for decoded in portions:
            doubt = self._plausibility.doubt(decoded.readings) if self._plausibility else None
            if doubt is not None:
                raise UnconfirmedError(f"{self.file_name}: {doubt} {self._nothing_kept()}. {IF_RIGHT}")
            if self.number is None:
                self.number = self._imports.begin(self.file_name, datetime.now(tz=UTC))
            self.counts += self._imports.add(
                self.number, decoded.readings, decoded.rejections, bring_back=self._bring_back
            )
            self.boxes |= {reading.box for reading in decoded.readings}
            self.rejected = self.rejected or [each.reason for each in decoded.rejections[:1]]
            self.rejected_count += len(decoded.rejections)
        if self.number is not None:
            self._imports.finish(self.number, datetime.now(tz=UTC))

    def _nothing_kept(self) -> str:
        if self.number is None or not (self.counts.new or self.counts.brought_back):
            return "Nothing was saved"
        withdrawal = self._imports.withdraw_import(self.number, datetime.now(tz=UTC))
        return f"The readings that import {self.number} had added so far are withdrawn ({withdrawal.number})"


def _summarize(import_: _Import, table: Table) -> None:
    counts, rejected = import_.counts, import_.rejected_count
    for remark in table.remarks():
        typer.echo(remark)
    if import_.number is None:
        typer.echo(f"{import_.file_name} has no rows under its headings. There is nothing to import")
        return
    typer.echo(
        f"import {import_.number}: {counts.new} new readings, {counts.held} already stored, {counts.differing}"
        " differing,"
        f" {rejected} rejected"
    )
    if counts.brought_back:
        typer.echo(f"{counts.brought_back} readings that `siccast readings thin` deleted are back")
    if counts.thinned_out:
        typer.echo(
            f"{counts.thinned_out} readings were deleted earlier by `siccast readings thin` and stay out. siccast keeps"
            " one value for each of their hours, and forecasts use that. --bring-back puts them back"
        )
    if counts.differing:
        typer.echo(_differing(import_.number, counts), err=True)
    if rejected:
        typer.echo(f"first rejected: {import_.rejected[0]}. `siccast rejected` lists them", err=True)
    if not (counts.new or counts.held or counts.thinned_out or counts.brought_back):
        if not counts.differing:
            raise ImportFileError(f"no row of {import_.file_name} could be used: {import_.rejected[0]}")
        raise typer.Exit(code=NEEDS_THE_PERSON)


def _name_undeclared(import_: _Import, shelf: Shelf) -> None:
    """Say which boxes nobody declared: their readings are kept, but nobody watches them."""
    known = {ROOM, *(name for box in shelf.boxes for name in (box.name, box.room))}
    if strangers := sorted(import_.boxes - known):
        typer.echo(
            f"not in {SHELF_FILE}: {', '.join(strangers)}. {hint('adopt', strangers[0])} adds it. If it is a slip:"
            f" `siccast readings withdraw --import {import_.number}`",
            err=True,
        )


def _differing(number: int, counts: ImportCounts) -> str:
    theirs = sorted(each for each in counts.at_odds_with if each is not None)
    told = (
        f"{counts.differing} rows differ from a reading stored for the same time. The stored ones count. These rows"
        f" are set aside (stored, but not in use): `siccast readings export --set-aside {number}` shows them."
    )
    if not theirs:
        return told
    older = " and ".join(f"import {each}" for each in theirs)
    commands = ", ".join(f"`siccast readings withdraw --import {each}`" for each in theirs)
    return (
        f"{told} The stored ones are from {older}. If the new rows are right: {commands},"
        f" then `siccast readings restore {number}`"
    )


def list_imports(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """List imports and withdrawals with their numbers.

    Shows how many readings each one added, and how many are set aside (stored, but not in use).
    """
    from dataclasses import asdict

    from monitor.cli.output import show_json, show_table

    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_read(shelf) as stores:
        listed = stores.imports.listed()
    if as_json:
        show_json({"imports": [asdict(each) for each in listed]})
        return
    if not listed:
        typer.echo("Nothing was imported or withdrawn yet.")
    rows = [
        (
            str(each.number),
            f"{each.begun_at.astimezone(shelf.timezone):%Y-%m-%d %H:%M}",
            _what(each),
            *map(str, (each.new, each.held, each.differing, each.rejected, each.set_aside)),
            _state(each),
        )
        for each in listed
    ]
    headings = ("number", "when", "what", "readings", "already stored", "differing", "rejected", "set aside", "state")
    show_table(headings, rows, right=(0, 3, 4, 5, 6, 7))


def _what(each: NumberedImport) -> str:
    from monitor.records import ImportKind

    what = "".join(letter if letter.isprintable() else "�" for letter in each.what)
    return what if each.kind is ImportKind.imported else f"withdrawn: {what}"


def _state(each: NumberedImport) -> str:
    from monitor.records import ImportKind

    if each.kind is ImportKind.withdrawal:
        return "restored" if not each.set_aside else "" if each.set_aside >= each.new else "restored in part"
    if each.withdrawn:
        return "withdrawn" if each.withdrawn >= each.new else f"{each.withdrawn} withdrawn"
    return "" if each.finished_at else "not finished"


def withdraw(
    context: typer.Context,
    *,
    number: Annotated[
        int | None,
        typer.Option(
            "--import",
            metavar="NUMBER",
            help="The readings of this import. `siccast readings imports` lists the numbers.",
        ),
    ] = None,
    box: Annotated[str | None, typer.Option(help="Or the readings of this box, from any source.")] = None,
    start: Annotated[
        str | None, typer.Option("--from", help="From this time on, like 2026-03-01T07:30, in the shelf's time zone.")
    ] = None,
    end: Annotated[str | None, typer.Option("--to", help="Up to this time, not including it.")] = None,
) -> None:
    """Take readings of an import or of a box out of use.

    Of a box, those in a time span. They are set aside, not deleted. `siccast readings restore` puts them back.
    """
    shelf = load_shelf(shelf_folder(context.obj))
    if (number is None) == (box is None) or (number is not None and (start or end)):
        raise typer.BadParameter("give either --import NUMBER, or --box BOX with --from or --to")
    if box is not None and start is None and end is None:
        raise typer.BadParameter(
            f"this would take back all readings of {box}. Give at least one end of the span with --from or --to"
        )
    first, last = arguments.span_end(start, shelf.timezone, "--from"), arguments.span_end(end, shelf.timezone, "--to")
    if first is not None and last is not None and first >= last:
        raise typer.BadParameter("the span ends before it begins", param_hint="'--to'")
    now = datetime.now(tz=UTC)
    with open_to_write(shelf) as stores:
        if number is not None:
            done = stores.imports.withdraw_import(number, now)
        else:
            done = stores.imports.withdraw_span(box or "", first, last, now)
    typer.echo(
        f"withdrew {done.new} readings ({done.what}). `siccast readings restore {done.number}` puts them back,"
        f" `siccast readings export --set-aside {done.number}` shows them"
    )


def restore(
    context: typer.Context, number: Annotated[int, typer.Argument(help="Number in `siccast readings imports`.")]
) -> None:
    """Put readings back that were set aside.

    Give the number of a withdrawal to undo it. Give the number of an import to put in those of its rows that differ
    from what was stored. A reading stays set aside while another one is stored for the same time.
    """

    shelf = load_shelf(shelf_folder(context.obj))
    with open_to_write(shelf) as stores:
        restored, left = stores.imports.restore(number)
    rest = f". {left} stay set aside, because other readings are stored for the same times" if left else ""
    typer.echo(f"put back {restored} readings{rest}")
    if not restored:
        raise typer.Exit(code=NEEDS_THE_PERSON)


def _columns(given_pairs: list[str]) -> dict[str, str]:
    pairs = [text.partition("=") for text in given_pairs]
    for (ours, sign, _), text in zip(pairs, given_pairs, strict=True):
        if not sign or not ours:
            raise typer.BadParameter(f"'{text}' is not valid: write our name = its name, for example rh_pct=Humidity")
    return {ours: theirs for ours, _, theirs in pairs}


def _one_of(value: str, allowed: tuple[str, ...], option: str) -> str:
    if value not in allowed:
        raise typer.BadParameter(f"'{value}' is not valid: choose one of {', '.join(allowed)}", param_hint=option)
    return value


def _delimiter(given: str) -> str:
    """Return the one character between columns."""
    if given == "tab":
        return "\t"
    if len(given) != 1 or given in '"\r\n':
        raise typer.BadParameter(
            f"{given!r} won't do; it is one character, like , or ; or the word tab", param_hint="'--delimiter'"
        )
    return given


def _zone(name: str) -> ZoneInfo:
    try:
        return zone_named(name)
    except ValueError:
        raise typer.BadParameter(
            f"'{name}' is not a time zone. Use a name of the IANA list, for example Europe/Vienna"
        ) from None
