"""What a plan is chosen by, put into arrays: boxes with what they cost, places that dry, spare charges."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.planning.visits import VisitProblem, due_ahead, late_and_early, over_chances, places_after, points
from monitor.planning.weights import WEIGHTS
from monitor.records.plan_input import as_heavy

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from monitor.planning.decisions import PlanConstraints
    from monitor.records import Assessment, CrossingForecast
    from monitor.records.plan_input import Beads, DryingPlace, PlannedBox, SpareCharge

BEYOND_DAYS = 7
"""A box left out is thought to be dried so long after the plan's end; by then the plan has been made again (a
judgement)."""


@dataclass(frozen=True, slots=True)
class KnownBox:
    """A box with a forecast, and with futures where they are known."""

    assessment: Assessment
    forecast: CrossingForecast
    planned: PlannedBox | None = None

    @property
    def name(self) -> str:
        """Of the box."""
        return self.assessment.box.name

    @property
    def risk(self) -> float:
        """Return how much worse a day over the limit is here than elsewhere."""
        return self.planned.risk if self.planned else 1.0

    @property
    def grams(self) -> float | None:
        """Return what its beads weigh, as far as that is known."""
        charge = self.assessment.charge
        of_box = self.planned.beads.dry_mass_g if self.planned and self.planned.beads else None
        return of_box or (charge.dry_mass_g or charge.mass_g if charge else None)


@dataclass(frozen=True, slots=True)
class SpareKind:
    """Spare charges that are as good as one another."""

    charges: tuple[SpareCharge, ...]

    @property
    def name(self) -> str:
        """Of the first of them."""
        return self.charges[0].name

    @property
    def beads(self) -> Beads:
        """Return what they are."""
        return self.charges[0].beads


@dataclass(frozen=True, slots=True)
class Question:
    """All that a plan is made from, in the order in which it is counted."""

    boxes: tuple[KnownBox, ...]
    """By name."""
    places: tuple[DryingPlace, ...]
    days: tuple[date, ...]
    """On which anything may be done at all."""
    today: date
    horizon_days: int
    decided: PlanConstraints
    spares: tuple[SpareKind, ...] = ()
    not_mixed: frozenset[frozenset[str]] = frozenset()
    tariff_per_kwh: float = 0.0
    announced: Mapping[str, date] = field(default_factory=dict)
    """Days that stand unless another one is worth the change."""

    @property
    def ahead(self) -> NDArray[np.int_]:
        """Return the days, and the end of the account. [days from today]"""
        return np.array([*((on - self.today).days for on in self.days), self.horizon_days + BEYOND_DAYS])

    @property
    def end(self) -> int:
        """Return the end of the account. [days from today]"""
        return self.horizon_days + BEYOND_DAYS

    def batch_cost(self, place: DryingPlace) -> float:
        """Return what one batch costs: the person's time, and energy."""
        return WEIGHTS.hand_minute * place.hands_on_minutes + WEIGHTS.money * self.tariff_per_kwh * place.kwh

    @property
    def place_late(self) -> float:
        """Return what a place after its own costs a box: more than all that an earlier one could."""
        dearest = max((self.batch_cost(place) for place in self.places), default=0.0)
        return WEIGHTS.place_after_due(float(self.end)) + dearest


def spare_kinds(charges: Sequence[SpareCharge]) -> tuple[SpareKind, ...]:
    """Return spare charges put together where they are as good as one another: kind of beads, lot, and weight."""
    kinds: list[list[SpareCharge]] = []
    for charge in sorted(charges, key=lambda one: (not one.dry, one.name)):
        if charge.beads.dry_mass_g is None:
            continue
        like = next((kind for kind in kinds if _alike(kind[0], charge)), None)
        if like is None:
            kinds.append([charge])
        else:
            like.append(charge)
    return tuple(SpareKind(tuple(kind)) for kind in kinds)


def _alike(some: SpareCharge, other: SpareCharge) -> bool:
    same = some.beads.batch_name == other.beads.batch_name and some.forbidden == other.forbidden
    return same and as_heavy(some.beads.dry_mass_g, other.beads.dry_mass_g)


