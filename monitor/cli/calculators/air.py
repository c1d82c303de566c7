"""`siccast air`: what moist air at a temperature and humidity holds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

STANDARD_PRESSURE_HPA = 1013.25  # ISO 2533:1975
CSV_QUANTITIES = (
    "saturation_pa", "vapor_pa", "absolute_g_per_m3", "mixing_g_per_kg", "dew_point_c", "frost_point_c",
)  # fmt: skip
LABELS = {
    "saturation_pa": ("saturation pressure over water", "Pa"),
    "saturation_over_ice_pa": ("saturation pressure over ice", "Pa"),
    "vapor_pa": ("vapor pressure", "Pa"),
    "absolute_g_per_m3": ("water in a cubic meter", "g/m³"),
    "mixing_g_per_kg": ("water per kilogram of dry air", "g/kg"),
    "dew_point_c": ("dew point, over liquid water", "°C"),
    "frost_point_c": ("frost point, over ice", "°C"),
    "enhancement_factor": ("enhancement factor", ""),
    "density_kg_per_m3": ("density of the moist air", "kg/m³"),
}


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(air)


def air(
    temperature_c: Annotated[float | None, typer.Option(help="Temperature of the air in °C.")] = None,
    rh_pct: Annotated[float | None, typer.Option(help="Relative humidity over liquid water in %.")] = None,
    pressure_hpa: Annotated[float, typer.Option(help="Air pressure in hPa.")] = STANDARD_PRESSURE_HPA,
    csv_file: Annotated[
        Path | None,
        typer.Option(
            "--csv", help="Table with the columns temperature_c, rh_pct and maybe pressure_pa. - reads standard input."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """Calculate how much water air holds.

    At a temperature and humidity, it gives vapor pressure, g/m³, mixing ratio, dew point and frost point.
    """
    from monitor.cli.calculators import table
    from monitor.physics import calculators

    at = table.points(csv_file, temperature_c, rh_pct)
    answers = calculators.moist_air(
        *at.numbers(
            table.Column("temperature_c", calculators.AIR_RANGE_C),
            table.Column("rh_pct", calculators.HUMIDITY_RANGE_PCT),
            table.Column("pressure_pa", calculators.PRESSURE_RANGE_PA, otherwise=100.0 * pressure_hpa),
        )
    )
    if csv_file is not None:
        table.show_rows(at, {name: answers[name] for name in CSV_QUANTITIES}, as_json=as_json)
    elif as_json:
        given = {"temperature_c": temperature_c, "rh_pct": rh_pct, "pressure_hpa": pressure_hpa}
        table.show_one(given | table.first(answers))
    else:
        table.show_labelled(table.first(answers), LABELS)
