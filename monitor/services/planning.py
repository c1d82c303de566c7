"""What a plan is made from: the futures of all boxes, what dries beads and what it reaches, and charges in reserve."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.methods import USUAL_DRY_G
from monitor.desk.reserve import beads_in_boxes, earlier_ends, forbidden, spare_charges, usual_minutes
from monitor.errors import OutOfRangeError
from monitor.physics.materials import desiccant
from monitor.records import ROOM, PlanRules, Quantiles, WhatIf
from monitor.records.declared import USUAL_LIMIT
from monitor.records.logged import FILLINGS
from monitor.records.plan_input import (
    MANY_BOXES,
    Beads,
    BetterLid,
    DryingPlace,
    PlanInput,
    PlannedBox,
    SpareCharge,
    as_heavy,
)
from monitor.services.histories import Histories
from monitor.services.kept_outlooks import Round
from monitor.services.plan_risk import risk_of
from monitor.units import MINUTES_PER_HOUR, W_PER_KW

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date, datetime

    from monitor.desk.inventory import Inventory
    from monitor.inference import FreshBeads, Supposable
    from monitor.records import Appliance, Box, LedgerEntry, RoomClimate
    from monitor.store.contracts import Ledger, Readings
    from monitor.store.kept_contracts import KeptOutlooks

_EVERY_DRAW_OF_MANY = 5
"""Of many boxes only each fifth draw. [draws] Judgement: two hundred are left, and a chance of 10 % errs by 2 %; a
day's chances of a hundred boxes average out."""
_HALF = 0.5
"""Of its leak, under a better lid. [ratio] Judgement: as sizing has it; a new gasket gives it."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class PlanSources:
    """What is asked: a shelf at one instant, and how far ahead."""

    readings: Readings
    ledger: Ledger
    kept: KeptOutlooks
    inventory: Inventory
    """Of the recharge desk."""
    boxes: Sequence[Box]
    appliances: Sequence[Appliance]
    rules: PlanRules
    as_of: datetime
    today: date
    """The person's calendar day at that instant."""
    room_climate: RoomClimate | None = None
    every_draw: int | None = None
    """None: all draws of a few boxes, fewer of many."""

    @property
    def draws_apart(self) -> int:
        """Each so-manieth draw is answered."""
        return self.every_draw or (1 if len(self.boxes) < MANY_BOXES else _EVERY_DRAW_OF_MANY)


