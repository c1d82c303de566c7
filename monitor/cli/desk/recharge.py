"""`siccast recharge`: a drying run from the first weighing to the verdict, as plain calls."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.desk import quantities
from monitor.cli.desk.report import (
    say_beginning,
    say_cautions,
    show_report,
)
from monitor.cli.desk.session import (
    AsJson,
    At,
    DeskSession,
    RoomAir,
    Sure,
    open_desk,
)
from monitor.errors import UnconfirmedError
from monitor.records import SensorSpec
from monitor.records.declared import APPLIANCE_RANGE_DEGC, POWER_RANGE_W
from monitor.records.desk_events import ColorSeen, RunWeighed
from monitor.records.names import hint
from monitor.records.words import APPLIANCE_KINDS

if TYPE_CHECKING:
    from monitor.records import Appliance

recharge = typer.Typer(help="Dry beads by weight: how dry are they, and is more of it worth it?", no_args_is_help=True)

RunName = Annotated[str | None, typer.Option("--run", help="Run or charge; the one going on when left out.")]
TareScale = Annotated[
    str | None,
    typer.Option(
        metavar="same|grams",
        help="Whether the empty holder was weighed on the scale as it stands, or in true grams; else the books tell.",
    ),
]
Step = Annotated[str | None, typer.Option("--step", help="Smallest step the scale shows; as typed when left out.")]


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
        str, typer.Argument(metavar="APPLIANCE", help="A declared appliance, or any name with --kind.")
    ],
    *,
    kind: Annotated[str | None, typer.Option(help="microwave, oven, filament_dryer, print_bed or other.")] = None,
    temperature: Annotated[
        str | None, typer.Option(help="What it is set to, where it is not the declared one.")
    ] = None,
    power_w: Annotated[
        float | None, typer.Option(min=POWER_RANGE_W[0], max=POWER_RANGE_W[1], help="Its power, W.")
    ] = None,
    room: RoomAir = None,
    tare: Annotated[str | None, typer.Option(help="Weight of the empty holder on this scale; 0 if zeroed.")] = None,
    weight: Annotated[str | None, typer.Option(help="The first weighing, before the heat.")] = None,
    step: Step = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Begin a run: what this method can reach today, and what to be careful of."""
    with open_desk(context, at) as it:
        tool = named_appliance(it, appliance, kind, temperature, power_w)
        empty_g = None if tare is None else quantities.tare_g(tare, it.shelf)
        shown_g = None if weight is None else quantities.mass_g(weight, it.shelf)
        step_g = _step_g(it, step, weight or "")
        run = it.desk.start(charge, tool, it.at, room=quantities.room(room, it.shelf), tare_g=empty_g, confirmed=sure)
        report = None
        if shown_g is not None:
            try:
                report = it.desk.weigh(RunWeighed(run.name, 0.0, shown_g, step_g), it.at, confirmed=sure)
            except UnconfirmedError as error:
                raise UnconfirmedError(
                    f"{error}: the run has not begun. Start it again with the right weight; or without --weight,"
                    " say then what happened, and weigh"
                ) from error
        if not as_json:
            say_beginning(it, run.name)
        if report is not None:
            show_report(it, report, as_json=as_json)
        elif as_json:
            from monitor.cli.output import show_json
            from monitor.presentation.desk_wording import method_answer

            show_json({"run": run.name, "method": method_answer(it.desk.method_of(run))})


