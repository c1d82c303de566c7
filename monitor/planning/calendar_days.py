"""The visits chosen → days with an appliance, swaps, and a reason for each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.columns import cheapest_paths
from monitor.planning.due import say_day
from monitor.planning.exact import ROUNDING
from monitor.planning.problem import chances_now, held_days, problem_of
from monitor.planning.reasons import GoesFirst, why_on_this_day
from monitor.planning.steady import due_on
from monitor.planning.visits import expected_late, over_chances
from monitor.records import BoxState, PlannedDay, PlannedSwap
from monitor.texts import say, together
from monitor.units import DAYS_PER_WEEK, ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from numpy.typing import NDArray

    from monitor.planning.problem import Question
    from monitor.planning.visits import Chosen


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """One visit of a box, with what is known of the time before it."""

    box: int
    place: int
    way: int
    number: int
    """0 for the first of the box."""
    over: NDArray[np.float64]
    """The chance that it is over its limit, day by day from when its beads went in."""
    since: int
    """When they did, 0 for those it has today. [days from today]"""


class Calendar:
    """Says of a chosen plan what a person is told."""

    def __init__(self, question: Question, chosen: Chosen, order: Mapping[str, int]) -> None:
        """``order`` places the boxes of a day."""
        self._question, self._chosen, self._order = question, chosen, order
        self._problem = problem_of(question)
        self._visits = [visit for box in range(len(question.boxes)) for visit in self._visits_of(box)]
        self._alone = self._best_alone()

    def days(self) -> tuple[PlannedDay, ...]:
        """Return the days with an appliance that are used, by date and in the order of the appliances."""
        found = []
        for place, on in enumerate(self._question.days):
            for way in range(len(self._question.places)):
                there = [visit for visit in self._visits if (visit.place, visit.way) == (place, way)]
                dried = self._chosen.spares_dried[:, way, place]
                if there or dried.any():
                    found.append(self._day(on, way, sorted(there, key=lambda one: self._order[self._name(one)]), dried))
        return tuple(found)

    def swaps(self) -> tuple[PlannedSwap, ...]:
        """Return the spare charges that go in, by date."""
        swaps = [visit for visit in self._visits if visit.way >= len(self._question.places)]
        return tuple(
            PlannedSwap(
                self._question.days[visit.place],
                self._name(visit),
                self._question.spares[visit.way - len(self._question.places)].name,
                together(self._why_again(visit), say("A spare charge goes in, so nothing has to be heated for it.")),
                again=visit.number > 0,
            )
            for visit in sorted(swaps, key=lambda one: (one.place, self._order[self._name(one)]))
        )

    def _visits_of(self, box: int) -> list[Visit]:
        question, known = self._question, self._question.boxes[box]
        over, since, visits = chances_now(known, question.end), 0, []
        for number, (place, way) in enumerate(self._chosen.visits[box]):
            visits.append(Visit(box, place, way, number, over, since))
            since = int(question.ahead[place])
            if known.planned is not None and known.planned.futures is not None:
                held = held_days(question, known, way)
                assert held is not None
                over = over_chances(held[min(since, len(held) - 1)], held.shape[0])
        return visits

    def _name(self, visit: Visit) -> str:
        return self._question.boxes[visit.box].name

    def _best_alone(self) -> NDArray[np.int_]:
        """Return the place of the first visit that each box would have to itself; after the last, where none."""
        problem = self._problem
        if not problem.boxes or not len(problem.days_ahead):
            return np.full(problem.boxes, len(problem.days_ahead))
        each = problem.heating + problem.batch_cost[:, None]
        prices = np.full((problem.ways, len(problem.days_ahead)), problem.swap_cost)
        prices[: problem.appliances] = np.where(problem.batches > 0, each, each.max())
        visited = (
            cheapest_paths(problem.first, problem.later, np.broadcast_to(prices, problem.later.shape[:3]))[0].ways >= 0
        )
        return np.where(visited.any(axis=1), visited.argmax(axis=1), len(problem.days_ahead))

    def _day(self, on: date, way: int, there: list[Visit], dried: NDArray[np.int_]) -> PlannedDay:
        """Return what is told of one appliance on one day: its boxes, spare charges dried along, and what it takes."""
        question, place = self._question, self._question.places[way]
        visits = {self._name(visit): visit for visit in there}
        names = list(visits)
        waits = {name: self._late_and_early(visit) for name, visit in visits.items()}
        spares = [(kind, int(count)) for kind, count in zip(question.spares, dried, strict=True) if count]
        of_boxes = [question.boxes[visit.box].grams or 0.0 for visit in there]
        of_spares = [(kind.beads.dry_mass_g or 0.0) * count for kind, count in spares]
        batches = self._batches(way, there, dried)
        return PlannedDay(
            on=on,
            appliance=place.name,
            boxes=tuple(names),
            reasons={name: self._why(visit, names) for name, visit in visits.items()},
            moved=tuple(name for name in names if question.decided.fixed.get(name) == on),
            late_days={name: late for name, (late, _) in waits.items()},
            early_days={name: early for name, (_, early) in waits.items()},
            batches=batches,
            again=tuple(name for name, visit in visits.items() if visit.number),
            spares_dried={kind.name: count for kind, count in spares},
            minutes=batches * place.minutes,
            hands_on_minutes=batches * place.hands_on_minutes,
            kwh=batches * place.kwh,
            grams=float(sum([*of_boxes, *of_spares])),
            week_later={name: self._week_later(visit) for name, visit in visits.items()},
        )

    def _batches(self, way: int, there: list[Visit], dried: NDArray[np.int_]) -> int:
        """Return how often the appliance has to be filled at least: by groups that share a batch."""
        problem = self._problem
        groups = {int(group): np.zeros(problem.shares.shape[2]) for group in (*problem.groups, *problem.spare_groups)}
        for visit in there:
            groups[int(problem.groups[visit.box])] += problem.shares[visit.box, way]
        for kind, count in enumerate(dried):
            groups[int(problem.spare_groups[kind])] += count * problem.spare_shares[kind, way]
        return max(1, sum(math.ceil(float(filled.max()) - ROUNDING) for filled in groups.values()))

    def _late_and_early(self, visit: Visit) -> tuple[float, float]:
        late, end = self._late(visit), self._question.end - visit.since
        lag = int(self._question.ahead[visit.place]) - visit.since
        return float(late[lag]), float((end - late[end]) - (lag - late[lag]))

    def _late(self, visit: Visit) -> NDArray[np.float64]:
        """Return the expected days over the limit after 0, 1, 2, … days; the last known chance is held."""
        long = self._question.end - visit.since + DAYS_PER_WEEK
        return expected_late(np.pad(visit.over, (0, max(0, long - len(visit.over))), mode="edge"))

    def _week_later(self, visit: Visit) -> tuple[float, float]:
        late, lag = self._late(visit), int(self._question.ahead[visit.place]) - visit.since
        chance = visit.over[min(lag + DAYS_PER_WEEK, len(visit.over) - 1)]
        return float(chance), float(late[lag + DAYS_PER_WEEK] - late[lag])

    def _why(self, visit: Visit, names: list[str]) -> str:
        question, known = self._question, self._question.boxes[visit.box]
        if visit.number:
            return self._why_again(visit)
        alone = int(self._alone[visit.box])
        return why_on_this_day(
            known.assessment,
            known.forecast,
            today=question.today,
            on=question.days[visit.place],
            best=question.days[alone] if alone < len(question.days) else None,
            best_is_full=self._is_full(visit, alone),
            goes_first=self._goes_first(visit),
            company=[name for name in names if name != known.name],
            decided=question.decided,
            off=self._off_between(visit),
        )

    def _off_between(self, visit: Visit) -> tuple[date, date] | None:
        """Return the days in a row without drying that keep a box from the days up to its own, or made it late.

        Only days count on which an appliance may be used but for that.
        """
        question, on = self._question, self._question.days[visit.place]
        due = due_on(question.boxes[visit.box].assessment, question.today)
        if due is None:
            return None
        after, until = (on, due) if on <= due else (question.today - ONE_DAY, on)
        off = {
            day
            for day in question.decided.days_off
            if after < day <= until and any(place.may_dry_on(day) for place in question.places)
        }
        return question.decided.off_around(max(off)) if off else None

    def _goes_first(self, visit: Visit) -> GoesFirst | None:
        """Return the box with the latest day of its own that took a place in time that this one could have had."""
        question, today = self._question, self._question.today
        due = due_on(question.boxes[visit.box].assessment, today)
        if due is None or question.days[visit.place] <= due:
            return None
        found = [
            (self._own_day(one), one)
            for one in self._visits
            if not one.number
            and question.days[one.place] <= due
            and np.isfinite(self._problem.later[visit.box, one.way, one.place]).any()
        ]
        own_day, other = max(found, key=lambda each: each[0], default=(due, visit))
        if own_day <= due or self._name(other) in question.decided.fixed:
            return None
        ahead = int(question.ahead[visit.place])
        return GoesFirst(self._name(other), float(self._late(other)[ahead]), float(self._late(visit)[ahead]))

    def _own_day(self, visit: Visit) -> date:
        """Return the day by which a box is due; one that is over its limit has waited already."""
        assessment, today = self._question.boxes[visit.box].assessment, self._question.today
        if assessment.state is BoxState.over_limit:
            return today
        return due_on(assessment, today) or self._question.days[-1]

    def _why_again(self, visit: Visit) -> str:
        """Return in a sentence how sure it is that the beads are spent by then."""
        lag = int(self._question.ahead[visit.place]) - visit.since
        pct = 100.0 * float(visit.over[min(lag, len(visit.over) - 1)])
        chance = f"{pct:.0f} %"
        if not 1.0 <= pct <= 99.0:  # judgement: draws tell no more
            chance = say("less than {chance}", chance="1 %") if pct < 1.0 else say("more than {chance}", chance="99 %")
        if not visit.number:
            return say("The chance that it is over its limit by then is {chance}.", chance=chance)
        since = say_day(self._question.today + timedelta(days=visit.since), self._question.today)
        return say(
            "Its beads of {since} hold until about then: the chance that it is over its limit is {chance}.",
            since=since,
            chance=chance,
        )

    def _is_full(self, visit: Visit, place: int) -> bool:
        """Return whether a box has no room on another day any more, in any appliance."""
        if place in (visit.place, len(self._question.days)):
            return False
        problem = self._problem
        for way in range(problem.appliances):
            there = [one for one in self._visits if (one.place, one.way) == (place, way)]
            used = sum((problem.shares[one.box, way] for one in there), np.zeros(problem.shares.shape[2]))
            used = used + self._chosen.spares_dried[:, way, place] @ problem.spare_shares[:, way]
            most = problem.batches[way, place]
            if most and np.all(used + problem.shares[visit.box, way] <= most + ROUNDING):
                return False
        return True
