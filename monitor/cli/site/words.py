"""`siccast words`: every word that the shelf file and the commands accept, from the tables that check them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import AsJson

if TYPE_CHECKING:
    from collections.abc import Mapping


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(words)


def words(
    about: Annotated[
        str | None, typer.Argument(metavar="ABOUT", help="One list, for example beads or style. Default: all.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List what you may write for beads, filaments, units and so on.

    These are all the words that shelf.toml and the commands accept.
    """
    from monitor.cli.output import show_json, show_notes

    lists = word_lists()
    if about is not None:
        found = [heading for heading in lists if about.lower() in heading.lower()]
        if not found:
            known = ", ".join(heading.partition(" (")[0] for heading in lists)
            raise typer.BadParameter(f"there is no list '{about}'. The lists are: {known}", param_hint="'ABOUT'")
        lists = {heading: lists[heading] for heading in found}
    if as_json:
        show_json({heading: dict(told) for heading, told in lists.items()})
        return
    for heading, told in lists.items():
        show_notes(heading, [(f"  {word}", line) for word, line in told.items()])


def word_lists() -> dict[str, Mapping[str, str]]:
    """Return every list of words, under what it is for and where it is written."""
    from monitor.desk.cautions import colors
    from monitor.desk.traps import SCALE_UNITS
    from monitor.physics import calculators
    from monitor.records import words as accepted
    from monitor.records.names import NAME_RULE
    from monitor.settings import WEEKDAYS

    filaments = calculators.material_words(calculators.filament_kinds())
    scales = {unit: f"1 on the display counts as {grams:.4g} g" for unit, grams in SCALE_UNITS.items()}
    return {
        "names of boxes, lots, charges and appliances": {"NAME": NAME_RULE},
        "beads (--desiccant, --beads, lot buy)": calculators.material_words(calculators.desiccant_kinds()),
        "filament (spools: material)": {**filaments, accepted.OTHER_FILAMENT: "a blend that is not in the tables"},
        "style (boxes)": accepted.STYLES,
        "wall_material (boxes)": dict.fromkeys(accepted.WALL_MATERIALS, ""),
        "climate (room)": accepted.CLIMATES,
        "state of a spool (spools: state)": accepted.SPOOL_STATES,
        "core of a spool (boxes: spool_core)": accepted.SPOOL_CORES,
        "appliance (appliances: kind, --kind)": accepted.APPLIANCE_KINDS,
        "method of drying (--method)": accepted.METHODS,
        "state of a charge (--state)": accepted.CHARGE_STATES,
        "color (log color, recharge color)": colors(),
        "scale (--scale, recharge rescale)": scales,
        "temperature unit (temperature_unit, feeds, --temperature-unit)": accepted.TEMPERATURE_UNITS,
        "mass unit (mass_unit, after a weight)": accepted.MASS_UNITS,
        "humidity unit (feeds, --humidity-unit)": accepted.HUMIDITY_UNITS,
        "time unit (feeds, --time-unit)": accepted.TIME_UNITS,
        "weekday (plan, appliances: weekdays)": dict.fromkeys(WEEKDAYS, ""),
    }
