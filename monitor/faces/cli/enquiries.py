"""`siccast what-if`, `leak-test`, `climate`: side questions about one box and its place."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.faces.cli import given
from monitor.faces.cli.asking import AsJson, AsOf, shelf_of

if TYPE_CHECKING:
    from monitor.records import Box, CrossingForecast, Quantiles, RoomClimate
    from monitor.settings import Shelf

BoxName = Annotated[str, typer.Argument(metavar="BOX", help="The box.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(name="what-if")(what_if)
    app.command(name="leak-test")(leak_test)
    app.command()(climate)


def what_if(
    context: typer.Context,
    box: BoxName,
    *,
    limit: Annotated[float | None, typer.Option(metavar="RH", help="Another limit, per cent.")] = None,
    leak: Annotated[float, typer.Option(min=0.01, max=100.0, help="Factor on the leak; 0.5 is half of it.")] = 1.0,
    mass_g: Annotated[float | None, typer.Option(min=1.0, help="Fresh beads of this dry mass instead.")] = None,
    desiccant: Annotated[str | None, typer.Option(help="Fresh beads of this kind instead.")] = None,
    weather: Annotated[Path | None, typer.Option(help="A place with this weather file (TMY3 or EPW).")] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Show when a box would pass its limit with another limit, leak, charge or climate."""
    from monitor.enquiries import WhatIf, imagine
    from monitor.faces.cli.output import show_json, show_table
    from monitor.faces.wording import Wording
    from monitor.store.opening import open_stores

    shelf = shelf_of(context)
    instant = given.utc_instant(as_of, shelf.now(datetime.now(tz=UTC)))
    change = WhatIf(None if limit is None else limit / 100.0, leak, desiccant, mass_g, _place(weather))
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        asked = _declared(shelf, box)
        now, then = imagine(stores.readings, stores.ledger, asked, instant, change, room_climate=shelf.room)
    if as_json:
        show_json({"as_of": instant, "box": box, "as_it_is": _dates(now), "as_it_would_be": _dates(then)})
        return
    wording = Wording(shelf.timezone, shelf.fahrenheit, shelf.ounces)
    rows = [(name, wording.crossing(one, instant)) for name, one in (("as it is", now), ("as it would be", then))]
    show_table((box, "passes its limit (90 %)"), rows)


def leak_test(
    context: typer.Context,
    box: BoxName,
    *,
    start: Annotated[str | None, typer.Option("--from", metavar="UTC", help="When the empty box was closed.")] = None,
    end: Annotated[str | None, typer.Option("--to", metavar="UTC", help="When the test ended; else now.")] = None,
    as_json: AsJson = False,
) -> None:
    """Guide an empty-box test, and reckon the leak from it once it has run.

    Without --from it says how the test is done.
    """
    from monitor.enquiries import STEPS, leak_when_empty
    from monitor.faces.cli.output import show_json, show_table
    from monitor.store.opening import open_stores

    shelf = shelf_of(context)
    asked = _declared(shelf, box)
    if start is None:
        for number, step in enumerate(STEPS, start=1):
            typer.echo(f"{number}. {step}")
        typer.echo(f"Then: siccast leak-test {box} --from <when the lid was closed, UTC>")
        return
    now = shelf.now(datetime.now(tz=UTC))
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        found = leak_when_empty(stores.readings, asked, given.utc_instant(start, now), given.utc_instant(end, now))
    if as_json:
        show_json(found)
        return
    rows = [
        ("leak, g/day/kPa", _three(found.conductance_g_per_day_per_kpa)),
        ("air changes a day", _three(found.air_changes_per_day)),
        ("half-time, days", _three(found.half_time_days)),
    ]
    show_table((box, "empty-box test (90 %)"), rows)


def climate(
    weather_file: Annotated[Path, typer.Argument(help="A typical year of hours: TMY3 or EPW.")],
    as_json: AsJson = False,
) -> None:
    """Show the monthly vapor pressures of a weather file, as the shelf file takes them for a room."""
    from monitor.faces.cli.output import show_json
    from monitor.weather_file import monthly_vapor_pressure_pa

    monthly_kpa = [round(pressure / 1e3, 3) for pressure in monthly_vapor_pressure_pa(weather_file)]
    if as_json:
        show_json({"monthly_vapor_pressure_kpa": monthly_kpa})
    else:
        typer.echo(f"[room]\nmonthly_vapor_pressure_kpa = {monthly_kpa}")


def _declared(shelf: Shelf, name: str) -> Box:
    from monitor.errors import UnknownBoxError

    for box in shelf.boxes:
        if box.name == name:
            return box
    known = ", ".join(box.name for box in shelf.boxes) or "none"
    raise UnknownBoxError(f"box '{name}' is not declared; declared are {known}")


def _place(weather: Path | None) -> RoomClimate | None:
    if weather is None:
        return None
    from monitor.records import RoomClimate
    from monitor.weather_file import monthly_vapor_pressure_pa

    return RoomClimate(monthly_vapor_pressure_pa=monthly_vapor_pressure_pa(weather))


def _dates(forecast: CrossingForecast) -> dict[str, object]:
    at = forecast.cross_at
    return {
        "limit_rh_pct": round(100.0 * forecast.humidity_limit, 3),
        "cross_at": {"p05": at.p05, "p50": at.p50, "p95": at.p95},
        "chance_within": {str(days): round(forecast.chance_within(days), 4) for days in (7, 30)},
    }


def _three(values: Quantiles) -> str:
    return f"{values.p50:.3g} ({values.p05:.2g} to {values.p95:.2g})"
