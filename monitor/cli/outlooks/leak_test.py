"""`siccast leak-test`: how an empty box is tested for its leak, and what the test found."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli import arguments
from monitor.cli.session import (
    AsJson,
    alone,
    open_to_read,
    open_to_write,
    shelf_of,
)
from monitor.errors import NEEDS_THE_PERSON
from monitor.records.names import command, hint

if TYPE_CHECKING:
    from monitor.presentation.wording import Wording
    from monitor.records import Box, Reading, ReadingSeries
    from monitor.services.empty_box_test import LeakTest
    from monitor.settings import Shelf
    from monitor.store.opening import Stores


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("leak-test")(leak_test)


def leak_test(
    context: typer.Context,
    box: Annotated[str, typer.Argument(metavar="BOX", help="A box in shelf.toml.")],
    *,
    start: Annotated[
        str | None, typer.Option("--from", help="When the empty box was closed, as in 2026-03-01T07:30.")
    ] = None,
    end: Annotated[str | None, typer.Option("--to", help="When it was opened again; now when left out.")] = None,
    csv_file: Annotated[
        Path | None,
        typer.Option("--csv", help="Readings of the box and of its room, as `siccast readings export` writes them."),
    ] = None,
    encoding: arguments.Encoding = "utf-8",
    keep: Annotated[bool, typer.Option(help="Use the result in later forecasts of the box.")] = True,
    as_json: AsJson = False,
) -> None:
    """Test how fast a box leaks while it is empty.

    Without --from it says how the test is done. With --from it works out the leak. No beads, spools or cardboard may
    be in the box during the test. If the curve shows that something was in it, the test is not kept (exit code 3). The
    same test is kept only once.
    """
    shelf = shelf_of(context)
    asked = shelf.box(box)
    if start is None and csv_file is None:
        _guide(asked)
        return
    opening = open_to_write(shelf) if keep else open_to_read(shelf, shelf.influx)
    with opening as stores, alone(shelf, stores) if keep else nullcontext(shelf) as shelf:
        asked = shelf.box(box)
        test = _run_test(
            shelf, stores, asked, (start, end), None if csv_file is None else (csv_file, arguments.encoding(encoding))
        )
        number = test.held.entry_id if test.held else None
        if keep and number is None and not test.doubts:
            number = stores.ledger.log(test.entry, datetime.now(tz=UTC))
    if as_json:
        from monitor.cli.output import show_json

        show_json(_answer(test, number, shelf))
    else:
        _show(test, asked, number, shelf)
    if test.doubts and keep:
        raise typer.Exit(NEEDS_THE_PERSON)


def _guide(box: Box) -> None:
    from monitor.cli.output import say
    from monitor.services.empty_box_test import STEPS

    for number, step in enumerate(STEPS, start=1):
        say(f"{number}. {step}")
    then = "--from <when the lid was closed> --to <when it was opened>"
    say(f"Then run: {command('leak-test', box.name, then=then)}")


def _run_test(
    shelf: Shelf,
    stores: Stores,
    box: Box,
    given_span: tuple[str | None, str | None],
    file_and_encoding: tuple[Path, str] | None,
) -> LeakTest:
    from monitor.services.empty_box_test import leak_when_empty, series_of

    now = shelf.now(datetime.now(tz=UTC))
    rows = None if file_and_encoding is None else _rows_of(*file_and_encoding, shelf, now)
    start, end = (
        None if text is None else arguments.instant(text, shelf.timezone, now, option=option)
        for text, option in zip(given_span, ("--from", "--to"), strict=True)
    )
    if rows is not None:
        own = series_of(rows, box.name)
        if len(own):
            start = start or datetime.fromtimestamp(float(own.at_s[0]), UTC)
            end = end or datetime.fromtimestamp(float(own.at_s[-1]) + 1.0, UTC)
    start, end = start or now, end or now
    if end <= start:
        raise typer.BadParameter(
            f"the test would end on {end.astimezone(shelf.timezone):%Y-%m-%d %H:%M}, before it began",
            param_hint="'--to'",
        )

    def series(name: str) -> ReadingSeries:
        return stores.readings.series(name, start, end) if rows is None else series_of(rows, name)

    return leak_when_empty(series(box.name), series(box.room), box, (start, end), stores.ledger.entries(box.name))


def _rows_of(csv_file: Path, encoding: str, shelf: Shelf, now: datetime) -> list[Reading]:
    """Return every reading of a table; one row that can't be read stops the test, by its line."""
    from monitor.cli.history.table_file import open_table
    from monitor.errors import ImportFileError
    from monitor.feed.table import Table, TableShape

    shape, readings = TableShape(local_zone=shelf.timezone), []
    with open_table(csv_file, None, lambda _: None, encoding) as (headings, rows, _):
        for decoded in Table(headings, shape, csv_file.name).portions(rows, now):
            if decoded.rejections:
                raise ImportFileError(f"{csv_file.name}, {decoded.rejections[0].reason}")
            readings += decoded.readings
    return readings


