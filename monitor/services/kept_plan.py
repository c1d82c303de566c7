"""The one plan that all faces show: kept from question to question, made anew where something it rests on changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property
from hashlib import blake2b
from typing import TYPE_CHECKING, Protocol

from monitor.planning.due import just_filled
from monitor.planning.steady import first_days
from monitor.records import KeptPlan
from monitor.services.kept_outlooks import AS_IT_IS_FOR
from monitor.services.packing import ROOMS_OF_ANSWERS, packed, unpacked, version_of_code
from monitor.services.recharge_plan import FullPlan, announcement, plan_shelf
from monitor.store.contracts import DeskStores

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date, datetime, tzinfo

    from monitor.records import AnnouncedDay, Appliance, Assessment, Box, PlanDecision, PlanRules, RoomClimate
    from monitor.services.planning import PlanSources
    from monitor.store.contracts import PlanDecisions
    from monitor.store.kept_contracts import KeptOutlooks, KeptPlans

_SAID_FOR_DAYS = 7
"""So long it is said that an announced day moved. A judgement: who looks once a week hears of it."""
_ROOMS_OF_PLANS = (*ROOMS_OF_ANSWERS, "planning", "services", "desk")


class PlanStores(DeskStores, Protocol):
    """The stores that a plan is made from and kept in."""

    @property
    def outlooks(self) -> KeptOutlooks:
        """What is kept of each box."""
        ...

    @property
    def plan_decisions(self) -> PlanDecisions:
        """What was decided and announced."""
        ...

    @property
    def plans(self) -> KeptPlans:
        """The plan that is kept."""
        ...


class DeclaredShelf(Protocol):
    """What a person declared that a plan is made from."""

    @property
    def boxes(self) -> Sequence[Box]:
        """All of them."""
        ...

    @property
    def appliances(self) -> Sequence[Appliance]:
        """What dries beads."""
        ...

    @property
    def plan(self) -> PlanRules:
        """When and how."""
        ...

    @property
    def timezone(self) -> tzinfo:
        """Of the person."""
        ...

    @property
    def room(self) -> RoomClimate | None:
        """Where no sensor stands."""
        ...


@dataclass(frozen=True, eq=False)
class PlanAsked:
    """A question for the plan of a shelf at one instant."""

    stores: PlanStores
    boxes: Sequence[Box]
    appliances: Sequence[Appliance]
    rules: PlanRules
    as_of: datetime
    today: date
    """The person's calendar day at that instant."""
    assessments: Sequence[Assessment]
    """Of all boxes, made at that instant or little before."""
    logged: object
    """The stamp of the ledger from before they were made."""
    decisions: Sequence[PlanDecision] = ()
    room_climate: RoomClimate | None = None


def plan_asked(
    stores: PlanStores,
    shelf: DeclaredShelf,
    as_of: datetime,
    assessments: Sequence[Assessment],
    *,
    logged: object,
    decisions: Sequence[PlanDecision],
) -> PlanAsked:
    """Return the question for the plan of a shelf as it is declared."""
    today = as_of.astimezone(shelf.timezone).date()
    return PlanAsked(
        stores, shelf.boxes, shelf.appliances, shelf.plan, as_of, today, assessments, logged, decisions, shelf.room
    )


def plan_now(asked: PlanAsked, *, fresh: bool = False) -> FullPlan:
    """Return the plan of now: the one that is kept, where it rests on what is there, else one that is made and kept.

    Where it is made, the days it says are announced. ``fresh`` makes it in any case. One that was made of what another
    process has changed meanwhile is neither kept nor announced: it is made anew next time.
    """
    before = _Fingerprint(asked)
    kept = asked.stores.plans.newest()
    if not fresh and (found := before.held(kept)) is not None:
        return found
    made = plan_shelf(
        _sources(asked), asked.assessments, decisions=asked.decisions, announced=before.announced
    )  # fmt: skip
    whole = _with_moves_said_before(made, before.of_same_code(kept), asked.today)
    if still := _still_asked(asked, before):
        days = announcement(whole.plan, asked.assessments, asked.today)
        keep = KeptPlan(before.after(days), before.asked, packed(whole))
        asked.stores.plans.keep(keep, days, asked.as_of, still)
    return whole


def plan_at_hand(asked: PlanAsked) -> tuple[FullPlan | None, bool]:
    """Return the plan that is kept, and whether it is that of now.

    Where it isn't, it is the one before: what was declared, logged and decided is the same, and so is the day. None
    where there is no such.
    """
    fingerprint, kept = _Fingerprint(asked), asked.stores.plans.newest()
    if (found := fingerprint.held(kept)) is not None:
        return found, True
    if kept is not None and kept.asked == fingerprint.asked:
        return unpacked(kept.plan, FullPlan), False
    return None, False


