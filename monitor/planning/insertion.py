"""Many plans at once: in each of them one box after the other is put in at its best, where the others are.

Arrays carry a leading axis of plans, so that what is done to one box is done in all plans together. A charge taken out
is thought to be dried on the next day that is heated for boxes; which charge is dried when is chosen exactly in the
end (``exact.around``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from monitor.planning.exact import ROUNDING, room_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from monitor.planning.visits import Path, VisitProblem

NEVER = 1e7
"""Of what may not be. [points] Judgement: dearer than any plan, and small enough that sums in single precision still
tell points apart."""


class Waits:
    """A problem as the search reads it: waits in single precision, their innermost axis the boxes."""

    def __init__(self, problem: VisitProblem) -> None:
        """Lay them out by the day a visit is on: to each next place, and from each visit before."""
        self.room = room_of(problem)
        self.most = np.maximum(problem.moved_shares, problem.batches[:, :, None]) + ROUNDING
        """What a day takes, in each measure. (appliances × days × measures) [batches]"""
        self.first = np.minimum(problem.first, NEVER).astype(np.float32)
        self.later = np.minimum(problem.later, NEVER).astype(np.float32)
        days = range(self.later.shape[2])
        self.onward = [np.ascontiguousarray(self.later[:, :, day, day + 1 :].transpose()) for day in days]
        """From each day on. (later places × ways × boxes)"""
        self.before = [np.ascontiguousarray(np.swapaxes(self.later[:, :, :day, day], 0, -1)) for day in days]
        """Until each day. (earlier days × ways × boxes)"""


class Stock(NamedTuple):
    """What the spare charges do in each plan."""

    used: NDArray[np.float64]
    """What all charges take, those of the spares with them. (plans × appliances × days × groups × measures)"""
    place: NDArray[np.int_]
    """The appliance that dries on a day. (plans × days)"""
    next_heated: NDArray[np.int_]
    """The next day that is heated, this one counted; the number of days where there is none. (plans × days)"""
    dry: NDArray[np.float64]
    """How many are dry after each day's swaps. (plans × kinds × days)"""


