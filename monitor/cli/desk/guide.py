"""`siccast recharge guide`: the same run prompt by prompt, for someone with a hot bowl in one hand."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import typer

from monitor.cli.desk.report import (
    say_beginning,
    say_cautions,
    show_report,
    show_result,
)
from monitor.cli.desk.session import (
    DeskSession,
    RoomAir,
    open_desk,
)
from monitor.errors import LedgerError, SiccastError, UnconfirmedError
from monitor.presentation import quantities
from monitor.records.desk_events import (
    APPLIANCE,
    ChargeSplit,
    RunWeighed,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeVar

    from monitor.desk import RunReport
    from monitor.desk.inventory import Run
    from monitor.records import LedgerEntry

    Answer = TypeVar("Answer")


def guide(context: typer.Context, room: RoomAir = None) -> None:
    """Dry a charge with siccast asking for each step.

    You can leave with Ctrl-C and go on another day.
    """
    from monitor.desk.cautions import at_the_end, at_the_scale
    from monitor.desk.told_by_box import came_from

    with open_desk(context, step_by_step=True) as it:
        quantities.room(room, it.shelf)  # a slip is told before anything is asked
        run = _going_on(it) or _begin(it, room)
        say_cautions(at_the_scale(), it.wording)
        step_g = _step_g(it, run)
        while True:
            report = _weigh(it, run.name, step_g)
            if report is None:
                break
            show_report(it, report, as_json=False)
        if not it.desk.inventory().run(run.name).weighings or not typer.confirm("Finish this run?", default=True):
            typer.echo(f"Run {run.name} stays open. To go on: `siccast recharge guide`")
            return
        report = it.desk.finish(run.name, it.clock())
        typer.echo(f"Run {run.name} is finished.")
        of = came_from(run, [box.name for box in it.desk.boxes])
        show_result(report, it.desk.services(run.start.charge, it.clock()), it.wording, of)
        say_cautions(at_the_end(), it.wording)
        _into_boxes(it, run.start.charge, of)


def _step_g(it: DeskSession, run: Run) -> float:
    """Return the step of the scale: asked before the first weighing, and the same from then on."""
    for logged in reversed(run.shown):
        if isinstance(logged.event, RunWeighed):
            return logged.event.resolution_g
    return _asked(
        it,
        "Smallest step of the scale",
        "0.1oz" if it.shelf.ounces else "1g",
        lambda text: quantities.given_step_g(text, it.shelf),
    )


def _going_on(it: DeskSession) -> Run | None:
    """Return a run that was left open, where the person wants to go on with it."""
    for run in it.desk.inventory().runs.values():
        if run.open and typer.confirm(
            f"Run {run.name} in the {run.start.appliance} is not finished. Go on with it?", default=True
        ):
            return run
    return None


def _begin(it: DeskSession, room: str | None) -> Run:
    from monitor.presentation.desk_amounts import room_source

    inventory = it.desk.inventory()
    free = [
        charge.name
        for charge in inventory.charges.values()
        if not charge.retired and not charge.place.startswith(APPLIANCE)
    ]
    if not free:
        raise LedgerError(
            "there is no charge to dry. First weigh one out with `siccast charge weigh-out`. Beads that lie in a box by"
            " its log alone: on the page, under Desk; or here as a lot of their kind and weight (`siccast lot buy`)"
        )
    charge = _asked(it, f"Charge to dry ({', '.join(free)})", free[0], lambda t: inventory.active_charge(t).name)
    names = ", ".join(tool.name for tool in it.shelf.appliances)
    tool = _asked(it, f"Appliance ({names})", it.shelf.appliances[0].name, it.desk.appliance)
    air, known_from = it.desk.room(it.clock(), quantities.room(room, it.shelf))
    degrees, letter = it.wording.degrees(air.temperature_degc), it.wording.temperature_unit[-1]
    shown = f"{degrees:.0f}{letter}/{100.0 * air.relative_humidity:.0f}"
    told = _asked(
        it,
        f"Air of the room, temperature/humidity ({room_source(known_from)})",
        shown,
        lambda t: quantities.room(t, it.shelf),
    )
    run = _sure(it, lambda sure: it.desk.start(charge, tool, it.clock(), room=told, confirmed=sure))
    if run is None:
        raise typer.Exit
    say_beginning(it, run.name)
    return run


def _weigh(it: DeskSession, name: str, step_g: float) -> RunReport | None:
    """Ask for one weighing; None where the person is done."""
    weighings = it.desk.inventory().run(name).weighings
    if not weighings:
        shown_g = _asked(it, "Weight on the scale, before heating", None, lambda t: quantities.mass_g(t, it.shelf))
        return _sure(
            it, lambda sure: it.desk.weigh(RunWeighed(name, 0.0, shown_g, step_g), it.clock(), confirmed=sure)
        ) or _weigh(it, name, step_g)
    last = weighings[-1].heated_s - (weighings[-2].heated_s if len(weighings) > 1 else 0.0)
    usual = f"{last / 60.0:g}" if last else None
    more_s = _minutes(it, it.desk.inventory().run(name), weighings[-1].heated_s, usual)
    if more_s == 0.0:
        return None
    shown_g = _asked(it, "Weight on the scale now", None, lambda t: quantities.mass_g(t, it.shelf))
    weighed = RunWeighed(name, weighings[-1].heated_s + more_s, shown_g, step_g)
    return _sure(it, lambda sure: it.desk.weigh(weighed, it.clock(), confirmed=sure)) or _weigh(it, name, step_g)


def _minutes(it: DeskSession, run: Run, before_s: float, usual: str | None) -> float:
    """Ask for the heat since the last weighing, and once more where it is more than such an appliance is given."""
    from monitor.desk.traps import too_long

    while True:
        more_s = _asked(it, "Minutes of heating since the last weighing (0 to stop)", usual, quantities.heating_s)
        found = list(too_long(run, before_s + more_s))
        for trap in found:
            it.say(trap.text)
        if not found or typer.confirm("Is that right?", default=False):
            return more_s


def _into_boxes(it: DeskSession, charge: str, of: str) -> None:
    """Ask where the beads go, box by box, until none are left over."""
    from monitor.presentation import desk_input

    names = ", ".join(box.name for box in it.shelf.boxes)
    while names and typer.confirm("Put beads into a box now?", default=True):
        left_g = it.desk.inventory().charge(charge).mass_g
        box = _asked(it, f"Box ({names})", of or None, it.desk.box)
        read = partial(desk_input.part_g, left_g=left_g, shelf=it.shelf, left=it.wording.mass(left_g))
        part_g = _asked(it, f"How much of the {it.wording.mass(left_g)}", "all", read)
        whole = part_g >= left_g
        name = charge if whole else desk_input.name_of_part(it.desk.inventory(), charge)
        split = None if whole else ChargeSplit(charge, name, part_g)
        entry = _sure(it, partial(_put, it, split, name, box.name))
        if entry is None:
            continue
        typer.echo(f"'{name}' is in {box.name} with {it.wording.mass(entry.dry_mass_g or 0.0)} of dry beads.")
        if whole:
            return


def _put(it: DeskSession, split: ChargeSplit | None, name: str, box: str, sure: bool) -> LedgerEntry:
    with it.alone():
        if split is not None:
            it.desk.keep(split, it.clock())
        return it.desk.put(name, box, it.clock(), confirmed=sure)


def _asked(it: DeskSession, question: str, usual: str | None, read: Callable[[str], Answer]) -> Answer:
    """Ask until the answer can be read; a slip costs one line."""
    while True:
        try:
            return read(typer.prompt(question, default=usual))
        except (typer.BadParameter, SiccastError) as error:
            it.say(str(error))


def _sure(it: DeskSession, attempt: Callable[[bool], Answer]) -> Answer | None:
    """Try; where it looks wrong, ask once more; None where the person takes it back."""
    try:
        return attempt(False)
    except UnconfirmedError as doubt:
        it.say(str(doubt) if str(doubt).endswith("?") else f"{doubt}.")
        return attempt(True) if typer.confirm("Save it anyway?", default=False) else None
    except SiccastError as error:
        it.say(str(error))
        return None
