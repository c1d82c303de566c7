"""`siccast recharge`: a drying run from the first weighing to the verdict, as plain calls."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.desk.report import (
    say_beginning,
    say_cautions,
    show_report,
    show_result,
)
from monitor.cli.desk.session import At, DeskSession, RoomAir, Sure, open_desk
from monitor.cli.session import AsJson
from monitor.errors import UnconfirmedError
from monitor.presentation import quantities
from monitor.records import SensorSpec
from monitor.records.declared import POWER_RANGE_W
from monitor.records.desk_events import BeadsStirred, ColorSeen, RunWeighed
from monitor.records.names import hint

recharge = typer.Typer(
    help="Dry beads, and see by weight how dry they are.\n\nIf you did not weigh the beads while they dried, use"
    " `siccast log recharge`.",
    no_args_is_help=True,
)

RunName = Annotated[
    str | None,
    typer.Option("--run", help="Name of the run (like bowl-1) or of its charge. Default: the run in progress."),
]
TareScale = Annotated[
    str | None,
    typer.Option(
        metavar="same|grams",
        help="How the empty holder was weighed: on the scale as it is set now (same), or in grams (grams)."
        " Default: siccast finds out from earlier weighings.",
    ),
]
Step = Annotated[
    str | None, typer.Option("--step", help="Smallest step of the scale, like 0.1g. Default: as you typed the weight.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    from monitor.cli.desk import charts, guide

    recharge.command("guide")(guide.guide)
    recharge.command("compare")(charts.compare)
    recharge.command("reach")(charts.reach)
    app.add_typer(recharge, name="recharge")


@recharge.command()
def start(
    context: typer.Context,
    charge: Annotated[str, typer.Argument(metavar="CHARGE", help="The charge to dry.")],
    appliance: Annotated[
        str, typer.Argument(metavar="APPLIANCE", help="An appliance of the shelf file, or any name with --kind.")
    ],
    *,
    kind: Annotated[str | None, typer.Option(help="microwave, oven, filament_dryer, print_bed or other.")] = None,
    temperature: Annotated[
        str | None, typer.Option(help="What it is set to, like 110. Default: as in the shelf file.")
    ] = None,
    power_w: Annotated[
        float | None, typer.Option(min=POWER_RANGE_W[0], max=POWER_RANGE_W[1], help="Its power in W.")
    ] = None,
    room: RoomAir = None,
    tare: Annotated[
        str | None,
        typer.Option(
            help="Weight of the empty holder on this scale. 0 if you zeroed the scale with it. Default: as for"
            " `charge weigh-out`."
        ),
    ] = None,
    weight: Annotated[
        str | None, typer.Option(help="Weight on the scale before heating, with the holder if it has a --tare.")
    ] = None,
    step: Step = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Start to dry a charge: begin a run in an appliance.

    Shows how dry the beads can get today, and what to be careful of. Next: `siccast recharge weigh`.
    """
    from monitor.presentation import desk_input

    with open_desk(context, at) as it:
        tool = desk_input.appliance(it.desk, it.shelf, appliance, kind=kind, temperature=temperature, power_w=power_w)
        empty_g = None if tare is None else quantities.tare_g(tare, it.shelf)
        shown_g = None if weight is None else quantities.mass_g(weight, it.shelf)
        step_g = desk_input.step_g(step, weight or "", it.shelf)
        run = it.desk.start(charge, tool, it.at, room=quantities.room(room, it.shelf), tare_g=empty_g, confirmed=sure)
        report = None
        if shown_g is not None:
            try:
                report = it.desk.weigh(RunWeighed(run.name, 0.0, shown_g, step_g), it.at, confirmed=sure)
            except UnconfirmedError as error:
                ends = "" if str(error).endswith("?") else "."
                raise UnconfirmedError(
                    f"{error}{ends} The run has not started. Start it again with the right weight. Or start it without"
                    " --weight, log what happened, and then weigh"
                ) from error
        if not as_json:
            say_beginning(it, run.name)
        if report is not None:
            show_report(it, report, as_json=as_json)
        if not as_json:
            typer.echo(_to_undo_start(it, weighed=report is not None))
        elif report is None:
            from monitor.cli.output import show_json
            from monitor.presentation.desk_answers import method_answer

            show_json({"run": run.name, "method": method_answer(it.desk.method_of(run))})