@dataclass(slots=True, eq=False)
class Plans:
    """Plans, and what each of them may not use or may use for nothing while it is tried."""

    problem: VisitProblem
    waits: Waits
    ways: NDArray[np.int8]
    """Way of each box's visit on each day, -1 where there is none. (plans × boxes × days)"""
    used: NDArray[np.float64]
    """What boxes take. (plans × appliances × days × groups × measures) [batches]"""
    swaps: NDArray[np.float64]
    """(plans × kinds × days)"""
    waited: NDArray[np.float64]
    """What each box's waits cost. (plans × boxes) [points]"""
    closed: NDArray[np.bool_]
    """(plans × appliances × days)"""
    heated_anyway: NDArray[np.bool_]
    """(plans × appliances × days)"""

    @classmethod
    def empty(cls, problem: VisitProblem, plans: int) -> Plans:
        """Return plans without any visit."""
        (appliances, days), kinds = problem.batches.shape, len(problem.spare_counts)
        return cls(
            problem,
            Waits(problem),
            np.full((plans, problem.boxes, days), -1, np.int8),
            np.zeros((plans, appliances, days, problem.group_count, problem.shares.shape[2])),
            np.zeros((plans, kinds, days)),
            np.zeros((plans, problem.boxes)),
            np.zeros((plans, appliances, days), bool),
            np.zeros((plans, appliances, days), bool),
        )

    def some(self, which: NDArray[np.int_]) -> Plans:
        """Return a copy of some of the plans; one may come several times."""
        return Plans(self.problem, self.waits, *(part[which] for part in self._parts()))

    def and_also(self, other: Plans) -> Plans:
        """Return both."""
        both = zip(self._parts(), other._parts(), strict=True)
        return Plans(self.problem, self.waits, *(np.concatenate(parts) for parts in both))

    def replace(self, plan: int, other: Plans, by: int) -> None:
        """Let one plan be another one."""
        for mine, its in zip(self._parts(), other._parts(), strict=True):
            mine[plan] = its[by]

    def _parts(self) -> tuple[NDArray[Any], ...]:
        return self.ways, self.used, self.swaps, self.waited, self.closed, self.heated_anyway

    def __len__(self) -> int:
        """Return how many plans there are."""
        return len(self.ways)

    def path(self, plan: int, box: int) -> Path:
        """Return the visits of a box."""
        row = self.ways[plan, box]
        return tuple((int(day), int(row[day])) for day in np.flatnonzero(row >= 0))

    def take(self, box: int, path: Path) -> None:
        """Put a box without visits into all plans as told."""
        end, (places, ways) = self.problem.first.shape[1] - 1, (np.array(path, int).reshape(-1, 2).T)
        self.ways[:, box, places] = ways
        onward = np.append(places[1:], end)
        waited = self.problem.first[box, places[0] if len(places) else end]
        self.waited[:, box] = waited + self.problem.later[box, ways, places, onward[: len(places)]].sum()
        self._count(box, 1.0)

    def turn(self, boxes: Iterable[int], too_full: float = NEVER) -> None:
        """Take one box after the other out and put it in at its best; a visit too many costs ``too_full``."""
        for box in boxes:
            self._count(box, -1.0)
            self.ways[:, box], self.waited[:, box] = self._best(box, self._prices(box, too_full))
            self._count(box, 1.0)

    def _count(self, box: int, times: float) -> None:
        problem, ways = self.problem, self.ways[:, box]
        for way, shares in enumerate(problem.shares[box]):
            self.used[:, way, :, problem.groups[box]] += (times * (ways == way))[:, :, None] * shares
        for kind in range(self.swaps.shape[1]):
            self.swaps[:, kind] += times * (ways == problem.appliances + kind)

    def heated(self) -> NDArray[np.bool_]:
        """Return which days boxes are dried on. (plans × appliances × days)"""
        return np.asarray(_largest(_largest(self.used)) > ROUNDING)

    def crowded(self, plan: int) -> bool:
        """Return whether half of its heated days have no room for one more box of the smallest kind."""
        used, least = self.stock().used[plan].sum(axis=2), self.problem.shares.min(axis=0, initial=np.inf)
        full = (used + least[:, None] > self.waits.most).any(axis=-1)
        heated = self.heated()[plan]
        return bool(2 * (full & heated).sum() >= max(1, heated.sum()))

    def stock(self) -> Stock:
        """Return what spare charges there are and what drying them takes."""
        problem, days = self.problem, self.used.shape[2]
        heated = self.heated()
        place, any_heated = heated.argmax(axis=1), heated.any(axis=1)
        numbered = np.where(any_heated, np.arange(days), days)
        next_heated = np.minimum.accumulate(numbered[:, ::-1], axis=1)[:, ::-1]

        plan, day = np.nonzero(any_heated)  # all heated days, plan by plan
        is_first = np.diff(plan, prepend=-1) > 0
        way = place[plan, day]
        used, dry = self.used.copy(), np.empty(self.swaps.shape)
        for kind in range(len(problem.spare_counts)):
            # what was taken out since the heated day before is dried again
            taken_out = np.cumsum(self.swaps[:, kind], axis=1)
            by_then = taken_out[plan, day]
            again = by_then - np.where(is_first, 0.0, np.append(0.0, by_then[:-1])[: len(by_then)])
            # charges that were wet at first are dried on the first heated day, as far as there is room
            shares = problem.spare_shares[kind, way]
            left = self.waits.most[way, day] - _over_groups(used[plan, way, day])
            room = np.where(shares > 0.0, left / np.where(shares > 0.0, shares, 1.0), np.inf).min(axis=1) - again
            wet = np.where(is_first, np.floor(room).clip(0, problem.spare_wet[kind]), 0.0)
            used[plan, way, day, problem.spare_groups[kind]] += (again + wet)[:, None] * shares
            # both are there from the day after
            back, gained = np.zeros((len(self), days)), np.zeros((len(self), days + 1))
            back[:, 1:] = np.maximum.accumulate(np.where(any_heated, taken_out, 0.0), axis=1)[:, :-1]
            gained[plan, day + 1] = wet
            dry[:, kind] = problem.spare_counts[kind] - taken_out + back + np.cumsum(gained, axis=1)[:, :-1]
        return Stock(used, place, next_heated, dry)

    def _prices(self, box: int, too_full: float) -> NDArray[np.float64]:
        """Return what a visit of a box adds on each day: heating up, one more batch. (plans × ways × days)"""
        problem, group = self.problem, self.problem.groups[box]
        stock = self.stock() if self.swaps.shape[1] else None
        used = self.used if stock is None else stock.used
        shares = problem.shares[box][:, None, :]
        batches = _batches(used)
        before = _total(batches)
        more = _batches(used[:, :, :, group] + shares) - batches[..., group]
        heats = (before == 0.0) & ~self.heated_anyway
        price = problem.heating * heats + problem.batch_cost[:, None] * more
        full = _largest(_over_groups(used) + shares > self.waits.most) | (before + more > self.waits.room)
        price = np.where(self.closed | (self.waits.room == 0), NEVER, price + np.where(full, too_full, 0.0))
        return price if stock is None else np.concatenate([price, self.swap_prices(stock, batches)], axis=1)

    def swap_prices(self, stock: Stock, batches: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what it costs to put a spare charge in: drying the other one, as long as one is dry. (… × days)"""
        problem, days = self.problem, stock.place.shape[1]
        place, day = stock.place, np.arange(days)
        at = np.arange(len(self))[:, None], place, day
        used, total, filled = stock.used[at], _over_groups(stock.used)[at], batches[at]
        most, room = self.waits.most[place, day], self.waits.room[place, day]
        prices = np.empty(self.swaps.shape)
        for kind, group in enumerate(problem.spare_groups):
            shares = problem.spare_shares[kind][stock.place]
            more = _batches(used[:, :, group] + shares) - filled[..., group]
            full = _largest(total + shares > most) | (_total(filled) + more > room)
            drying = np.where(full, NEVER, problem.batch_cost[stock.place] * more)
            drying = np.concatenate([drying, np.full((len(self), 1), problem.wet_cost)], axis=1)
            lasts = np.take_along_axis(stock.dry[:, kind], np.minimum(stock.next_heated, days - 1), axis=1) >= 1.0
            dried = np.take_along_axis(drying, stock.next_heated, axis=1)
            prices[:, kind] = np.where(lasts, problem.swap_cost + dried, NEVER)
        return prices

    def _best(self, box: int, prices: NDArray[np.float64]) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
        """Return the cheapest visits of a box in each plan, and what they wait. (plans × days), (plans)"""
        (plans, ways, days), waits = prices.shape, self.waits
        by_day = np.ascontiguousarray(np.moveaxis(prices, 0, 2).astype(np.float32))  # ways × days × plans
        onward, in_way = np.zeros((days + 1, plans), np.float32), np.empty((days, ways, plans), np.float32)
        for day in range(days - 1, -1, -1):
            here = waits.onward[day][:, :, box, None] + onward[day + 1 :, None]
            np.add(here.min(axis=0), by_day[:, day], out=in_way[day])
            in_way[day].min(axis=0, out=onward[day])
        at = (waits.first[box][:, None] + onward).argmin(axis=0)
        chosen, waited = np.full((plans, days), -1, np.int8), self.problem.first[box, at]
        onward = np.ascontiguousarray(onward.T)
        while (going := np.flatnonzero(at < days)).size:
            day = at[going]
            way = in_way[day, :, going].argmin(axis=1)
            chosen[going, day] = way
            at[going] = (waits.later[box, way, day] + onward[going]).argmin(axis=1)
            waited[going] += self.problem.later[box, way, day, at[going]]
        return chosen, waited

    def costs(self) -> NDArray[np.float64]:
        """Return what each plan costs, if it is one: at least ``NEVER`` where something doesn't fit. (plans)"""
        problem, stock = self.problem, self.stock()
        batches = _batches(stock.used).sum(axis=-1)
        full = _largest(_over_groups(stock.used) > self.waits.most + ROUNDING)
        bad = full.any(axis=(1, 2)) | (batches > self.waits.room).any(axis=(1, 2)) | (stock.dry < 0.0).any(axis=(1, 2))
        wet = (self.swaps * (stock.next_heated == batches.shape[2])[:, None]).sum(axis=(1, 2))
        wet = wet + np.where(self.heated().any(axis=(1, 2)), 0, problem.spare_wet.sum())
        shared = (problem.heating * (batches > 0.0) + problem.batch_cost[:, None] * batches).sum(axis=(1, 2))
        swapped = problem.swap_cost * self.swaps.sum(axis=(1, 2))
        return np.asarray(self.waited.sum(axis=1) + shared + swapped + problem.wet_cost * wet + NEVER * bad)


def _batches(used: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how many batches that is. (…)"""
    return np.asarray(np.ceil(_largest(used) - ROUNDING).clip(min=0.0))


def _largest(values: NDArray[Any]) -> NDArray[Any]:
    """Return the largest along the last axis; whole arrays at a time, as it is short."""
    largest = values[..., 0]
    for each in range(1, values.shape[-1]):
        largest = np.maximum(largest, values[..., each])
    return largest


def _total(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum along the last axis, as ``_largest``."""
    total = values[..., 0]
    for each in range(1, values.shape[-1]):
        total = total + values[..., each]
    return total


def _over_groups(used: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what all groups take together. (… × groups × measures)"""
    return _total(np.swapaxes(used, -1, -2))
