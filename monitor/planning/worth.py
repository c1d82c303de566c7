"""What a plan brings, draw by draw: days over the limit, heating, grams, time, energy, money; beside plain rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.exact import ROUNDING
from monitor.planning.problem import held_days
from monitor.texts import say, say_many
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from monitor.planning.problem import KnownBox, Question
    from monitor.planning.recharge import RechargePlan

_MOST_WEEKS = 26
"""The longest interval that is tried. [weeks] Judgement: half a year; beads are seldom dry for longer."""
_IN_TWENTY = 0.95  # share of futures; judgement: nineteen of twenty, as elsewhere intervals end there


@dataclass(frozen=True, slots=True)
class RuleWorth:
    """What one way to decide brings over the plan's time."""

    rule: str
    """'this plan', 'every N weeks' or 'when over the limit'."""
    heating_days: float
    """Days on which anything is heated; expected, where that hangs on the weather."""
    visits: float
    """Boxes that get dry beads, each time counted."""
    over_days: float
    """Expected days of boxes over their limit."""
    over_days_p95: float
    """So many at most in nineteen futures of twenty: a humid summer comes to all boxes together."""


@dataclass(frozen=True, slots=True)
class PlanWorth:
    """What a plan takes and brings, beside what two plain rules would."""

    grams: float
    hands_on_minutes: float
    kwh: float
    money: float | None
    """At the declared tariff; None without one."""
    rules: tuple[RuleWorth, ...]
    """This plan first. Empty where no box has futures."""


def worth_of(question: Question, plan: RechargePlan) -> PlanWorth:
    """Return what a plan is worth, all rules on the same futures."""
    boxes = [box for box in question.boxes if box.planned is not None and box.planned.futures is not None]
    kwh = sum(day.kwh for day in plan.days)
    rules: tuple[RuleWorth, ...] = ()
    if boxes and question.days:
        ours = _of_plan(question, plan, boxes)
        rules = (ours, _best_interval(question, boxes, ours), _when_over(question, boxes))
    return PlanWorth(
        grams=sum(day.grams for day in plan.days),
        hands_on_minutes=sum(day.hands_on_minutes for day in plan.days),
        kwh=kwh,
        money=question.tariff_per_kwh * kwh if question.tariff_per_kwh else None,
        rules=rules,
    )


def _of_plan(question: Question, plan: RechargePlan, boxes: Sequence[KnownBox]) -> RuleWorth:
    ways = {place.name: number for number, place in enumerate(question.places)}
    spares = {kind.name: len(ways) + number for number, kind in enumerate(question.spares)}
    visits: dict[str, list[tuple[int, int]]] = {box.name: [] for box in boxes}
    for on, box, way in [
        *((day.on, box, ways[day.appliance]) for day in plan.days for box in day.boxes),
        *((swap.on, swap.box, spares[swap.spare]) for swap in plan.swaps),
    ]:
        if box in visits:
            visits[box].append(((on - question.today).days, way))
    over = sum((_over_days(question, box, sorted(visits[box.name])) for box in boxes), np.zeros(1))
    heated = len({day.on for day in plan.days})
    return _worth(say("this plan"), over, heated, sum(map(len, visits.values())))


def _over_days(question: Question, box: KnownBox, visits: Sequence[tuple[int, int]]) -> NDArray[np.float64]:
    """Return the days over the limit of a box in each draw until the plan's end. (draws)"""
    until, over = _spent_today(box), np.zeros(1)
    for ahead, way in visits:
        over = over + np.maximum(0, ahead - until)
        held = held_days(question, box, way)
        assert held is not None
        until = ahead + held[min(ahead, len(held) - 1)].astype(int)
    rest: NDArray[np.float64] = over + np.maximum(0, question.horizon_days - until)
    return rest


def _spent_today(box: KnownBox) -> NDArray[np.int_]:
    assert box.planned is not None
    assert box.planned.futures is not None
    return box.planned.futures.over_after_days.astype(int)


def _best_interval(question: Question, boxes: Sequence[KnownBox], ours: RuleWorth) -> RuleWorth:
    """Return the longest interval, in hindsight, that has no more days over the limit than the plan; else the best."""
    tried = [_every(question, boxes, weeks) for weeks in range(1, _MOST_WEEKS + 1)]
    as_good = [one for one in tried if one.over_days <= ours.over_days]
    return as_good[-1] if as_good else min(tried, key=lambda one: one.over_days)


def _every(question: Question, boxes: Sequence[KnownBox], weeks: int) -> RuleWorth:
    """Return what all boxes every so many weeks bring: heating as many days as the batches of the first way need."""
    ahead = question.ahead[:-1]
    wanted = np.arange(0, question.horizon_days + 1, DAYS_PER_WEEK * weeks)
    places = np.unique(np.searchsorted(ahead, wanted))
    days = [int(ahead[place]) for place in places if place < len(ahead)]
    over, filled = np.zeros(1), 0.0
    for box in boxes:
        way = _usual_way(question, box)
        over = over + _over_days(question, box, [] if way is None else [(day, way) for day in days])
        filled += 0.0 if way is None else 1.0 / _a_day(question, way)
    rounds = len(days) * int(np.ceil(filled))
    rule = say_many("every week", "every {count} weeks", weeks)
    return _worth(rule, over, rounds, len(days) * len(boxes))


def _usual_way(question: Question, box: KnownBox) -> int | None:
    ways = (way for way in range(len(question.places)) if held_days(question, box, way) is not None)
    return next(ways, None)


def _a_day(question: Question, way: int) -> int:
    """Return how many boxes go through an appliance in a day."""
    place = question.places[way]
    return place.appliance.batch_boxes * max(1, place.batches_a_day)


def _when_over(question: Question, boxes: Sequence[KnownBox]) -> RuleWorth:
    """Return what drying on the next possible day brings once a box is over its limit, in each draw by itself."""
    ahead = question.ahead[:-1]
    draws = max(len(_spent_today(box)) for box in boxes)
    there = np.zeros((draws, len(ahead) + 1))
    over, visits = np.zeros(draws), 0.0
    for box in boxes:
        way = _usual_way(question, box)
        held = None if way is None else held_days(question, box, way)
        until = _spent_today(box)
        of_draw = np.arange(len(until))
        going = np.full(len(until), held is not None)
        while going.any() and way is not None and held is not None:
            place = np.searchsorted(ahead, until)
            going &= place < len(ahead)
            day = ahead[np.minimum(place, len(ahead) - 1)]
            over[: len(until)] += np.where(going, day - until, 0)
            there[of_draw[going], place[going]] += 1.0 / _a_day(question, way)
            visits += going.mean()
            holds = np.maximum(held[np.minimum(day, len(held) - 1), of_draw].astype(int), 1)
            until = np.where(going, day + holds, until)
        over[: len(until)] += np.maximum(0, question.horizon_days - until)
    heated = float(np.ceil(there[:, :-1] - ROUNDING).sum(axis=1).mean())
    return _worth(say("when over the limit"), over, heated, visits)


def _worth(rule: str, over: NDArray[np.float64], heated: float, visits: float) -> RuleWorth:
    return RuleWorth(rule, float(heated), float(visits), float(over.mean()), float(np.quantile(over, _IN_TWENTY)))
