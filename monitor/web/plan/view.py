"""The plan, ready for the template: days with boxes, what can't be met, what needs nothing, what was decided.

It knows a plan as days, boxes and sentences, whoever made it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.presentation.plan_wording import decision
from monitor.presentation.wording import chance, near_day, percent
from monitor.records import BoxState
from monitor.services.assess import PlanWeights, rule_of_days
from monitor.web.plan.weeks import Week, day_in_full, weeks_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from monitor.presentation.wording import Wording
    from monitor.records import Appliance, Assessment, CrossingForecast, PlanDecision, PlannedDay
    from monitor.services.assess import RechargePlan
    from monitor.settings import Shelf

MOST_CHOICES = 26
"""So many days are offered in a list. A judgement: half a year of weekends; further ones can be dragged to."""
OTHER_DAYS_AHEAD = 14
"""So far ahead days are offered on which the person usually dries nothing. [days] A judgement: two weeks."""
SKIPS = (14, 28, 84)
"""For how long a box may be skipped. [days] A judgement: two weeks, a month, a quarter."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A day that a box may be moved to."""

    iso: str
    words: str
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One box with its day or without one, and where it may be moved."""

    name: str
    sentence: str
    on: str = ""
    """Its day; empty where it has none."""
    day: str = ""
    moved: bool = False
    beads: str = ""
    expected: str = ""
    limit: str = ""
    chances: str = ""
    """The chance that it is over its limit before each day from today on, in whole per cent."""
    days: Sequence[Choice] = ()
    other_days: Sequence[Choice] = ()
    skips: Sequence[Choice] = ()


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


@dataclass(frozen=True, slots=True)
class Planned:
    """What a plan's page is made of."""

    plan: RechargePlan
    answers: Sequence[Assessment]
    shelf: Shelf
    today: date
    words: Wording

    @property
    def appliance(self) -> Appliance:
        """What dries the beads."""
        named = (each for each in self.shelf.appliances if each.name == self.plan.appliance)
        return next(named, self.shelf.appliances[0])

    @property
    def last(self) -> date:
        """The last day that is looked at."""
        return self.today + timedelta(days=self.shelf.plan.horizon_days)

    def is_allowed(self, on: date) -> bool:
        """Return whether beads are dried on such a day."""
        return on.weekday() in self.shelf.plan.weekdays and on not in self.plan.decided.days_off

    def answer(self, box: str) -> Assessment | None:
        """Return what is believed about a box."""
        return next((answer for answer in self.answers if answer.box.name == box), None)


def view(planned: Planned, effort: Callable[[PlannedDay], str] = lambda _: "") -> PlanView:
    """Return the page of a plan; ``effort`` says in words what a day takes."""
    plan, today = planned.plan, planned.today
    days = [_day(planned, day, effort(day)) for day in plan.days]
    rows = {row.name: row for day in days for row in day.rows}
    forecast = {answer.box.name for answer in planned.answers if answer.forecast is not None}
    decided = plan.decided
    return PlanView(
        headline=_headline(plan, today),
        total=_total(planned),
        days=days,
        weeks=weeks_of(planned, rows),
        late_for=list(_late(planned)),
        without=[_row(planned, box, why) for box, why in plan.left_out.items() if box in forecast],
        unknown=[(box, why) for box, why in plan.left_out.items() if box not in forecast],
        decisions=[(one.decision_id or 0, _said(one, today)) for one in decided.in_force],
        claims=[
            (one.decision_id or 0, one.box, one.on.isoformat(), f"{_said(one, today)}.") for one in decided.to_be_logged
        ],
        rule=rule_of_days(),
        span=f"{near_day(today, today)} – {near_day(planned.last, today)}",
    )  # fmt: skip


def _headline(plan: RechargePlan, today: date) -> str:
    if not plan.days:
        return "No box needs drying in the coming weeks, as far as is known."
    first = plan.days[0]
    when = {0: "today", 1: "tomorrow"}.get((first.on - today).days, f"on {day_in_full(first.on, today)}")
    return f"Dry {_names(first.boxes)} {when}."


def _names(boxes: Sequence[str]) -> str:
    if len(boxes) > 4:  # judgement: more names make no headline
        return f"{', '.join(boxes[:3])} and {len(boxes) - 3} more"
    return " and ".join(filter(None, (", ".join(boxes[:-1]), boxes[-1])))


def _total(planned: Planned) -> str:
    days = planned.plan.days
    boxes = sum(len(day.boxes) for day in days)
    return f"{len(days)} {'day' if len(days) == 1 else 'days'}, {boxes} {'box' if boxes == 1 else 'boxes'}"


def _said(one: PlanDecision, today: date) -> str:
    words = decision(one, today)
    return words[0].upper() + words[1:] if not one.box else words


