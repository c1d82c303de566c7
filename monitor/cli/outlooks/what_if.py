"""`siccast what-if`: the same boxes with another limit, other beads, another leak or in another climate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import (
    AsJson,
    AsOf,
    BoxNames,
    Dask,
    Fresh,
    Limit,
    ask,
    say_as_of,
    shelf_of,
)
from monitor.errors import TypedError
from monitor.presentation.what_if_input import LEAK_RANGE_TIMES, LEAST_MASS, room_degc, what_if_input
from monitor.records import RoomClimate, WhatIf
from monitor.records.declared import ROOM_HUMIDITY_RANGE_PCT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("what-if")(what_if)


def what_if(
    context: typer.Context,
    boxes: BoxNames = None,
    *,
    limit: Limit = None,
    leak_times: Annotated[
        float | None,
        typer.Option(
            min=LEAK_RANGE_TIMES[0],
            max=LEAK_RANGE_TIMES[1],
            help="Multiply the leak by this: 0.5 is half, 2 is double.",
        ),
    ] = None,
    beads: Annotated[str | None, typer.Option(metavar="KIND", help="Put in fresh beads of this kind instead.")] = None,
    dry_mass: Annotated[
        float | None,
        typer.Option(metavar="GRAMS", min=LEAST_MASS, help="Put in this much of fresh beads instead, weighed dry."),
    ] = None,
    weather: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The climate of a weather file (TMY3 or EPW), as it would be indoors."),
    ] = None,
    room_rh: Annotated[
        float | None,
        typer.Option(
            min=ROOM_HUMIDITY_RANGE_PCT[0],
            max=ROOM_HUMIDITY_RANGE_PCT[1],
            help="A room with this average humidity, per cent.",
        ),
    ] = None,
    room_temperature: Annotated[
        float | None, typer.Option(help="A room this warm; in °C, or in °F if shelf.toml says so.")
    ] = None,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Show when each box would pass its limit if you changed something.

    If you enter fresh beads, siccast assumes that you put them in now, as dry as the last ones were. Everything else
    about the box stays as it is.
    """
    from monitor.cli.output import show_json

    shelf = shelf_of(context)
    try:
        change = what_if_input(
            shelf, limit=limit, leak_times=leak_times, beads=beads, dry_mass=dry_mass, room_rh=room_rh,
            room_temperature=room_temperature,
        )  # fmt: skip
        if weather is not None:
            change = replace(change, room_climate=_indoors(weather, room_rh, room_degc(shelf, room_temperature)))
    except TypedError as error:
        raise typer.BadParameter(str(error), param_hint=f"'--{error.field}'") from None
    if change == WhatIf():
        raise typer.BadParameter("nothing is changed: add one of --limit, --leak-times, --beads, --dry-mass, "
                                 "--weather, --room-rh or --room-temperature")  # fmt: skip
    asked = ask(shelf, boxes, as_of, change=change, fresh=fresh, dask=dask)
    if as_json:
        from monitor.presentation.answers import what_if_answer

        show_json(what_if_answer(asked.assessments, asked.as_of, change))
        return
    if not say_as_of(asked):
        return
    show_changes(asked.worst_first, change, asked.wording)


def show_changes(assessments: Sequence[Assessment], change: WhatIf, wording: Wording) -> None:
    """Print what is changed, and each box as it is and as it would be."""
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )

    say(f"What if: {'; '.join(wording.changes(change))}.")
    say("In brackets: 9 times in 10 the day is between these two.")
    headings = ("box", "limit\nnow", "above its limit\nas it is", "above its limit\nwith the change", "lasts")
    rows = [_row(a, wording) for a in assessments if a.forecast and a.forecast_if]
    show_table(headings, rows, right=(1, 4), wrap={0: 24, 2: None, 3: None})
    show_notes("What changes", [note for a in assessments if a.forecast_if for note in _changes(a, change, wording)])
    show_notes("No answer", [(a.box.name, a.refusal or a.state.value) for a in assessments if not a.forecast_if])


def _changes(assessment: Assessment, change: WhatIf, wording: Wording) -> list[tuple[str, str]]:
    from monitor.presentation.what_if_wording import what_changes

    said = [f"{label}: {value}" for label, value in what_changes(assessment, change, wording)]
    return [(assessment.box.name, "; ".join(said))]


def _row(assessment: Assessment, wording: Wording) -> tuple[str, ...]:
    from monitor.presentation.amounts import figures
    from monitor.presentation.answers import time_left_ratio

    ratio = time_left_ratio(assessment)
    assert assessment.forecast is not None
    assert assessment.forecast_if is not None
    return (
        assessment.box.name,
        wording.limit(assessment),
        wording.crossing_in_brief(assessment.forecast, assessment.as_of),
        wording.crossing_in_brief(assessment.forecast_if, assessment.as_of),
        "–" if ratio is None else f"{figures(ratio)} times as long",
    )


def _indoors(weather: Path, room_rh: float | None, degc: float) -> RoomClimate:
    if room_rh is not None:
        raise TypedError("give a weather file or a humidity, not both", field="room-rh")
    from monitor.settings.weather_file import read_weather

    return read_weather(weather).indoors(degc)
