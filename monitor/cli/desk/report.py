"""What the desk's commands print: how a run begins, where it stands, what to be careful of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.cli.desk.session import DeskSession
    from monitor.desk import RunReport, Service
    from monitor.desk.cautions import Caution
    from monitor.presentation.wording import Wording


def say_beginning(it: DeskSession, run_name: str) -> None:
    """Say what the method can reach today, and what to be careful of."""
    from monitor.cli.output import say
    from monitor.desk.cautions import before_heating
    from monitor.desk.methods import beads_of
    from monitor.desk.told_by_box import came_from
    from monitor.presentation.desk_amounts import room_source
    from monitor.presentation.desk_wording import method_sentence

    inventory = it.desk.inventory()
    run = inventory.run(run_name)
    start, method = run.start, it.desk.method_of(run)
    warmth, damp = it.wording.temperature(start.room_temperature_degc), 100 * start.room_relative_humidity
    say(f"Run {run_name} has started. The room is at {warmth} / {damp:.0f} % RH ({room_source(start.room_from)}).")
    typer.echo(method_sentence(method))
    say_services("When finished:", method.services, it.wording, came_from(run, [box.name for box in it.desk.boxes]))
    cautions = before_heating(beads_of(inventory, run.start.charge), run.start.appliance_kind, run.charge_before.holder)
    say_cautions(cautions, it.wording)


def say_services(heading: str, services: Sequence[Service], wording: Wording, of: str) -> None:
    """Say under a heading what beads are good for, one line for each limit among the boxes, first that they are of."""
    from monitor.presentation.desk_wording import service_lines

    if services:
        typer.echo(heading)
    for line in service_lines(services, wording, of):
        typer.echo(f"  {line}".replace("\N{NARROW NO-BREAK SPACE}", " "))


def show_report(it: DeskSession, report: RunReport, *, as_json: bool) -> None:
    """Show where a run stands, its verdict, and what the beads would do in each box."""
    from monitor.cli.output import show_json
    from monitor.desk.told_by_box import came_from
    from monitor.presentation.desk_answers import report_answer
    from monitor.presentation.desk_wording import report_lines, verdict_sentence

    if as_json:
        show_json(report_answer(report))
        return
    for label, value in report_lines(report, it.wording):
        typer.echo(f"  {label:<20} {it.wording.in_own_units(value)}".replace("\N{NARROW NO-BREAK SPACE}", " "))
    for remark in report.remarks:
        typer.echo(f"  {it.wording.in_own_units(remark)}")
    if len(report.run.weighings) > 1:
        of = came_from(report.run, [box.name for box in it.desk.boxes])
        say_services("If you stop now:", report.services, it.wording, of)
    typer.echo(it.wording.in_own_units(verdict_sentence(report, it.wording)).replace("\N{NARROW NO-BREAK SPACE}", " "))


def show_result(report: RunReport, services: Sequence[Service], wording: Wording, of: str) -> None:
    """Show what a run that is finished made of the beads, and which boxes they are good for."""
    from monitor.presentation.desk_wording import result_sentence

    typer.echo(wording.in_own_units(result_sentence(report, wording)).replace("\N{NARROW NO-BREAK SPACE}", " "))
    say_services("What these beads are good for now:", services, wording, of)


def say_cautions(cautions: Sequence[Caution], wording: Wording) -> None:
    """Print what to be careful of, who has the last word, and once at the end where all this comes from."""
    from monitor.desk.cautions import SHEET

    if not cautions:
        return
    typer.echo("Be careful:")
    for caution in cautions:
        typer.echo(f"  ! {wording.in_own_units(caution.text)}")
    typer.echo(f"  ! {SHEET}")
    typer.echo(f"  Sources: {'; '.join(wording.in_own_units(caution.source) for caution in cautions)}.")