class PlanInputs:
    """What a plan is made from, whole or one box after the other, so that of many only one's futures are held."""

    def __init__(self, sources: PlanSources) -> None:
        """Ask for the outlooks of all boxes; their futures are made when they are asked for."""
        self._sources = sources
        self._histories = Histories.of(
            sources.readings, sources.ledger, sources.boxes, sources.as_of, sources.room_climate
        )
        few = [box.name for box in sources.boxes] if len(sources.boxes) < MANY_BOXES else []
        self._round = Round(self._histories, sources.kept, held=few)
        self._refusals = self._round.refusals()
        self.spares: tuple[SpareCharge, ...] = spare_charges(
            sources.inventory, sources.appliances, sources.boxes, sources.as_of
        )
        at_desk = beads_in_boxes(sources.inventory)
        self._beads = {
            box.name: _beads_of(self._histories.entries[box.name], at_desk.get(box.name)) for box in sources.boxes
        }
        self.places: tuple[DryingPlace, ...] = self._places()

    @property
    def not_mixed(self) -> frozenset[frozenset[str]]:
        """Pairs that may not share a batch: as the shelf file says, or beads that stand different heat."""
        groups = self._sources.rules.not_mixed
        if groups is not None:
            return frozenset(frozenset(pair) for group in groups for pair in combinations(group, 2))
        ceilings = {beads.batch_name: desiccant(beads.kind).max_regeneration_degc for beads in self._all_beads()}
        return frozenset(
            frozenset((one, other)) for one, other in combinations(ceilings, 2) if ceilings[one] != ceilings[other]
        )

    def whole(self) -> PlanInput:
        """Return all of it at once."""
        asked, boxes = self._sources, tuple(self.boxes())
        return PlanInput(asked.as_of, asked.today, asked.rules, self.places, self.spares, boxes, self.not_mixed)

    def better_lids(self, name: str) -> Iterator[BetterLid]:
        """Yield a box with half its leak, then with that of a better seal where it is less; futures are made just then.

        Nothing of a box without a forecast. Draws and room are those of the plan.
        """
        from monitor.inference.answers.sized_box import BETTER_STYLE, better_seal_conductance  # noqa: PLC0415 -- no model before it is asked

        box, known = next(box for box in self._sources.boxes if box.name == name), self._round.supposable(name)
        if known is None:
            return
        better = better_seal_conductance(box) / float(np.median(known.sized().conductance))
        for times, like in ((_HALF, ""), (better, BETTER_STYLE)):
            if times <= _HALF:
                planned = self._planned(box, known.changed(WhatIf(conductance_factor=times)))
                if planned.futures is not None:
                    yield BetterLid(planned, times, like)

    def boxes(self) -> Iterator[PlannedBox]:
        """Yield every declared box in its order, its futures made just then."""
        for box in self._sources.boxes:
            yield self._planned(box, self._round.supposable(box.name))

    def _planned(self, box: Box, known: Supposable | None) -> PlannedBox:
        beads, sources = self._beads[box.name], self._sources
        not_in = forbidden(beads, sources.appliances) if beads else {}
        risk = risk_of(box, sources.rules.risk)
        if known is None:
            refusal = self._refusals.get(box.name, "").removeprefix(f"{box.name}: ")
            return PlannedBox(box, beads, risk, None, refusal or "there is no forecast", not_in)
        ways, same = self._ways(beads, not_in)
        try:
            futures = known.futures(ways, sources.rules.horizon_days, every_draw=sources.draws_apart)
        except Exception as error:  # one box must not take the plan from all others
            _log.exception("box %s has no futures", box.name)
            why = f"its futures can't be simulated ({type(error).__name__}: {error}); please report it"
            return PlannedBox(box, beads, risk, None, why, not_in)
        holds = {**futures.holds_days, **{way: futures.holds_days[like] for way, like in same.items()}}
        return PlannedBox(box, beads, risk, type(futures)(futures.box, futures.over_after_days, holds), "", not_in)

    def _ways(self, beads: Beads | None, not_in: Mapping[str, str]) -> tuple[dict[str, FreshBeads], dict[str, str]]:
        """Return the ways to fill a box, and those that are as good as one of these, by its name."""
        from monitor.inference import FreshBeads  # noqa: PLC0415 -- what was kept is answered without any model

        ways, same = {}, {}
        if beads is not None:
            may = [place for place in self.places if place.name not in not_in and beads.kind in place.reach]
            ways = {place.name: FreshBeads(place.reach[beads.kind]) for place in may}
        for spare in self.spares:
            kind, grams = spare.beads.kind, spare.beads.dry_mass_g
            if grams is None:
                continue
            other = None if beads is not None and beads.kind == kind else kind
            if spare.dry and spare.loading_g_per_g is not None:
                ways[spare.way] = FreshBeads((spare.loading_g_per_g,), grams, other)
            for place in self.places:
                if place.name in spare.forbidden or kind not in place.reach:
                    continue
                way = spare.way_from(place.name)
                if place.name in ways and _can_stand_for(spare.beads, beads):
                    same[way] = place.name
                else:
                    ways[way] = FreshBeads(place.reach[kind], grams, other)
        return ways, same

    def _places(self) -> tuple[DryingPlace, ...]:
        from monitor.inference.drying.monthly_reach import months_of  # noqa: PLC0415 -- as above
        from monitor.inference.evidence.room_climate import learn_room  # noqa: PLC0415

        standing = sorted(self._sources.boxes, key=lambda box: box.room != ROOM)  # appliances stand in the room
        known = (self._round.supposable(box.name) for box in standing)
        found = next((one.posterior.room for one in known if one is not None), None)
        now_s = self._sources.as_of.timestamp()
        months = months_of(found or learn_room(None, self._sources.room_climate, now_s), now_s)
        return tuple(self._place(tool, months) for tool in self._sources.appliances)

    def _place(self, tool: Appliance, months: Sequence[RoomClimate]) -> DryingPlace:
        from monitor.inference.drying.monthly_reach import monthly_reach  # noqa: PLC0415 -- as above
        from monitor.inference.drying.reach import mean_draw_w, reach  # noqa: PLC0415

        inventory = self._sources.inventory
        reaches: dict[str, tuple[Quantiles, ...]] = {}
        kinds = sorted({beads.kind for beads in self._all_beads()})
        for kind in kinds:
            if not forbidden(Beads(kind), [tool]):
                earlier = earlier_ends(inventory, tool.name, kind)
                reaches[kind] = monthly_reach(tool, desiccant(kind), months, earlier)
        load, room = desiccant((kinds or ["silica_gel_unspecified"])[0]), months[self._sources.today.month - 1]
        spent = float(load.isotherm.loading_g_per_g(USUAL_LIMIT, room.temperature_degc))
        grams = tool.batch_g or USUAL_DRY_G * tool.batch_boxes
        usual, told = reach(tool, load, room, grams, spent), usual_minutes(inventory, tool.name)
        minutes = tool.minutes or told or usual.time_s.p50 / 60.0
        kwh = max(mean_draw_w(tool) * minutes / MINUTES_PER_HOUR / W_PER_KW, usual.least_energy_kwh)
        return DryingPlace(
            appliance=tool,
            weekdays=tool.weekdays or self._sources.rules.weekdays,
            batches_a_day=_batches_a_day(tool, minutes),
            minutes=minutes,
            hands_on_minutes=float(usual.hands_on_min) if tool.hands_on_minutes is None else tool.hands_on_minutes,
            kwh=kwh,
            reach=reaches,
        )

    def _all_beads(self) -> list[Beads]:
        return [*(beads for beads in self._beads.values() if beads), *(spare.beads for spare in self.spares)]


def _batches_a_day(tool: Appliance, minutes: float) -> int:
    if tool.batches_a_day is not None:
        return tool.batches_a_day
    return max(1, sum(int((last - first) // minutes) for first, last in tool.hours))


def _can_stand_for(some: Beads, others: Beads | None) -> bool:
    return others is not None and some.kind == others.kind and as_heavy(some.dry_mass_g, others.dry_mass_g)


def _beads_of(entries: Sequence[LedgerEntry], at_desk: tuple[Beads, datetime | None] | None) -> Beads | None:
    """Return what is in a box: as the desk knows it, unless the box's log tells of beads that came later."""
    filled = [entry for entry in entries if entry.kind in FILLINGS]
    if at_desk is not None:
        beads, since = at_desk
        if not filled or since is None or filled[-1].at <= since:
            return beads
    if not filled:
        return None
    kind = next((entry.desiccant for entry in reversed(filled) if entry.desiccant), None)
    grams = next((entry.dry_mass_g for entry in reversed(filled) if entry.dry_mass_g), None)
    return None if kind is None else Beads(_kind(kind), dry_mass_g=grams)


def _kind(name: str) -> str:
    """Return the kind of beads of a name; a name that no table knows is that of plain gel, as estimates take it."""
    try:
        return desiccant(name).kind
    except OutOfRangeError:
        return desiccant("silica_gel_unspecified").kind
