"""`siccast what-if`: the same boxes with another limit, other beads, another leak or in another climate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.faces.cli.asking import AsJson, AsOf, BoxNames, Limit, ask, say_as_of, shelf_of
from monitor.records import RoomClimate, WhatIf
from monitor.units import degf_to_degc, ounces_to_grams

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.faces.wording import Wording
    from monitor.records import Assessment
    from monitor.settings import Shelf


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("what-if")(what_if)


def what_if(
    context: typer.Context,
    boxes: BoxNames = None,
    *,
    limit: Limit = None,
    leak_times: Annotated[
        float | None, typer.Option(min=0.01, max=100.0, help="The leak times this: 0.5 is half as leaky.")
    ] = None,
    beads: Annotated[
        str | None, typer.Option(metavar="KIND", help="Fresh beads of this kind in place of those in the box.")
    ] = None,
    dry_mass: Annotated[
        float | None, typer.Option(min=0.1, help="So much of fresh beads, weighed dry, in place of those in the box.")
    ] = None,
    weather: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The climate of a TMY3 or EPW weather file, as it would be indoors."),
    ] = None,
    room_rh: Annotated[
        float | None, typer.Option(min=1.0, max=95.0, help="A room of this mean humidity, per cent.")
    ] = None,
    room_temperature: Annotated[
        float | None, typer.Option(help="A room of this temperature; °C, or °F where the shelf file says so.")
    ] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Show when each box would pass its limit if something were changed.

    What is believed of the box stays; its future is another. Fresh beads are taken to be as well dried as those in the
    box were, and to go in now.
    """
    from monitor.faces.cli.output import show_json

    shelf = shelf_of(context)
    change = WhatIf(
        humidity_limit=_limit(limit),
        conductance_factor=1.0 if leak_times is None else leak_times,
        desiccant=_known_beads(beads),
        dry_mass_g=ounces_to_grams(dry_mass) if dry_mass is not None and shelf.ounces else dry_mass,
        room_climate=_climate(shelf, weather, room_rh, room_temperature),
    )
    if change == WhatIf():
        raise typer.BadParameter("nothing is changed; give one of --limit, --leak-times, --beads, --dry-mass, "
                                 "--weather, --room-rh or --room-temperature")  # fmt: skip
    asked = ask(shelf, boxes, as_of, change=change)
    if as_json:
        from monitor.faces.answers import what_if_answer

        show_json(what_if_answer(asked.assessments, asked.as_of, change))
        return
    say_as_of(asked)
    show_changes(asked.worst_first, change, asked.wording)


def show_changes(assessments: Sequence[Assessment], change: WhatIf, wording: Wording) -> None:
    """Print what is changed, and each box as it is and as it would be."""
    from monitor.faces.cli.output import say, show_notes, show_table

    say(f"What if: {'; '.join(wording.changes(change))}.")
    headings = ("box", "passes its limit (90 %)", "what if (90 %)", "time left, times")
    rows = [_row(a, wording) for a in assessments if a.forecast and a.forecast_if]
    show_table(headings, rows, right=(3,), wrap={0: 24, 1: None, 2: None})
    show_notes("No answer", [(a.box.name, a.refusal or a.state.value) for a in assessments if not a.forecast_if])


def _row(assessment: Assessment, wording: Wording) -> tuple[str, ...]:
    from monitor.faces.answers import time_left_ratio
    from monitor.faces.wording import figures

    ratio = time_left_ratio(assessment)
    assert assessment.forecast is not None
    assert assessment.forecast_if is not None
    return (
        assessment.box.name,
        wording.crossing_in_brief(assessment.forecast, assessment.as_of),
        wording.crossing_in_brief(assessment.forecast_if, assessment.as_of),
        "–" if ratio is None else figures(ratio),
    )


def _limit(limit_pct: float | None) -> float | None:
    if limit_pct is not None and not 1.0 <= limit_pct <= 95.0:
        raise typer.BadParameter(f"{limit_pct:g} won't do; a limit is from 1 to 95 per cent", param_hint="'--limit'")
    return None if limit_pct is None else limit_pct / 100.0


def _known_beads(kind: str | None) -> str | None:
    if kind is not None:
        from monitor import calculators

        if not calculators.is_desiccant(kind):
            known = ", ".join(calculators.desiccant_kinds())
            raise typer.BadParameter(f"{kind!r} is no desiccant; known are {known}", param_hint="'--beads'")
    return kind


def _climate(
    shelf: Shelf, weather: Path | None, room_rh: float | None, room_temperature: float | None
) -> RoomClimate | None:
    """Return the other climate; what isn't said of it is as in the shelf's room."""
    if weather is None and room_rh is None and room_temperature is None:
        return None
    here = shelf.room or RoomClimate()
    degc = here.temperature_degc
    if room_temperature is not None:
        degc = degf_to_degc(room_temperature) if shelf.fahrenheit else room_temperature
    if not -20.0 <= degc <= 60.0:
        raise typer.BadParameter(
            f"{room_temperature:g} won't do; a room has from -20 to 60 °C", param_hint="'--room-temperature'"
        )
    if weather is None:
        humidity = here.relative_humidity if room_rh is None else room_rh / 100.0
        return replace(here, temperature_degc=degc, relative_humidity=humidity, monthly_vapor_pressure_pa=())
    if room_rh is not None:
        raise typer.BadParameter("give a weather file or a humidity, not both", param_hint="'--room-rh'")
    from monitor.weather import read_weather

    return read_weather(weather).indoors(degc)
