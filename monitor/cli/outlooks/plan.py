"""`siccast plan`: which boxes to dry on which day."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.session import (
    AsJson,
    AsOf,
    BoxName,
    Dask,
    Fresh,
    alone,
    ask,
    has_boxes,
    open_to_read,
    open_to_write,
    shelf_of,
)
from monitor.errors import TypedError, UnknownBoxError
from monitor.presentation import moments
from monitor.presentation.clock import utc_now
from monitor.presentation.plan_wording import HEAT_CAUTION, decision
from monitor.records import DecisionKind, PlanDecision
from monitor.records.declared import PLAN_RANGE_DAYS
from monitor.records.names import hint
from monitor.settings import SHELF_FILE, WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from monitor.cli.session import Assessed
    from monitor.planning.recharge import RechargePlan
    from monitor.presentation.unit_wording import UnitWording
    from monitor.records import Appliance
    from monitor.services.recharge_plan import FullPlan
    from monitor.settings import Shelf

plan = typer.Typer(help="Plan on which days to dry which boxes.")

Day = Annotated[str, typer.Argument(metavar="DAY", help=f"The day: {moments.DAYS}.")]
SKIP_DAYS = 28
"""So long a box is skipped where nobody says otherwise. [days] A judgement: four weeks, and the plan looks again."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(plan, name="plan")


