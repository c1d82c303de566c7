"""Deeds add up to books, one step for each kind of deed; the same deeds always give the same books."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from monitor.deeds import (
    APPLIANCE,
    SPARE,
    BeadsSpilled,
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    ColorSeen,
    Deed,
    JarChecked,
    LoggedDeed,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.desk.books import NEW_LOADING, Books, Charge, Loading, Lot, Run, Spill
from monitor.errors import LedgerError


def add_up(deeds: Iterable[LoggedDeed]) -> Books:
    """Return what the deeds add up to.

    Raises
    ------
    LedgerError
        If a deed contradicts those before it, naming the deed.
    """
    books = Books()
    for logged in deeds:
        books = after(books, logged)
    return books


def after(books: Books, logged: LoggedDeed) -> Books:
    """Return the books after one more deed."""
    step: Callable[[Books, LoggedDeed, Any], Books] = _STEPS[type(logged.deed)]
    return step(books, logged, logged.deed)


def _with_charge(books: Books, logged: LoggedDeed, charge: Charge) -> Books:
    charge = replace(charge, deeds=(*charge.deeds, logged.deed_id))
    return replace(books, charges={**books.charges, charge.name: charge})


def _buy(books: Books, logged: LoggedDeed, deed: LotBought) -> Books:
    if deed.lot in books.lots:
        raise LedgerError(f"lot '{deed.lot}' exists already. Give the new one another name")
    return replace(books, lots={**books.lots, deed.lot: Lot(deed, deed.mass_g, logged.at)})


def _take_out(books: Books, lot_name: str, mass_g: float) -> Books:
    lot = books.lot(lot_name)
    return replace(books, lots={**books.lots, lot_name: replace(lot, left_g=lot.left_g - mass_g)})


def _portion(books: Books, logged: LoggedDeed, deed: ChargePortioned) -> Books:
    if deed.charge in books.charges:
        raise LedgerError(f"charge '{deed.charge}' exists already. Give the new one another name")
    charge = Charge(deed.charge, deed.lot, deed.mass_g, deed.mass_g, deed.holder, deed.tare_g, deed.state)
    return _with_charge(_take_out(books, deed.lot, deed.mass_g), logged, charge)


def _move(books: Books, logged: LoggedDeed, deed: ChargeMoved) -> Books:
    charge = books.living(deed.charge).as_it_lies(logged.at)
    _require_resting(charge)
    for name in deed.out:
        books = _with_charge(books, logged, replace(books.living(name).as_it_lies(logged.at), place=SPARE))
    return _with_charge(books, logged, replace(charge, place=deed.place, placed_at=logged.at))


def _split(books: Books, logged: LoggedDeed, deed: ChargeSplit) -> Books:
    charge = books.living(deed.charge)
    _require_resting(charge)
    if deed.into in books.charges:
        raise LedgerError(f"charge '{deed.into}' exists already. Give the new part another name")
    if not 0.0 < deed.mass_g < charge.mass_g:
        raise LedgerError(f"can't split {deed.mass_g:g} g off '{charge.name}': it has only {charge.mass_g:g} g")
    share = deed.mass_g / charge.mass_g
    part = replace(_scaled(charge, share), name=deed.into, place=SPARE, holder="", tare_g=None, deeds=())
    return _with_charge(_with_charge(books, logged, _scaled(charge, 1.0 - share)), logged, part)


def _scaled(charge: Charge, share: float) -> Charge:
    return replace(
        charge,
        mass_g=charge.mass_g * share,
        portioned_g=charge.portioned_g * share,
        lightest_g=None if charge.lightest_g is None else charge.lightest_g * share,
        dry_mass_g=None if charge.dry_mass_g is None else charge.dry_mass_g * share,
    )


def _merge(books: Books, logged: LoggedDeed, deed: ChargesMerged) -> Books:
    poured, kept = (books.living(name).as_it_lies(logged.at) for name in (deed.charge, deed.into))
    for charge in (poured, kept):
        _require_resting(charge)
    if poured.name == kept.name or poured.lot != kept.lot:
        raise LedgerError(f"can't merge '{poured.name}' into '{kept.name}'. Choose two charges of one lot")
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
        lain=kept.lain or poured.lain,
        loading_g_per_g=_mixed(kept, poured),
    )
    books = _with_charge(books, logged, merged)
    return _with_charge(books, logged, replace(poured, mass_g=0.0, portioned_g=0.0, dry_mass_g=None, retired=True))


def _mixed(kept: Charge, poured: Charge) -> Loading | None:
    """Return the loading of a mixture: water adds up, and so does dry mass."""
    if not (kept.loading_g_per_g and poured.loading_g_per_g and kept.dry_mass_g and poured.dry_mass_g):
        return None
    share = poured.dry_mass_g / (kept.dry_mass_g + poured.dry_mass_g)
    low, middle, high = (
        (1.0 - share) * a + share * b for a, b in zip(kept.loading_g_per_g, poured.loading_g_per_g, strict=True)
    )
    return (low, middle, high)


def _top_up(books: Books, logged: LoggedDeed, deed: ChargeToppedUp) -> Books:
    charge = books.living(deed.charge)
    _require_resting(charge)
    dry = None if charge.dry_mass_g is None else charge.dry_mass_g + deed.mass_g / (1.0 + NEW_LOADING)
    topped = replace(
        charge,
        mass_g=charge.mass_g + deed.mass_g,
        portioned_g=charge.portioned_g + deed.mass_g,
        lightest_g=None,
        dry_mass_g=dry,
        loading_g_per_g=None,
        state=charge.state if charge.state == "new" else "unknown",
    )
    return _with_charge(_take_out(books, charge.lot, deed.mass_g), logged, topped)


def _retire(books: Books, logged: LoggedDeed, deed: ChargeRetired) -> Books:
    charge = books.living(deed.charge)
    _require_resting(charge)
    return _with_charge(books, logged, replace(charge, retired=True, place=SPARE))


def _color(books: Books, logged: LoggedDeed, deed: ColorSeen) -> Books:
    return _with_charge(books, logged, replace(books.living(deed.charge), color=deed.color))


def _start(books: Books, logged: LoggedDeed, deed: RunStarted) -> Books:
    charge = books.living(deed.charge)
    _require_resting(charge)
    if deed.run in books.runs:
        raise LedgerError(f"run '{deed.run}' exists already")
    drying = replace(charge, place=APPLIANCE + deed.appliance, color="")
    run = Run(deed, logged.at, charge.mass_g, charge)
    return replace(_with_charge(books, logged, drying), runs={**books.runs, deed.run: run})


def _weigh(books: Books, logged: LoggedDeed, deed: RunWeighed) -> Books:
    run = _going(books, deed.run)
    if run.weighings and deed.heated_s < run.weighings[-1].heated_s:
        raise LedgerError(
            f"{deed.heated_s / 60:g} min of heating is less than the {run.weighings[-1].heated_s / 60:g} min"
            " at the last weighing. Give the minutes of heating since the start"
        )
    return _with_run(books, logged, replace(run, shown=(*run.shown, logged)))


def _correct(books: Books, logged: LoggedDeed, deed: ScaleCorrected) -> Books:
    run = _going(books, deed.run)
    return _with_run(books, logged, replace(run, scale_factor=deed.factor, tare_scale_factor=deed.tare_factor))


def _spill(books: Books, logged: LoggedDeed, deed: BeadsSpilled) -> Books:
    run = _going(books, deed.run)
    before = min(deed.after_weighings, len(run.shown))
    held_g = run.weighings[before - 1].mass_g if before else run.mass_before_g
    if deed.lost_g is not None and not 0.0 < deed.lost_g < held_g:
        raise LedgerError(
            f"{deed.lost_g:g} g can't have fallen out of run '{run.name}': the beads weighed {held_g:.0f} g"
        )
    return _with_run(books, logged, replace(run, spills=(*run.spills, Spill(before, deed.lost_g))))


def _finish(books: Books, logged: LoggedDeed, deed: RunFinished) -> Books:
    run = _going(books, deed.run)
    charge = replace(
        books.charge(run.start.charge),
        place=SPARE,
        state="dried",
        cycles=run.charge_before.cycles + 1,
        mass_g=deed.end_mass_g,
        portioned_g=run.charge_before.portioned_g * deed.kept_share,
        lightest_g=min(deed.end_mass_g, (run.charge_before.lightest_g or deed.end_mass_g) * deed.kept_share),
        dry_mass_g=deed.dry_mass_g,
        dry_mass_relative_sd=deed.dry_mass_relative_sd,
        loading_g_per_g=deed.loading_g_per_g,
        judged_at=logged.at,
        method=_method(run),
        lain=False,
    )
    books = _with_charge(books, logged, charge)
    return replace(books, runs={**books.runs, run.name: replace(run, finished=deed)})


def _method(run: Run) -> str:
    degc, kind = run.start.temperature_degc, run.start.appliance_kind
    if degc is None:
        return "microwave"
    if kind == "oven":
        hours = run.weighings[-1].heated_s / 3600.0 if run.weighings else 0.0
        return f"oven_{degc:.0f}C_{hours:.0f}h"
    return "print_bed" if kind == "print_bed" else f"hot_air_{degc:.0f}C"


def _jar(books: Books, logged: LoggedDeed, deed: JarChecked) -> Books:
    charge = books.living(deed.charge)
    if deed.loading_g_per_g is None:
        return _with_charge(books, logged, charge)
    judged = replace(charge, loading_g_per_g=deed.loading_g_per_g, judged_at=logged.at, lain=False)
    return _with_charge(books, logged, judged)


def _going(books: Books, name: str) -> Run:
    run = books.run(name)
    if not run.open:
        raise LedgerError(f"run '{name}' is finished. Start another one")
    return run


def _with_run(books: Books, logged: LoggedDeed, run: Run) -> Books:
    charge = books.charge(run.start.charge)
    mass_g = run.weighings[-1].mass_g if run.weighings else run.mass_before_g
    mass_g = max(mass_g - sum(spill.lost_g or 0.0 for spill in run.unweighed_spills), 0.0)
    books = _with_charge(books, logged, replace(charge, mass_g=mass_g))
    return replace(books, runs={**books.runs, run.name: run})


def _require_resting(charge: Charge) -> None:
    if charge.place.startswith(APPLIANCE):
        raise LedgerError(
            f"charge '{charge.name}' is in the {charge.place.removeprefix(APPLIANCE)}. Finish its run first"
        )


_STEPS: Mapping[type[Deed], Callable[..., Books]] = {
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
    ScaleCorrected: _correct,
    BeadsSpilled: _spill,
    RunFinished: _finish,
    JarChecked: _jar,
}
