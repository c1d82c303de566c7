"""Days that were announced stand, unless what they rest on changed or another day is worth it; and why they moved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.planning.due import leaks_more, off_words, say_day
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.planning.decisions import PlanConstraints
    from monitor.records import AnnouncedDay, Assessment, PlannedDay, PlannedSwap

ANNOUNCED_WITHIN_DAYS = 28
"""Days farther than this may move as they like. A judgement: nobody has arranged for them yet."""
DUE_MOVED_DAYS = 7
"""By so much the day a box is due moved, if that is why its day moves. A judgement: a week is another free day."""


@dataclass(frozen=True, slots=True)
class Announced:
    """What the last plan said, by box."""

    by_box: Mapping[str, AnnouncedDay]

    def standing(self, assessments: Sequence[Assessment], decided: PlanConstraints, today: date) -> dict[str, date]:
        """Return the days that stand: near, not past, of boxes that are as they were and of which nobody decided."""
        answers = {assessment.box.name: assessment for assessment in assessments}
        return {
            box: one.on
            for box, one in self.by_box.items()
            if box in answers
            and today <= one.on <= today + timedelta(days=ANNOUNCED_WITHIN_DAYS)
            and box not in decided.fixed
            and box not in decided.not_before
            and not _why_other(answers[box], one, today)
            and not _got_beads(answers[box], one)
        }

    def changes(
        self,
        days: Sequence[PlannedDay],
        swaps: Sequence[PlannedSwap],
        assessments: Sequence[Assessment],
        today: date,
        decided: PlanConstraints,
    ) -> dict[str, str]:
        """Return for each box whose announced day moved what it moved by and why."""
        now = first_days(days, swaps)
        found = {}
        for assessment in assessments:
            box = assessment.box.name
            one, on = self.by_box.get(box), now.get(box)
            if one is None or one.on < today or on == one.on or _got_beads(assessment, one):
                continue
            why = _why_other(assessment, one, today) or _why_off(one.on, on, decided, today) or _why_plan(one.on, on)
            found[box] = say(
                to_say("Moved from {before} to {day}: {why}.")
                if on
                else to_say("Moved from {before} to no day of this plan: {why}."),
                before=say_day(one.on, today),
                day=say_day(on, today) if on else "",
                why=why,
            )
        return found


NOTHING_ANNOUNCED = Announced({})


def first_days(days: Sequence[PlannedDay], swaps: Sequence[PlannedSwap]) -> dict[str, date]:
    """Return the first day of each box in a plan."""
    first: dict[str, date] = {}
    for on, box in sorted([*((day.on, box) for day in days for box in day.boxes), *((s.on, s.box) for s in swaps)]):
        first.setdefault(box, on)
    return first


def due_on(assessment: Assessment, today: date) -> date | None:
    """Return the day by which a box is due, by the person's calendar."""
    return today + (assessment.due_at - assessment.as_of) if assessment.due_at else None


def _got_beads(assessment: Assessment, one: AnnouncedDay) -> bool:
    charge = assessment.charge
    return charge is not None and charge.at >= one.announced_at


def _why_other(assessment: Assessment, one: AnnouncedDay, today: date) -> str:
    """Return what a day rests on and that is another than it was; nothing where all is as before."""
    leak = assessment.leak
    if leaks_more(assessment) and not one.leaked_more and leak is not None and leak.changed_at is not None:
        return say("its seal leaks more since {day}", day=say_day(leak.changed_at.date(), today))
    due = due_on(assessment, today)
    if (due is None) != (one.due_on is None):
        if due is None:
            return say("it is due later than was thought")
        return say("it is due by {day} now", day=say_day(due, today))
    if due is not None and one.due_on is not None and abs((due - one.due_on).days) >= DUE_MOVED_DAYS:
        days = abs((due - one.due_on).days)
        if due < one.due_on:
            return say("it is due {count} days sooner than was thought", count=days)
        return say("it is due {count} days later than was thought", count=days)
    return ""


def _why_off(before: date, now: date | None, decided: PlanConstraints, today: date) -> str:
    """Return which days are left out, where a box was on one of them or was put off beyond them."""
    off = [day for day in decided.days_off if before <= day <= max(before, now or before)]
    return off_words(decided.off_around(max(off)), today) if off else ""


def _why_plan(before: date, now: date | None) -> str:
    """Return what the plan as a whole gains, where the box itself is as it was."""
    if now is None:
        return say("it lasts beyond this plan")
    if now < before:
        return say("an earlier day has a free place, and it may pass its limit before the later one")
    return say("it shares a later day at less cost")
