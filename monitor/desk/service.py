"""The recharge desk: every event is checked against the inventory before it is kept, whoever sends it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.desk.apply_events import apply, replay
from monitor.desk.box_entries import filled, others_there, weighed_on_its_way
from monitor.desk.inventory import (
    Charge,
    Inventory,
    Run,
)
from monitor.desk.methods import NORMAL_90_SDS, Method, Service, beads_of, compare_methods, services_of
from monitor.desk.questions import STARTS, about_addition, about_entry, about_event, about_use, completed
from monitor.desk.questions import beside as joined
from monitor.desk.runs import (
    RunReport,
    appliance_of,
    expected_g,
    first_days,
    fitted,
    report,
    slower_than_it_looked,
)
from monitor.desk.spills import kept_since_last
from monitor.desk.tares import tare_factor_of, with_tare_read
from monitor.desk.told_by_box import ToldByBox, another_dry_mass, came_out_of, told_by_box
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
from monitor.errors import LedgerError, OutOfRangeError, UnconfirmedError, UnknownBoxError
from monitor.inference.drying.jar import JarVerdict, jar_verdict
from monitor.inference.drying.reach import temperature_of
from monitor.records import ROOM, Appliance, Box, EntryKind, LedgerEntry, RoomClimate
from monitor.records.desk_events import (
    BOX,
    SPARE,
    BeadsSpilled,
    ChargeMoved,
    DeskEvent,
    JarChecked,
    LoggedEvent,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.records.names import tidy
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime

    from monitor.store.contracts import DeskStores

_SLOWER = "The beads dry more slowly than it looked before."
_SAME_HEAT_S = 1.0
"""Minutes typed with a few digits name the weighing of this second (a judgement)."""
FRESH_ROOM = timedelta(hours=6)
"""A room reading older than this is not the room of now (a judgement: weather turns in hours)."""


@dataclass(frozen=True, slots=True)
class Desk:
    """The desk of one shelf."""

    stores: DeskStores
    boxes: Sequence[Box]
    appliances: Sequence[Appliance]
    room_climate: RoomClimate | None = None
    clock: Callable[[], datetime] = field(kw_only=True)
    """Says when an event or an entry was written down; a guide stays open for hours."""

    def inventory(self) -> Inventory:
        """Add up the events."""
        return replay(self.stores.events.events())

    def keep(
        self, event: DeskEvent, at: datetime, box_entry: LedgerEntry | None = None, *, confirmed: bool = False
    ) -> LoggedEvent:
        """Keep an event that agrees with the inventory.

        Raises
        ------
        LedgerError
            If it contradicts them.
        TrapError
            If it hardly happened so and nobody has confirmed it.
        """
        inventory = self.inventory()
        apply(inventory, LoggedEvent(0, at, event))
        _require(about_event(inventory, event, at), confirmed)
        return self.stores.events.log(event, at, self.clock(), box_entry)

    def log(self, entry: LedgerEntry, *, beside: bool = False, confirmed: bool = False) -> int:
        """Keep an entry of a box's ledger and return its number; ``beside``: the beads join those already there.

        Raises
        ------
        TrapError
            If it hardly happened so and nobody has confirmed it.
        """
        with self.stores.events.transaction():
            others = self.stores.ledger.entries(entry.box)
            if beside:
                _require(about_addition(entry, others), confirmed)
                entry = joined(entry, others)
            else:
                entry = completed(entry, others)
                _require(about_entry(entry, others), confirmed)
            return self.stores.ledger.log(entry, self.clock())

    def undo(self, event_id: int) -> LoggedEvent:
        """Take an event back, unless a later one rests on it."""
        rest = [logged for logged in self.stores.events.events() if logged.event_id != event_id]
        try:
            replay(rest)
        except LedgerError as error:
            raise LedgerError(
                say(
                    "can't undo {event_id}: something later depends on it ({error}). Undo that first",
                    event_id=event_id,
                    error=error,
                )
            ) from error
        return self.stores.events.undo(event_id, self.clock())

    def discard(self, run_name: str) -> Sequence[LoggedEvent]:
        """Take back an open run with all that was logged of it, newest first; its charge is again where it was."""
        with self.stores.events.transaction():
            name = self.inventory().open_run(run_name).name
            of_it = [each for each in self.stores.events.events() if getattr(each.event, "run", None) == name]
            return [self.undo(each.event_id) for each in reversed(of_it)]

    def room(self, now: datetime, told: RoomClimate | None = None) -> tuple[RoomClimate, str]:
        """Return the air the appliance draws, and where that is known from."""
        if told is not None:
            return told, "told"
        seen = self.stores.readings.series(ROOM, now - FRESH_ROOM, now + timedelta(seconds=1))
        if len(seen):
            return RoomClimate(float(seen.temperature_degc[-1]), float(seen.relative_humidity[-1])), "sensor"
        return (self.room_climate, "shelf file") if self.room_climate else (RoomClimate(), "assumed")

    def appliance(self, name: str) -> Appliance:
        """Return a declared appliance."""
        for appliance in self.appliances:
            if appliance.name == name:
                return appliance
        known = ", ".join(appliance.name for appliance in self.appliances)
        raise LedgerError(say("appliance '{name}' is not in the shelf file. Declared: {known}", name=name, known=known))

    def box(self, name: str) -> Box:
        """Return a declared box."""
        for box in self.boxes:
            if box.name == tidy(name):
                return box
        raise UnknownBoxError(
            say(
                "box '{name}' is not declared. Declared: {names}",
                name=name,
                names=", ".join(box.name for box in self.boxes),
            )
        )

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
        _require(before_heating(beads, appliance.kind, degc, charge.holder), confirmed)
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
            _require(found, confirmed)
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
            _require(worse_than_it_was(run, then, should_g), confirmed)
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
        inventory = self.inventory()
        run = inventory.open_run(run_name)
        if kept_since_last(run) is None:
            raise LedgerError(
                say(
                    "beads fell out of run '{run}' since the last weighing, and nobody knows how many. Weigh once more",
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

    def put(
        self, charge_name: str, box_name: str, now: datetime, *, beside: bool = False, confirmed: bool = False
    ) -> LedgerEntry:
        """Put a charge into a box: a new episode of that box begins, with what is known of the loading.

        What was in the box becomes spare, unless the charge goes in beside it.

        Raises
        ------
        TrapError
            If the beads would take in hardly any water there and nobody has confirmed it.
        """
        inventory = self.inventory()
        charge, box = inventory.active_charge(charge_name), self.box(box_name)
        there = others_there(inventory, BOX + box.name, charge_name)
        event = ChargeMoved(charge_name, BOX + box.name, () if beside else tuple(other.name for other in there))
        entry = self._filled(inventory, [charge, *(there if beside else [])], box, now)
        apply(inventory, LoggedEvent(0, now, event))  # refuses what can't be first
        told = self.told_of_beads(box.name, now) if came_out_of(inventory, charge_name) == box.name else None
        doubts = (*about_use(inventory, charge_name, box, now), *another_dry_mass(None if beside else told, entry))
        _require((*about_event(inventory, event, now), *doubts), confirmed)
        self.keep(event, now, entry, confirmed=confirmed)
        return entry

    def told_of_beads(self, box_name: str, now: datetime) -> ToldByBox | None:
        """Return what the log of a box tells of the beads in it."""
        return told_by_box(self.stores.ledger.entries(box_name, before=now + timedelta(seconds=1)))

    def services(self, charge_name: str, now: datetime, box_name: str | None = None) -> tuple[Service, ...]:
        """Return what a charge is worth in a box, or in each; nothing where nobody knows how wet it is."""
        boxes = self.boxes if box_name is None else [self.box(box_name)]
        return services_of(self.inventory(), charge_name, boxes, now)

    def take_out(self, charge_name: str, now: datetime) -> None:
        """Lay a charge aside; where others stay in its box, the box goes on with those."""
        inventory = self.inventory()
        place = inventory.active_charge(charge_name).place
        there = others_there(inventory, place, charge_name) if place.startswith(BOX) else []
        entry = self._filled(inventory, there, self.box(place.removeprefix(BOX)), now) if there else None
        self.keep(ChargeMoved(charge_name, SPARE), now, entry)

    def jar_check(
        self, charge_name: str, relative_humidity: float, temperature_degc: float, accuracy: float, now: datetime
    ) -> JarVerdict:
        """Keep a jar check and return what it says beside the weighings."""
        inventory = self.inventory()
        charge = inventory.active_charge(charge_name)
        beads = beads_of(inventory, charge_name)
        verdict = jar_verdict(beads, relative_humidity, temperature_degc, accuracy, charge.loading_g_per_g)
        joined = verdict.combined_g_per_g if verdict.agrees else verdict.alone_g_per_g
        loading = (joined.p05, joined.p50, joined.p95)
        self.keep(JarChecked(charge_name, relative_humidity, temperature_degc, accuracy, loading), now)
        return verdict

    def _filled(self, inventory: Inventory, charges: Sequence[Charge], box: Box, now: datetime) -> LedgerEntry:
        earlier = self.stores.ledger.entries(box.name, before=now)
        kind = EntryKind.recharge if any(entry.kind in STARTS for entry in earlier) else EntryKind.charge
        return filled(inventory, charges, box.name, kind, now)

    def last_dried(self) -> str:
        """Return the charge whose run was finished last."""
        finished = [run for run in self.inventory().runs.values() if not run.open]
        if not finished:
            raise LedgerError(say("no run is finished yet. Name the charge with --charge"))
        return finished[-1].start.charge

    def first_days(self, charge_name: str) -> JarVerdict | None:
        """Return what the box a charge lies in says of it after its first days; None while it is too early."""
        inventory = self.inventory()
        there = others_there(inventory, inventory.charge(charge_name).place, charge_name)
        if there and inventory.charge(charge_name).place.startswith(BOX):
            raise LedgerError(
                say(
                    "'{there}' lies beside '{charge_name}'. The box can't judge them one by one",
                    there=there[0].name,
                    charge_name=charge_name,
                )
            )
        found = first_days(self.stores.readings, inventory, charge_name)
        if found is None:
            return None
        box = self.box(inventory.charge(charge_name).place.removeprefix(BOX))
        return jar_verdict(beads_of(inventory, charge_name), *found, box.sensor.accuracy)


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


def _require(found: Iterable[Trap], confirmed: bool) -> None:
    found = tuple(found)
    if found and not confirmed:
        raise TrapError(found)
