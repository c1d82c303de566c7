"""Lots of beads simulated with a known trend: events of the desk as a scale and a room sensor would give them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from monitor.desk.apply_events import replay
from monitor.desk.inventory import Inventory
from monitor.physics.materials import desiccant
from monitor.records.desk_events import (
    ChargePortioned,
    ChargeSaturated,
    DeskEvent,
    LoggedEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
)

BEGIN = datetime(2021, 1, 4, 9, 0, tzinfo=UTC)
BEADS = desiccant("orange_gel")
DRY_G, END_G_PER_G = 205.0, 0.012


@dataclass(frozen=True)
class MadeRun:
    """One run of a charge: what the scale showed full, the room, and whether anybody logged that they were full."""

    full_g: float
    humidity: float = 0.5
    saturated: bool = True
    weighed: bool = False
    fits: bool = True


def run_events(charge: str, number: int, made: MadeRun, dry_g: float = DRY_G) -> list[DeskEvent]:
    """Return what is logged of a run; the first is of beads that lay in the room anyway."""
    name, end_g = f"{charge}-{number}", dry_g * (1.0 + END_G_PER_G)
    events: list[DeskEvent] = []
    if made.saturated and number > 1:
        events.append(ChargeSaturated(charge, made.humidity, 20.0, made.full_g if made.weighed else None))
    return [
        *events,
        RunStarted(name, charge, "oven", "oven", 20.0, made.humidity, "sensor", 110.0),
        RunWeighed(name, 0.0, made.full_g),
        RunWeighed(name, 7200.0, end_g),
        RunFinished(
            name, "dry", end_g, dry_g, 0.01, made.full_g / dry_g - 1.0, (0.006, 0.012, 0.02), 2400.0, made.fits
        ),
    ]


def simulated_lot(runs: Sequence[Sequence[MadeRun]], state: str = "room") -> Inventory:
    """Return the inventory after runs of each charge of one lot, a month apart."""
    events: list[tuple[datetime, DeskEvent]] = [(BEGIN, LotBought("autumn", "orange_gel", 5000.0))]
    for place, of_charge in enumerate(runs):
        charge = f"bowl{place}"
        events.append((BEGIN, ChargePortioned(charge, "autumn", of_charge[0].full_g, "glass", 0.0, state)))
        for number, made in enumerate(of_charge, start=1):
            at = BEGIN + timedelta(days=30 * number)
            events += [(at, event) for event in run_events(charge, number, made)]
    ordered = sorted(events, key=lambda event: event[0])
    return replay(LoggedEvent(number, at, event) for number, (at, event) in enumerate(ordered, start=1))


def simulated_runs(
    trend: float, count: int, rng: np.random.Generator, *, room_logged: bool, careful: float
) -> list[MadeRun]:
    """Return runs of a charge whose capacity changes by ``trend`` (ln a run): true air and shown air differ."""
    lot_factor, sensor = np.exp(BEADS.sigma_ln_capacity * rng.normal()), 0.02 * rng.normal()
    made = []
    for cycle in range(count):
        room = float(np.clip(0.5 + 0.08 * rng.normal(), 0.3, 0.7)) if room_logged else 0.3
        wandered = 0.03 * careful * rng.normal()  # of the air the beads were really at rest with
        air = float(np.clip(room + wandered, 0.1, 0.9))
        shown = float(np.clip(room + sensor, 0.1, 0.9)) if room_logged else 0.3
        held = lot_factor * np.exp(trend * cycle) * float(BEADS.isotherm.loading_g_per_g(air, 20.0))
        full_g = float(np.round(DRY_G * (1.0 + held) + 0.3 * rng.normal()))
        made.append(MadeRun(full_g, shown, saturated=room_logged, weighed=bool(rng.integers(2))))
    return made
