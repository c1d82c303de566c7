"""What a person decided about the plan, as constraints that any planner keeps: the newest decision counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.records import DecisionKind, PlanDecision
from monitor.units import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from monitor.records import Assessment

REMIND_DAYS = 30
"""So long it is said that fresh beads are missing in the log. [days] A judgement: by then the humidity has told it."""


@dataclass(frozen=True, slots=True)
class PlanConstraints:
    """What a plan has to keep to, beside weekdays and batches."""

    days_off: frozenset[date] = frozenset()
    """On these nothing is dried, as a person decided or declared in the shelf file."""
    fixed: Mapping[str, date] = field(default_factory=dict)
    """The day of each box that was moved; other boxes may join it there."""
    not_before: Mapping[str, date] = field(default_factory=dict)
    """The first day on which a box that is skipped may be dried again."""
    in_force: tuple[PlanDecision, ...] = ()
    """The decisions behind these, the oldest first."""
    to_be_logged: tuple[PlanDecision, ...] = ()
    """What a person says is done while the log knows of no fresh beads; nothing is assumed from it."""

    def may_dry(self, box: str, on: date) -> bool:
        """Return whether a box may be dried on a day that the others may use."""
        if box in self.fixed:
            return on == self.fixed[box]
        return on not in self.days_off and on >= self.not_before.get(box, on)

    def off_around(self, on: date) -> tuple[date, date]:
        """Return the first and last of the days off in a row that one of them belongs to."""
        first = last = on
        while first - ONE_DAY in self.days_off:
            first -= ONE_DAY
        while last + ONE_DAY in self.days_off:
            last += ONE_DAY
        return first, last


NOTHING_DECIDED = PlanConstraints()


def constraints_of(
    decisions: Sequence[PlanDecision],
    assessments: Sequence[Assessment],
    today: date,
    declared_off: Collection[date] = (),
) -> PlanConstraints:
    """Return what the decisions ask of a plan made today, and what the days that the shelf file leaves out do.

    A later decision takes the place of an earlier one about the same box or day. One whose day is past no longer
    counts, nor one about a box that got fresh beads since.
    """
    answers = {assessment.box.name: assessment for assessment in assessments}
    about_boxes: dict[str, PlanDecision] = {}
    days_off: dict[date, PlanDecision] = {}
    done: dict[str, PlanDecision] = {}
    for one in decisions:
        if _is_past(one, today) or (one.box and (one.box not in answers or _got_beads(answers[one.box], one))):
            continue
        if one.kind is DecisionKind.done:
            done[one.box] = one
        elif one.kind is DecisionKind.not_that_day:
            days_off |= {on: one for on in one.days if on >= today}
            about_boxes = {box: each for box, each in about_boxes.items() if not _is_moved_into(each, one)}
        else:
            about_boxes[one.box] = one
            if one.kind is DecisionKind.moved:
                days_off.pop(one.on, None)
    in_force = sorted({*about_boxes.values(), *days_off.values()}, key=lambda one: one.decision_id or 0)
    return PlanConstraints(
        frozenset({*days_off, *declared_off}),
        {box: one.on for box, one in about_boxes.items() if one.kind is DecisionKind.moved},
        {box: one.on for box, one in about_boxes.items() if one.kind is DecisionKind.skip},
        tuple(in_force),
        tuple(done.values()),
    )


def _is_past(decision: PlanDecision, today: date) -> bool:
    if decision.kind is DecisionKind.done:
        return decision.on < today - timedelta(days=REMIND_DAYS)
    return decision.on <= today if decision.kind is DecisionKind.skip else decision.days[-1] < today


def _is_moved_into(decision: PlanDecision, off: PlanDecision) -> bool:
    return decision.kind is DecisionKind.moved and decision.on in off.days


def _got_beads(assessment: Assessment, decision: PlanDecision) -> bool:
    """Return whether the log has fresh beads since the decision, or was told of them since."""
    charge, decided_at = assessment.charge, decision.decided_at
    if charge is None or decided_at is None:
        return False
    return charge.at >= decided_at or (charge.logged_at is not None and charge.logged_at >= decided_at)