@recharge.command()
def weigh(
    context: typer.Context,
    weight: Annotated[
        str, typer.Argument(metavar="WEIGHT", help="Weight on the scale, with the holder if it has a --tare.")
    ],
    *,
    after: Annotated[
        str | None, typer.Option(help="Heating since the last weighing, like 3 (minutes) or 8h. Default: 0.")
    ] = None,
    total: Annotated[str | None, typer.Option(help="Heating since the start of the run, instead of --after.")] = None,
    run: RunName = None,
    step: Step = None,
    hot: Annotated[bool, typer.Option(help="The beads were still hot.")] = False,
    scale: Annotated[
        str | None, typer.Option(help="What the scale was set to instead of grams: milk, oil, ounces, or a density.")
    ] = None,
    tare: Annotated[str | None, typer.Option(help="Weight of the empty holder, if it is another one now.")] = None,
    tare_scale: TareScale = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Record a weighing of the run, and see what it means."""
    from monitor.presentation import desk_input

    typed = desk_input.TypedWeighing(weight, after, total, step, hot, scale, tare, tare_scale)
    with open_desk(context, at) as it:
        weighed = desk_input.weighing(it.desk.inventory().open_run(run), typed, it.shelf)
        show_report(it, it.desk.weigh(weighed, it.at, confirmed=sure), as_json=as_json)
        if not as_json:
            typer.echo(it.to_undo())


@recharge.command()
def rescale(
    context: typer.Context,
    unit: Annotated[str, typer.Argument(help="What the scale was set to: milk, oil, ounces, a density, or grams.")],
    run: RunName = None,
    *,
    tare_scale: TareScale = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Correct the unit of all weighings of a run.

    Use this if the scale was set to another unit all along. siccast then reads every weighing in that unit.
    """
    from monitor.presentation import desk_input

    factor, tare_factor = desk_input.scale_factor(unit), desk_input.tare_factor(tare_scale, unit)
    with open_desk(context, at) as it:
        report = it.desk.rescale(run, factor, unit, it.at, tare_factor=tare_factor, confirmed=sure)
        show_report(it, report, as_json=as_json)
        if not as_json:
            typer.echo(it.to_undo())


@recharge.command()
def spilled(
    context: typer.Context,
    *,
    grams: Annotated[
        str | None,
        typer.Option(
            metavar="WEIGHT",
            help="How much fell out, like 20 (grams) or 0.5oz. If you don't know, the next weighings show it.",
        ),
    ] = None,
    weight: Annotated[
        str | None,
        typer.Option(help="Weight on the scale now, with the holder, and no heating since the last weighing."),
    ] = None,
    at_heat: Annotated[
        str | None,
        typer.Option(help="Heating since the start when it happened, if you weighed since. Like 6 or 8h."),
    ] = None,
    run: RunName = None,
    step: Step = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Record that beads fell out during a run.

    Give what fell out (--grams), or the weight now (--weight), or neither if you don't know. siccast then judges the
    beads that are left.
    """
    if grams is not None and weight is not None:
        raise typer.BadParameter("give --grams (what fell out) or --weight (on the scale now), not both")
    if at_heat is not None and weight is not None:
        raise typer.BadParameter("give --weight (on the scale now) or --at-heat (an earlier time), not both")
    from monitor.presentation import desk_input

    with open_desk(context, at) as it:
        going = it.desk.inventory().open_run(run)
        lost_g = desk_input.lost_g(grams, it.shelf)
        left = None
        if weight is not None:
            left = desk_input.weighing(going, desk_input.TypedWeighing(weight, step=step), it.shelf)
        then_s = None if at_heat is None else quantities.heating_s(at_heat)
        report = it.desk.spill(going.name, it.at, lost_g=lost_g, left=left, at_heat_s=then_s, confirmed=sure)
        if report is not None:
            show_report(it, report, as_json=as_json)
        else:
            typer.echo(f"Saved for run {going.name}. Weigh what is left before you heat it.")
        if not as_json:
            typer.echo(it.to_undo())


@recharge.command()
def stir(context: typer.Context, run: RunName = None, at: At = None) -> None:
    """Record that you stirred the beads of a run.

    The log and the curve then show when. The estimate does not change by it: what it brought, the next weighings say.
    """
    from monitor.desk.run_remarks import STIRRED

    with open_desk(context, at) as it:
        going = it.desk.inventory().open_run(run)
        it.keep(BeadsStirred(going.name), f"Saved: the beads of run {going.name} were stirred")
        typer.echo(STIRRED)


@recharge.command()
def status(
    context: typer.Context,
    run: Annotated[
        str | None,
        typer.Argument(metavar="RUN", help="Name of the run or of its charge. Default: the run in progress."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where a run stands, and what to do next."""
    with open_desk(context, read_only=True) as it:
        inventory = it.desk.inventory()
        name = run if run in inventory.runs else inventory.open_run(run).name
        if not inventory.run(str(name)).weighings:
            typer.echo(
                f"run {name} has no weighing yet. Weigh the beads before you heat them: `siccast recharge weigh`"
            )
            return
        show_report(it, it.desk.report(str(name)), as_json=as_json)


@recharge.command()
def finish(context: typer.Context, run: RunName = None, at: At = None, as_json: AsJson = False) -> None:
    """Finish a run.

    How dry the beads are stays with the charge. The forecast of the box that gets them starts from it.
    """
    from monitor.desk.cautions import at_the_end
    from monitor.desk.told_by_box import came_from
    from monitor.presentation.desk_wording import jar_sentence

    with open_desk(context, at) as it:
        report = it.desk.finish(run, it.at)
        undo, services = it.to_undo(), it.desk.services(report.run.start.charge, it.at)
        of = came_from(report.run, [box.name for box in it.desk.boxes])
        if as_json:
            show_report(it, report, as_json=True)
    if not as_json:
        charge = report.run.start.charge
        put = hint("charge", "put", charge, of) if of else hint("charge", "put", charge, then="BOX")
        typer.echo(f"Run {report.run.name} is finished. {undo}")
        show_result(report, services, it.wording, of)
        typer.echo(
            f"{jar_sentence(report)}. To check: `siccast recharge jar-check RH T` (RH first, then the temperature)."
        )
        typer.echo(f"Next: {put}.")
        say_cautions(at_the_end(), it.wording)


@recharge.command("jar-check")
def jar_check(
    context: typer.Context,
    humidity: Annotated[str, typer.Argument(metavar="RH", help="Humidity that the hygrometer shows, in %.")],
    temperature: Annotated[str, typer.Argument(metavar="T", help="Temperature that it shows, in the shelf's unit.")],
    *,
    charge: Annotated[str | None, typer.Option(help="The charge. Default: the one dried last.")] = None,
    # per cent RH; judgement: wider than any hygrometer's sheet
    accuracy: Annotated[float, typer.Option(min=0.1, max=20.0, help="Accuracy of the hygrometer, ± % RH.")] = 100.0
    * SensorSpec().accuracy,
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """Record the humidity over beads in a jar: how dry are they?

    Close the cooled beads in a jar with the hygrometer. Read it after a day. Give RH first, then temperature: for 5 %
    at 22 °C, `siccast recharge jar-check 5 22`.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.desk_amounts import water

    with open_desk(context, at) as it:
        name = charge or it.desk.last_dried()
        degc = quantities.temperature_degc(temperature, it.shelf)
        weighed = it.desk.inventory().charge(name).loading_g_per_g is not None
        verdict = it.desk.jar_check(name, quantities.humidity(humidity), degc, accuracy / 100.0, it.at)
        undo = it.to_undo()
    if as_json:
        show_json({"charge": name, "verdict": verdict})
        return
    typer.echo(f"By the jar alone, the beads of '{name}' hold {water(verdict.alone_g_per_g)}.")
    if verdict.agrees and weighed:
        typer.echo(f"By jar and scale together: {water(verdict.combined_g_per_g)}.")
    elif weighed:
        typer.echo(
            "The scale says something else. siccast uses the jar, because that depends on no weight."
            " Was the jar tight, and closed for a whole day?"
        )
    typer.echo(undo)


@recharge.command("first-days")
def first_days(
    context: typer.Context,
    charge: Annotated[str, typer.Argument(metavar="CHARGE", help="A charge in a box.")],
    as_json: AsJson = False,
) -> None:
    """Show how dry a charge is by its first days in a box.

    The box serves as the jar of a jar check. Nothing is saved.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.desk_amounts import water

    with open_desk(context, read_only=True) as it:
        found = it.desk.first_days(charge)
    if as_json:
        show_json({"charge": charge, "verdict": found})
    elif found is None:
        typer.echo(f"Not yet: '{charge}' must be in a box with readings for three and a half days.")
    else:
        typer.echo(
            f"By the box, '{charge}' holds at most {water(found.alone_g_per_g)}. Spools may have added some of it."
        )


@recharge.command()
def color(
    context: typer.Context,
    seen: Annotated[str, typer.Argument(metavar="COLOR", help="Color of the beads.")],
    charge: Annotated[str | None, typer.Option(help="The charge. Default: the one being dried.")] = None,
    at: At = None,
) -> None:
    """Record the color of the beads, and see what it can mean."""
    from monitor.desk.cautions import on_color
    from monitor.desk.methods import beads_of

    with open_desk(context, at) as it:
        inventory = it.desk.inventory()
        name = charge or inventory.open_run().start.charge
        it.keep(ColorSeen(name, seen.lower()), f"Saved: charge '{name}' looks {seen.lower()}")
        typer.echo(on_color(beads_of(inventory, name), seen.lower()))


def _to_undo_start(it: DeskSession, *, weighed: bool) -> str:
    """Say how a start is taken back: its first weighing rests on it, and has to go first."""
    if not weighed:
        return it.to_undo()
    start, weighing = (logged.event_id for logged in it.desk.stores.events.events()[-2:])
    return f"To undo: `siccast lot undo {weighing}` (the weighing), then `siccast lot undo {start}` (the start)"
