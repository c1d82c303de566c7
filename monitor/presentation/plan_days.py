"""A plan as people read it: date by date with all that is done then, and what becomes of charges that are taken out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.day_names import near_day
from monitor.texts import say, say_many

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from monitor.planning.recharge import RechargePlan
    from monitor.records import PlannedDay, PlannedSwap


@dataclass(frozen=True, slots=True)
class PlanDate:
    """All that a person does on one date."""

    on: date
    sessions: tuple[PlannedDay, ...] = ()
    """One for each appliance that is used."""
    swaps: tuple[PlannedSwap, ...] = ()

    @property
    def dried(self) -> tuple[str, ...]:
        """The boxes whose beads are dried, appliance by appliance."""
        return tuple(box for session in self.sessions for box in session.boxes)

    @property
    def swapped(self) -> tuple[str, ...]:
        """The boxes that get a spare charge."""
        return tuple(swap.box for swap in self.swaps)

    @property
    def boxes(self) -> tuple[str, ...]:
        """The boxes that get dry beads."""
        return (*self.dried, *self.swapped)


def dates_of(plan: RechargePlan) -> list[PlanDate]:
    """Return the dates on which anything is done, the first first."""
    sessions: dict[date, list[PlannedDay]] = defaultdict(list)
    swaps: dict[date, list[PlannedSwap]] = defaultdict(list)
    for day in plan.days:
        sessions[day.on].append(day)
    for swap in plan.swaps:
        swaps[swap.on].append(swap)
    dates = sorted({*sessions, *swaps})
    return [PlanDate(on, tuple(sessions.get(on, ())), tuple(swaps.get(on, ()))) for on in dates]


@dataclass(frozen=True, slots=True)
class NextVisit:
    """When a box gets dry beads next, and from where."""

    on: date
    appliance: str
    spare: str = ""
    """The spare charge that goes in; '' where its own beads are dried."""


def next_visits(plan: RechargePlan) -> Mapping[str, NextVisit]:
    """Return the next visit of each box that has one."""
    found: dict[str, NextVisit] = {}
    for one in dates_of(plan):
        for session in one.sessions:
            for box in session.boxes:
                found.setdefault(box, NextVisit(one.on, session.appliance))
        for swap in one.swaps:
            found.setdefault(swap.box, NextVisit(one.on, "", swap.spare))
    return found


def planned_words(visit: NextVisit, today: date) -> str:
    """Return when and how a box gets dry beads, as a phrase beside what it needs."""
    day = near_day(visit.on, today)
    if visit.spare:
        return say("planned: spare {spare} goes in, {day}", spare=visit.spare, day=day)
    return say("planned: {day}, {appliance}", day=day, appliance=visit.appliance)


def dried_after(plan: RechargePlan) -> list[tuple[PlannedSwap, PlannedDay | None]]:
    """Return for each swap the day on which the charge that comes out is dried: the first that has a place for it."""
    left = {(place, spare): count for place, day in enumerate(plan.days) for spare, count in day.spares_dried.items()}
    found: list[tuple[PlannedSwap, PlannedDay | None]] = []
    for swap in sorted(plan.swaps, key=lambda one: one.on):
        there = (
            place for place, day in enumerate(plan.days) if day.on >= swap.on and left.get((place, swap.spare), 0) > 0
        )
        place = next(there, None)
        if place is not None:
            left[place, swap.spare] -= 1
        found.append((swap, None if place is None else plan.days[place]))
    return found


def swap_words(swap: PlannedSwap, dried: PlannedDay | None, today: date) -> str:
    """Return what to do with a spare charge, and what becomes of the one that comes out."""
    if dried is None:
        return say(
            "Put spare {spare} into {box}. What comes out waits wet in reserve: this plan has no day for it yet.",
            spare=swap.spare,
            box=swap.box,
        )
    if dried.on == swap.on:
        return say(
            "Put spare {spare} into {box}. What comes out is dried the same day in the {appliance}, and is the spare "
            "then.",
            spare=swap.spare,
            box=swap.box,
            appliance=dried.appliance,
        )
    return say(
        "Put spare {spare} into {box}. What comes out is dried on {day} in the {appliance}, and is the spare then.",
        spare=swap.spare,
        box=swap.box,
        day=near_day(dried.on, today),
        appliance=dried.appliance,
    )


def spares_words(plan: RechargePlan, day: PlannedDay, today: date) -> list[str]:
    """Return a sentence for each charge without a box that is dried on a day: what it is, or where it came out of."""
    came = [swap for swap, dried in dried_after(plan) if dried is day]
    said = [
        say(
            "Dry what came out of {box} on {day}: it is spare {spare} then.",
            box=swap.box,
            day=near_day(swap.on, today),
            spare=swap.spare,
        )
        for swap in came
    ]
    for spare, count in day.spares_dried.items():
        wet = count - sum(swap.spare == spare for swap in came)
        if wet > 0:
            said.append(
                say_many(
                    "Dry spare {spare}, which is still wet.",
                    "Dry {count} charges of spare {spare}, which are still wet.",
                    wet,
                    spare=spare,
                )
            )
    return said
