"""Events add up to inventory, one step for each kind of event; the same events always give the same inventory."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from monitor.desk.inventory import (
    Charge,
    Inventory,
    Loading,
    Lot,
    Run,
    Saturated,
    Spill,
)
from monitor.errors import LedgerError
from monitor.inference.drying.priors import DECLARED_DRY_SD, NEW_LOADING
from monitor.records.desk_events import (
    APPLIANCE,
    BOX,
    SPARE,
    BeadsSpilled,
    BeadsStirred,
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargeSaturated,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    ColorSeen,
    DeskEvent,
    HeatTimed,
    JarChecked,
    LoggedEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.texts import say

if TYPE_CHECKING:
    from datetime import datetime


def replay(events: Iterable[LoggedEvent]) -> Inventory:
    """Return what the events add up to.

    Raises
    ------
    LedgerError
        If an event contradicts those before it, naming the event.
    """
    inventory = Inventory()
    for logged in events:
        inventory = apply(inventory, logged)
    return inventory


def apply(inventory: Inventory, logged: LoggedEvent) -> Inventory:
    """Return the inventory after one more event."""
    step: Callable[[Inventory, LoggedEvent, Any], Inventory] = _STEPS[type(logged.event)]
    return step(inventory, logged, logged.event)


def _with_charge(inventory: Inventory, logged: LoggedEvent, charge: Charge) -> Inventory:
    charge = replace(charge, events=(*charge.events, logged.event_id))
    return replace(inventory, charges={**inventory.charges, charge.name: charge})


def _buy(inventory: Inventory, logged: LoggedEvent, event: LotBought) -> Inventory:
    if event.lot in inventory.lots:
        raise LedgerError(say("lot '{lot}' exists already. Give the new one another name", lot=event.lot))
    return replace(inventory, lots={**inventory.lots, event.lot: Lot(event, event.mass_g, logged.at)})


def _take_out(inventory: Inventory, lot_name: str, mass_g: float) -> Inventory:
    lot = inventory.lot(lot_name)
    return replace(inventory, lots={**inventory.lots, lot_name: replace(lot, left_g=lot.left_g - mass_g)})


def _portion(inventory: Inventory, logged: LoggedEvent, event: ChargePortioned) -> Inventory:
    if event.charge in inventory.charges:
        raise LedgerError(say("charge '{charge}' exists already. Give the new one another name", charge=event.charge))
    charge = Charge(
        event.charge,
        event.lot,
        event.mass_g,
        event.mass_g,
        event.holder,
        event.tare_g,
        event.state,
        lightest_g=event.dried_g,
        dry_mass_g=event.dry_mass_g,
        dry_mass_relative_sd=0.0 if event.dry_mass_g is None else DECLARED_DRY_SD,
        of_box=event.of_box,
    )
    return _with_charge(_take_out(inventory, event.lot, event.mass_g), logged, charge)


def _move(inventory: Inventory, logged: LoggedEvent, event: ChargeMoved) -> Inventory:
    charge = _out_of_its_box(inventory.active_charge(event.charge), logged.at)
    _require_resting(charge)
    for name in event.out:
        out = _out_of_its_box(inventory.active_charge(name), logged.at)
        inventory = _with_charge(inventory, logged, replace(out, place=SPARE))
    return _with_charge(inventory, logged, replace(charge, place=event.place, placed_at=logged.at))


def _out_of_its_box(charge: Charge, at: datetime) -> Charge:
    if not charge.place.startswith(BOX):
        return charge
    return replace(charge.as_it_lies(at), left_box=charge.place.removeprefix(BOX), left_box_at=at)


def _split(inventory: Inventory, logged: LoggedEvent, event: ChargeSplit) -> Inventory:
    charge = inventory.active_charge(event.charge)
    _require_resting(charge)
    if event.into in inventory.charges:
        raise LedgerError(say("charge '{into}' exists already. Give the new part another name", into=event.into))
    if not 0.0 < event.mass_g < charge.mass_g:
        raise LedgerError(
            say(
                "can't split {mass} g off '{charge}': it has only {held} g",
                mass=f"{event.mass_g:g}",
                charge=charge.name,
                held=f"{charge.mass_g:g}",
            )
        )
    share = event.mass_g / charge.mass_g
    part = replace(_scaled(charge, share), name=event.into, place=SPARE, holder="", tare_g=None, events=())
    return _with_charge(_with_charge(inventory, logged, _scaled(charge, 1.0 - share)), logged, part)


def _scaled(charge: Charge, share: float) -> Charge:
    return replace(
        charge,
        mass_g=charge.mass_g * share,
        portioned_g=charge.portioned_g * share,
        lightest_g=None if charge.lightest_g is None else charge.lightest_g * share,
        dry_mass_g=None if charge.dry_mass_g is None else charge.dry_mass_g * share,
    )


def _merge(inventory: Inventory, logged: LoggedEvent, event: ChargesMerged) -> Inventory:
    poured, kept = (inventory.active_charge(name).as_it_lies(logged.at) for name in (event.charge, event.into))
    for charge in (poured, kept):
        _require_resting(charge)
    if poured.name == kept.name or poured.lot != kept.lot:
        raise LedgerError(
            say(
                "can't merge '{poured}' into '{kept}'. Choose two charges of one lot",
                poured=poured.name,
                kept=kept.name,
            )
        )
    known = poured.dry_mass_g is not None and kept.dry_mass_g is not None
    merged = replace(
        kept,
        mass_g=kept.mass_g + poured.mass_g,
        portioned_g=kept.portioned_g + poured.portioned_g,
        lightest_g=None,
        dry_mass_g=kept.dry_mass_g + poured.dry_mass_g if known else None,  # type: ignore[operator]
        dry_mass_relative_sd=max(kept.dry_mass_relative_sd, poured.dry_mass_relative_sd),
        cycles=max(kept.cycles, poured.cycles),
        state=kept.state if kept.state == poured.state else "unknown",
        method=kept.method if kept.method == poured.method else None,
        was_in_box=kept.was_in_box or poured.was_in_box,
        loading_g_per_g=_mixed(kept, poured),
    )
    inventory = _with_charge(inventory, logged, merged)
    return _with_charge(inventory, logged, replace(poured, mass_g=0.0, portioned_g=0.0, dry_mass_g=None, retired=True))


def _mixed(kept: Charge, poured: Charge) -> Loading | None:
    """Return the loading of a mixture: water adds up, and so does dry mass."""
    if not (kept.loading_g_per_g and poured.loading_g_per_g and kept.dry_mass_g and poured.dry_mass_g):
        return None
    share = poured.dry_mass_g / (kept.dry_mass_g + poured.dry_mass_g)
    low, middle, high = (
        (1.0 - share) * a + share * b for a, b in zip(kept.loading_g_per_g, poured.loading_g_per_g, strict=True)
    )
    return (low, middle, high)


def _top_up(inventory: Inventory, logged: LoggedEvent, event: ChargeToppedUp) -> Inventory:
    charge = inventory.active_charge(event.charge)
    _require_resting(charge)
    dry = None if charge.dry_mass_g is None else charge.dry_mass_g + event.mass_g / (1.0 + NEW_LOADING)
    topped = replace(
        charge,
        mass_g=charge.mass_g + event.mass_g,
        portioned_g=charge.portioned_g + event.mass_g,
        lightest_g=None,
        dry_mass_g=dry,
        loading_g_per_g=None,
        state=charge.state if charge.state == "new" else "unknown",
    )
    return _with_charge(_take_out(inventory, charge.lot, event.mass_g), logged, topped)


def _retire(inventory: Inventory, logged: LoggedEvent, event: ChargeRetired) -> Inventory:
    charge = inventory.active_charge(event.charge)
    _require_resting(charge)
    return _with_charge(inventory, logged, replace(charge, retired=True, place=SPARE))


def _color(inventory: Inventory, logged: LoggedEvent, event: ColorSeen) -> Inventory:
    return _with_charge(inventory, logged, replace(inventory.active_charge(event.charge), color=event.color))


def _start(inventory: Inventory, logged: LoggedEvent, event: RunStarted) -> Inventory:
    charge = inventory.active_charge(event.charge)
    _require_resting(charge)
    if event.run in inventory.runs:
        raise LedgerError(say("run '{run}' exists already", run=event.run))
    drying = replace(charge, place=APPLIANCE + event.appliance, color="")
    run = Run(event, logged.at, charge.mass_g, charge)
    return replace(_with_charge(inventory, logged, drying), runs={**inventory.runs, event.run: run})


def _weigh(inventory: Inventory, logged: LoggedEvent, event: RunWeighed) -> Inventory:
    run = _going(inventory, event.run)
    if run.weighings and event.heated_s < run.weighings[-1].heated_s:
        raise LedgerError(
            say(
                "{heated} min of heating is less than the {last} min at the last weighing. Give the minutes "
                "of heating since the start",
                heated=f"{event.heated_s / 60:g}",
                last=f"{run.weighings[-1].heated_s / 60:g}",
            )
        )
    return _with_run(inventory, logged, replace(run, shown=(*run.shown, logged), timer=None))


def _time(inventory: Inventory, _logged: LoggedEvent, event: HeatTimed) -> Inventory:
    run = _going(inventory, event.run)
    return replace(inventory, runs={**inventory.runs, run.name: replace(run, timer=event)})


def _correct(inventory: Inventory, logged: LoggedEvent, event: ScaleCorrected) -> Inventory:
    run = _going(inventory, event.run)
    return _with_run(inventory, logged, replace(run, scale_factor=event.factor, tare_scale_factor=event.tare_factor))


def _spill(inventory: Inventory, logged: LoggedEvent, event: BeadsSpilled) -> Inventory:
    run = _going(inventory, event.run)
    before = min(event.after_weighings, len(run.shown))
    held_g = run.weighings[before - 1].mass_g if before else run.mass_before_g
    if event.lost_g is not None and not 0.0 < event.lost_g < held_g:
        raise LedgerError(
            say(
                "{lost} g can't have fallen out of run '{run}': the beads weighed {held} g",
                lost=f"{event.lost_g:g}",
                run=run.name,
                held=f"{held_g:.0f}",
            )
        )
    return _with_run(inventory, logged, replace(run, spills=(*run.spills, Spill(before, event.lost_g))))


def _stir(inventory: Inventory, _logged: LoggedEvent, event: BeadsStirred) -> Inventory:
    run = _going(inventory, event.run)
    stirred = replace(run, stirs=(*run.stirs, len(run.shown)))
    return replace(inventory, runs={**inventory.runs, run.name: stirred})


def _finish(inventory: Inventory, logged: LoggedEvent, event: RunFinished) -> Inventory:
    run = _going(inventory, event.run)
    charge = replace(
        inventory.charge(run.start.charge),
        place=SPARE,
        state="dried",
        cycles=run.charge_before.cycles + 1,
        mass_g=event.end_mass_g,
        portioned_g=run.charge_before.portioned_g * event.kept_share,
        lightest_g=min(event.end_mass_g, (run.charge_before.lightest_g or event.end_mass_g) * event.kept_share),
        dry_mass_g=event.dry_mass_g,
        dry_mass_relative_sd=event.dry_mass_relative_sd,
        of_box="",
        loading_g_per_g=event.loading_g_per_g,
        judged_at=logged.at,
        method=_method(run),
        was_in_box=False,
        left_box="",
        left_box_at=None,
        saturated_in=None,
    )
    inventory = _with_charge(inventory, logged, charge)
    return replace(inventory, runs={**inventory.runs, run.name: replace(run, finished=event)})


def _method(run: Run) -> str:
    degc, kind = run.start.temperature_degc, run.start.appliance_kind
    if degc is None:
        return "microwave"
    if kind == "oven":
        hours = run.weighings[-1].heated_s / 3600.0 if run.weighings else 0.0
        return f"oven_{degc:.0f}C_{hours:.0f}h"
    return "print_bed" if kind == "print_bed" else f"hot_air_{degc:.0f}C"


def _jar(inventory: Inventory, logged: LoggedEvent, event: JarChecked) -> Inventory:
    charge = inventory.active_charge(event.charge)
    if event.loading_g_per_g is None:
        return _with_charge(inventory, logged, charge)
    judged = replace(charge, loading_g_per_g=event.loading_g_per_g, judged_at=logged.at, was_in_box=False)
    return _with_charge(inventory, logged, judged)


def _saturate(inventory: Inventory, logged: LoggedEvent, event: ChargeSaturated) -> Inventory:
    charge = inventory.active_charge(event.charge)
    _require_resting(charge)
    if charge.place.startswith(BOX):
        raise LedgerError(
            say(
                "charge '{charge}' is in box {box}. Take it out first, and let it lie open",
                charge=charge.name,
                box=charge.place.removeprefix(BOX),
            )
        )
    if event.mass_g is not None and charge.dry_mass_g is not None and event.mass_g <= charge.dry_mass_g:
        raise LedgerError(
            say(
                "{mass} g is no more than charge '{charge}' weighs dry ({dry_mass} g). Give the weight without "
                "the holder",
                mass=f"{event.mass_g:g}",
                charge=charge.name,
                dry_mass=f"{charge.dry_mass_g:.0f}",
            )
        )
    full = replace(
        charge,
        state="room",
        mass_g=charge.mass_g if event.mass_g is None else event.mass_g,
        loading_g_per_g=None,
        was_in_box=False,
        left_box="",
        left_box_at=None,
        saturated_in=event,
    )
    inventory = _with_charge(inventory, logged, full)
    return replace(inventory, saturated=(*inventory.saturated, Saturated(event, logged.at, full)))


def _going(inventory: Inventory, name: str) -> Run:
    run = inventory.run(name)
    if not run.open:
        raise LedgerError(say("run '{name}' is finished. Start another one", name=name))
    return run


def _with_run(inventory: Inventory, logged: LoggedEvent, run: Run) -> Inventory:
    charge = inventory.charge(run.start.charge)
    mass_g = run.weighings[-1].mass_g if run.weighings else run.mass_before_g
    mass_g = max(mass_g - sum(spill.lost_g or 0.0 for spill in run.unweighed_spills), 0.0)
    inventory = _with_charge(inventory, logged, replace(charge, mass_g=mass_g))
    return replace(inventory, runs={**inventory.runs, run.name: run})


def _require_resting(charge: Charge) -> None:
    if charge.place.startswith(APPLIANCE):
        raise LedgerError(
            say(
                "charge '{charge}' is in the {appliance}. Finish its run first",
                charge=charge.name,
                appliance=charge.place.removeprefix(APPLIANCE),
            )
        )


_STEPS: Mapping[type[DeskEvent], Callable[..., Inventory]] = {
    LotBought: _buy,
    ChargePortioned: _portion,
    ChargeMoved: _move,
    ChargeSplit: _split,
    ChargesMerged: _merge,
    ChargeToppedUp: _top_up,
    ChargeRetired: _retire,
    ColorSeen: _color,
    RunStarted: _start,
    RunWeighed: _weigh,
    HeatTimed: _time,
    ScaleCorrected: _correct,
    BeadsSpilled: _spill,
    BeadsStirred: _stir,
    RunFinished: _finish,
    JarChecked: _jar,
    ChargeSaturated: _saturate,
}
