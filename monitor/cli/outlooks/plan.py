"""`siccast plan`: which boxes to dry on which day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import (
    AsJson,
    AsOf,
    Dask,
    Fresh,
    ask,
    shelf_of,
)
from monitor.records.declared import PLAN_RANGE_DAYS
from monitor.settings import SHELF_FILE, WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from monitor.cli.session import Assessed
    from monitor.records import Appliance
    from monitor.services.assess import RechargePlan
    from monitor.settings import Shelf

CAUTION = (
    "Hot beads, glass and steam burn. Use heat-proof ware, let steam out, and let it cool before you close the box. "
    "Stay below the highest temperature that the maker allows for beads, dye and holder. Follow local rules. Keep "
    "beads with cobalt away from food."
)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(plan)


def plan(
    context: typer.Context,
    *,
    appliance: Annotated[
        str | None, typer.Option(metavar="NAME", help="What dries the beads; else the first in shelf.toml.")
    ] = None,
    days: Annotated[
        int | None, typer.Option(help="How many days ahead to plan, 7 to 365; else what shelf.toml says, or 60.")
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write the days to a calendar file (iCalendar).")
    ] = None,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Plan on which days to dry which boxes.

    Boxes share a day where they can. As few as possible are dried long before they have to be, or too late. Each box
    gets its reason.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import plan_answer
    from monitor.services.assess import plan_recharges

    if days is not None and not PLAN_RANGE_DAYS[0] <= days <= PLAN_RANGE_DAYS[1]:
        raise typer.BadParameter(f"{days} won't do; a plan covers 7 to 365 days", param_hint="'--days'")
    shelf = shelf_of(context)
    rules, dryer, horizon_days = shelf.plan, _appliance(shelf, appliance), days or shelf.plan.horizon_days
    asked = ask(shelf, as_of=as_of, fresh=fresh, dask=dask)
    today = asked.wording.local_day(asked.as_of)
    planned = plan_recharges(asked.worst_first, dryer, today, rules.weekdays, horizon_days=horizon_days)
    if calendar:
        _write(calendar, planned, asked)
    if as_json:
        show_json(plan_answer(planned, asked.as_of))
        return
    typer.echo(_title(dryer, rules.weekdays, today, horizon_days))
    _show(planned, today)


def _title(dryer: Appliance, weekdays: Sequence[int], today: date, horizon_days: int) -> str:
    from monitor.presentation.wording import near_day

    days = " and ".join(f"{WEEKDAYS[day].capitalize()}s" for day in weekdays)
    places = "the beads of one box" if dryer.batch_boxes == 1 else f"beads of up to {dryer.batch_boxes} boxes"
    return (
        f"{dryer.name}: {places} at a time, on {days}, {horizon_days} days from {near_day(today, today)} {today.year}"
    )


def _show(planned: RechargePlan, today: date) -> None:
    from monitor.cli.output import show_notes, show_table
    from monitor.presentation.wording import near_day

    if planned.days:
        rows = [
            ("" if place else near_day(day.on, today), box, day.reasons[box])
            for day in planned.days
            for place, box in enumerate(day.boxes)
        ]
        show_table(("dry on", "box", "why"), rows, wrap={1: 24, 2: None})
        show_notes("Before you heat anything", [("", CAUTION)])
    else:
        typer.echo("\nNo box needs drying in that time, as far as is known.\n")
    show_notes("Not in this plan", list(planned.left_out.items()))


def _write(file: Path, planned: RechargePlan, asked: Assessed) -> None:
    from monitor.cli.output import whole_file
    from monitor.presentation.calendar import plan_calendar

    with whole_file(file) as beside:
        beside.write_bytes(plan_calendar(planned, asked.shelf.site, asked.as_of))


def _appliance(shelf: Shelf, name: str | None) -> Appliance:
    for there in shelf.appliances:
        if name in (None, there.name):
            return there
    known = ", ".join(there.name for there in shelf.appliances)
    raise typer.BadParameter(
        f"'{name}' is not an appliance in {shelf.folder / SHELF_FILE}; there are: {known}", param_hint="'--appliance'"
    )
