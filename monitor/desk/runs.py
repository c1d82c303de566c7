"""A drying run and its curve → what a person at the scale wants to know after each weighing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from monitor.desk.inventory import (
    Inventory,
    Run,
)
from monitor.desk.methods import (
    STORAGE_DEGC,
    Further,
    Service,
    beads_of,
    capacity_of,
    further_methods,
    services,
)
from monitor.desk.run_fit import (
    FIRST_JUDGED,
    Fitted,
    appliance_of,
    fitted,
    kept_since,
    spill_that_explains,
)
from monitor.desk.run_remarks import beside_the_log, remarks_on
from monitor.inference.drying import (
    Judgement,
    Verdict,
    WeighedPoint,
    judge,
)
from monitor.inference.drying.reach import mean_draw_w
from monitor.inference.drying.verdict import SETTLED_SHARE, step_s
from monitor.inference.fit.quantiles import quantiles
from monitor.physics.materials import Desiccant
from monitor.records import Appliance, Box, Quantiles
from monitor.records.declared import USUAL_LIMIT
from monitor.records.desk_events import BOX, is_known
from monitor.series.air_at_rest import AT_REST_AFTER, READ_FOR, air_at_rest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.store.contracts import Readings


_CURVE_POINTS = 60  # judgement: the line looks smooth
_CURVE_AHEAD = 1.25  # times the heat so far, or to the next weighing; judgement: where it leads to is seen
_KWH_PER_WS = 1.0 / 3.6e6  # by definition
_FULLEST, _DRIEST_G_PER_G = 0.95, 1e-5
"""Humidity of the wettest beads and loading of the driest whose jar is asked for. Judgements: isotherms end there."""


@dataclass(frozen=True, slots=True)
class RunReport:
    """Everything to show of a run after its newest weighing."""

    run: Run
    desiccant: str
    heated_s: float
    mass_g: float
    water_off_g: float
    left_g: Quantiles
    """Water still in the beads."""
    start_loading_g_per_g: Quantiles
    loading_g_per_g: Quantiles
    dry_mass_g: Quantiles
    end_g: Quantiles
    end_loading_g_per_g: Quantiles
    floor_g_per_g: float
    judgement: Judgement
    time_to_end_s: Quantiles
    energy_so_far_kwh: float
    energy_to_end_kwh: float
    services: tuple[Service, ...]
    jar_relative_humidity: Quantiles
    """Where a hygrometer over the cooled beads in a closed jar should come to rest."""
    remarks: tuple[str, ...] = ()
    fits: bool = True
    """Whether a drying curve explains the weighings; where none does, every interval is wide for that."""
    kept_share: float = 1.0
    """Share of the beads that stayed in the run."""
    further: tuple[Further, ...] = ()
    """What other declared appliances would still bring."""
    has_others: bool = False
    """Whether any other appliance is declared."""
    spilled_between_s: tuple[float, float] | None = None
    """Where no curve fits, but one would if beads had fallen out then: heat before and after."""

    @property
    def still_removable_g(self) -> float:
        """Water that the same method removes if all the beads get as dry as it can make them."""
        return max(self.loading_g_per_g.p50 - self.floor_g_per_g, 0.0) * self.dry_mass_g.p50

    @property
    def left_is_known(self) -> bool:
        """Whether the water left is known well enough to call the beads dry."""
        return is_known(self.loading_g_per_g.p05, self.loading_g_per_g.p95)

    @property
    def verdict(self) -> Verdict:
        """What to do next."""
        return self.judgement.verdict


@dataclass(frozen=True, slots=True, eq=False)
class RunCurve:
    """A run as a picture: weighings, fitted curve with its interval, and the line it can't pass."""

    report: RunReport
    heated_s: NDArray[np.float64]
    band_g: NDArray[np.float64]
    """5 %, 50 % and 95 % (rows) at each heating time."""
    floor_g: float
    """Mass at the end loading of this method in that room."""
    weighed: tuple[tuple[float, float], ...] = ()
    """Heating and mass of each weighing, less what fell out afterwards."""


def report(inventory: Inventory, run: Run, boxes: Sequence[Box], declared: Sequence[Appliance] = ()) -> RunReport:
    """Return what to show of a run; ``declared``: the appliances that could go on with it."""
    return _report(inventory, run, fitted(inventory, run), boxes, declared)


