"""The inventory of the recharge desk: lots, charges and drying runs as the events left them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, TypeVar

from monitor.errors import LedgerError, UnknownNameError
from monitor.inference.drying.priors import NEW_LOADING
from monitor.records.desk_events import (
    BOX,
    SPARE,
    ChargeSaturated,
    HeatTimed,
    LoggedEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
)
from monitor.records.names import tidy
from monitor.texts import say

if TYPE_CHECKING:
    from datetime import datetime

SURELY_SDS = 3.0
"""Times its standard deviation that a dry mass may be off before a person is asked. A judgement: once in some 700."""
LEAST_OF_DECLARED = 0.75
"""Share of a dry mass; beads lighter than that are other beads, or another unit (a judgement)."""
A_MOMENT_IN_A_BOX = timedelta(days=1)
"""Beads that lay no longer in a box are about as dry as they went in (a judgement)."""
Loading = tuple[float, float, float]
Thing = TypeVar("Thing")


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot and how much of it is still in the bag."""

    bought: LotBought
    left_g: float
    bought_at: datetime | None = None

    @property
    def name(self) -> str:
        """Its name."""
        return self.bought.lot


@dataclass(frozen=True, slots=True)
class Charge:
    """A charge as the events left it."""

    name: str
    lot: str
    mass_g: float
    """Beads with their water when last weighed or portioned."""
    portioned_g: float
    """How much of the lot it is, as it came out of the bag."""
    holder: str = ""
    tare_g: float | None = None
    state: str = "unknown"
    place: str = SPARE
    placed_at: datetime | None = None
    cycles: int = 0
    lightest_g: float | None = None
    """The least these beads ever weighed at the end of a drying."""
    dry_mass_g: float | None = None
    """Best estimate of the mass when fully dry: from the last finished run, before the first from the log of a box."""
    of_box: str = ""
    """The box whose log says what they weigh when dry; '' once a run has told it."""
    dry_mass_relative_sd: float = 0.0
    loading_g_per_g: Loading | None = None
    """Loading when last judged; None once it has lain in a box since."""
    judged_at: datetime | None = None
    method: str | None = None
    """How it was last dried, in the words of the ledger."""
    was_in_box: bool = False
    """Whether it has lain in a box since: nobody knows how much water it took up there."""
    color: str = ""
    retired: bool = False
    left_box: str = ""
    """The box it last came out of."""
    left_box_at: datetime | None = None
    saturated_in: ChargeSaturated | None = None
    """The air it took up all it can from, since it was last dried."""
    events: tuple[int, ...] = ()

    def as_it_lies(self, at: datetime) -> Charge:
        """Return it as it is known at an instant: beads in a box take up water that nobody weighs."""
        if not self.place.startswith(BOX) or self.placed_at is None:
            return self
        since = max(self.placed_at, self.judged_at or self.placed_at)
        if at - since < A_MOMENT_IN_A_BOX:
            return self
        return replace(self, loading_g_per_g=None, was_in_box=True)


@dataclass(frozen=True, slots=True)
class Saturated:
    """A charge that was weighed full of water, in known air."""

    event: ChargeSaturated
    at: datetime
    charge: Charge


@dataclass(frozen=True, slots=True)
class RunWeighing:
    """One weighing of a run, the holder taken off and corrections applied."""

    event_id: int
    at: datetime
    heated_s: float
    mass_g: float
    resolution_g: float


@dataclass(frozen=True, slots=True)
class Spill:
    """Beads that fell out of a run."""

    after_weighings: int
    lost_g: float | None = None
    """None where nobody knows how much."""


HOT_COUNTS_AS_STEPS = 4.0
"""A hot weighing is taken as this many times as coarse (a judgement): hot beads lift the reading, open ones
gain water."""