@plan.callback(invoke_without_command=True)
def show(
    context: typer.Context,
    *,
    appliance: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only this appliance; else all in shelf.toml.")
    ] = None,
    days: Annotated[
        int | None, typer.Option(help="How many days ahead to plan, 7 to 365; else what shelf.toml says, or 60.")
    ] = None,
    calendar: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Also write the days to a calendar file (iCalendar); again: what changed."),
    ] = None,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Plan on which days to dry which boxes.

    Boxes share a day where they can, in all appliances, and spare charges go in where that saves heating. As few as
    possible are dried long before they have to be, or too late. Each box gets its reason. Days stay as they were
    announced, unless there is a reason that is said. `siccast plan move`, `skip` and `not` change the plan, and it
    stays changed.
    """
    if context.invoked_subcommand is not None:
        return
    from monitor.cli.output import show_json
    from monitor.day_names import near_day
    from monitor.presentation.plan_answers import full_plan_answer

    if days is not None and not PLAN_RANGE_DAYS[0] <= days <= PLAN_RANGE_DAYS[1]:
        raise typer.BadParameter(f"{days} won't do; a plan covers 7 to 365 days", param_hint="'--days'")
    shelf = shelf_of(context)
    dryers = [_appliance(shelf, appliance)] if appliance else list(shelf.appliances)
    horizon_days = days or shelf.plan.horizon_days
    asked = ask(shelf, as_of=as_of, fresh=fresh, dask=dask)
    today = asked.wording.local_day(asked.as_of)
    of_now = (appliance, days, as_of) == (None, None, None)
    whole = asked.plan() if of_now else _planned(asked, dryers, horizon_days)
    if calendar:
        _write(calendar, whole.plan, asked, keep=of_now)
    if as_json:
        show_json(full_plan_answer(whole, asked.as_of, shelf.plan.currency))
        return
    typer.echo(f"{horizon_days} days from {near_day(today, today)} {today.year}")
    for dryer in dryers:
        typer.echo(_title(dryer, dryer.weekdays or shelf.plan.weekdays))
    if has_boxes(asked):
        _show(whole, today, shelf.plan.currency, asked.wording, names_appliance=len(dryers) > 1)


def _planned(asked: Assessed, dryers: Sequence[Appliance], horizon_days: int) -> FullPlan:
    """Return the plan of another appliance, length or instant, which is neither kept nor announced."""
    from monitor.services.kept_plan import plan_apart, plan_asked

    shelf = replace(asked.shelf, plan=replace(asked.shelf.plan, horizon_days=horizon_days), appliances=tuple(dryers))
    with open_to_read(shelf, shelf.influx) as stores:
        question = plan_asked(
            stores, shelf, asked.as_of, asked.assessments, logged=asked.logged, decisions=asked.decisions
        )
        return plan_apart(question, of_the_past=asked.of_the_past)


def _title(dryer: Appliance, weekdays: Sequence[int]) -> str:
    days = " and ".join(f"{WEEKDAYS[day].capitalize()}s" for day in weekdays)
    places = "the beads of one box" if dryer.batch_boxes == 1 else f"beads of up to {dryer.batch_boxes} boxes"
    return f"{dryer.name}: {places} at a time, on {days}"


def _show(whole: FullPlan, today: date, currency: str, wording: UnitWording, *, names_appliance: bool = True) -> None:
    """Print a plan; the appliance of each day where there is more than one, or spare charges go in."""
    from monitor.cli.output import show_notes, show_table
    from monitor.presentation.plan_table import plan_rows, proof, rule_rows, takes

    planned = whole.plan
    if rows := plan_rows(planned, today):
        headings = ("on", "in", "box", "why", "a week later")
        shown = [place for place in range(len(headings)) if place != 1 or names_appliance or planned.swaps]
        widest: dict[int, int | None] = {2: 24, 3: None, 4: None}  # letters; judgement: most names are shorter
        show_table(
            [headings[place] for place in shown],
            [[row[place] for place in shown] for row in rows],
            wrap={number: widest[place] for number, place in enumerate(shown) if place in widest},
        )
        show_notes("What that takes", [("", takes(whole.worth, currency, wording.mass)), ("", proof(planned))])
        show_notes("Before you heat anything", [("", HEAT_CAUTION)])
    elif whole.unmet:
        typer.echo("\nNo box has a drying day in that time, though some need dry beads.\n")
    else:
        typer.echo("\nNo box needs drying in that time, as far as is known.\n")
    show_notes("Not in time", [(one.box, wording.in_own_units(one.words)) for one in whole.unmet])
    show_notes("Other days than announced", list(planned.changed.items()))
    show_notes("Not in this plan", [(box, wording.in_own_units(why)) for box, why in planned.left_out.items()])
    if whole.worth.rules:
        show_table(("on the same futures", "heating days", "boxes dried", "days over"), rule_rows(whole.worth))
    decided = (*planned.decided.in_force, *planned.decided.to_be_logged)
    show_notes("What you decided", [(f"number {one.decision_id}", f"{decision(one, today)}.") for one in decided])


@plan.command()
def move(context: typer.Context, box: BoxName, day: Day) -> None:
    """Dry a box on another day. The other boxes are planned around it."""
    _keep(context, DecisionKind.moved, day, box)


@plan.command()
def skip(
    context: typer.Context,
    box: BoxName,
    until: Annotated[
        str | None, typer.Option(metavar="DAY", help=f"The first day it may be dried again. Default: {SKIP_DAYS} days.")
    ] = None,
) -> None:
    """Leave a box out of the plan for some time."""
    try:
        _keep(context, DecisionKind.skip, until, box)
    except UnknownBoxError as error:
        if not moments.is_named_day(box):
            raise
        raise UnknownBoxError(f"'{box}' is a day, not a box. {hint('plan', 'not', box)} leaves that day out") from error


@plan.command(name="not")
def not_that_day(
    context: typer.Context,
    day: Day,
    last: Annotated[
        str | None, typer.Argument(metavar="LAST", help="The last of several days, from the first one on.")
    ] = None,
) -> None:
    """Dry nothing on a day, or from a first to a last one.

    For when you are away. Boxes that fall due in that time are planned before, where a day has a place for them.
    """
    _keep(context, DecisionKind.not_that_day, day, last=last)


@plan.command()
def undo(
    context: typer.Context, number: Annotated[int, typer.Argument(help="Number of the decision in `siccast plan`.")]
) -> None:
    """Undo a decision that `siccast plan` lists."""
    shelf = shelf_of(context)
    with open_to_write(shelf) as stores:
        taken_back = stores.plan_decisions.undo(number, utc_now())
    typer.echo(f"undid decision {number}: {decision(taken_back, taken_back.on)}")


def _keep(context: typer.Context, kind: DecisionKind, day: str | None, box: str = "", last: str | None = None) -> None:
    shelf = shelf_of(context)
    today = shelf.now(utc_now()).astimezone(shelf.timezone).date()
    try:
        on, until = _days(kind, day, last, today)
    except TypedError as error:
        raise typer.BadParameter(str(error), param_hint="'DAY'") from None
    with open_to_write(shelf) as stores, alone(shelf, stores) as shelf:
        named = arguments.box_not_room(box, shelf, stores) if box else ""
        kept = PlanDecision(kind, on, named, last=until)
        number = stores.plan_decisions.keep(kept, utc_now())
    typer.echo(f"{decision(kept, today)}. To undo: `siccast plan undo {number}`")


def _days(kind: DecisionKind, day: str | None, last: str | None, today: date) -> tuple[date, date | None]:
    """Return the day that is meant, and of several the last one."""
    if day is None:
        return today + timedelta(days=SKIP_DAYS), None
    if kind is DecisionKind.not_that_day:
        return moments.days_ahead(day, last, today)
    return moments.day_ahead(day, today, PLAN_RANGE_DAYS[1] if kind is DecisionKind.moved else None), None


def _write(file: Path, planned: RechargePlan, asked: Assessed, *, keep: bool) -> None:
    """Write the days to a file; a plan of another appliance, length or instant is no announcement."""
    from monitor.cli.output import whole_file
    from monitor.presentation.plan_calendar import calendar_of

    shelf = asked.shelf
    with whole_file(file) as beside, open_to_read(shelf, shelf.influx) as stores:
        text = calendar_of(
            stores, shelf, planned, answers=asked.assessments, as_of=asked.as_of, now=utc_now(), keep=keep
        )
        beside.write_bytes(text)


def _appliance(shelf: Shelf, name: str | None) -> Appliance:
    for there in shelf.appliances:
        if name in (None, there.name):
            return there
    known = ", ".join(there.name for there in shelf.appliances)
    raise typer.BadParameter(
        f"'{name}' is not an appliance in {shelf.folder / SHELF_FILE}; there are: {known}", param_hint="'--appliance'"
    )