def plan_apart(asked: PlanAsked, *, of_the_past: bool = False) -> FullPlan:
    """Return the plan of another question than that of now; it is neither kept nor announced."""
    announced = asked.stores.plan_decisions.announced(asked.as_of if of_the_past else None)
    return plan_shelf(_sources(asked), asked.assessments, decisions=asked.decisions, announced=announced)


def _still_asked(asked: PlanAsked, before: _Fingerprint) -> Callable[[], bool] | None:
    """Return what says whether all that a plan was made of is still what counts; None where it no longer is."""

    def still() -> bool:
        """What was logged and decided since the boxes were assessed is in no fingerprint made after that."""
        stores = asked.stores
        told = stores.ledger.stamp() == asked.logged, tuple(stores.plan_decisions.counting()) == tuple(asked.decisions)
        return all(told) and _Fingerprint(asked).whole == before.whole

    return still if still() else None


class _Fingerprint:
    """Digests of all that a plan is made of."""

    def __init__(self, asked: PlanAsked) -> None:
        self._asked = asked
        self.announced: Mapping[str, AnnouncedDay] = asked.stores.plan_decisions.announced()
        self.asked = self._of_what_is_told()
        self._learned = self._of_what_is_learned()
        self.whole = self._with(self.announced.values())

    @cached_property
    def _version(self) -> bytes:
        return version_of_code(_ROOMS_OF_PLANS)

    def held(self, kept: KeptPlan | None) -> FullPlan | None:
        """Return a kept plan that is made of all this."""
        return unpacked(kept.plan, FullPlan) if kept is not None and kept.rests_on == self.whole else None

    def of_same_code(self, kept: KeptPlan | None) -> FullPlan | None:
        """Return a kept plan that this code made."""
        is_ours = kept is not None and kept.asked.startswith(self._version)
        return unpacked(kept.plan, FullPlan) if kept is not None and is_ours else None

    def after(self, days: Iterable[AnnouncedDay]) -> bytes:
        """Return the whole as it is once these days are announced; a day that was announced before stays as it was."""
        before = self.announced
        return self._with(
            before[one.box] if one.box in before and before[one.box].on == one.on else one for one in days
        )

    def _with(self, announced: Iterable[AnnouncedDay]) -> bytes:
        told = sorted((one.box, one.on, one.due_on, one.leaked_more) for one in announced)
        return blake2b(self.asked + self._learned + repr(told).encode()).digest()

    def _of_what_is_told(self) -> bytes:
        """Of what a person declared, logged and decided, and of the day."""
        asked, stores = self._asked, self._asked.stores
        told = (
            asked.today,
            tuple(asked.boxes),
            tuple(asked.appliances),
            asked.rules,
            asked.room_climate,
            stores.ledger.stamp(),
            stores.events.stamp(),
            tuple(asked.decisions),
        )
        return self._version + blake2b(repr(told).encode()).digest()

    def _of_what_is_learned(self) -> bytes:
        stamps = self._asked.stores.outlooks.stamps()
        by_name = sorted(self._asked.assessments, key=lambda one: one.box.name)
        digest = blake2b()
        for one in by_name:
            told = one.box.name, one.state, just_filled(one), self._outlook(one, stamps.get(one.box.name))
            digest.update(repr(told).encode())
        return digest.digest()

    def _outlook(self, answer: Assessment, stamp: tuple[datetime, bytes] | None) -> object:
        """What an outlook rests on that is given as it is; where none is kept, what it says."""
        if stamp is not None and stamp[0] + AS_IT_IS_FOR > self._asked.as_of:
            return stamp
        forecast = answer.forecast
        return answer.refusal, forecast and (forecast.chance_by_day, forecast.spent_at)


def _sources(asked: PlanAsked) -> PlanSources:
    from monitor.desk.apply_events import replay  # noqa: PLC0415 -- what was kept is answered without any model
    from monitor.services.planning import PlanSources  # noqa: PLC0415 -- as above

    stores = asked.stores
    return PlanSources(
        stores.readings, stores.ledger, stores.outlooks, replay(stores.events.events()), asked.boxes, asked.appliances,
        asked.rules, asked.as_of, asked.today, asked.room_climate,
    )  # fmt: skip


def _with_moves_said_before(made: FullPlan, before: FullPlan | None, today: date) -> FullPlan:
    """Return a plan that still says of days that moved lately why, whoever was told first."""
    if before is None:
        return made
    then, now = (first_days(one.plan.days, one.plan.swaps) for one in (before, made))
    still = {
        box
        for box, on in before.changed_on.items()
        if box not in made.plan.changed
        and box in before.plan.changed
        and then.get(box) == now.get(box)
        and timedelta() <= today - on <= timedelta(days=_SAID_FOR_DAYS)
    }
    if not still:
        return made
    changed = {box: before.plan.changed[box] for box in sorted(still)} | dict(made.plan.changed)
    said_on = {box: before.changed_on[box] for box in still} | dict(made.changed_on)
    return replace(made, plan=replace(made.plan, changed=changed), changed_on=said_on)