@dataclass(frozen=True, slots=True)
class Run:
    """A drying run: how it started, its weighings as the scale showed them, and its end."""

    start: RunStarted
    started_at: datetime
    mass_before_g: float
    charge_before: Charge
    shown: tuple[LoggedEvent, ...] = ()
    scale_factor: float = 1.0
    tare_scale_factor: float | None = None
    """What the empty holder is multiplied by where it stood on another scale than the weighings."""
    spills: tuple[Spill, ...] = ()
    stirs: tuple[int, ...] = ()
    """After how many weighings the beads were stirred, each time."""
    timer: HeatTimed | None = None
    """The timer of the heat since the last weighing."""
    finished: RunFinished | None = None

    @property
    def name(self) -> str:
        """Its name."""
        return self.start.run

    @property
    def weighings(self) -> tuple[RunWeighing, ...]:
        """The weighings in grams of beads, in the order of heating."""
        return tuple(self._weighing(logged) for logged in self.shown)

    @property
    def unweighed_spills(self) -> tuple[Spill, ...]:
        """Spills since the last weighing."""
        return tuple(spill for spill in self.spills if spill.after_weighings >= len(self.shown))

    @property
    def stirred_after_s(self) -> tuple[float, ...]:
        """Heat at the weighing before each time the beads were stirred. [s]"""
        heated_s = (0.0, *(weighing.heated_s for weighing in self.weighings))
        return tuple(heated_s[place] for place in self.stirs)

    @property
    def stirred_since_last(self) -> bool:
        """Whether the beads were stirred since the last weighing."""
        return len(self.shown) in self.stirs

    @property
    def open(self) -> bool:
        """Whether it still goes on."""
        return self.finished is None

    def _weighing(self, logged: LoggedEvent) -> RunWeighing:
        event = logged.event
        if not isinstance(event, RunWeighed):
            raise TypeError(f"{type(event).__name__} is no weighing")
        steps = event.resolution_g * (HOT_COUNTS_AS_STEPS if event.hot else 1.0)
        factor = event.factor * self.scale_factor
        tare_g = self.start.tare_g if event.tare_g is None else event.tare_g
        tare_factor = event.factor if event.tare_factor is None else event.tare_factor
        tare_factor *= self.scale_factor if self.tare_scale_factor is None else self.tare_scale_factor
        mass_g = event.shown_g * factor - tare_g * tare_factor
        return RunWeighing(logged.event_id, logged.at, event.heated_s, mass_g, steps * factor)


@dataclass(frozen=True, slots=True)
class Inventory:
    """Everything the events add up to."""

    lots: Mapping[str, Lot] = field(default_factory=dict)
    charges: Mapping[str, Charge] = field(default_factory=dict)
    runs: Mapping[str, Run] = field(default_factory=dict)
    saturated: tuple[Saturated, ...] = ()

    def lot(self, name: str) -> Lot:
        """Return a lot, or say which there are."""
        return _found(self.lots, name, say("lot"), "siccast lot buy")

    def charge(self, name: str) -> Charge:
        """Return a charge, or say which there are."""
        return _found(self.charges, name, say("charge"), "siccast charge weigh-out")

    def run(self, name: str) -> Run:
        """Return a run, or say which there are."""
        return _found(self.runs, name, say("run"), "siccast recharge start")

    def open_run(self, name: str | None = None) -> Run:
        """Return the run that goes on, of this name or of the charge of this name; the only one where none is named."""
        going = [run for run in self.runs.values() if run.open and name in (None, run.name, run.start.charge)]
        if len(going) == 1:
            return going[0]
        if not going:
            if name:
                raise UnknownNameError(say("no run of '{name}' is in progress", name=name))
            raise LedgerError(say("no run is in progress. Start one with `siccast recharge start`"))
        raise LedgerError(
            say("several runs are in progress. Name one of them: {names}", names=", ".join(run.name for run in going))
        )

    def active_charge(self, name: str) -> Charge:
        """Return a charge that is still in use."""
        charge = self.charge(name)
        if charge.retired:
            raise LedgerError(say("charge '{name}' was retired. Weigh out a new one", name=name))
        return charge


def discrepancies(inventory: Inventory) -> tuple[str, ...]:
    """Return where the grams don't balance, in plain sentences."""
    told = []
    for lot in inventory.lots.values():
        if lot.left_g < -0.5:
            told.append(
                say("Lot '{lot}': {left} g more was weighed out than bought.", lot=lot.name, left=f"{-lot.left_g:.0f}")
            )
    for charge in inventory.charges.values():
        if charge.retired or charge.dry_mass_g is None:
            continue
        expected_g = charge.portioned_g / (1.0 + (NEW_LOADING if charge.state == "new" else 0.0))
        if charge.dry_mass_g > expected_g * (1.0 + SURELY_SDS * charge.dry_mass_relative_sd):
            told.append(
                say(
                    "Charge '{charge}': {dry_mass} g of dry beads, but only {expected} g came out of the bag. A "
                    "top-up or a merge was not logged.",
                    charge=charge.name,
                    dry_mass=f"{charge.dry_mass_g:.0f}",
                    expected=f"{expected_g:.0f}",
                )
            )
        elif charge.dry_mass_g < expected_g * (LEAST_OF_DECLARED - SURELY_SDS * charge.dry_mass_relative_sd):
            told.append(
                say(
                    "Charge '{charge}': {dry_mass} g of dry beads, but {expected} g came out of the bag. More is "
                    "missing than water explains.",
                    charge=charge.name,
                    dry_mass=f"{charge.dry_mass_g:.0f}",
                    expected=f"{expected_g:.0f}",
                )
            )
    return tuple(told)


def _found(things: Mapping[str, Thing], name: str, kind: str, begin: str) -> Thing:
    for written in (name, tidy(name)):
        if written in things:
            return things[written]
    known = ", ".join(things) or say("none yet. Start with `{begin}`", begin=begin)
    raise UnknownNameError(say("there is no {kind} '{name}'. Known: {known}", kind=kind, name=name, known=known))