def problem_of(question: Question) -> VisitProblem:
    """Return a question as arrays."""
    for place in question.places:
        if place.appliance.batch_boxes < 1:
            takes = f"takes {place.appliance.batch_boxes} boxes a batch"
            raise OutOfRangeError(f"appliance '{place.name}' {takes}; at least 1")
    boxes, days, appliances = len(question.boxes), len(question.days), len(question.places)
    costs = [_costs(question, box) for box in question.boxes]
    first = np.array([until_first for until_first, _ in costs]).reshape(boxes, days + 1)
    ways = appliances + len(question.spares)
    later = np.array([from_each for _, from_each in costs]).reshape(boxes, ways, days, days + 1)
    shares = _all_shares(question, [box.grams for box in question.boxes])
    groups, spare_groups = _groups(question)
    return VisitProblem(
        days_ahead=question.ahead[:-1],
        first=first,
        later=later,
        shares=shares,
        batches=_batches(question, later),
        heating=np.tile(_heating(question), (appliances, 1)),
        batch_cost=np.array([question.batch_cost(place) for place in question.places]),
        groups=groups,
        moved_shares=_moved_shares(question, shares),
        spare_counts=np.array([sum(one.dry for one in kind.charges) for kind in question.spares], dtype=int),
        spare_wet=np.array([sum(not one.dry for one in kind.charges) for kind in question.spares], dtype=int),
        spare_shares=_all_shares(question, [kind.beads.dry_mass_g for kind in question.spares]),
        spare_groups=spare_groups,
        swap_cost=WEIGHTS.swap,
        wet_cost=WEIGHTS.wet_charge,
    )


def _batches(question: Question, later: NDArray[np.float64]) -> NDArray[np.int_]:
    """Return how many batches each appliance takes on each day. (appliances × days)

    None on days that are not open, and none at all where no box may use it and there is no spare charge to dry.
    """
    open_days = [[_is_open(question, place, on) for on in question.days] for place in question.places]
    a_day = np.array([place.batches_a_day for place in question.places])[:, None]
    may_use = np.array([[bool(np.isfinite(later[:, way]).any())] for way in range(len(question.places))])
    batches = a_day * np.array(open_days, dtype=int) * (may_use | bool(question.spares))
    return np.asarray(batches.reshape(len(question.places), len(question.days)))


def _heating(question: Question) -> NDArray[np.float64]:
    """Return what heating up costs on each day: where later visits are planned, less the later it is. (days) [points]

    All that comes after a day at the oven is put off with it, beyond the plan's end, too: put off by all of the plan's
    time, as many days are saved as the plan has. So each day counts by what is left of that time behind it. Without
    this a plan as short as the beads last would heat today as gladly as in its last week.
    """
    full = np.full(len(question.days), WEIGHTS.oven_day)
    if not any(box.planned is not None and box.planned.futures is not None for box in question.boxes):
        return full
    return np.asarray(full * (1.0 - question.ahead[:-1] / question.end))


def _is_open(question: Question, place: DryingPlace, on: date) -> bool:
    return on in question.decided.fixed.values() or (place.may_dry_on(on) and on not in question.decided.days_off)


