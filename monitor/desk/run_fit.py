"""The drying curve of a run: what is believed before its weighings, and what they then tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.inventory import (
    Charge,
    Inventory,
    Run,
)
from monitor.desk.methods import (
    beads_of,
    starts_in_room,
)
from monitor.desk.spills import kept_before, loss_of
from monitor.inference.drying import (
    CurveFit,
    DryMass,
    EndLoading,
    Loss,
    RunPriors,
    WeighedPoint,
    fit_curve,
)
from monitor.inference.drying import (
    priors as drying_priors,
)
from monitor.inference.drying.curve import strain_of
from monitor.inference.fit.quantiles import quantiles
from monitor.physics.materials import Desiccant
from monitor.records import Appliance, Quantiles
from monitor.records.desk_events import BOX

if TYPE_CHECKING:
    from collections.abc import Sequence


FIRST_JUDGED = 2  # count of weighings, by definition: the first alone says nothing of the drying
BOOKS_SHARE = 0.005  # of a mass, either way; judgement: what a kitchen scale and a pour lose
_DRY_MASS_SD_A_CYCLE = 0.01
"""What spills or ages between two runs of a charge, as a share of its dry mass (a judgement)."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """The curve of a run with what it rests on."""

    fit: CurveFit
    points: tuple[WeighedPoint, ...]
    heated_before_s: float
    """Heating before the newest start: above 0 where the beads took up water in between."""
    priors: RunPriors
    kept_share: float
    """Share of the beads of the first weighing that is left."""


def fitted(inventory: Inventory, run: Run) -> Fitted:
    """Fit the curve of a run; where the beads took up water in between, of the part since then."""
    weighings, since = run.weighings, _since_last_gain(run)
    begin = since[0] if since else 0
    spilled = [spill for spill in run.spills if spill.after_weighings > begin]
    points = tuple(
        WeighedPoint(
            weighings[place].heated_s - weighings[begin].heated_s,
            weighings[place].mass_g,
            weighings[place].resolution_g,
            sum(spill.after_weighings <= place for spill in spilled),
        )
        for place in since
    )
    priors = priors_of(inventory, run, points[0].mass_g if points else run.mass_before_g, before=begin)
    fit = fit_curve(points, priors, [loss_of(run, spill) for spill in spilled])
    earlier = kept_before(run, begin) if begin else 1.0
    kept_share = float(np.median(fit.kept_share)) * (1.0 if earlier is None else earlier)
    return Fitted(fit, points, weighings[begin].heated_s, priors, kept_share)


def expected_g(run: Run, heated_s: float, it: Fitted | None) -> Quantiles | None:
    """Return what the beads should weigh: by the inventory (``it`` None) or by the curve."""
    if it is None:
        charge = run.charge_before
        if charge.place.startswith(BOX):
            return None  # they took up water there, and how much is the question
        kept = kept_before(run, 0)
        if kept is None:
            return None
        mass_g = run.mass_before_g * kept
        return Quantiles((1.0 - BOOKS_SHARE) * mass_g, mass_g, (1.0 + BOOKS_SHARE) * mass_g)
    return quantiles(it.fit.mass_g(max(heated_s - it.heated_before_s, 0.0)))


def priors_of(inventory: Inventory, run: Run, start_g: float, before: int = 0) -> RunPriors:
    """Return what is believed of a run before its weighings, of the beads left before the weighing of this place."""
    beads, charge = beads_of(inventory, run.start.charge), less_what_fell_out(run, before)
    learned = [
        other.finished.time_constant_s
        for other in inventory.runs.values()
        if other.finished is not None
        and other.finished.fits
        and other.start.appliance == run.start.appliance
        and other.name != run.name
    ]
    return RunPriors(
        dry_mass=_dry_mass(inventory, beads, run, charge, start_g),
        end_loading=end_loading(beads, run),
        pace=drying_priors.pace(run.start.appliance_kind, run.start.temperature_degc, learned),
    )


def end_loading(beads: Desiccant, run: Run) -> EndLoading:
    """Return where the method of a run ends."""
    start = run.start
    if start.temperature_degc is None:
        return drying_priors.MICROWAVE_END
    return drying_priors.end_of_hot_air(
        beads, start.temperature_degc, start.room_temperature_degc, start.room_relative_humidity
    )


def appliance_of(run: Run) -> Appliance:
    """Return the appliance of a run as it was when the run began."""
    start = run.start
    return Appliance(start.appliance, start.appliance_kind, start.temperature_degc, power_w=start.power_w)


def _dry_mass(inventory: Inventory, beads: Desiccant, run: Run, charge: Charge, start_g: float) -> DryMass:
    if charge.dry_mass_g is not None:
        sd = (charge.dry_mass_relative_sd**2 + _DRY_MASS_SD_A_CYCLE**2) ** 0.5
        return drying_priors.known_dry_mass(charge.dry_mass_g, sd)
    if charge.state == "new" and all(w.mass_g >= drying_priors.least_dry_of_new(start_g) for w in run.weighings):
        return drying_priors.dry_mass_of_new(start_g)
    if charge.state == "room":
        start = run.start
        factor = drying_priors.lot_factor(beads, starts_in_room(inventory, charge.lot, but=run.name))
        return drying_priors.dry_mass_from_room(
            start_g, beads, start.room_temperature_degc, start.room_relative_humidity, factor
        )
    return drying_priors.dry_mass_unknown(start_g)


def _since_last_gain(run: Run) -> list[int]:
    """Return the places of the weighings since the beads last took up water.

    Of two after the same heating the later counts, unless beads fell out between them.
    """
    since: list[int] = []
    for place, weighing in enumerate(run.weighings):
        last = run.weighings[since[-1]] if since else None
        if last is not None and weighing.mass_g > last.mass_g + 2.0 * max(weighing.resolution_g, last.resolution_g):
            since = []
        elif last is not None and weighing.heated_s == last.heated_s and not _fell_out_before(run, place):
            since.pop()
        since.append(place)
    return since


def _fell_out_before(run: Run, place: int) -> bool:
    return any(spill.after_weighings == place for spill in run.spills)


def kept_since(run: Run, place: int) -> float:
    """Return the share of the beads of a weighing that is left now, as told."""
    shares = [loss_of(run, spill).kept_share for spill in run.spills if spill.after_weighings > place]
    return float(np.prod([1.0 if share is None else share for share in shares]))


def less_what_fell_out(run: Run, before: int) -> Charge:
    """Return the charge as it went in, without what fell out before a weighing."""
    charge, kept = run.charge_before, kept_before(run, before)
    if charge.dry_mass_g is None:
        return charge
    return replace(charge, dry_mass_g=None if kept is None else charge.dry_mass_g * kept)


def spill_that_explains(run: Run, it: Fitted) -> tuple[float, float] | None:
    """Return the heat before and after the one spill that would make sense of weighings without a curve."""
    best = min(
        (
            (strain_of(_spilled_before(it.points, place), it.priors, [Loss()]), place)
            for place in range(1, len(it.points))
        ),
        default=(np.inf, 0),
    )
    if run.spills or best[0] > 1.0:
        return None
    before_s, after_s = (it.heated_before_s + it.points[place].heated_s for place in (best[1] - 1, best[1]))
    return before_s, after_s


def _spilled_before(points: Sequence[WeighedPoint], place: int) -> list[WeighedPoint]:
    return [replace(point, losses_before=int(index >= place)) for index, point in enumerate(points)]
