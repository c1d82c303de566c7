"""`siccast lot ageing` and `siccast charge saturated`: is the gel as good as new, and the evidence for it."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.desk.session import At, ChargeName, RoomAir, Sure, open_desk
from monitor.cli.session import AsJson
from monitor.errors import LedgerError
from monitor.presentation import quantities
from monitor.records.desk_events import ChargeSaturated

_AIR_NEEDED = "nobody knows the air that they lay in. Add --room with its temperature and humidity, like --room 20/50"


def add_to(lot: typer.Typer, charge: typer.Typer) -> None:
    """Add the commands to their groups."""
    lot.command()(ageing)
    charge.command()(saturated)


def ageing(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="LOT", help="One lot. Default: every lot.")] = None,
    as_json: AsJson = False,
) -> None:
    """Show what each lot still takes up, and when to buy new.

    Runs are compared with the first one, at the humidity the beads came from: a room, a box with a sensor, or what you
    logged with `siccast charge saturated`. Where it is not known, the answer assumes that they were equally full each
    time, and says so.
    """
    from monitor.cli.output import say, show_json, show_table
    from monitor.desk import ageing_of
    from monitor.presentation.ageing_wording import UPTAKE_HEADINGS, ageing_answer, ageing_sentence, uptake_rows

    with open_desk(context, read_only=True) as it:
        inventory, wording = it.desk.inventory(), it.wording
        lots = ageing_of(inventory, it.desk.stores.readings)
    told = list(lots.values()) if name is None else [lots[inventory.lot(name).name]]
    if as_json:
        show_json({"lots": [ageing_answer(each, wording) for each in told]})
        return
    if not told:
        say("There are no lots yet. Start with `siccast lot buy`.")
    for each in told:
        if each.seen:
            show_table(UPTAKE_HEADINGS, uptake_rows(each.seen, wording), right=(2, 3, 4, 6))
        say(wording.in_own_units(ageing_sentence(each, wording)))


def saturated(
    context: typer.Context,
    name: ChargeName,
    *,
    weight: Annotated[
        str | None,
        typer.Option("--weight", help="Weight now, without the holder. Or leave it to the run that follows."),
    ] = None,
    room: RoomAir = None,
    at: At = None,
    sure: Sure = False,
) -> None:
    """Record that a charge lay open until it took up no more water.

    That takes some days, spread thin. It shows what the beads can still hold: `siccast lot ageing`.
    """
    with open_desk(context, at) as it:
        grams = None if weight is None else quantities.mass_g(weight, it.shelf)
        air, known_from = it.desk.room(it.at, quantities.room(room, it.shelf))
        if known_from == "assumed":
            raise LedgerError(_AIR_NEEDED)
        event = ChargeSaturated(name, air.relative_humidity, air.temperature_degc, grams)
        damp = f"{100.0 * air.relative_humidity:.0f} % RH at {it.wording.temperature(air.temperature_degc)}"
        weighs = "" if grams is None else f", {it.wording.mass(grams)}"
        it.keep(event, f"Saved: '{name}' took up all it can from air of {damp}{weighs}", sure=sure)
