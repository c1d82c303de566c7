"""The plan of a shelf with all it has: futures, appliances, spare charges, what was decided and announced."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from monitor.planning.better_lid import with_better_lids
from monitor.planning.due import leaks_more
from monitor.planning.mend import Unmet, unmet
from monitor.planning.recharge import RechargePlan, plan_of_question, question_of
from monitor.planning.steady import Announced, due_on, first_days
from monitor.planning.worth import PlanWorth, worth_of
from monitor.records import AnnouncedDay

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from monitor.records import Assessment, PlanDecision
    from monitor.services.planning import PlanSources


@dataclass(frozen=True, slots=True)
class FullPlan:
    """A plan with what it is worth and what it can't meet."""

    plan: RechargePlan
    worth: PlanWorth
    unmet: tuple[Unmet, ...]
    changed_on: Mapping[str, date] = field(default_factory=dict)
    """The day on which each move of an announced day was first said."""


def plan_shelf(
    sources: PlanSources,
    assessments: Sequence[Assessment],
    *,
    decisions: Sequence[PlanDecision] = (),
    announced: Mapping[str, AnnouncedDay],
) -> FullPlan:
    """Return the plan that a shelf's own futures, appliances and spare charges give."""
    from monitor.services.planning import PlanInputs  # noqa: PLC0415 -- what was kept is answered without any model

    inputs, before = PlanInputs(sources), Announced(announced)
    question = question_of(inputs.whole(), assessments, decisions=decisions, announced=before)
    plan = plan_of_question(question, assessments, before)
    first = first_days(plan.days, plan.swaps)
    late = with_better_lids(question, unmet(question, first), first, inputs.better_lids)
    return FullPlan(plan, worth_of(question, plan), late, dict.fromkeys(plan.changed, sources.today))


def announcement(plan: RechargePlan, assessments: Sequence[Assessment], today: date) -> list[AnnouncedDay]:
    """Return the next day of each box as a plan says it, with what it rests on."""
    first = first_days(plan.days, plan.swaps)
    return [
        AnnouncedDay(a.box.name, first[a.box.name], a.as_of, due_on(a, today), leaked_more=leaks_more(a))
        for a in assessments
        if a.box.name in first
    ]
