"""The plan, ready for the template: days with boxes, what can't be met, what needs nothing, what was decided.

It knows a plan as dates, appliances, boxes, spare charges and sentences, whoever made it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_full, near_day
from monitor.planning.due import just_filled, rule_of_days
from monitor.planning.weights import WEIGHTS
from monitor.presentation.amounts import chance, day_count, expected_days
from monitor.presentation.headline import named
from monitor.presentation.plan_days import dates_of, dried_after, spares_words, swap_words
from monitor.presentation.plan_table import proof, takes
from monitor.presentation.plan_wording import decision
from monitor.records import BoxState
from monitor.texts import said, say, say_many, to_say
from monitor.web.plan.rows import Row, grams_of, row_of
from monitor.web.plan.swaps import SwapRow
from monitor.web.plan.weeks import Week, weeks_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from monitor.planning.worth import PlanWorth
    from monitor.presentation.plan_days import PlanDate
    from monitor.presentation.planned import Planned
    from monitor.records import Assessment, PlanDecision, PlannedDay, PlannedSwap
    from monitor.services.recharge_plan import FullPlan

_NAMED = 3
"""So many boxes a headline names. A judgement: more make no headline."""
WHOLE_DAYS = 2
"""So many days are shown whole, later ones folded. A judgement: what a person gets ready for next."""
_A_WEEK = timedelta(days=7)
"""A box due so long before the plan's end could have got a day (a judgement)."""


@dataclass(frozen=True, slots=True)
class Session:
    """One day at one appliance."""

    appliance: str
    rows: Sequence[Row]
    spares: Sequence[str]
    """A sentence for each charge without a box that is dried along."""
    batch: str
    effort: str
    weighs: str
    """What the plan counts for it."""


@dataclass(frozen=True, slots=True)
class Day:
    """All that is done on one date."""

    iso: str
    title: str
    ahead: str
    sessions: Sequence[Session]
    swaps: Sequence[SwapRow]

    @property
    def rows(self) -> Sequence[Row]:
        """Every box of the day."""
        return [*(row for each in self.sessions for row in each.rows), *(swap.row for swap in self.swaps)]


@dataclass(frozen=True, slots=True)
class Slip:
    """What could not be done, for which box, and what was sent."""

    words: str
    box: str = ""
    sent: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_of_days_away(self) -> bool:
        """Whether a first and a last day were sent."""
        return "last" in self.sent


@dataclass(frozen=True, slots=True)
class Beside:
    """What one way to decide brings."""

    rule: str
    heating_days: str
    boxes_dried: str
    over: str
    over_in_a_humid_year: str


@dataclass(frozen=True, slots=True)
class Worth:
    """What the plan takes in all, beside plain rules."""

    takes: str
    proof: str
    """How good the plan is known to be."""
    beside: Sequence[Beside]


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
    """Boxes that can't be met in time, by how much, and what would mend it."""
    how_to_mend: bool
    """Whether for some of these nothing is named that would mend it."""
    without: Sequence[Row]
    """Boxes with a forecast that need nothing in the plan's time, or got no place."""
    unknown: Sequence[tuple[str, str]]
    decisions: Sequence[tuple[int, str]]
    claims: Sequence[tuple[int, str, str, str]]
    """What is said to be done and is not logged: number, box, day, sentence."""
    rule: str
    span: str
    first_day: str
    """The first day that can be chosen, as a form wants it."""
    worth: Worth | None
    """None where the plan was made from forecasts alone."""

    @property
    def whole_days(self) -> int:
        """How many of the days are shown whole; one alone is not folded away."""
        return len(self.days) if len(self.days) == WHOLE_DAYS + 1 else WHOLE_DAYS

    @property
    def has_later(self) -> bool:
        """Whether a box has more visits than its next one."""
        return any(row.later for day in self.days for row in day.rows)

    @property
    def has_swaps(self) -> bool:
        """Whether a spare charge goes in on some day."""
        return any(day.swaps for day in self.days)


