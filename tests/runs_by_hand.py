"""Charges, runs and an inventory by hand, for tests of one rule of the desk at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from monitor.desk.inventory import Charge, Inventory, Lot, Run, Spill
from monitor.records import LedgerEntry
from monitor.records.desk_events import LoggedEvent, LotBought, RunFinished, RunStarted, RunWeighed

AT = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
BOWL = Charge("bowl", "march", 262.0, 262.0, "glass", 0.0, "room")
KNOWN = replace(BOWL, dry_mass_g=200.0, dry_mass_relative_sd=0.02, state="dried", cycles=3)
"""The same beads after a finished run."""


def a_run(
    weighed: Sequence[tuple[float, float]] = (),
    *,
    charge: Charge = BOWL,
    kind: str = "microwave",
    degc: float | None = None,
    spills: Sequence[tuple[int, float | None]] = (),
    shown: Sequence[RunWeighed] = (),
    tare_g: float = 0.0,
    power_w: float | None = None,
    name: str = "bowl-1",
) -> Run:
    """Return a run of (seconds of heat, grams on the scale), each event numbered from 10 up."""
    start = RunStarted(name, charge.name, kind, kind, 20.0, 0.50, "told", degc, power_w, tare_g)
    events = (*(RunWeighed(name, heated_s, grams) for heated_s, grams in weighed), *shown)
    logged = tuple(
        LoggedEvent(10 + place, AT + timedelta(seconds=event.heated_s), event) for place, event in enumerate(events)
    )
    return Run(start, AT, charge.mass_g, charge, logged, spills=tuple(Spill(*spill) for spill in spills))


def ended(run: Run, **told: object) -> Run:
    """Return a run that is over, with 5 % of water in 200 g of beads, or what else it told."""
    plain = RunFinished(run.name, "done", 210.0, 200.0, 0.02, 0.25, (0.04, 0.05, 0.06), 400.0)
    return replace(run, finished=replace(plain, **told))  # type: ignore[arg-type]


def inventory_of(*runs: Run, charges: Sequence[Charge] = (BOWL,), kind: str = "orange_gel") -> Inventory:
    """Return an inventory of one lot with some charges and runs."""
    lot = Lot(LotBought("march", kind, 1000.0), 500.0, AT)
    return Inventory({"march": lot}, {each.name: each for each in charges}, {run.name: run for run in runs})


def changed(entry: LedgerEntry, **what: object) -> LedgerEntry:
    """Return an entry with some of it changed."""
    return replace(entry, **what)  # type: ignore[arg-type]
