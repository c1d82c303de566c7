"""Forecasts, or futures draw by draw → a calendar of recharge days, with swaps, and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.errors import OutOfRangeError
from monitor.planning.calendar_days import Calendar
from monitor.planning.decisions import NOTHING_DECIDED, PlanConstraints, constraints_of
from monitor.planning.due import just_filled, what_to_do, why_over
from monitor.planning.problem import KnownBox, Question, problem_of, spare_kinds
from monitor.planning.reasons import why_left_out, why_nowhere
from monitor.planning.solve import solve
from monitor.planning.steady import NOTHING_ANNOUNCED, Announced
from monitor.planning.urgency import worst_first
from monitor.records import BoxState
from monitor.records.declared import PLAN_DAYS
from monitor.records.names import hint
from monitor.records.plan_input import DryingPlace
from monitor.texts import say, together
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from monitor.records import Appliance, Assessment, PlanDecision, PlannedDay, PlannedSwap
    from monitor.records.plan_input import PlanInput


@dataclass(frozen=True, slots=True)
class RechargePlan:
    """The days worth heating up for, and why the other boxes are on none of them."""

    appliance: str
    """The first of those that may be used."""
    days: tuple[PlannedDay, ...]
    """By date; several may share one, with an appliance each."""
    left_out: Mapping[str, str] = field(default_factory=dict)
    """A sentence for each box without a day."""
    decided: PlanConstraints = NOTHING_DECIDED
    """What a person asked for; the plan keeps to it."""
    swaps: tuple[PlannedSwap, ...] = ()
    """Spare charges that go in, by date."""
    cost: float = 0.0
    """What the plan counts. [points]"""
    bound: float = 0.0
    """No plan counts less. [points]"""
    by: str = "exact"
    """How it was found: 'exact', or 'columns' where it is too large for that."""
    changed: Mapping[str, str] = field(default_factory=dict)
    """For each box whose announced day moved, from when to when and why."""

    @property
    def gap(self) -> float:
        """Return how much of its cost another plan could save at most."""
        return max(0.0, self.cost - self.bound) / abs(self.cost) if self.cost else 0.0


def plan_recharges(
    assessments: Sequence[Assessment],
    appliance: Appliance,
    today: date,
    weekdays: Collection[int],
    *,
    decisions: Sequence[PlanDecision] = (),
    horizon_days: int = PLAN_DAYS,
    days_off: Collection[date] = (),
) -> RechargePlan:
    """Return the cheapest calendar of recharge days with one appliance, each box at most once.

    That is what forecasts alone carry: how long fresh beads hold is not known. ``today`` is the person's calendar day
    at the instant of the assessments; Monday is weekday 0. A day to which a person moved a box is open to the others,
    too, whatever its weekday; on ``days_off`` nothing else is dried. The order of the assessments changes nothing; the
    boxes of a day stand worst first, as on the shelf.

    Raises
    ------
    OutOfRangeError
        When there is no weekday to choose from, or a batch holds nothing.
    """
    _refuse_other_weekdays(weekdays)
    decided = constraints_of(decisions, assessments, today, days_off)
    place = DryingPlace(appliance, tuple(sorted(weekdays)), batches_a_day=1, minutes=0.0, hands_on_minutes=0.0, kwh=0.0)
    question = Question(
        boxes=_known(assessments, decided),
        places=(place,),
        days=_allowed_days(today, [place], horizon_days, decided),
        today=today,
        horizon_days=horizon_days,
        decided=decided,
    )
    return plan_of_question(question, assessments)


def question_of(
    made_of: PlanInput,
    assessments: Sequence[Assessment],
    *,
    decisions: Sequence[PlanDecision] = (),
    announced: Announced = NOTHING_ANNOUNCED,
) -> Question:
    """Return what a plan with all appliances, spare charges and repeated visits is made from."""
    rules = made_of.rules
    horizon = rules.horizon_days
    decided = constraints_of(decisions, assessments, made_of.today, rules.days_off(made_of.today))
    planned = {box.name: box for box in made_of.boxes}
    boxes = tuple(KnownBox(one.assessment, one.forecast, planned.get(one.name)) for one in _known(assessments, decided))
    return Question(
        boxes=boxes,
        places=made_of.places,
        days=_allowed_days(made_of.today, made_of.places, horizon, decided),
        today=made_of.today,
        horizon_days=horizon,
        decided=decided,
        spares=spare_kinds(made_of.spares),
        not_mixed=made_of.not_mixed,
        tariff_per_kwh=rules.tariff_per_kwh or 0.0,
        announced=announced.standing(assessments, decided, made_of.today),
    )


def plan_of_question(
    question: Question, assessments: Sequence[Assessment], announced: Announced = NOTHING_ANNOUNCED
) -> RechargePlan:
    """Return the cheapest plan, with its reasons."""
    chosen = solve(problem_of(question))
    order = {assessment.box.name: place for place, assessment in enumerate(worst_first(assessments))}
    calendar = Calendar(question, chosen, order)
    days, swaps = calendar.days(), calendar.swaps()
    met = {box for day in days for box in day.boxes} | {swap.box for swap in swaps}
    by_name = sorted(assessments, key=lambda assessment: assessment.box.name)
    decided = question.decided
    left_out = {a.box.name: _why_unknown(a) for a in by_name if a.forecast is None}
    left_out |= {a.box.name: _why_wait(a) for a in by_name if _dries_still(a, decided)}
    left_out |= {
        box.name: why_left_out(
            box.assessment,
            box.forecast,
            question.today,
            question.horizon_days,
            decided,
            nowhere=why_nowhere(box),
        )
        for box in question.boxes
        if box.name not in met
    }
    return RechargePlan(
        question.places[0].name,
        days,
        left_out,
        decided,
        swaps,
        cost=chosen.cost,
        bound=chosen.bound,
        by=chosen.by,
        changed=announced.changes(days, swaps, assessments, question.today, decided),
    )


def _known(assessments: Sequence[Assessment], decided: PlanConstraints) -> tuple[KnownBox, ...]:
    by_name = sorted(assessments, key=lambda assessment: assessment.box.name)
    return tuple(KnownBox(a, a.forecast) for a in by_name if a.forecast is not None and not _dries_still(a, decided))


def _dries_still(assessment: Assessment, decided: PlanConstraints) -> bool:
    """Return whether a box is over its limit with beads that had no time to dry its air, and nobody wants it dried."""
    over = assessment.forecast is not None and assessment.state is BoxState.over_limit
    return over and just_filled(assessment) and assessment.box.name not in decided.fixed


def _refuse_other_weekdays(weekdays: Collection[int]) -> None:
    if not weekdays or not set(weekdays) <= set(range(DAYS_PER_WEEK)):
        raise OutOfRangeError(f"weekdays to plan for are {sorted(weekdays)}; name one to seven, Monday 0 to Sunday 6")


def _allowed_days(
    today: date, places: Sequence[DryingPlace], horizon_days: int, decided: PlanConstraints
) -> tuple[date, ...]:
    """Return the days on which any of the places may be used; spare charges go in on these, too."""
    days = [today + timedelta(days=ahead) for ahead in range(horizon_days + 1)]
    moved_to = set(decided.fixed.values())
    may = {on for on in days if any(place.may_dry_on(on) for place in places) and on not in decided.days_off}
    return tuple(on for on in days if on in moved_to or on in may)


def _why_wait(assessment: Assessment) -> str:
    return together(why_over(assessment), say("Look again tomorrow."))


def _why_unknown(assessment: Assessment) -> str:
    if assessment.state is BoxState.undeclared:
        return say("No box of this name is declared. {hint} makes it one.", hint=hint("adopt", assessment.box.name))
    why = say("There is no forecast.")
    if assessment.refusal:
        why = say("There is no forecast: {why}.", why=assessment.refusal)
    if assessment.state is not BoxState.over_limit:
        return why
    return together(say("It is over its limit: {do}.", do=what_to_do(assessment)), why)