def view(
    planned: Planned,
    effort: Callable[[PlannedDay], str] = lambda _: "",
    full_plan: FullPlan | None = None,
    put_in_at: Callable[[str], str] = lambda _: "/desk",
) -> PlanView:
    """Return the page of a plan.

    ``effort`` says in words what a day takes; ``full_plan`` what it is worth and can't meet, where that is known;
    ``put_in_at`` where the desk puts a spare charge into a box.
    """
    plan, today = planned.plan, planned.today
    dates = dates_of(plan)
    efforts = [effort(day) for day in plan.days]
    effort_of_all = efforts[0] if len(set(efforts)) == 1 else ""
    effort_of = {id(day): "" if effort_of_all else each for day, each in zip(plan.days, efforts, strict=True)}
    swaps = {id(swap): _swap(planned, swap, dried, put_in_at) for swap, dried in dried_after(plan)}
    days = [
        _day(planned, one, effort_of, [swaps[id(swap)] for swap in one.swaps], by_forecasts=full_plan is None)
        for one in dates
    ]
    if full_plan is None:
        late, how_to_mend = list(_late(planned)), True
    else:
        late = [(one.box, planned.words.in_own_units(said(one.words))) for one in full_plan.unmet]
        how_to_mend = any(not one.mend for one in full_plan.unmet)
    forecast = {answer.box.name for answer in planned.answers if answer.forecast is not None}
    return PlanView(
        headline=_headline(dates, today, late),
        total=_total(dates),
        days=days,
        effort=effort_of_all,
        weeks=weeks_of(planned, {day.iso: day.rows for day in days}),
        late_for=late,
        how_to_mend=how_to_mend,
        without=[row_of(planned, box, said(why)) for box, why in plan.left_out.items() if box in forecast],
        unknown=[(box, said(why)) for box, why in plan.left_out.items() if box not in forecast],
        decisions=[(one.decision_id or 0, decision(one, today)) for one in plan.decided.in_force],
        claims=[_claim(one, today) for one in plan.decided.to_be_logged],
        rule=rule_of_days(),
        span=f"{near_day(today, today)} – {near_day(planned.last, today)}",
        first_day=today.isoformat(),
        worth=None if full_plan is None else _worth(planned, full_plan.worth),
    )


def _claim(done: PlanDecision, today: date) -> tuple[int, str, str, str]:
    return done.decision_id or 0, done.box, done.on.isoformat(), f"{decision(done, today)}."


def _headline(dates: Sequence[PlanDate], today: date, late: Collection[object] = ()) -> str:
    if not dates and late:
        return say("No box has a drying day in the coming weeks, though some need dry beads.")
    if not dates:
        return say("No box needs drying in the coming weeks, as far as is known.")
    first = dates[0]
    when = _ahead(first.on, today) or say("on {day}", day=day_in_full(first.on, today))
    dried = first.dried or [say("spare {spare}", spare=name) for day in first.sessions for name in day.spares_dried]
    if not dried:
        return say("Put spare beads into {names} {when}.", names=_names(first.swapped), when=when)
    if first.swaps:
        return say(
            "Dry {names} and put spare beads into {others} {when}.",
            names=_names(dried),
            others=_names(first.swapped),
            when=when,
        )
    return say("Dry {names} {when}.", names=_names(dried), when=when)


def _names(boxes: Sequence[str]) -> str:
    if len(boxes) > _NAMED + 1:
        return say("{names} and {count} more", names=", ".join(boxes[:_NAMED]), count=len(boxes) - _NAMED)
    return named(boxes)


def _total(dates: Sequence[PlanDate]) -> str:
    days = say_many("{count} day", "{count} days", len(dates))
    boxes = say_many("{count} box", "{count} boxes", len({box for one in dates for box in one.boxes}))
    visits = sum(len(one.boxes) for one in dates)
    if visits == len({box for one in dates for box in one.boxes}):
        return f"{days}, {boxes}"
    return say("{days}, {boxes}, {visits} visits", days=days, boxes=boxes, visits=visits)


def _ahead(on: date, today: date) -> str:
    return {0: say("today"), 1: say("tomorrow")}.get((on - today).days, "")


def _day(
    planned: Planned, one: PlanDate, efforts: Mapping[int, str], swaps: Sequence[SwapRow], *, by_forecasts: bool
) -> Day:
    ahead = _ahead(one.on, planned.today) or say("in {count} days", count=(one.on - planned.today).days)
    return Day(
        iso=one.on.isoformat(),
        title=day_in_full(one.on, planned.today),
        ahead=ahead,
        sessions=[_session(planned, day, efforts[id(day)], by_forecasts=by_forecasts) for day in one.sessions],
        swaps=swaps,
    )


def _session(planned: Planned, day: PlannedDay, effort: str, *, by_forecasts: bool) -> Session:
    return Session(
        appliance=day.appliance,
        rows=[
            row_of(planned, box, said(day.reasons.get(box, "")), day.on, risks=_risks(day, box)) for box in day.boxes
        ],
        spares=spares_words(planned.plan, day, planned.today),
        batch=_batch(planned, day),
        effort=effort,
        weighs=_weighs(day, by_forecasts=by_forecasts),
    )


def _swap(planned: Planned, swap: PlannedSwap, dried: PlannedDay | None, put_in_at: Callable[[str], str]) -> SwapRow:
    row = row_of(planned, swap.box, said(swap.reason), swap.on)
    return SwapRow(row, swap.spare, swap_words(swap, dried, planned.today), put_in_at(swap.spare))