@recharge.command()
def weigh(
    context: typer.Context,
    weight: Annotated[str, typer.Argument(metavar="WEIGHT", help="What the scale shows, holder and all.")],
    *,
    after: Annotated[str | None, typer.Option(help="Heating since the last weighing, as in 3 (minutes) or 8h.")] = None,
    total: Annotated[str | None, typer.Option(help="Heating in all, instead of --after.")] = None,
    run: RunName = None,
    step: Step = None,
    hot: Annotated[bool, typer.Option(help="They were still hot.")] = False,
    scale: Annotated[
        str | None, typer.Option(help="What the scale stood on instead of grams: milk, oil, ounces, or a density.")
    ] = None,
    tare: Annotated[str | None, typer.Option(help="Weight of the empty holder, where it is another one now.")] = None,
    tare_scale: TareScale = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Write a weighing down and learn what it means."""
    if after is not None and total is not None:
        raise typer.BadParameter("say --after (since the last weighing) or --total (in all), not both")
    with open_desk(context, at) as it:
        going = it.desk.inventory().open_run(run)
        before_s = going.weighings[-1].heated_s if going.weighings else 0.0
        if total is not None:
            heated_s = quantities.heating_s(total)
        else:
            heated_s = before_s + (quantities.heating_s(after) if after is not None else 0.0)
        weighed = RunWeighed(
            going.name,
            heated_s,
            quantities.mass_g(weight, it.shelf),
            _step_g(it, step, weight),
            hot,
            1.0 if scale is None else scale_factor(scale),
            tare_factor(tare_scale, scale),
            None if tare is None else quantities.tare_g(tare, it.shelf),
        )
        show_report(it, it.desk.weigh(weighed, it.at, confirmed=sure), as_json=as_json)


@recharge.command()
def rescale(
    context: typer.Context,
    unit: Annotated[str, typer.Argument(help="What the scale stood on: milk, oil, ounces, a density, or grams.")],
    run: RunName = None,
    *,
    tare_scale: TareScale = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """The scale stood on something else all along: every weighing of the run is taken as that."""
    with open_desk(context, at) as it:
        report = it.desk.rescale(
            run, scale_factor(unit), unit, it.at, tare_factor=tare_factor(tare_scale, unit), confirmed=sure
        )
        show_report(it, report, as_json=as_json)


@recharge.command()
def spilled(
    context: typer.Context,
    *,
    grams: Annotated[
        str | None,
        typer.Option(
            metavar="WEIGHT", help="How much fell out, as in 20 (grams) or 0.5oz; else the next weighings tell."
        ),
    ] = None,
    weight: Annotated[
        str | None, typer.Option(help="What the scale shows now, holder and all, with no heat since the last weighing.")
    ] = None,
    at_heat: Annotated[
        str | None,
        typer.Option(help="Heat in all when it happened, where weighings have been made since; as in 6 or 8h."),
    ] = None,
    run: RunName = None,
    step: Step = None,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Beads fell out of a run: how many, what is left, or nobody knows; what is left is judged without them."""
    if grams is not None and weight is not None:
        raise typer.BadParameter("say --grams (what fell out) or --weight (what the scale shows now), not both")
    if at_heat is not None and weight is not None:
        raise typer.BadParameter("--weight is what the scale shows now, and --at-heat is about earlier")
    with open_desk(context, at) as it:
        going = it.desk.inventory().open_run(run)
        lost_g = None if grams is None else quantities.mass_g(grams if grams[-1:].isalpha() else f"{grams}g", it.shelf)
        left = None
        if weight is not None:
            heated_s = going.weighings[-1].heated_s if going.weighings else 0.0
            left = RunWeighed(going.name, heated_s, quantities.mass_g(weight, it.shelf), _step_g(it, step, weight))
        then_s = None if at_heat is None else quantities.heating_s(at_heat)
        report = it.desk.spill(going.name, it.at, lost_g=lost_g, left=left, at_heat_s=then_s, confirmed=sure)
        if report is not None:
            show_report(it, report, as_json=as_json)
        else:
            typer.echo(f"Noted for run {going.name}; weigh what is left before the heat.")


@recharge.command()
def status(
    context: typer.Context,
    run: Annotated[
        str | None, typer.Argument(metavar="RUN", help="Run or charge; the one going on when left out.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where a run stands."""
    with open_desk(context, read_only=True) as it:
        inventory = it.desk.inventory()
        name = run if run in inventory.runs else inventory.open_run(run).name
        if not inventory.run(str(name)).weighings:
            typer.echo(f"run {name} has no weighing yet: weigh the beads before the heat")
            return
        show_report(it, it.desk.report(str(name)), as_json=as_json)


@recharge.command()
def finish(context: typer.Context, run: RunName = None, at: At = None, as_json: AsJson = False) -> None:
    """End a run; what it told of the beads stays with the charge and goes into the next box."""
    from monitor.desk.cautions import at_the_end
    from monitor.presentation.desk_wording import jar_sentence, verdict_sentence

    with open_desk(context, at) as it:
        report = it.desk.finish(run, it.at)
        if as_json:
            show_report(it, report, as_json=True)
    if not as_json:
        typer.echo(verdict_sentence(report, it.wording).replace("\N{NARROW NO-BREAK SPACE}", " "))
        typer.echo(f"{jar_sentence(report)}; tell `siccast recharge jar-check RH T`.")
        put = hint("charge", "put", report.run.start.charge, then="BOX")
        typer.echo(f"Run {report.run.name} is finished. {put} is next.")
        say_cautions(at_the_end(), it.wording)


@recharge.command("jar-check")
def jar_check(
    context: typer.Context,
    humidity: Annotated[str, typer.Argument(metavar="RH", help="What the hygrometer shows, per cent.")],
    temperature: Annotated[str, typer.Argument(metavar="T", help="Temperature in the jar.")],
    *,
    charge: Annotated[str | None, typer.Option(help="The charge; the last one dried when left out.")] = None,
    # per cent RH; judgement: wider than any hygrometer's sheet
    accuracy: Annotated[float, typer.Option(min=0.1, max=20.0, help="Of the hygrometer, ± per cent RH.")] = 100.0
    * SensorSpec().accuracy,
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """Judge dryness by a hygrometer over the cooled beads in a closed jar, after a day."""
    from monitor.cli.output import show_json
    from monitor.presentation.desk_wording import shares

    with open_desk(context, at) as it:
        name = charge or it.desk.last_dried()
        degc = quantities.temperature_degc(temperature, it.shelf)
        weighed = it.desk.inventory().charge(name).loading_g_per_g is not None
        verdict = it.desk.jar_check(name, quantities.humidity(humidity), degc, accuracy / 100.0, it.at)
    if as_json:
        show_json({"charge": name, "verdict": verdict})
        return
    typer.echo(f"The jar alone says {shares(verdict.alone_g_per_g)} of water in the beads of '{name}'.")
    if verdict.agrees and weighed:
        typer.echo(f"Together with the scale: {shares(verdict.combined_g_per_g)}.")
    elif weighed:
        typer.echo(
            "The scale says otherwise; the jar counts: it needs no dry mass. Was the jar tight and the day long?"
        )


@recharge.command("first-days")
def first_days(
    context: typer.Context,
    charge: Annotated[str, typer.Argument(metavar="CHARGE", help="A charge in a box.")],
    as_json: AsJson = False,
) -> None:
    """Read a jar check off the first days of a box, once they are over."""
    from monitor.cli.output import show_json
    from monitor.presentation.desk_wording import shares

    with open_desk(context, read_only=True) as it:
        found = it.desk.first_days(charge)
    if as_json:
        show_json({"charge": charge, "verdict": found})
    elif found is None:
        typer.echo(f"Not yet: '{charge}' has to lie in a box with readings for three and a half days.")
    else:
        typer.echo(f"The box says at most {shares(found.alone_g_per_g)} in '{charge}'; spools may have added to it.")


@recharge.command()
def color(
    context: typer.Context,
    seen: Annotated[str, typer.Argument(metavar="COLOR", help="What the beads look like.")],
    charge: Annotated[str | None, typer.Option(help="The charge; the one being dried when left out.")] = None,
    at: At = None,
) -> None:
    """Write down what color the beads show, and hear what that can mean."""
    from monitor.desk.cautions import on_color
    from monitor.desk.methods import beads_of

    with open_desk(context, at) as it:
        inventory = it.desk.inventory()
        name = charge or inventory.open_run().start.charge
        it.keep(ColorSeen(name, seen.lower()), f"'{name}' looks {seen.lower()}")
        typer.echo(on_color(beads_of(inventory, name), seen.lower()))


def named_appliance(
    it: DeskSession, name: str, kind: str | None = None, temperature: str | None = None, power_w: float | None = None
) -> Appliance:
    """Return a declared appliance with what was said otherwise, or one that was only said."""
    from dataclasses import replace

    from monitor.records import Appliance

    if kind is not None and kind not in APPLIANCE_KINDS:
        raise typer.BadParameter(f"'{kind}' won't do; it is one of {', '.join(APPLIANCE_KINDS)}", param_hint="'--kind'")
    tool = it.desk.appliance(name) if kind is None else Appliance(name, kind)
    if temperature is not None:
        degc = quantities.temperature_degc(temperature, it.shelf)
        if not APPLIANCE_RANGE_DEGC[0] <= degc <= APPLIANCE_RANGE_DEGC[1]:
            right = "68 to 572 °F" if it.shelf.fahrenheit else "20 to 300 °C"
            raise typer.BadParameter(f"'{temperature}' won't do; an appliance dries at {right}")
        tool = replace(tool, temperature_degc=degc)
    return tool if power_w is None else replace(tool, power_w=power_w)


def _step_g(it: DeskSession, step: str | None, shown: str) -> float:
    return quantities.step_g(shown, it.shelf) if step is None else quantities.given_step_g(step, it.shelf)


def tare_factor(text: str | None, scale: str | None) -> float | None:
    """Return grams for one of what the empty holder was told in; None where the books have to tell."""
    if text is None:
        return None
    if text not in ("same", "grams"):
        raise typer.BadParameter(f"'{text}' won't do; it is same or grams", param_hint="'--tare-scale'")
    return 1.0 if text == "grams" or scale is None else scale_factor(scale)


def scale_factor(text: str) -> float:
    """Return grams for one of what the scale showed."""
    from monitor.desk.traps import SCALE_UNITS

    known = {
        **SCALE_UNITS,
        "water": 1.0,
        "grams": 1.0,
        "g": 1.0,
        "oz": SCALE_UNITS["ounces"],
    }
    if text.lower() in known:
        return known[text.lower()]
    try:
        density = quantities.number(text)
    except ValueError:
        density = 0.0
    if not 0.5 <= density <= 2.0:
        raise typer.BadParameter(f"'{text}' won't do; say {', '.join(SCALE_UNITS)}, or a density as in 1.03")
    return density
