"""`siccast beads`: what a desiccant, a filament or a board holds at a temperature and humidity."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

CSV_QUANTITIES = ("loading_g_per_g", "rh_pct_back", "heat_kj_per_kg")
LABELS = {
    "loading_g_per_g": ("water held", "g per g dry"),
    "rh_pct_back": ("humidity calculated back from it", "%"),
    "slope_g_per_g_per_pct": ("slope", "g per g for each % RH"),
    "heat_kj_per_kg": ("heat to drive it off", "kJ per kg water"),
}
SHOWS = {
    "fill": "The humidity of the air around it shows how full it is.",
    "little": "It holds nearly the same water at any humidity, so the humidity says little about how full it is.",
    "phase": "This salt changes in steps. The humidity shows which hydrate is there, not how much of it is left.",
}


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(beads)


def beads(
    kind: Annotated[
        str, typer.Argument(help="Material, for example silica_gel_regular_density, orange_gel, clay or PA6.")
    ],
    temperature_c: Annotated[float | None, typer.Option(help="Temperature of material and air in °C.")] = None,
    rh_pct: Annotated[float | None, typer.Option(help="Relative humidity over liquid water in %.")] = None,
    csv_file: Annotated[
        Path | None,
        typer.Option("--csv", help="Table with the columns temperature_c and rh_pct. - reads standard input."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """Calculate how much water beads or filament hold.

    At a temperature and humidity, it gives the water held, the humidity calculated back from it, the slope, the heat
    that drives the water off, and what the color can mean.
    """
    from monitor.cli.calculators import table
    from monitor.physics import calculators

    at = table.points(csv_file, temperature_c, rh_pct)
    if not calculators.is_material(kind):
        raise typer.BadParameter(f"{kind!r} is not a known material. Known: {', '.join(calculators.material_kinds())}")
    answers = calculators.sorption(
        kind,
        *at.numbers(
            table.Column("temperature_c", calculators.SORPTION_RANGE_C),
            table.Column("rh_pct", calculators.HUMIDITY_RANGE_PCT),
        ),
    )
    if csv_file is not None or temperature_c is None or rh_pct is None:
        table.show_rows(at, {name: answers[name] for name in CSV_QUANTITIES}, as_json=as_json)
        return
    caveats = calculators.caveats(kind, temperature_c, rh_pct)
    if as_json:
        given = {"temperature_c": temperature_c, "rh_pct": rh_pct}
        table.show_one(given | table.first(answers) | caveats)
        return
    typer.echo(caveats["title"])
    table.show_labelled(table.first(answers), LABELS)
    for sentence in _sentences(caveats):
        typer.echo(sentence)


def _sentences(caveats: dict[str, Any]) -> list[str]:
    spread = 100.0 * float(caveats["sigma_ln_capacity"])
    told = [f"Lots differ by about ±{spread:.0f} % (one standard deviation)."]
    if caveats["weak"]:
        told.append("This curve is weak: it comes from few or remembered numbers. Take it as an order of magnitude.")
    if caveats.get("within_measured_range") is False:
        told.append("This is outside the range in which the curve was measured.")
    told += [SHOWS[caveats["humidity_shows"]]] if "humidity_shows" in caveats else []
    if "drying_branch" in caveats and caveats["drying_branch"]["loading_factor"] > 1.0:
        branch = caveats["drying_branch"]
        told.append(
            f"If it was wetter before, it holds {branch['loading_factor']:.2f} ± {branch['sigma']:.2f} times as much."
        )
    if "color" in caveats:
        color = caveats["color"]
        chance = 100.0 * color["chance_turned"]
        told.append(f"Chance that such beads look {color['turned']} and no longer {color['dry']}: {chance:.0f} %.")
        told.append("Color can show that beads are spent, never that they are dry.")
        told.append(f"Caution: {color['caution']}.")
    if "max_regeneration_c" in caveats:
        told.append(f"Keep below {caveats['max_regeneration_c']:.0f} °C when drying. The maker's sheet comes first.")
    if "spool_time_constant_days" in caveats:
        told.append(
            "A wound spool follows slowly, with a time constant of about"
            f" {caveats['spool_time_constant_days']:.1f} days."
        )
    return told
