"""Better plans by other days: what if this day were not heated, or that one instead, or a stretch at another pace.

Linear programs know little of which days to heat: boxes share them by halves there. So days are tried as wholes, many
plans at once, and the boxes put in where that is cheapest (``insertion``).
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.exact import room_of
from monitor.planning.insertion import NEVER, Plans

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from monitor.planning.visits import Path, VisitProblem

_PACES = (1, 2, 3, 4, 5, 6, 8, 10, 12)
"""Every so many days are heated to begin with. Judgement: the search finds those between."""
_OFFSETS = 4  # beginnings for each of these at most, a count; judgement, for the same reason
_KEPT = 6
"""So many plans are gone on with. [count] Judgement: six ended cheaper than two, and eight hardly cheaper than six."""
_CLOSER = 24
"""Of the plans tried, so many are put in order before they are compared. [count] Judgement: 32 ended hardly cheaper."""
_TRIED = 12
"""So many other days are tried for each plan, the most promising first. [count] Judgement: 24 ended no cheaper."""
_RESPACED = 4  # plans gone on with after a stretch changed its pace, a count; judgement: 8 took twice as long
_ROUNDS = 8
"""So often at most stretches change their pace. [count] Judgement: most searches end by themselves before."""
_CROWDED, _MORE_CROWDED = 4.0, 8.0
"""What a visit too many costs in the first turns. [points] Judgement: a third of a day at the oven, then more; so boxes
change places that could not pass one another."""
_HURT = 8.0
"""So much at most another day is thought to cost a box: it finds a third one. [points] Judgement."""
_BETTER = 1e-6
"""So much cheaper is no rounding. [points] Judgement: ten times the solver's."""
_EFFORT = 2.5e9
"""The search ends after so many steps of boxes, days and plans. Judgement: two to four seconds; counted, not timed, so
that a plan is the same on any machine."""
_EFFORT_OF_A_DAY = 12_000  # the same, of one box and day whatever the plans; judgement: what numpy takes to begin

Slot = tuple[int, int]
"""An appliance and a day, by number."""
Move = tuple["Sequence[Slot]", "Sequence[Slot]"]
"""What is no longer heated, and what is instead."""


