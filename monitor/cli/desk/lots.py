"""`siccast lot` and `siccast charge`: what was bought, what was weighed out of it, and where that is now."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.desk import ageing
from monitor.cli.desk.session import At, ChargeName, Sure, open_desk
from monitor.cli.session import AsJson, BoxName
from monitor.presentation import quantities
from monitor.records.desk_events import (
    ChargePortioned,
    ChargeRetired,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    LotBought,
)
from monitor.records.words import CHARGE_STATES

lot = typer.Typer(help="Record beads that you bought. See or undo what you did.", no_args_is_help=True)
charge = typer.Typer(
    help="Record portions of a lot, from the bag into a box.",
    no_args_is_help=True,
)

Weight = Annotated[str, typer.Argument(metavar="WEIGHT", help="Weight without the holder, like 180, 0.2kg or 6.5oz.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    ageing.add_to(lot, charge)
    app.add_typer(lot, name="lot")
    app.add_typer(charge, name="charge")


@lot.command()
def buy(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="Your name for the lot, like autumn.")],
    kind: Annotated[
        str,
        typer.Argument(
            help="Kind of beads, like orange_gel, silica_gel, mol_sieve or clay. `siccast words beads` lists them."
        ),
    ],
    weight: Weight,
    *,
    at: At = None,
    note: Annotated[str, typer.Option(help="Anything worth remembering.")] = "",
) -> None:
    """Record a purchase of beads."""
    from monitor import desk
    from monitor.presentation.bead_wording import beads as words_for

    with open_desk(context, at) as it:
        beads = desk.kind_of_beads(kind)
        called = words_for(beads)
        on = it.at.astimezone(it.shelf.timezone).date()
        grams = quantities.mass_g(weight, it.shelf)
        said = f"Saved: lot '{name}', {it.wording.mass(grams)} of {called}, bought {on}"
        it.keep(LotBought(quantities.name(name), beads, grams, on, note), said)


@lot.command("list")
def list_lots(context: typer.Context, as_json: AsJson = False) -> None:
    """List lots: how much is left, and whether it is as good as new.

    Says if weights don't add up.
    """
    from monitor.cli.output import show_json, show_table
    from monitor.desk import ageing_of
    from monitor.desk.inventory import discrepancies
    from monitor.presentation.ageing_wording import wear_in_brief
    from monitor.presentation.bead_wording import beads

    with open_desk(context, read_only=True) as it:
        inventory, wording = it.desk.inventory(), it.wording
        aged = ageing_of(inventory, it.desk.stores.readings)
    if as_json:
        lots = [
            {
                "lot": each.name,
                "left_g": each.left_g,
                "bought": each.bought,
                "state": aged[each.name].wear.name,
                "share_of_first": aged[each.name].share_left,
            }
            for each in inventory.lots.values()
        ]
        show_json({"lots": lots, "discrepancies": discrepancies(inventory)})
        return
    rows = [
        (
            each.name,
            beads(each.bought.desiccant),
            str(each.bought.bought_on or ""),
            wording.mass(each.bought.mass_g),
            wording.mass(each.left_g),
            wear_in_brief(aged[each.name]),
        )
        for each in inventory.lots.values()
    ]
    headings = ("lot", "beads", "bought", "weight", "left in the bag", "takes up, of its first run")
    if not rows:
        typer.echo("No lot is written down yet. `siccast lot buy` begins one.")
        return
    show_table(headings, rows, right=(3, 4))
    for sentence in discrepancies(inventory) or ("All grams add up.",):
        typer.echo(wording.in_own_units(sentence))


@lot.command("log")
def show_log(
    context: typer.Context,
    of: Annotated[str | None, typer.Argument(metavar="CHARGE", help="One charge. Default: everything.")] = None,
    as_json: AsJson = False,
) -> None:
    """List what you did with beads. `siccast lot undo NUMBER` takes one back."""
    from monitor.cli.output import show_json, show_table
    from monitor.presentation.desk_log_wording import details, what_was_done

    with open_desk(context, read_only=True) as it:
        events, inventory = it.desk.stores.events.events(), it.desk.inventory()
    wanted = None if of is None else set(inventory.charge(of).events)
    events = [each for each in events if wanted is None or each.event_id in wanted]
    if as_json:
        rows = [{"number": d.event_id, "t": d.at, "deed": type(d.event).__name__, **_fields(d.event)} for d in events]
        show_json({"deeds": rows})
        return
    show_table(
        ("number", "when", "what", "details"),
        [
            (
                str(each.event_id),
                f"{each.at.astimezone(it.shelf.timezone):%Y-%m-%d %H:%M}",
                what_was_done(each.event),
                details(each.event, it.wording),
            )
            for each in events
        ],
        right=(0,),
        wrap={3: None},
    )


@lot.command()
def undo(context: typer.Context, number: Annotated[int, typer.Argument(help="Number in `siccast lot log`.")]) -> None:
    """Undo one entry of `siccast lot log`. The entry is not deleted, only ignored."""
    from monitor.cli.output import say_in_a_line
    from monitor.presentation.desk_log_wording import details, what_was_done

    with open_desk(context) as it:
        taken = it.desk.undo(number)
    at = f"{taken.at.astimezone(it.shelf.timezone):%Y-%m-%d %H:%M}"
    say_in_a_line(f"undid {number} ({what_was_done(taken.event)}, {at}): {details(taken.event, it.wording)}")


@charge.command("weigh-out")
def weigh_out(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="Your name for the charge, like bowl.")],
    lot_name: Annotated[str, typer.Argument(metavar="LOT", help="The lot it comes from.")],
    weight: Weight,
    *,
    state: Annotated[
        str, typer.Option(help="'new' (fresh from the bag), 'room' (lay open in the room for days) or 'unknown'.")
    ] = "new",
    holder: Annotated[str, typer.Option(help="What it sits in: glass, ceramic, metal, PETG, ABS, …")] = "",
    tare: Annotated[str | None, typer.Option(help="Weight of the empty holder.")] = None,
    at: At = None,
    sure: Sure = False,
) -> None:
    """Record that you weighed a portion out of a lot. It becomes a charge with a name."""
    if state not in CHARGE_STATES:
        raise typer.BadParameter(
            f"'{state}' is not valid: choose one of {', '.join(CHARGE_STATES)}", param_hint="'--state'"
        )
    from monitor.presentation.desk_log_wording import how_it_is

    with open_desk(context, at) as it:
        grams = quantities.mass_g(weight, it.shelf)
        empty = None if tare is None else quantities.mass_g(tare, it.shelf)
        event = ChargePortioned(quantities.name(name), lot_name, grams, holder, empty, state)
        of_lot = f"Saved: charge '{name}', {it.wording.mass(grams)} of lot '{lot_name}'"
        it.keep(event, ", ".join(filter(None, [of_lot, how_it_is(event, it.wording)])), sure=sure)


@charge.command("list")
def list_charges(context: typer.Context, as_json: AsJson = False) -> None:
    """List charges: where they are, how heavy and how dry.

    How dry is as of the last weighing.
    """
    from dataclasses import asdict

    from monitor.cli.output import show_json, show_table
    from monitor.presentation.desk_tables import charge_row

    with open_desk(context, read_only=True) as it:
        charges, wording = list(it.desk.inventory().charges.values()), it.wording
    if as_json:
        show_json({"charges": [asdict(each) for each in charges]})
        return
    if not charges:
        typer.echo("No charge is written down yet. `siccast charge weigh-out` begins one.")
        return
    headings = (
        "charge",
        "lot",
        "where",
        "weight",
        "weight when dry",
        "water at the last weighing",
        "times dried",
        "color",
    )
    show_table(headings, [charge_row(each, wording) for each in charges], right=(3, 4, 5, 6))


@charge.command("show")
def show_charge(context: typer.Context, name: ChargeName, as_json: AsJson = False) -> None:
    """Show one charge: weights, runs, water it can hold."""
    from dataclasses import asdict

    from monitor.cli.output import show_json
    from monitor.desk import ageing_of, capacity_of, share_left_of
    from monitor.presentation.desk_tables import charge_lines

    with open_desk(context, read_only=True) as it:
        inventory, wording = it.desk.inventory(), it.wording
        aged = ageing_of(inventory, it.desk.stores.readings)
    found = inventory.charge(name)
    share = share_left_of(aged[found.lot], found)
    runs = [run for run in inventory.runs.values() if run.start.charge == name]
    capacity = capacity_of(inventory, found)
    if as_json:
        told = {
            "capacity_factor": capacity[0],
            "capacity_relative_sd": capacity[1],
            "share_of_first": share,
        }
        show_json({"charge": {**asdict(found), **told}, "runs": [run.name for run in runs]})
        return
    for label, value in charge_lines(found, runs, capacity, wording, share):
        typer.echo(f"  {label:<20} {value}".replace("\N{NARROW NO-BREAK SPACE}", " "))


@charge.command()
def put(
    context: typer.Context,
    name: ChargeName,
    box: BoxName,
    *,
    beside: Annotated[bool, typer.Option(help="Keep the old beads in the box too.")] = False,
    at: At = None,
    sure: Sure = False,
    as_json: AsJson = False,
) -> None:
    """Record that you put a charge into a box.

    The forecast of the box then starts from how dry the charge is. Old beads in the box count as taken out, unless you
    add --beside. If you did not weigh the beads here, use `siccast log charge` instead.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.amounts import sentence
    from monitor.presentation.bead_wording import beads
    from monitor.presentation.desk_amounts import water
    from monitor.presentation.desk_wording import worth
    from monitor.records import Quantiles

    with open_desk(context, at) as it:
        entry = it.desk.put(name, box, it.at, beside=beside, confirmed=sure)
        services, undo = it.desk.services(name, it.at, box), it.to_undo()
    if as_json:
        show_json({"entry": entry})
        return
    known = entry.loading_g_per_g
    dry = "How much water they hold is not known." if known is None else f"They hold {water(Quantiles(*known))}."
    mass = it.wording.mass(entry.dry_mass_g or 0.0)
    said = [f"'{name}' is in box {box}. The box now has {mass} of {beads(entry.desiccant)} (weight when dry). {dry}"]
    said += [sentence(worth(service, it.wording)) for service in services]
    typer.echo("\n".join([*said, undo]).replace("\N{NARROW NO-BREAK SPACE}", " "))