def _risks(day: PlannedDay, box: str) -> str:
    """Return what waiting one more week risks; nothing where that is nothing to speak of."""
    if box not in day.week_later:
        return ""
    over, days = day.week_later[box]
    if more := expected_days(days):
        return say(
            "A week later the chance is {chance}, with about {days} more over the limit.",
            chance=chance(over),
            days=more,
        )
    return say("A week later the chance is {chance}.", chance=chance(over))


def _batch(planned: Planned, day: PlannedDay) -> str:
    """Return how full the appliance is."""
    dryer = planned.appliance_of(day)
    count = len(day.boxes) + sum(day.spares_dried.values())
    full = say("{count} of {most} places", count=count, most=dryer.batch_boxes * max(1, day.batches))
    grams = [grams_of(planned.answer(box)) for box in day.boxes]
    if known_g := day.grams or sum(each for each in grams if each is not None):
        beads = planned.words.mass(known_g)
        if dryer.batch_g:
            most_g = dryer.batch_g * max(1, day.batches)
            beads = say("{mass} of {most}", mass=beads, most=planned.words.mass(most_g))
        text = to_say("{places}, at least {mass} of beads") if None in grams else to_say("{places}, {mass} of beads")
        full = say(text, places=full, mass=beads)
    if day.batches > 1:
        full = say("{batch}. That is more than one batch: heat {count} times", batch=full, count=day.batches)
    return full


def _worth(planned: Planned, worth: PlanWorth) -> Worth:
    return Worth(
        takes=takes(worth, planned.shelf.plan.currency, planned.words.mass),
        proof=proof(planned.plan),
        beside=[
            Beside(
                said(rule.rule),
                f"{rule.heating_days:.0f}",
                f"{rule.visits:.0f}",
                f"{rule.over_days:.0f}",
                f"{rule.over_days_p95:.0f}",
            )
            for rule in worth.rules
        ],
    )


def _weighs(day: PlannedDay, *, by_forecasts: bool) -> str:
    """Return in plain words what the plan counts for a day: no money, only what is rather had than another.

    A plan of later visits prices a day of bead life by the box and heating by the day, so it names no points.
    """
    if not day.late_days:
        return ""
    if not by_forecasts:
        return say(
            "Until this day the plan expects {late} box-days over a limit, and gives away {early} days for which beads "
            "would still have lasted. It weighs these and the heating of all its days, later visits too, against one "
            "another, and puts no box after its day while an earlier day has a place.",
            late=day_count(sum(day.late_days.values())),
            early=day_count(sum(day.early_days.values())),
        )
    late, early = sum(day.late_days.values()), sum(day.early_days.values())
    counts = WEIGHTS.oven_day + WEIGHTS.late_day * late + WEIGHTS.early_day * early
    return say(
        "The plan counts {counts} points for this day: {oven_day} for heating up, {late_day} for each day"
        " that a box stands over its limit before ({late} to expect), {early_day} for each day that its "
        "beads would still have lasted ({early}). It takes the days that together count least, and puts "
        "no box after its day while an earlier day has a place. Points are no money: they say what the "
        "plan would rather have.",
        counts=f"{counts:.0f}",
        oven_day=f"{WEIGHTS.oven_day:.0f}",
        late_day=f"{WEIGHTS.late_day:.0f}",
        late=day_count(late),
        early_day=f"{WEIGHTS.early_day:.0f}",
        early=day_count(early),
    )


def _late(planned: Planned) -> Iterator[tuple[str, str]]:
    """Yield the boxes whose next day comes after they need it, with by how much."""
    for answer in planned.answers:
        if answer.forecast is None or answer.due_at is None or just_filled(answer):
            continue
        due, on = max(planned.words.local_day(answer.due_at), planned.today), planned.first_days.get(answer.box.name)
        if on is not None and on > due:
            yield answer.box.name, _how_late(planned, answer, due, on)
        elif on is None and answer.box.name in planned.plan.left_out and due <= planned.last - _A_WEEK:
            yield (
                answer.box.name,
                say("needs dry beads by {day} and has no day.", day=near_day(due, planned.today)),
            )


def _how_late(planned: Planned, answer: Assessment, due: date, on: date) -> str:
    """Return by how much in one line; the reason and the chance stand at the day."""
    late = (on - due).days
    days = say_many("{count} day", "{count} days", late)
    if answer.state is BoxState.over_limit:
        return say("is over its limit now and waits {days}.", days=days)
    return say("is dried {days} after {day}.", days=days, day=near_day(due, planned.today))