def _report(
    inventory: Inventory, run: Run, it: Fitted, boxes: Sequence[Box], declared: Sequence[Appliance]
) -> RunReport:
    beads = beads_of(inventory, run.start.charge)
    judgement = judge(
        it.fit,
        appliance_kind=run.start.appliance_kind,
        floor_g_per_g=it.priors.end_loading.mean_g_per_g,
        limit_loading_g_per_g=_limit_loading(beads, boxes),
        weighings=len(it.points),
        next_s=step_s(run.start.appliance_kind, _last_step_s(it.points)),
    )
    draw_w = mean_draw_w(appliance_of(run))
    time_to_end = it.fit.time_to_end_s(SETTLED_SHARE * it.fit.dry_mass_g().p50)
    weighings = run.weighings
    spilled = None if it.fit.fits else spill_that_explains(run, it)
    mass_g = float(np.median(it.fit.mass_g(it.fit.heated_s))) if run.unweighed_spills else weighings[-1].mass_g
    loading = it.fit.loading_g_per_g()
    return RunReport(
        run=run,
        desiccant=beads.kind,
        heated_s=weighings[-1].heated_s,
        mass_g=mass_g,
        water_off_g=weighings[0].mass_g * it.kept_share - mass_g,
        left_g=quantiles(it.fit.loading_draws() * it.fit.curves.dry_mass_g),
        start_loading_g_per_g=it.fit.start_loading_g_per_g(),
        loading_g_per_g=loading,
        dry_mass_g=it.fit.dry_mass_g(),
        end_g=it.fit.end_g(),
        end_loading_g_per_g=it.fit.end_loading_g_per_g(),
        floor_g_per_g=it.priors.end_loading.mean_g_per_g,
        judgement=judgement,
        time_to_end_s=time_to_end,
        energy_so_far_kwh=draw_w * weighings[-1].heated_s * _KWH_PER_WS,
        energy_to_end_kwh=draw_w * time_to_end.p50 * _KWH_PER_WS,
        services=services(beads, it.fit.dry_mass_g(), loading, boxes, capacity_of(inventory, run.charge_before)),
        jar_relative_humidity=_jar(beads, loading, capacity_of(inventory, run.charge_before)[0]),
        remarks=(*beside_the_log(run, it, judgement), *remarks_on(beads, run, it, spilled)),
        fits=it.fit.fits,
        kept_share=it.kept_share,
        further=further_methods(inventory, run, declared, it.fit.dry_mass_g().p50, loading.p50),
        has_others=any(tool.name != run.start.appliance for tool in declared),
        spilled_between_s=spilled,
    )


def slower_than_it_looked(before: Fitted, told: RunReport) -> bool:
    """Return whether more time is needed now than before the newest weighing, although that heat was given."""
    known = len(before.points) >= FIRST_JUDGED and before.fit.fits and told.fits
    least_g = SETTLED_SHARE * before.fit.dry_mass_g().p50
    return known and told.time_to_end_s.p50 > before.fit.time_to_end_s(least_g).p50


def run_curves(inventory: Inventory, names: Sequence[str], boxes: Sequence[Box]) -> tuple[RunCurve, ...]:
    """Return runs as pictures."""
    return tuple(run_curve(inventory, inventory.run(name), boxes) for name in names)


def run_curve(inventory: Inventory, run: Run, boxes: Sequence[Box], declared: Sequence[Appliance] = ()) -> RunCurve:
    """Return a run as a picture, with its report."""
    it = fitted(inventory, run)
    told = _report(inventory, run, it, boxes, declared)
    so_far_s, step_s = told.heated_s - it.heated_before_s, told.judgement.next_step_s
    longest_s = max(_CURVE_AHEAD * max(so_far_s, step_s), so_far_s + step_s)
    times_s = np.linspace(0.0, longest_s, _CURVE_POINTS)
    floor_g = told.dry_mass_g.p50 * (1.0 + told.floor_g_per_g)
    weighed = tuple((w.heated_s, w.mass_g * kept_since(run, place)) for place, w in enumerate(run.weighings))
    return RunCurve(told, times_s + it.heated_before_s, it.fit.band_g(times_s), floor_g, weighed)


def _last_step_s(points: Sequence[WeighedPoint]) -> float | None:
    return points[-1].heated_s - points[-2].heated_s if len(points) > 1 else None


def _limit_loading(beads: Desiccant, boxes: Sequence[Box]) -> float:
    limit = min((box.humidity_limit for box in boxes), default=USUAL_LIMIT)
    return float(beads.isotherm.loading_g_per_g(limit, STORAGE_DEGC))


def _jar(beads: Desiccant, loading_g_per_g: Quantiles, factor: float) -> Quantiles:
    loadings = (loading_g_per_g.p05, loading_g_per_g.p50, loading_g_per_g.p95)
    fullest = float(beads.isotherm.loading_g_per_g(_FULLEST, STORAGE_DEGC))
    held = (float(np.clip(loading / factor, _DRIEST_G_PER_G, fullest)) for loading in loadings)
    return Quantiles(*(float(beads.isotherm.relative_humidity(loading, STORAGE_DEGC)) for loading in held))


def first_days(readings: Readings, inventory: Inventory, charge_name: str) -> tuple[float, float] | None:
    """Return the humidity and temperature a box came to rest at after a charge went in; None before that.

    The first day and a half belongs to the air that was let in and to what spools give off; the median of the next
    two days is a jar check that nobody had to make, and an upper bound where filament is still giving off water.
    """
    charge = inventory.charge(charge_name)
    if not charge.place.startswith(BOX) or charge.placed_at is None:
        return None
    begin = charge.placed_at + AT_REST_AFTER
    return air_at_rest(readings.series(charge.place.removeprefix(BOX), begin, begin + READ_FOR))