@charge.command("take-out")
def take_out(context: typer.Context, name: ChargeName, at: At = None) -> None:
    """Record that you took a charge out of its box and put it aside."""
    with open_desk(context, at) as it:
        it.desk.take_out(name, it.at)
        undo = it.to_undo()
    typer.echo(f"'{name}' is out of its box (spare). {undo}")


@charge.command()
def split(
    context: typer.Context,
    name: ChargeName,
    into: Annotated[str, typer.Argument(metavar="NEW", help="Name of the new charge.")],
    weight: Weight,
    at: At = None,
) -> None:
    """Record that you made a new charge from part of a charge."""
    with open_desk(context, at) as it:
        grams = quantities.mass_g(weight, it.shelf)
        it.keep(
            ChargeSplit(name, quantities.name(into), grams), f"Saved: '{into}' has {it.wording.mass(grams)} of '{name}'"
        )


@charge.command()
def merge(
    context: typer.Context,
    name: ChargeName,
    into: Annotated[str, typer.Argument(metavar="INTO", help="The charge you poured it into.")],
    at: At = None,
) -> None:
    """Record that you poured a charge into another of its lot."""
    with open_desk(context, at) as it:
        it.keep(ChargesMerged(name, into), f"Saved: '{name}' was poured into '{into}'")


@charge.command("top-up")
def top_up(context: typer.Context, name: ChargeName, weight: Weight, at: At = None, sure: Sure = False) -> None:
    """Record that you added new beads of the same lot to a charge."""
    with open_desk(context, at) as it:
        grams = quantities.mass_g(weight, it.shelf)
        it.keep(ChargeToppedUp(name, grams), f"Saved: '{name}' got {it.wording.mass(grams)} of new beads", sure=sure)


@charge.command()
def retire(
    context: typer.Context,
    name: ChargeName,
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    at: At = None,
) -> None:
    """Mark a charge as no longer used."""
    with open_desk(context, at) as it:
        it.keep(ChargeRetired(name, reason), f"Saved: '{name}' is no longer used" + (f" ({reason})" if reason else ""))


def _fields(event: object) -> dict[str, object]:
    from dataclasses import asdict

    return asdict(event)  # type: ignore[call-overload, no-any-return]