def _costs(question: Question, box: KnownBox) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what one box costs until its first visit, and from each visit on."""
    ahead, decided = question.ahead, question.decided
    may = np.array([decided.may_dry(box.name, on) for on in question.days], dtype=bool)
    fixed = decided.fixed.get(box.name)
    has_fixed = fixed in question.days
    allowed = np.append(may, not has_fixed)
    late, early = late_and_early(chances_now(box, question.end), 0, ahead, question.end)
    early[-1] = 0.0
    after = places_after(np.array(_due_ahead(box.assessment, question.horizon_days)), ahead, allowed)
    first = _points(question, box, late, early, after)
    announced = question.announced.get(box.name)
    if announced in question.days:
        first += _moving(question, announced)
    if has_fixed:
        first[-1] += WEIGHTS.moved_in_vain
        allowed[-1] = True
    first[~allowed] = np.inf
    once = fixed is not None and not has_fixed  # moved beyond the plan
    later_may = np.zeros_like(may) if once else _may_later(question, may, fixed)
    return first, _later(question, box, may, later_may)


def _moving(question: Question, announced: date) -> NDArray[np.float64]:
    """Return what each place costs for being another one than was announced; last, none. (days + 1) [points]"""
    others = set(question.announced.values())
    joins = np.array([on < announced and on in others for on in question.days], dtype=bool)
    moving = np.append(np.where(joins, WEIGHTS.join_announced, WEIGHTS.move_announced), WEIGHTS.move_announced)
    moving[question.days.index(announced)] = 0.0
    return moving


def _may_later(question: Question, may: NDArray[np.bool_], fixed: date | None) -> NDArray[np.bool_]:
    """Return on which days a box may be visited again."""
    if fixed is None:
        return may
    return np.array([on > fixed and on not in question.decided.days_off for on in question.days], dtype=bool)


def _points(
    question: Question,
    box: KnownBox,
    late: NDArray[np.float64],
    early: NDArray[np.float64],
    after: NDArray[np.int_],
) -> NDArray[np.float64]:
    price = early_price(question, box)
    return points(
        late,
        early,
        after,
        late_day=WEIGHTS.late_day * box.risk,
        early_day=price,
        place_late=question.place_late,
    )


def early_price(question: Question, box: KnownBox) -> float:
    """Return what a day of the life of a box's beads is worth.

    Where its later visits are in the plan, heating for them is counted there. A day given away then costs no more than
    its part of a place in a full batch: beads that hold fifty days, with eight places to a batch, a fiftieth of an
    eighth of the heating; in the cheapest way that the box may use. Where they are not, ``WEIGHTS.early_day``.
    """
    if box.planned is None or box.planned.futures is None:
        return WEIGHTS.early_day
    shares = _all_shares(question, [box.grams])[0].max(axis=1)
    held = [held_days(question, box, way) for way in range(len(question.places))]
    return min(
        (
            (WEIGHTS.oven_day + question.batch_cost(place)) * float(share) / max(1.0, float(days[0].mean()))
            for place, share, days in zip(question.places, shares, held, strict=True)
            if days is not None
        ),
        default=WEIGHTS.early_day,
    )


def chances_now(box: KnownBox, end: int) -> NDArray[np.float64]:
    """Return the chance that a box is over its limit on each day with the beads it has; the last known one is held."""
    if box.planned is not None and box.planned.futures is not None:
        drawn = box.planned.futures.over_after_days
        known = over_chances(drawn, _horizon(box) + 1)
    else:
        known = np.asarray(box.forecast.chance_by_day)
    return np.pad(known, (0, max(0, end - len(known))), mode="edge")[:end]


def _horizon(box: KnownBox) -> int:
    assert box.planned is not None
    assert box.planned.futures is not None
    futures = box.planned.futures
    known = max(int(futures.over_after_days.max()) - 1, 0)  # today at least, where it is over in all of them
    return min((len(each) - 1 for each in futures.holds_days.values()), default=known)


def _later(
    question: Question, box: KnownBox, may: NDArray[np.bool_], may_again: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what a box costs from each visit on until the next one. (ways × days × (days + 1))"""
    ways, days = len(question.places) + len(question.spares), len(question.days)
    later = np.full((ways, days, days + 1), np.inf)
    first_places = may | may_again
    if box.planned is None or box.planned.futures is None:
        for way, place in enumerate(question.places):
            later[way, first_places & _open(question, place), -1] = 0.0
        return later
    for way in range(ways):
        held = held_days(question, box, way)
        if held is None:
            continue
        there = first_places.copy()
        if way < len(question.places):
            there &= _open(question, question.places[way])
        later[way, there] = _waits(question, box, held, may_again)[there]
    return later


def _open(question: Question, place: DryingPlace) -> NDArray[np.bool_]:
    return np.array([_is_open(question, place, on) for on in question.days], dtype=bool)