def _answer(test: LeakTest, number: int | None, shelf: Shelf) -> dict[str, Any]:
    from dataclasses import asdict

    found = test.found
    return {
        "box": test.entry.box,
        "leak_g_per_day_per_kpa": asdict(found.conductance_g_per_day_per_kpa),
        "air_changes_per_day": asdict(found.air_changes_per_day),
        "half_time_days": asdict(found.half_time_days),
        "hours": found.hours,
        "direction": "up" if found.upward else "down",
        "both_ways_g_per_day_per_kpa": None if test.combined is None else asdict(test.combined),
        "entry": number,
        "notes": _notes(test, shelf),
    }


def _show(test: LeakTest, box: Box, number: int | None, shelf: Shelf) -> None:
    from monitor.cli.output import say, show_table
    from monitor.presentation.amounts import spread
    from monitor.presentation.wording import Wording

    wording: Wording = Wording.of(shelf)
    unit = f"{wording.mass_unit}/day/kPa"
    rows = [
        (f"leak, {unit}", wording.masses(test.found.conductance_g_per_day_per_kpa)),
        ("air changes a day", spread(test.found.air_changes_per_day)),
        ("halfway to the room in, days", spread(test.found.half_time_days)),
    ]
    if test.combined is not None:
        rows.append((f"leak from both tests, {unit}", wording.masses(test.combined)))
    show_table((box.name, "empty box (90 %)"), rows)
    for note in _notes(test, shelf):
        say(note)
    if test.held is not None:
        say(f"It is already kept, as entry {number}, and counts once. `siccast log undo {number}` removes it.")
    elif test.doubts:
        say("It is not kept. Later forecasts will not use it.")
    elif number is not None:
        say(f"Kept as entry {number}. `siccast log undo {number}` removes it. "
            f"When the beads go back in, log that: {hint('log', 'recharge', box.name)}.")  # fmt: skip


def _notes(test: LeakTest, shelf: Shelf) -> list[str]:
    found, other = test.found, test.other_way
    way = "drier than the room, so humidity rose" if found.upward else "moister than the room, so humidity fell"
    notes = [f"Based on {found.hours} hours. The box started {way}.", *test.doubts]
    if test.filled_at is not None:
        day = f"{test.filled_at.astimezone(shelf.timezone):%Y-%m-%d}"
        notes.append(
            f"According to the log, beads went in on {day}. If they were still in the box, the test is wrong: undo it."
        )
    if found.walls_matter:
        notes.append("Walls of this material take up water. The result allows for that by a guess.")
    if test.doubts:
        return notes
    if other is None:
        back = "moister" if found.upward else "drier"
        notes.append(f"A second test that starts {back} than the room would show the errors of walls and sensors.")
    elif test.combined is not None and other.conductance_g_per_day_per_kpa is not None:
        ratio = found.conductance_g_per_day_per_kpa.p50 / other.conductance_g_per_day_per_kpa[1]
        notes.append(f"It is {ratio:.2f} times what the test the other way gave. The mean of both is nearer the truth.")
    return notes
