"""Methods side by side: what each could reach in a room, and what the runs so far reached."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from monitor.desk.books import Books
from monitor.desk.runs import RunReport, Service, beads_of, fitted, report, services
from monitor.desk.traps import before_heating
from monitor.inference.drying.reach import Reach, reach, temperature_of
from monitor.physics.materials import Desiccant, desiccant
from monitor.records import Appliance, Box, Quantiles, RoomClimate

if TYPE_CHECKING:
    from collections.abc import Sequence

USUAL_DRY_G = 250.0
"""Beads the table is reckoned for where no charge is named."""
_CURVE_POINTS = 60


@dataclass(frozen=True, slots=True)
class Method:
    """What one appliance could do, for which boxes, and what speaks against it."""

    reach: Reach
    services: tuple[Service, ...]
    risks: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class RunCurve:
    """A run as a picture: weighings, fitted curve with its interval, and the line it can't pass."""

    report: RunReport
    heated_s: NDArray[np.float64]
    band_g: NDArray[np.float64]
    """5 %, 50 % and 95 % (rows) at each heating time."""
    floor_g: float
    """Mass at the end loading of this method in that room."""


def compare_methods(
    books: Books, appliances: Sequence[Appliance], boxes: Sequence[Box], room: RoomClimate, *, of: str
) -> tuple[Method, ...]:
    """Return what each appliance could reach with a charge, or with 250 g of a kind of beads wet from the room."""
    beads, dry_g, start, holder = _load(books, of, room)
    told = []
    for appliance in appliances:
        learned = [
            run.finished.time_constant_s
            for run in books.runs.values()
            if run.finished is not None and run.start.appliance == appliance.name
        ]
        it = reach(appliance, beads, room, dry_g, start, learned_s=learned)
        dry = Quantiles(dry_g, dry_g, dry_g)
        risks = _risks(beads, appliance, holder)
        told.append(Method(it, services(beads, dry, it.end_g_per_g, boxes), risks))
    return tuple(told)


def kind_of_beads(name: str) -> str:
    """Return the kind of desiccant that a name or an everyday alias stands for."""
    return desiccant(name).kind


def run_curves(books: Books, names: Sequence[str], boxes: Sequence[Box]) -> tuple[RunCurve, ...]:
    """Return runs as pictures."""
    curves = []
    for name in names:
        run = books.run(name)
        told, it = report(books, run, boxes), fitted(books, run)
        longest_s = 1.25 * max(told.heated_s - it.heated_before_s, told.judgement.next_step_s)
        times_s = np.linspace(0.0, longest_s, _CURVE_POINTS)
        floor_g = told.dry_mass_g.p50 * (1.0 + told.floor_g_per_g)
        curves.append(RunCurve(told, times_s + it.heated_before_s, it.fit.band_g(times_s), floor_g))
    return tuple(curves)


def _load(books: Books, of: str, room: RoomClimate) -> tuple[Desiccant, float, float, str]:
    """Return the beads, their dry mass, how wet they are, and what they sit in."""
    charge = books.charges.get(of)
    beads = beads_of(books, of) if charge else desiccant(of)
    wet = float(beads.isotherm.loading_g_per_g(room.relative_humidity, room.temperature_degc))
    if charge is None:
        return beads, USUAL_DRY_G, wet, ""
    if charge.dry_mass_g is None:
        return beads, charge.mass_g / (1.0 + wet), wet, charge.holder
    return beads, charge.dry_mass_g, max(charge.mass_g / charge.dry_mass_g - 1.0, wet), charge.holder


def _risks(beads: Desiccant, appliance: Appliance, holder: str) -> tuple[str, ...]:
    degc = temperature_of(appliance)
    told = [trap.text for trap in before_heating(beads, appliance.kind, degc, holder)]
    told += {
        "microwave": ["hot spots; glass or ceramic only; stir between bursts"],
        "oven": ["hot glass and steam"],
        "filament_dryer": ["slow; a deep load stays wet in the middle"],
        "print_bed": ["warm below, cool above; a thin layer under a vented cover"],
    }.get(appliance.kind, [])
    if appliance.temperature_degc is None and degc is not None:
        told.append(f"{degc:.0f} °C assumed; declare temperature_c in the shelf file")
    return tuple(told)