def held_days(question: Question, box: KnownBox, way: int) -> NDArray[np.int16] | None:
    """Return how long a box holds from each day on after a visit in a way; None where that way isn't for it.

    (horizon + 1 × draws)
    """
    assert box.planned is not None
    assert box.planned.futures is not None
    holds = box.planned.futures.holds_days
    if way < len(question.places):
        name = question.places[way].name
        return None if name in box.planned.forbidden else holds.get(name)
    charge = question.spares[way - len(question.places)].charges[0]
    if box.planned.beads is None or box.planned.beads.kind != charge.beads.kind:
        return None
    if not as_heavy(box.grams, charge.beads.dry_mass_g):
        return None
    names = [charge.way, *(charge.way_from(place.name) for place in question.places)]
    return next((holds[name] for name in names if name in holds), None)


def _waits(
    question: Question, box: KnownBox, held: NDArray[np.int16], may_again: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what a box costs from a visit on each day on until each later day, and until the end."""
    ahead, end = question.ahead, question.end
    days = len(question.days)
    chances = over_chances(held[np.minimum(ahead[:-1], len(held) - 1)], len(held))
    chances = np.pad(chances, ((0, 0), (0, max(0, end - chances.shape[1]))), mode="edge")[:, :end]
    late, early = late_and_early(chances, ahead[:-1], ahead, end)
    early[:, -1] = 0.0
    due = due_ahead(chances, WEIGHTS.due_chance) + ahead[:-1]
    due = np.where(due <= question.horizon_days - BEYOND_DAYS, due, np.inf)
    onward = np.arange(days + 1) > np.arange(days)[:, None]
    allowed = onward & np.append(may_again, True)
    waits = _points(question, box, late, early, places_after(due, ahead, allowed))
    return np.where(allowed, waits, np.inf)


def _due_ahead(assessment: Assessment, horizon_days: int) -> float:
    """Return in how many days a box is due; never where that is so near the plan's end that the next plan takes it."""
    if assessment.due_at is None:
        return math.inf
    ahead = (assessment.due_at - assessment.as_of) / timedelta(days=1)
    return ahead if ahead <= horizon_days - BEYOND_DAYS else math.inf


def _all_shares(question: Question, grams: Sequence[float | None]) -> NDArray[np.float64]:
    """Return what each charge takes of one batch of each appliance: of its places, and of its grams where it says.

    A charge of unknown mass counts as an equal share; one too large for a day fills that day.
    """
    shares = np.zeros((len(grams), len(question.places), 2))
    for number, place in enumerate(question.places):
        tool = place.appliance
        shares[:, number, 0] = 1.0 / tool.batch_boxes
        if tool.batch_g is not None:
            each = np.array([g or tool.batch_g / tool.batch_boxes for g in grams]) / tool.batch_g
            shares[:, number, 1] = np.minimum(each, max(1, place.batches_a_day))
    return shares


def _moved_shares(question: Question, shares: NDArray[np.float64]) -> NDArray[np.float64]:
    moved = np.zeros((len(question.places), len(question.days), 2))
    for number, box in enumerate(question.boxes):
        on = question.decided.fixed.get(box.name)
        if on in question.days:
            moved[:, question.days.index(on)] += shares[number]
    return moved


def _groups(question: Question) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Return what may share a batch as groups: each lot joins the first group with which it may be mixed as a whole."""

    def name_of(beads: Beads | None) -> str:
        return beads.batch_name if beads else ""

    names = [name_of(box.planned.beads if box.planned else None) for box in question.boxes]
    spare_names = [name_of(kind.beads) for kind in question.spares]
    groups: list[list[str]] = []
    for name in sorted({*names, *spare_names}):
        fits = (g for g in groups if all(frozenset((name, other)) not in question.not_mixed for other in g))
        group = next(fits, None)
        if group is None:
            groups.append([name])
        else:
            group.append(name)
    of = {name: number for number, group in enumerate(groups) for name in group}
    return np.array([of[name] for name in names], dtype=int), np.array([of[name] for name in spare_names], dtype=int)
