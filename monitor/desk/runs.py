"""A drying run and the physics behind it → what a person at the scale wants to know after each weighing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from monitor.desk.inventory import (
    Charge,
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
    starts_in_room,
)
from monitor.desk.spills import kept_before, kept_since_last, loss_of
from monitor.desk.tares import tare_remarks
from monitor.inference.drying import (
    CurveFit,
    DryMass,
    EndLoading,
    Judgement,
    Loss,
    RunPriors,
    Verdict,
    WeighedPoint,
    fit_curve,
    judge,
)
from monitor.inference.drying import (
    priors as drying_priors,
)
from monitor.inference.drying.curve import strain_of
from monitor.inference.drying.reach import mean_draw_w
from monitor.inference.drying.verdict import NOT_THROUGH_G_PER_G, SETTLED_SHARE, step_s
from monitor.inference.fit.quantiles import quantiles
from monitor.physics.materials import Desiccant
from monitor.records import Appliance, Box, Quantiles
from monitor.records.declared import USUAL_LIMIT
from monitor.records.desk_events import BOX, RunWeighed, is_known
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.store.contracts import Readings


_FIRST_JUDGED = 2  # count of weighings, by definition: the first alone says nothing of the drying
_NEARLY_ALL = 0.995  # share; judgement: less is missing than a scale and the air account for
_ENOUGH_READINGS = 24  # readings of two days; judgement: one every two hours
_CURVE_POINTS = 60  # judgement: the line looks smooth
_CURVE_AHEAD = 1.25  # times the heat so far, or to the next weighing; judgement: where it leads to is seen
_KWH_PER_WS = 1.0 / 3.6e6  # by definition
_BOOKS_SHARE = 0.005  # of a mass, either way; judgement: what a kitchen scale and a pour lose
_FULLEST, _DRIEST_G_PER_G = 0.95, 1e-5
"""Humidity of the wettest beads and loading of the driest whose jar is asked for. Judgements: isotherms end there."""
_AT_REST_AFTER, _READ_FOR = timedelta(days=1.5), timedelta(days=2)
"""Judgements: as said in ``first_days``."""
_DRY_MASS_SD_A_CYCLE = 0.01
"""What spills or ages between two runs of a charge, as a share of its dry mass (a judgement)."""


STIRRED = to_say(
    "Stirred since the last weighing. The estimate stays the same: the drying curve has no term for it."
    " If it helps, the next weighings show it."
)


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
    floor_because: str
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


def report(
    inventory: Inventory,
    run: Run,
    boxes: Sequence[Box],
    appliance: Appliance | None = None,
    declared: Sequence[Appliance] = (),
) -> RunReport:
    """Return what to show of a run; ``declared``: the appliances that could go on with it."""
    return _report(inventory, run, fitted(inventory, run), boxes, appliance=appliance, declared=declared)


def _report(
    inventory: Inventory,
    run: Run,
    it: Fitted,
    boxes: Sequence[Box],
    *,
    appliance: Appliance | None = None,
    declared: Sequence[Appliance] = (),
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
    draw_w = mean_draw_w(appliance or appliance_of(run))
    time_to_end = it.fit.time_to_end_s(SETTLED_SHARE * it.fit.dry_mass_g().p50)
    weighings = run.weighings
    spilled = None if it.fit.fits else _spill_that_explains(run, it)
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
        floor_because=it.priors.end_loading.because,
        judgement=judgement,
        time_to_end_s=time_to_end,
        energy_so_far_kwh=draw_w * weighings[-1].heated_s * _KWH_PER_WS,
        energy_to_end_kwh=draw_w * time_to_end.p50 * _KWH_PER_WS,
        services=services(beads, it.fit.dry_mass_g(), loading, boxes, capacity_of(inventory, run.charge_before)),
        jar_relative_humidity=_jar(beads, loading, capacity_of(inventory, run.charge_before)[0]),
        remarks=(*_beside_the_log(run, it, judgement), *_remarks(beads, run, it, spilled)),
        fits=it.fit.fits,
        kept_share=it.kept_share,
        further=further_methods(inventory, run, declared, it.fit.dry_mass_g().p50, loading.p50),
        has_others=any(tool.name != run.start.appliance for tool in declared),
        spilled_between_s=spilled,
    )


def slower_than_it_looked(before: Fitted, told: RunReport) -> bool:
    """Return whether more time is needed now than before the newest weighing, although that heat was given."""
    known = len(before.points) >= _FIRST_JUDGED and before.fit.fits and told.fits
    least_g = SETTLED_SHARE * before.fit.dry_mass_g().p50
    return known and told.time_to_end_s.p50 > before.fit.time_to_end_s(least_g).p50


def run_curves(inventory: Inventory, names: Sequence[str], boxes: Sequence[Box]) -> tuple[RunCurve, ...]:
    """Return runs as pictures."""
    return tuple(run_curve(inventory, inventory.run(name), boxes) for name in names)


def run_curve(inventory: Inventory, run: Run, boxes: Sequence[Box], declared: Sequence[Appliance] = ()) -> RunCurve:
    """Return a run as a picture, with its report."""
    it = fitted(inventory, run)
    told = _report(inventory, run, it, boxes, declared=declared)
    so_far_s, step_s = told.heated_s - it.heated_before_s, told.judgement.next_step_s
    longest_s = max(_CURVE_AHEAD * max(so_far_s, step_s), so_far_s + step_s)
    times_s = np.linspace(0.0, longest_s, _CURVE_POINTS)
    floor_g = told.dry_mass_g.p50 * (1.0 + told.floor_g_per_g)
    weighed = tuple((w.heated_s, w.mass_g * _kept_since(run, place)) for place, w in enumerate(run.weighings))
    return RunCurve(told, times_s + it.heated_before_s, it.fit.band_g(times_s), floor_g, weighed)


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
        return Quantiles((1.0 - _BOOKS_SHARE) * mass_g, mass_g, (1.0 + _BOOKS_SHARE) * mass_g)
    return quantiles(it.fit.mass_g(max(heated_s - it.heated_before_s, 0.0)))


def priors_of(inventory: Inventory, run: Run, start_g: float, before: int = 0) -> RunPriors:
    """Return what is believed of a run before its weighings, of the beads left before the weighing of this place."""
    beads, charge = beads_of(inventory, run.start.charge), _less_what_fell_out(run, before)
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
        because = (
            say("the log of {of_box}", of_box=charge.of_box) if charge.of_box else say("an earlier run of this charge")
        )
        return drying_priors.known_dry_mass(charge.dry_mass_g, sd, because)
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


def _kept_since(run: Run, place: int) -> float:
    """Return the share of the beads of a weighing that is left now, as told."""
    shares = [loss_of(run, spill).kept_share for spill in run.spills if spill.after_weighings > place]
    return float(np.prod([1.0 if share is None else share for share in shares]))


def _less_what_fell_out(run: Run, before: int) -> Charge:
    """Return the charge as it went in, without what fell out before a weighing."""
    charge, kept = run.charge_before, kept_before(run, before)
    if charge.dry_mass_g is None:
        return charge
    return replace(charge, dry_mass_g=None if kept is None else charge.dry_mass_g * kept)


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


def _remarks(beads: Desiccant, run: Run, it: Fitted, spilled: tuple[float, float] | None) -> tuple[str, ...]:
    told = []
    if it.heated_before_s > 0.0:
        told.append(
            say("The beads took up water in between. So only the weighings since then count for the drying curve.")
        )
    if any(isinstance(logged.event, RunWeighed) and logged.event.hot for logged in run.shown):
        told.append(say("Hot weighings count for less. Weigh once more, cold and covered."))
    if run.spills and kept_since_last(run) is not None:
        left = say(
            "{kept_share} % of them are left, and all grams are for those", kept_share=f"{100.0 * it.kept_share:.0f}"
        )
        told.append(
            say(
                "Beads fell out: {which}.",
                which=left if it.kept_share < _NEARLY_ALL else say("all grams are for what is left"),
            )
        )
    if run.open and run.stirred_since_last:
        told.append(say(STIRRED))
    if not it.fit.fits:
        told.append(
            say(
                "Beads don't dry like these weighings, so nothing here is certain. {what_then}",
                what_then=_what_would_explain(spilled),
            )
        )
    if kept_since_last(run) is None:
        told.append(say("Beads fell out since the last weighing, and nobody knows how many. Weigh what is left."))
    told += tare_remarks(run)
    if run.scale_factor != 1.0:
        told.append(say("All weighings are multiplied by {factor}, as you said.", factor=f"{run.scale_factor:.4g}"))
    if run.charge_before.state == "room" and len(it.points) > 1 and it.fit.fits:
        told += _beside_room(beads, run, it.fit, first=len(it.points) == _FIRST_JUDGED)
    if beads.humidity_shows != "fill":
        told.append(
            say("These beads hold nearly the same amount of water at any humidity. A jar check says little about them.")
        )
    return tuple(told)


def _beside_the_log(run: Run, it: Fitted, judgement: Judgement) -> list[str]:
    """Ask about beads that stop well above what the log of their box says they weigh when dry."""
    charge, ends_g = _less_what_fell_out(run, 0), it.fit.end_g().p50
    declared_g, settled = charge.dry_mass_g, judgement.verdict.stops or not it.fit.fits
    if not charge.of_box or declared_g is None or not settled or len(it.points) < _FIRST_JUDGED:
        return []
    if ends_g <= declared_g * (1.0 + it.priors.end_loading.mean_g_per_g + NOT_THROUGH_G_PER_G):
        return []
    dried = (
        ""
        if charge.lightest_g is None
        else say(" ({lightest} g after the last drying)", lightest=f"{charge.lightest_g:.0f}")
    )
    return [
        say(
            "The log of {of_box} says {declared} g when fully dry{dried}. These beads will not come below "
            "{ends} g. Are they other beads, or more of them? Or are they still wet inside?",
            of_box=charge.of_box,
            declared=f"{declared_g:.0f}",
            dried=dried,
            ends=f"{ends_g:.0f}",
        )
    ]


def _what_would_explain(spilled: tuple[float, float] | None) -> str:
    """Say when beads must have fallen out to explain the weighings; else that one of them is a slip."""
    slip = say("find the wrong weighing in `siccast lot log`, and undo it with `siccast lot undo NUMBER`")
    if spilled is None:
        return say("Beads that fell out once do not explain it either. So {slip}.", slip=slip)
    before_min, after_min = (heated_s / 60.0 for heated_s in spilled)
    between = say(
        "between {before_min} and {after_min} min of heating", before_min=f"{before_min:g}", after_min=f"{after_min:g}"
    )
    return say(
        "If beads fell out {between}, run `siccast recharge spilled --at-heat {before_min}`. If not, {slip}.",
        between=between,
        before_min=f"{before_min:g}",
        slip=slip,
    )


def _spill_that_explains(run: Run, it: Fitted) -> tuple[float, float] | None:
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


def _beside_room(beads: Desiccant, run: Run, fit: CurveFit, *, first: bool) -> list[str]:
    """Say whether the loading at the start fits the room the beads lay in; that it does is worth saying once."""
    start = run.start
    room = float(beads.isotherm.loading_g_per_g(start.room_relative_humidity, start.room_temperature_degc))
    began = fit.start_loading_g_per_g()
    low, high = (room * (1.0 + sign * 2.0 * beads.sigma_ln_capacity) for sign in (-1.0, 1.0))
    fields = {
        "began": f"{100.0 * began.p50:.0f}",
        "humidity": f"{100.0 * start.room_relative_humidity:.0f}",
        "low": f"{100.0 * low:.0f}",
        "high": f"{100.0 * high:.0f}",
    }
    if began.p95 < low:
        return [say(_DRIER_THAN_ROOM, **fields)]
    if began.p05 > high:
        return [say(_WETTER_THAN_ROOM, **fields)]
    return [say(_AS_THE_ROOM, **fields)] if first else []


_DRIER_THAN_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %: these were drier than the room, or can hold less than usual."
)
_WETTER_THAN_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %: these were wetter than the room, or can hold more than usual."
)
_AS_THE_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %, depending on the lot. That fits."
)


def first_days(readings: Readings, inventory: Inventory, charge_name: str) -> tuple[float, float] | None:
    """Return the humidity and temperature a box came to rest at after a charge went in; None before that.

    The first day and a half belongs to the air that was let in and to what spools give off; the median of the next
    two days is a jar check that nobody had to make, and an upper bound where filament is still giving off water.
    """
    charge = inventory.charge(charge_name)
    if not charge.place.startswith(BOX) or charge.placed_at is None:
        return None
    begin = charge.placed_at + _AT_REST_AFTER
    series = readings.series(charge.place.removeprefix(BOX), begin, begin + _READ_FOR)
    if len(series) < _ENOUGH_READINGS:
        return None
    return float(np.median(series.relative_humidity)), float(np.median(series.temperature_degc))