class Search:
    """A search through plans, with what it may still take."""

    def __init__(self, problem: VisitProblem) -> None:
        """Begin with nothing."""
        self.problem = problem
        self._none = Plans.empty(problem, 1)
        self._room = room_of(problem) > 0.0
        self._left = _EFFORT

    def begun(self) -> Plans:
        """Return plans that heat every so many days, the boxes put in and days too many given up."""
        appliances, days = self._room.shape
        heated = [np.zeros((appliances, days), bool)]
        for appliance in range(appliances):
            usable = np.flatnonzero(self._room[appliance])
            for pace in _PACES:
                for offset in range(0, pace, max(1, pace // _OFFSETS)):
                    heated.append(np.zeros((appliances, days), bool))
                    heated[-1][appliance, usable[offset::pace]] = True
        plans = self._none.some(np.zeros(len(heated), int))
        plans.heated_anyway[:] = heated
        for box in range(self.problem.boxes):
            plans.take(box, ())
        self._turn(plans, too_full=_CROWDED)
        plans.heated_anyway[:] = False
        self._turn(plans, back=True, too_full=_MORE_CROWDED)
        plans = plans.some(np.argsort(plans.costs(), kind="stable")[:_CLOSER])
        self._turn(plans)
        return plans

    def of(self, paths: Sequence[Path]) -> Plans:
        """Return a plan of these paths."""
        plan = self._none.some(np.zeros(1, int))
        for box, path in enumerate(paths):
            plan.take(box, path)
        return plan

    def best(self, plans: Plans, *, kept: int = _KEPT, rounds: int = _ROUNDS) -> Plans:
        """Return the best plans that other days lead to, the cheapest first."""
        plans = self._descended(plans, kept)
        seen: set[bytes] = set()
        for _ in range(rounds):
            heated = plans.heated()
            fresh = [plan for plan in range(min(2, len(plans))) if heated[plan].tobytes() not in seen]
            if not fresh or self._left <= 0.0:
                break
            seen |= {heated[plan].tobytes() for plan in fresh}
            moves = [list(_other_paces(heated[plan], self._room)) for plan in fresh]
            other, _ = self._tried(plans.some(np.array(fresh)), moves)
            other = _distinct(other, _RESPACED, {one.tobytes() for one in heated})
            if len(other):
                plans = _distinct(plans.and_also(self._descended(other, _RESPACED)), kept)
        return plans

    def _turn(self, plans: Plans, *, back: bool = False, too_full: float = NEVER) -> None:
        boxes, ways, days = self.problem.boxes, self.problem.ways, len(self.problem.days_ahead)
        self._left -= boxes * days * (_EFFORT_OF_A_DAY + ways * days * len(plans))
        plans.turn(range(boxes - 1, -1, -1) if back else range(boxes), too_full)

    def _descended(self, plans: Plans, kept: int) -> Plans:
        """Return plans that no other day makes cheaper."""
        plans = _distinct(plans, kept)
        costs, done = plans.costs(), np.zeros(len(plans), bool)
        while not done.all() and self._left > 0.0:
            going = np.flatnonzero(~done)
            other, of = self._tried(plans.some(going), _promising(plans.some(going), self._room))
            other_costs = other.costs()
            for number, plan in enumerate(going):
                mine = np.flatnonzero(of == number)
                best = mine[np.argmin(other_costs[mine])] if len(mine) else -1
                done[plan] = best < 0 or other_costs[best] > costs[plan] - _BETTER
                if not done[plan]:
                    plans.replace(int(plan), other, int(best))
                    costs[plan] = other_costs[best]
            order = _first_of_each(plans, costs)[:kept]
            plans, costs, done = plans.some(order), costs[order], done[order]
        return plans

    def _tried(self, plans: Plans, moves: Sequence[Sequence[Move]]) -> tuple[Plans, NDArray[np.int_]]:
        """Return the better ones of plans after their moves, and of which plan each is."""
        of = np.repeat(np.arange(len(plans)), [len(each) for each in moves])
        tried = plans.some(of)
        for number, (closed, heated) in enumerate(move for each in moves for move in each):
            for slot in closed:
                tried.closed[(number, *slot)] = True
            for slot in heated:
                tried.heated_anyway[(number, *slot)] = True
        self._turn(tried, too_full=_CROWDED)
        tried.heated_anyway[:] = False
        order = np.argsort(tried.costs(), kind="stable")[:_CLOSER]
        tried, of = tried.some(order), of[order]
        self._turn(tried, back=True)
        tried.closed[:] = False
        self._turn(tried)
        return tried, of


def _first_of_each(plans: Plans, costs: NDArray[np.float64], seen: set[bytes] | None = None) -> NDArray[np.int_]:
    """Return the cheapest plan of each choice of days, the cheapest first."""
    heated, seen, found = plans.heated(), set(seen or ()), []
    for plan in np.argsort(costs, kind="stable"):
        days = heated[plan].tobytes()
        if days not in seen:
            seen.add(days)
            found.append(plan)
    return np.array(found, int)


def _distinct(plans: Plans, count: int, seen: set[bytes] | None = None) -> Plans:
    return plans.some(_first_of_each(plans, plans.costs(), seen)[:count])


def _other_paces(heated: NDArray[np.bool_], room: NDArray[np.bool_]) -> Iterator[Move]:
    """Yield what makes a stretch between two heated days evenly heated: as often as now, once less, once more."""
    days = heated.shape[1]
    there = sorted((int(day), int(appliance)) for appliance, day in np.argwhere(heated))
    ends = [(-1, 0), *there, (days, 0)]
    seen: set[tuple[frozenset[Slot], frozenset[Slot]]] = set()
    for begin, end in combinations(range(len(ends)), 2):
        (first_day, appliance), (last_day, _) = ends[begin], ends[end]
        inside = {(at, day) for day, at in ends[begin + 1 : end]}
        if inside:
            _, appliance = ends[begin + 1]
        for count in (len(inside) - 1, len(inside), len(inside) + 1):
            even = {(appliance, day) for day in _evenly(first_day, last_day, count) if room[appliance, day]}
            closed, opened = frozenset(inside - even), frozenset(even - inside)
            if (closed or opened) and (closed, opened) not in seen:
                seen.add((closed, opened))
                yield sorted(closed), sorted(opened)


def _evenly(first_day: int, last_day: int, count: int) -> set[int]:
    """Return so many days, evenly spaced between two others."""
    days = {round(first_day + (last_day - first_day) / (count + 1) * (each + 1)) for each in range(count)}
    return {day for day in days if first_day < day < last_day}


def _promising(plans: Plans, room: NDArray[np.bool_]) -> list[list[Move]]:
    """Return for each plan: every heated day left out, and the other days that may bring most, alone or instead."""
    at_least, now = _through(plans)
    heated, heating = plans.heated(), plans.problem.heating
    moves: list[list[Move]] = []
    for plan in range(len(plans)):
        there = [(int(appliance), int(day)) for appliance, day in np.argwhere(heated[plan])]
        left_out: list[Sequence[Slot]] = [(), *((slot,) for slot in there), *_neighbors(there)]
        # boxes that gain by another day move there; of the others those that days left out drive away
        more = np.minimum(at_least[plan] - now[plan][:, None, None], _HURT)  # boxes × appliances × days
        helped, hurt = np.minimum(more, 0.0).sum(axis=0) + heating, np.maximum(more, 0.0)
        costs = np.full((len(left_out), *room.shape), np.inf)
        for number, slots in enumerate(left_out):
            driven = _visited_on(plans.ways[plan], slots)
            saved = sum(heating[slot] for slot in slots)
            costs[number] = np.where(room & ~heated[plan], helped + hurt[driven].sum(axis=0) - saved, np.inf)
        moves.append([((), ()), *(((slot,), ()) for slot in there), *_cheapest(costs, left_out)])
    return moves


def _visited_on(ways: NDArray[np.int8], slots: Sequence[Slot]) -> NDArray[np.bool_]:
    """Return which boxes of a plan are dried on any of these days. (boxes)"""
    visited = np.zeros(len(ways), bool)
    for appliance, day in slots:
        visited |= ways[:, day] == appliance
    return visited


def _cheapest(costs: NDArray[np.float64], left_out: Sequence[Sequence[Slot]]) -> list[Move]:
    """Return the few moves that cost least, of (left out × appliances × days)."""
    order = np.argsort(costs, axis=None, kind="stable")[:_TRIED]
    order = order[np.isfinite(costs.ravel()[order])]
    found = zip(*np.unravel_index(order, costs.shape), strict=True)
    return [(left_out[number], ((int(appliance), int(day)),)) for number, appliance, day in found]


def _neighbors(there: Sequence[Slot]) -> Iterator[tuple[Slot, Slot]]:
    """Yield pairs of heated days with at most one between."""
    by_day = sorted(there, key=lambda slot: (slot[1], slot[0]))
    for number, slot in enumerate(by_day):
        for other in by_day[number + 1 : number + 3]:
            yield slot, other


def _through(plans: Plans) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return what each box costs at least when it is visited on each day with each appliance, and what it costs now.

    Batches count by what the box takes of them; the heating of that day is left out. (plans × boxes × appliances ×
    days), (plans × boxes)
    """
    problem, waits, (_, _, days) = plans.problem, plans.waits, plans.ways.shape
    charged = problem.shares.max(axis=-1) * problem.batch_cost  # boxes × appliances
    swapped = problem.swap_cost + (problem.spare_shares.max(axis=-1) * problem.batch_cost).min(axis=1, initial=np.inf)
    prices = _even_prices(plans, charged, swapped)
    shape = len(plans), problem.boxes
    onward, from_day = np.zeros((days + 1, *shape), np.float32), np.empty(prices.shape, np.float32)
    for day in range(days - 1, -1, -1):
        (waits.onward[day][:, :, None] + onward[day + 1 :, None]).min(axis=0, out=from_day[day])
        (from_day[day] + prices[day]).min(axis=0, out=onward[day])
    until, past = np.empty((days, *shape), np.float32), np.empty(prices.shape, np.float32)
    for day in range(days):
        until[day] = waits.first[:, day]
        if day:
            until[day] = np.minimum(until[day], (waits.before[day][:, :, None] + past[:day]).min(axis=(0, 1)))
        past[day] = until[day] + prices[day]
    own = slice(0, problem.appliances)
    via = until[:, None] + from_day[:, own] + charged.T[:, None].astype(np.float32)
    each = np.concatenate([charged.T, np.broadcast_to(swapped[:, None], (len(swapped), problem.boxes))])
    now = plans.waited + sum((plans.ways == way).sum(axis=2) * cost for way, cost in enumerate(each))
    return np.swapaxes(via.transpose(), 0, 1), np.asarray(now)


def _even_prices(plans: Plans, charged: NDArray[np.float64], swapped: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return what visits cost as if batches were full: a share of one, and heating where it is not on. (days × ways ×
    plans × boxes)"""
    problem, stock, days = plans.problem, plans.stock(), len(plans.problem.days_ahead)
    prices = np.empty((days, problem.ways, len(plans), problem.boxes), np.float32)
    heating = np.where(room_of(problem) == 0.0, NEVER, np.where(plans.heated(), 0.0, problem.heating))
    prices[:, : problem.appliances] = charged.T[:, None] + heating.transpose(2, 1, 0)[..., None]
    for kind, cost in enumerate(swapped):
        lasts = np.take_along_axis(stock.dry[:, kind], np.minimum(stock.next_heated, days - 1), axis=1) >= 1.0
        prices[:, problem.appliances + kind] = np.where(lasts, cost, NEVER).T[:, :, None]
    return prices
