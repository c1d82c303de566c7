"""`siccast climate`: a room's year from a weather file, month by month."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.session import AsJson, shelf_of


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(climate)


def climate(
    context: typer.Context,
    weather_file: Annotated[Path, typer.Argument(help="A typical year, hour by hour: TMY3 or EPW.")],
    as_json: AsJson = False,
) -> None:
    """Show how humid a typical year is.

    Outdoors, and in a room as warm as the shelf's, as vapor pressure.
    """
    from monitor.cli.output import (
        say,
        show_json,
        show_table,
    )
    from monitor.presentation.wording import Wording
    from monitor.records import RoomClimate
    from monitor.settings.weather_file import read_weather

    shelf, weather = shelf_of(context), read_weather(weather_file)
    room = weather.indoors((shelf.room or RoomClimate()).temperature_degc)
    year = list(zip(weather.temperature_degc, weather.vapor_pressure_pa, room.monthly_vapor_pressure_pa, strict=True))
    if as_json:
        months = [
            {
                "month": month,
                "outdoors_temperature_c": round(cold, 1),
                "outdoors_vapor_pressure_kpa": round(outside / 1e3, 3),
                "indoors_vapor_pressure_kpa": round(inside / 1e3, 3),
            }
            for month, (cold, outside, inside) in enumerate(year, 1)
        ]
        show_json({"room_temperature_c": room.temperature_degc, "months": months})
        return
    wording = Wording.of(shelf)
    headings = ("month", f"outdoors, {wording.temperature_unit}", "outdoors, kPa", "indoors, kPa")
    rows = [
        (str(month), f"{wording.degrees(cold):.1f}", f"{outside / 1e3:.3f}", f"{inside / 1e3:.3f}")
        for month, (cold, outside, inside) in enumerate(year, 1)
    ]
    show_table(headings, rows, right=(0, 1, 2, 3))
    say("kPa: vapor pressure of the air. The higher it is, the more water a leak lets in.")
    say("Indoors is a guess: outdoor air, plus what people add in winter, up to 70 % humidity.")
    say(f"To use it, write weather_file = '{weather_file}' under [room] in shelf.toml.")
