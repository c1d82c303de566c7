"""A drying run at the desk: begun, weighed again and again, ended, with what each weighing means."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from monitor.desk.apply_events import apply
from monitor.desk.box_entries import weighed_on_its_way
from monitor.desk.checked_log import CheckedLog, require_confirmed
from monitor.desk.inventory import (
    Run,
)
from monitor.desk.methods import NORMAL_90_SDS, Method, beads_of, compare_methods
from monitor.desk.run_fit import appliance_of, expected_g, fitted
from monitor.desk.runs import RunReport, report, slower_than_it_looked
from monitor.desk.spills import kept_since_last
from monitor.desk.tares import tare_factor_of, with_tare_read
from monitor.desk.traps import (
    AtScale,
    Trap,
    TrapError,
    at_the_scale,
    before_heating,
    missed_point,
    other_scale,
    worse_than_it_was,
)
from monitor.errors import LedgerError, OutOfRangeError, UnconfirmedError
from monitor.inference.drying.reach import temperature_of
from monitor.records import Appliance, RoomClimate
from monitor.records.desk_events import (
    BeadsSpilled,
    LoggedEvent,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime


_SLOWER = "The beads dry more slowly than it looked before."
_SAME_HEAT_S = 1.0
"""Minutes typed with a few digits name the weighing of this second (a judgement)."""


@dataclass(frozen=True, slots=True)
class RunLog(CheckedLog):
    """The drying runs of one shelf."""

    def start(
        self,
        charge_name: str,
        appliance: Appliance,
        now: datetime,
        *,
        room: RoomClimate | None = None,
        tare_g: float | None = None,
        confirmed: bool = False,
    ) -> Run:
        """Begin a drying run.

        Raises
        ------
        TrapError
            If the beads, their dye or their holder don't stand it and nobody has confirmed it.
        """
        inventory = self.inventory()
        charge, beads, degc = (
            inventory.active_charge(charge_name),
            beads_of(inventory, charge_name),
            temperature_of(appliance),
        )
        require_confirmed(before_heating(beads, appliance.kind, degc, charge.holder), confirmed)
        air, room_from = self.room(now, room)
        name = f"{charge_name}-{1 + sum(run.start.charge == charge_name for run in inventory.runs.values())}"
        event = RunStarted(
            run=name,
            charge=charge_name,
            appliance=appliance.name,
            appliance_kind=appliance.kind,
            room_temperature_degc=air.temperature_degc,
            room_relative_humidity=air.relative_humidity,
            room_from=room_from,
            temperature_degc=degc,
            power_w=appliance.power_w,
            tare_g=charge.tare_g or 0.0 if tare_g is None else tare_g,
        )
        self.keep(event, now)
        return self.inventory().run(name)

    def method_of(self, run: Run) -> Method:
        """Return what the method of a run can reach in its room."""
        start = run.start
        room = RoomClimate(start.room_temperature_degc, start.room_relative_humidity)
        [method] = compare_methods(self.inventory(), [appliance_of(run)], self.boxes, room, of=start.charge)
        return method

    def weigh(self, weighed: RunWeighed, now: datetime, *, confirmed: bool = False) -> RunReport:
        """Keep a weighing of a run and return what it means.

        Raises
        ------
        TrapError
            If the weighing looks wrong and nobody has confirmed it.
        """
        with self.stores.events.transaction():
            inventory = self.inventory()
            run = inventory.open_run(weighed.run)
            weighed = replace(weighed, run=run.name)
            so_far = fitted(inventory, run) if run.weighings else None
            should_g = expected_g(run, weighed.heated_s, so_far)
            weighed = with_tare_read(run, weighed, should_g)
            then = apply(inventory, LoggedEvent(0, now, weighed))  # refuses heating times out of order first
            mass_g = then.run(run.name).weighings[-1].mass_g
            typed = _typed(run, weighed, mass_g, now)
            if mass_g <= 0.0:
                raise _too_light(typed, missed_point(typed, should_g, None) or other_scale(typed, should_g))
            told = report(then, then.run(run.name), self.boxes, declared=self.appliances)
            contradicted = so_far is not None and not so_far.fit.fits
            found = at_the_scale(
                run,
                replace(typed, fits=told.fits or so_far is None or contradicted, contradicted=contradicted),
                desiccant=beads_of(inventory, run.start.charge),
                expected_g=should_g,
                other_tares_g=[charge.tare_g for charge in inventory.charges.values() if charge.tare_g],
            )
            require_confirmed(found, confirmed)
            self.keep(weighed, now, None if run.weighings else weighed_on_its_way(inventory, run, mass_g, weighed, now))
            slower = so_far is not None and slower_than_it_looked(so_far, told)
            remarks = (*told.remarks, *((_SLOWER,) if slower else ()))
            return replace(told, run=self.inventory().run(run.name), remarks=remarks)

    def rescale(
        self,
        run_name: str | None,
        factor: float,
        because: str,
        now: datetime,
        *,
        tare_factor: float | None = None,
        confirmed: bool = False,
    ) -> RunReport:
        """Take every weighing of a run as read on a scale that stood on something else.

        Raises
        ------
        LedgerError
            Before the first weighing, which can say so itself.
        TrapError
            If the inventory says that the weighings were right as they are.
        """
        with self.stores.events.transaction():
            inventory = self.inventory()
            run = inventory.open_run(run_name)
            if not run.shown or not isinstance(run.shown[0].event, RunWeighed):
                raise LedgerError(
                    say(
                        "run '{run}' has no weighing yet. Use --scale {because} when you weigh",
                        run=run.name,
                        because=because,
                    )
                )
            first = run.shown[0].event
            before = replace(run, shown=(), scale_factor=1.0, tare_scale_factor=None)
            should_g = expected_g(before, 0.0, None)
            if tare_factor is None:
                tare_factor = tare_factor_of(before, first, factor, should_g)
            event = ScaleCorrected(run.name, factor, because, tare_factor)
            then = apply(inventory, LoggedEvent(0, now, event)).run(run.name)
            if min(weighing.mass_g for weighing in then.weighings) <= 0.0:
                raise OutOfRangeError(
                    say("the scale was not set to {because}: the beads would weigh less than nothing", because=because)
                )
            require_confirmed(worse_than_it_was(run, then, should_g), confirmed)
            self.keep(event, now)
            return self.report(run.name)

    def spill(
        self,
        run_name: str | None,
        now: datetime,
        *,
        lost_g: float | None = None,
        left: RunWeighed | None = None,
        at_heat_s: float | None = None,
        confirmed: bool = False,
    ) -> RunReport | None:
        """Beads fell out of a run: so many grams, or whatever the scale says is left, or nobody knows how much.

        ``at_heat_s``: after how much heat in all it happened, where weighings have been made since. Returns what the
        run means now; None where it has no weighing yet.
        """
        with self.stores.events.transaction():
            run = self.inventory().open_run(run_name)
            before = [at_heat_s is None or weighing.heated_s <= at_heat_s + _SAME_HEAT_S for weighing in run.weighings]
            self.keep(BeadsSpilled(run.name, sum(before), lost_g), now)
            if left is not None:
                return self.weigh(replace(left, run=run.name), now, confirmed=confirmed)
            return self.report(run.name) if run.shown else None

    def report(self, run_name: str) -> RunReport:
        """Return what the weighings of a run mean so far."""
        inventory = self.inventory()
        return report(inventory, inventory.run(run_name), self.boxes, declared=self.appliances)

    def finish(self, run_name: str | None, now: datetime) -> RunReport:
        """End a run and keep what it told of the beads."""
        with self.stores.events.transaction():
            inventory = self.inventory()
            run = inventory.open_run(run_name)
            if kept_since_last(run) is None:
                raise LedgerError(
                    say(
                        "beads fell out of run '{run}' since the last weighing, and nobody knows how many. Weigh once "
                        "more",
                        run=run.name,
                    )
                )
            told = report(inventory, run, self.boxes, declared=self.appliances)
            dry, loading = told.dry_mass_g, told.loading_g_per_g
            curves = fitted(inventory, run).fit.curves
            event = RunFinished(
                run=run.name,
                verdict=told.verdict.value,
                end_mass_g=told.mass_g,
                dry_mass_g=dry.p50,
                dry_mass_relative_sd=(dry.p95 - dry.p05) / NORMAL_90_SDS / dry.p50,
                start_loading_g_per_g=told.start_loading_g_per_g.p50,
                loading_g_per_g=(loading.p05, loading.p50, loading.p95),
                time_constant_s=float(1.0 / sorted(curves.rate_per_s)[len(curves.rate_per_s) // 2]),
                fits=told.fits,
                kept_share=told.kept_share,
            )
            self.keep(event, now)
            return told

    def discard(self, run_name: str) -> Sequence[LoggedEvent]:
        """Take back an open run with all that was logged of it, newest first; its charge is again where it was."""
        with self.stores.events.transaction():
            name = self.inventory().open_run(run_name).name
            of_it = [each for each in self.stores.events.events() if getattr(each.event, "run", None) == name]
            return [self.undo(each.event_id) for each in reversed(of_it)]

    def last_dried(self) -> str:
        """Return the charge whose run was finished last."""
        finished = [run for run in self.inventory().runs.values() if not run.open]
        if not finished:
            raise LedgerError(say("no run is finished yet. Name the charge with --charge"))
        return finished[-1].start.charge


def _typed(run: Run, weighed: RunWeighed, mass_g: float, now: datetime) -> AtScale:
    last_at = run.weighings[-1].at if run.weighings else run.started_at
    return AtScale(
        shown_g=weighed.shown_g,
        mass_g=mass_g,
        tare_g=run.start.tare_g if weighed.tare_g is None else weighed.tare_g,
        heated_s=weighed.heated_s,
        resolution_g=weighed.resolution_g,
        scaled=weighed.factor != 1.0,
        elapsed_s=(now - last_at).total_seconds(),
    )


def _too_light(typed: AtScale, explained: Trap | None) -> UnconfirmedError | OutOfRangeError:
    if explained is not None:
        return TrapError([explained])
    return OutOfRangeError(
        say(
            "{shown} g is not valid: with the holder ({tare} g) it must weigh more",
            shown=f"{typed.shown_g:g}",
            tare=f"{typed.tare_g:g}",
        )
    )
