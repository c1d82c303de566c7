"""The plan, ready for the template: days with boxes, what can't be met, what needs nothing, what was decided.

It knows a plan as days, boxes and sentences, whoever made it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_full, near_day
from monitor.presentation.headline import named
from monitor.presentation.plan_wording import decision
from monitor.records import BoxState
from monitor.services.assess import PlanWeights, just_filled, rule_of_days
from monitor.texts import said, say, say_many, to_say
from monitor.web.plan.rows import Planned, Row, grams_of, row_of
from monitor.web.plan.weeks import Week, weeks_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from monitor.records import Assessment, PlannedDay
    from monitor.services.assess import RechargePlan

_NAMED = 3
"""So many boxes a headline names. A judgement: more make no headline."""
_A_WEEK = timedelta(days=7)
"""A box due so long before the plan's end could have got a day (a judgement)."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day at the appliance."""

    iso: str
    title: str
    ahead: str
    appliance: str
    rows: Sequence[Row]
    batch: str
    effort: str
    weighs: str
    """What the plan counts for it."""


@dataclass(frozen=True, slots=True)
class Slip:
    """What could not be done, and for which box."""

    words: str
    box: str = ""


@dataclass(frozen=True, slots=True)
class PlanView:
    """The page of the plan."""

    headline: str
    total: str
    days: Sequence[Day]
    effort: str
    """What a batch takes, where that is the same on all days."""
    weeks: Sequence[Week]
    late_for: Sequence[tuple[str, str]]
    """Boxes that can't be met in time, and by how much."""
    without: Sequence[Row]
    """Boxes with a forecast that need nothing in the plan's time, or got no place."""
    unknown: Sequence[tuple[str, str]]
    decisions: Sequence[tuple[int, str]]
    claims: Sequence[tuple[int, str, str, str]]
    """What is said to be done and is not logged: number, box, day, sentence."""
    rule: str
    span: str


def view(planned: Planned, effort: Callable[[PlannedDay], str] = lambda _: "") -> PlanView:
    """Return the page of a plan; ``effort`` says in words what a day takes."""
    plan, today = planned.plan, planned.today
    efforts = [effort(day) for day in plan.days]
    effort_of_all = efforts[0] if len(set(efforts)) == 1 else ""
    days = [_day(planned, day, "" if effort_of_all else each) for day, each in zip(plan.days, efforts, strict=True)]
    rows = {row.name: row for day in days for row in day.rows}
    forecast = {answer.box.name for answer in planned.answers if answer.forecast is not None}
    decided = plan.decided
    return PlanView(
        headline=_headline(plan, today),
        total=_total(planned),
        days=days,
        effort=effort_of_all,
        weeks=weeks_of(planned, rows),
        late_for=list(_late(planned)),
        without=[row_of(planned, box, said(why)) for box, why in plan.left_out.items() if box in forecast],
        unknown=[(box, said(why)) for box, why in plan.left_out.items() if box not in forecast],
        decisions=[(one.decision_id or 0, decision(one, today)) for one in decided.in_force],
        claims=[
            (one.decision_id or 0, one.box, one.on.isoformat(), f"{decision(one, today)}.")
            for one in decided.to_be_logged
        ],
        rule=rule_of_days(),
        span=f"{near_day(today, today)} – {near_day(planned.last, today)}",
    )  # fmt: skip


def _headline(plan: RechargePlan, today: date) -> str:
    if not plan.days:
        return say("No box needs drying in the coming weeks, as far as is known.")
    first = plan.days[0]
    when = _ahead(first.on, today) or say("on {day}", day=day_in_full(first.on, today))
    return say("Dry {names} {when}", names=_names(first.boxes), when=when) + "."


def _names(boxes: Sequence[str]) -> str:
    if len(boxes) > _NAMED + 1:
        return say("{names} and {count} more", names=", ".join(boxes[:_NAMED]), count=len(boxes) - _NAMED)
    return named(boxes)