def _day(planned: Planned, day: PlannedDay, effort: str) -> Day:
    rows = [_row(planned, box, day.reasons.get(box, ""), day) for box in day.boxes]
    days = (day.on - planned.today).days
    ahead = {0: "today", 1: "tomorrow"}.get(days, f"in {days} days")
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
    said = f"{len(day.boxes)} of {dryer.batch_boxes} places"
    grams = [_grams(planned.answer(box)) for box in day.boxes]
    known = sum(each for each in grams if each is not None)
    if known:
        most = f" of {planned.words.mass(dryer.batch_g)}" if dryer.batch_g else ""
        least = "at least " if None in grams else ""
        said += f", {least}{planned.words.mass(known)}{most} of beads"
    if day.batches > 1:
        said += f". That is more than one batch: heat {day.batches} times"
    return said


def _grams(answer: Assessment | None) -> float | None:
    charge = answer.charge if answer else None
    return (charge.dry_mass_g or charge.mass_g) if charge else None


def _weighs(day: PlannedDay) -> str:
    """Return in plain words what the plan counts for a day: no money, only what is rather had than another."""
    if not day.late_days:
        return ""
    weights = PlanWeights()
    late, early = sum(day.late_days.values()), sum(day.early_days.values())
    counts = weights.oven_day + weights.late_day * late + weights.early_day * early
    return (
        f"The plan counts {counts:.0f} points for this day: {weights.oven_day:.0f} for heating up,"
        f" {weights.late_day:.0f} for each day that a box stands over its limit before ({_days(late)} to expect),"
        f" {weights.early_day:.0f} for each day that its beads would still have lasted ({_days(early)})."
        " It takes the days that together count least. Points are no money: they say what the plan would rather have."
    )


def _days(count: float) -> str:
    return f"{count:.1f}" if count < 9.95 else f"{count:.0f}"  # digits; judgement: as well as it is known


def _late(planned: Planned) -> Iterator[tuple[str, str]]:
    """Yield the boxes whose day comes after they need it, with by how much."""
    days = {box: day for day in planned.plan.days for box in day.boxes}
    for answer in planned.answers:
        if answer.forecast is None or answer.due_at is None:
            continue
        due, day = max(planned.words.local_day(answer.due_at), planned.today), days.get(answer.box.name)
        if day is not None and day.on > due:
            yield answer.box.name, _how_late(planned, answer, answer.forecast, due, day)
        elif day is None and answer.box.name in planned.plan.left_out and due <= planned.last - timedelta(days=7):
            # judgement: a week before the end there was a day
            yield answer.box.name, f"needs dry beads by {near_day(due, planned.today)} and has no day."


def _how_late(planned: Planned, answer: Assessment, forecast: CrossingForecast, due: date, day: PlannedDay) -> str:
    late = (day.on - due).days
    days = "1 day" if late == 1 else f"{late} days"
    if answer.state is BoxState.over_limit:
        said = f"is over its limit of {percent(forecast.humidity_limit)} now and waits {days}"
    else:
        risk = chance(forecast.chance_within((day.on - planned.today).days))
        said = f"is dried {days} after {near_day(due, planned.today)}; the chance that it is over by then is {risk}"
    expected = day.late_days.get(answer.box.name, 0.0)
    return f"{said}. Expect about {_days(expected)} days over its limit."


def _row(planned: Planned, box: str, sentence: str, day: PlannedDay | None = None) -> Row:
    answer, today, words = planned.answer(box), planned.today, planned.words
    forecast = answer.forecast if answer else None
    on = day.on if day else None
    grams = _grams(answer)
    row = Row(
        name=box,
        sentence=sentence,
        on=on.isoformat() if on else "",
        day=day_in_full(on, today) if on else "",
        moved=bool(day and box in day.moved),
        beads=words.mass(grams) if grams else "",
        skips=[
            Choice((max(on or today, today) + timedelta(days=days)).isoformat(), f"{days // 7} weeks") for days in SKIPS
        ],
    )
    if forecast is None:
        return row
    usual, other = _candidates(planned, on)
    return replace(
        row,
        limit=percent(forecast.humidity_limit),
        chances=chances_by_day(forecast, (planned.last - today).days),
        days=[_choice(each, today, forecast, on) for each in usual],
        other_days=[_choice(each, today, forecast, on) for each in other],
    )


def chances_by_day(forecast: CrossingForecast, days: int) -> str:
    """Return the chance of being over the limit within 0, 1, 2 … days, in whole per cent, as a script reads it."""
    return " ".join(f"{100.0 * forecast.chance_within(day):.0f}" for day in range(days + 1))


def _candidates(planned: Planned, on: date | None) -> tuple[list[date], list[date]]:
    """Return the days a box may be moved to: those of the person's week, then some others."""
    every = [planned.today + timedelta(days=ahead) for ahead in range((planned.last - planned.today).days + 1)]
    usual = [each for each in every if planned.is_allowed(each) or each == on][:MOST_CHOICES]
    return usual, [each for each in every[: OTHER_DAYS_AHEAD + 1] if each not in usual]


def _choice(each: date, today: date, forecast: CrossingForecast, on: date | None) -> Choice:
    risk = chance(forecast.chance_within((each - today).days))
    return Choice(each.isoformat(), f"{near_day(each, today)}: {risk}", each == on)
