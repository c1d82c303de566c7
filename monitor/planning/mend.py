"""What can't be met in time, by how much, and what would mend it: found by planning again with one thing more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.problem import BEYOND_DAYS, chances_now, problem_of
from monitor.planning.reasons import why_nowhere
from monitor.planning.solve import solve
from monitor.texts import say, say_many, to_say, together

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date

    from monitor.planning.problem import KnownBox, Question
    from monitor.planning.visits import Chosen, VisitProblem

TRIED_BOXES = 40
"""In larger plans nothing is tried. [boxes] Judgement: each trial is a plan of its own, and takes seconds there."""
_TRIED_DAYS = 45
"""So far ahead a trial looks at most. [days] Judgement: what is late is near."""
_DAYS = (
    to_say("Mondays"), to_say("Tuesdays"), to_say("Wednesdays"), to_say("Thursdays"), to_say("Fridays"),
    to_say("Saturdays"), to_say("Sundays"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Unmet:
    """A box that the plan can't make dry in time."""

    box: str
    late_days: int
    """Days from when it is due until its day, or until the plan's end where it has none."""
    chance_over: float
    """That it is over its limit by then."""
    words: str
    """All of it in sentences, with what would mend it."""
    mend: str = ""
    """What would: the first thing found, or what nothing else helps without; '' where none was found or looked for."""


def unmet(question: Question, first_days: Mapping[str, date]) -> tuple[Unmet, ...]:
    """Return the boxes whose first day comes after they are due, with what would mend that."""
    late = [box for box in question.boxes if days_late(question, box, first_days.get(box.name)) > 0]
    somewhere = [box for box in late if not why_nowhere(box)]
    mends = _mends(question, somewhere) if somewhere and len(question.boxes) <= TRIED_BOXES else {}
    return tuple(_unmet(question, box, first_days.get(box.name), mends.get(box.name, "")) for box in late)


def due_ahead_of(box: KnownBox) -> int | None:
    """Return in how many whole days a box is due; None where no day is known."""
    answer = box.assessment
    return None if answer.due_at is None else max(0, int((answer.due_at - answer.as_of) / timedelta(days=1)))


def days_late(question: Question, box: KnownBox, on: date | None) -> int:
    """Return by how many days a box gets its beads too late: on that day, or beyond the plan's end."""
    due = due_ahead_of(box)
    if due is None or due > question.horizon_days - BEYOND_DAYS:
        return 0
    ahead = question.horizon_days if on is None else (on - question.today).days
    return max(0, ahead - due)


def _unmet(question: Question, box: KnownBox, on: date | None, mend: str) -> Unmet:
    late, due = days_late(question, box, on), due_ahead_of(box) or 0
    chance = float(chances_now(box, question.end)[min(due + late, question.end - 1)])
    if on is None and (why := why_nowhere(box)):
        return Unmet(box.name, late, chance, say("It has no day in this plan: {why}", why=why), why)
    pct = f"{100.0 * chance:.0f} %"
    if chance > 0.99:  # judgement: draws tell no more
        pct = say("more than {chance}", chance="99 %")
    late_by = to_say("It gets dry beads {days} late; by then it is over its limit with a chance of {chance}.")
    never = to_say("It has no day in this plan; by its end it is over its limit with a chance of {chance}.")
    words = say(late_by if on else never, days=say_many("{count} day", "{count} days", late), chance=pct)
    return Unmet(box.name, late, chance, together(words, mend), mend)


def _mends(question: Question, late: list[KnownBox]) -> dict[str, str]:
    """Return for each late box the first thing that mends it: a spare charge, then another weekday of an appliance."""
    short = shortened(question, late)
    found: dict[str, str] = {}
    for words, problem, asked in _with_one_more(short, late):
        open_ones = [box for box in late if box.name not in found]
        if not open_ones:
            break
        first = first_days_of(asked, solve(problem))
        found |= {box.name: words for box in open_ones if not days_late(asked, box, first.get(box.name))}
    return found


def shortened(question: Question, late: list[KnownBox]) -> Question:
    """Return a question that looks no further than trials need, and past the days on which these boxes are due."""
    past_due = max((due_ahead_of(box) or 0 for box in late), default=0) + 2 * BEYOND_DAYS
    horizon = min(question.horizon_days, max(_TRIED_DAYS, past_due))
    days = tuple(on for on in question.days if on <= question.today + timedelta(days=horizon))
    return replace(question, days=days, horizon_days=horizon, announced={})


def _with_one_more(question: Question, late: list[KnownBox]) -> Iterator[tuple[str, VisitProblem, Question]]:
    for box in late:
        problem = _with_a_spare(question, box) if _has_a_day_in_time(question, [box]) else None
        if problem is not None:
            words = say("A spare charge of {grams} g in reserve would mend that.", grams=f"{box.grams:.0f}")
            yield words, problem, question
    for number, place in enumerate(question.places):
        for weekday in range(len(_DAYS)):
            if weekday in place.weekdays:
                continue
            weekdays = tuple(sorted((*place.weekdays, weekday)))
            places = tuple(
                replace(one, weekdays=weekdays) if each == number else one for each, one in enumerate(question.places)
            )
            more = [question.today + timedelta(days=ahead) for ahead in range(question.horizon_days + 1)]
            more = [on for on in more if on.weekday() == weekday and on not in question.decided.days_off]
            asked = replace(question, places=places, days=tuple(sorted({*question.days, *more})))
            if not _has_a_day_in_time(asked, late):
                continue
            weekly = say(_DAYS[weekday])
            also = say("The {appliance} on {weekdays}, too, would mend that.", appliance=place.name, weekdays=weekly)
            yield also, problem_of(asked), asked


def _has_a_day_in_time(question: Question, late: list[KnownBox]) -> bool:
    """Return whether any of the days comes before one of the boxes is due; without one, no plan need be made."""
    soonest = min(question.days, default=None)
    return soonest is not None and any(not days_late(question, box, soonest) for box in late)


def _with_a_spare(question: Question, box: KnownBox) -> VisitProblem | None:
    """Return the plan's problem with one more spare charge like that box's, as good as the best it could be dried."""
    if box.grams is None or not question.days:
        return None
    problem = problem_of(question)
    number = question.boxes.index(box)
    way = np.full((problem.boxes, 1, *problem.later.shape[2:]), np.inf)
    way[number, 0] = problem.later[number, : problem.appliances].min(axis=0)
    return replace(
        problem,
        later=np.concatenate([problem.later, way], axis=1),
        spare_counts=np.append(problem.spare_counts, 1),
        spare_wet=np.append(problem.spare_wet, 0),
        spare_shares=np.concatenate([problem.spare_shares, problem.shares[number : number + 1]]),
        spare_groups=np.append(problem.spare_groups, problem.groups[number]),
    )


def first_days_of(question: Question, chosen: Chosen) -> dict[str, date]:
    """Return the first day of each box that has one."""
    paths = zip(question.boxes, chosen.visits, strict=True)
    return {box.name: question.days[path[0][0]] for box, path in paths if path}