def _total(planned: Planned) -> str:
    days = say_many("{count} day", "{count} days", len(planned.plan.days))
    boxes = say_many("{count} box", "{count} boxes", sum(len(day.boxes) for day in planned.plan.days))
    return f"{days}, {boxes}"


def _ahead(on: date, today: date) -> str:
    return {0: say("today"), 1: say("tomorrow")}.get((on - today).days, "")


def _day(planned: Planned, day: PlannedDay, effort: str) -> Day:
    rows = [row_of(planned, box, said(day.reasons.get(box, "")), day) for box in day.boxes]
    ahead = _ahead(day.on, planned.today) or say("in {count} days", count=(day.on - planned.today).days)
    return Day(
        iso=day.on.isoformat(),
        title=day_in_full(day.on, planned.today),
        ahead=ahead,
        appliance=day.appliance,
        rows=rows,
        batch=_batch(planned, day),
        effort=effort,
        weighs=_weighs(day),
    )


def _batch(planned: Planned, day: PlannedDay) -> str:
    """Return how full the appliance is."""
    dryer = planned.appliance
    full = say("{count} of {most} places", count=len(day.boxes), most=dryer.batch_boxes)
    grams = [grams_of(planned.answer(box)) for box in day.boxes]
    if known_g := sum(each for each in grams if each is not None):
        beads = planned.words.mass(known_g)
        if dryer.batch_g:
            beads = say("{mass} of {most}", mass=beads, most=planned.words.mass(dryer.batch_g))
        text = to_say("{places}, at least {mass} of beads") if None in grams else to_say("{places}, {mass} of beads")
        full = say(text, places=full, mass=beads)
    if day.batches > 1:
        full = say("{batch}. That is more than one batch: heat {count} times", batch=full, count=day.batches)
    return full


def _weighs(day: PlannedDay) -> str:
    """Return in plain words what the plan counts for a day: no money, only what is rather had than another."""
    if not day.late_days:
        return ""
    weights = PlanWeights()
    late, early = sum(day.late_days.values()), sum(day.early_days.values())
    counts = weights.oven_day + weights.late_day * late + weights.early_day * early
    return say(
        "The plan counts {counts} points for this day: {oven_day} for heating up, {late_day} for each day"
        " that a box stands over its limit before ({late} to expect), {early_day} for each day that its "
        "beads would still have lasted ({early}). It takes the days that together count least, and puts "
        "no box after its day while an earlier day has a place. Points are no money: they say what the "
        "plan would rather have.",
        counts=f"{counts:.0f}",
        oven_day=f"{weights.oven_day:.0f}",
        late_day=f"{weights.late_day:.0f}",
        late=_days(late),
        early_day=f"{weights.early_day:.0f}",
        early=_days(early),
    )


def _days(count: float) -> str:
    return f"{count:.1f}" if count < 9.95 else f"{count:.0f}"  # digits; judgement: as well as it is known


def _late(planned: Planned) -> Iterator[tuple[str, str]]:
    """Yield the boxes whose day comes after they need it, with by how much."""
    days = {box: day for day in planned.plan.days for box in day.boxes}
    for answer in planned.answers:
        if answer.forecast is None or answer.due_at is None or just_filled(answer):
            continue
        due, day = max(planned.words.local_day(answer.due_at), planned.today), days.get(answer.box.name)
        if day is not None and day.on > due:
            yield answer.box.name, _how_late(planned, answer, due, day)
        elif day is None and answer.box.name in planned.plan.left_out and due <= planned.last - _A_WEEK:
            yield (
                answer.box.name,
                say("needs dry beads by {day} and has no day.", day=near_day(due, planned.today)),
            )


def _how_late(planned: Planned, answer: Assessment, due: date, day: PlannedDay) -> str:
    """Return by how much in one line; the reason and the chance stand at the day."""
    late = (day.on - due).days
    days = say_many("{count} day", "{count} days", late)
    if answer.state is BoxState.over_limit:
        return say("is over its limit now and waits {days}.", days=days)
    return say("is dried {days} after {day}.", days=days, day=near_day(due, planned.today))
