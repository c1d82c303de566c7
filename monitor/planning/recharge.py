"""Forecasts → a calendar of recharge days for one appliance."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.planning.decisions import NOTHING_DECIDED, PlanConstraints, constraints_of
from monitor.planning.due import just_filled, what_to_do, why_over
from monitor.planning.reasons import why_left_out, why_on_this_day
from monitor.planning.schedule import cheapest_days, expected_days, places_after
from monitor.planning.urgency import worst_first
from monitor.planning.weights import PlanWeights
from monitor.records import BoxState, PlannedDay
from monitor.records.declared import PLAN_DAYS
from monitor.records.names import hint

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from monitor.records import Appliance, Assessment, CrossingForecast, PlanDecision

DAYS_A_WEEK = 7  # days, by definition
BEYOND_DAYS = 7
"""A box left out is thought to be dried so long after the plan's end; by then the plan has been made again (a
judgement)."""
_ROUNDING = 1e-9
"""So much more than a full batch is rounding. [batches] Judgement: a billionth of a batch is no bead."""


@dataclass(frozen=True, slots=True)
class RechargePlan:
    """The days worth heating up for, and why the other boxes are on none of them."""

    appliance: str
    days: tuple[PlannedDay, ...]
    left_out: Mapping[str, str] = field(default_factory=dict)
    """A sentence for each box without a day."""
    decided: PlanConstraints = NOTHING_DECIDED
    """What a person asked for; the plan keeps to it."""


def plan_recharges(
    assessments: Sequence[Assessment],
    appliance: Appliance,
    today: date,
    weekdays: Collection[int],
    *,
    decisions: Sequence[PlanDecision] = (),
    horizon_days: int = PLAN_DAYS,
    weights: PlanWeights | None = None,
) -> RechargePlan:
    """Return the cheapest calendar of recharge days from today on that keeps the decisions, each box at most once.

    ``today`` is the person's calendar day at the instant of the assessments; Monday is weekday 0. A day to which a
    person moved a box is open to the others, too, whatever its weekday. The order of the assessments changes
    nothing; the boxes of a day stand worst first, as on the shelf.

    Raises
    ------
    OutOfRangeError
        When there is no weekday to choose from, or a batch holds nothing.
    """
    decided = constraints_of(decisions, assessments, today)
    days = _allowed_days(today, weekdays, horizon_days, decided)
    by_name = sorted(assessments, key=lambda assessment: assessment.box.name)
    known = [(a, a.forecast) for a in by_name if a.forecast is not None and not _dries_still(a, decided)]
    weights = weights or PlanWeights()
    choice = _choose(known, appliance, days, decided, today=today, horizon_days=horizon_days, weights=weights)
    left_out = {a.box.name: _why_unknown(a) for a in by_name if a.forecast is None}
    left_out |= {a.box.name: f"{why_over(a)} Look again tomorrow." for a in by_name if _dries_still(a, decided)}
    left_out |= {
        a.box.name: why_left_out(a, f, today, horizon_days, decided)
        for (a, f), place in zip(known, choice.places, strict=True)
        if place == len(days)
    }
    order = {assessment.box.name: place for place, assessment in enumerate(worst_first(assessments))}
    planned = (
        _day(on, appliance, today, sorted(there, key=lambda one: order[one.assessment.box.name]), decided)
        for place, on in enumerate(days)
        if (there := choice.on(place))
    )
    return RechargePlan(appliance.name, tuple(planned), left_out, decided)


def _dries_still(assessment: Assessment, decided: PlanConstraints) -> bool:
    """Return whether a box is over its limit with beads that had no time to dry its air, and nobody wants it dried."""
    over = assessment.forecast is not None and assessment.state is BoxState.over_limit
    return over and just_filled(assessment) and assessment.box.name not in decided.fixed


@dataclass(frozen=True, slots=True)
class _Placed:
    """One box on its day."""

    assessment: Assessment
    forecast: CrossingForecast
    best: date | None
    """The day it would have had to itself."""
    best_is_full: bool
    """Whether that day has no room for it any more."""
    late_days: float
    early_days: float
    shares: NDArray[np.float64]
    """Of a batch: of its places, of its grams."""


@dataclass(frozen=True, slots=True)
class _Choice:
    """The place of each box among the days; the place after the last day means left out."""

    known: Sequence[tuple[Assessment, CrossingForecast]]
    days: Sequence[date]
    places: NDArray[np.int_]
    alone: NDArray[np.int_]
    late_days: NDArray[np.float64]
    early_days: NDArray[np.float64]
    shares: NDArray[np.float64]

    def on(self, place: int) -> list[_Placed]:
        """Return the boxes of one day."""
        return [self._placed(int(i), place) for i in np.flatnonzero(self.places == place)]

    def _placed(self, i: int, place: int) -> _Placed:
        best = self.days[self.alone[i]] if self.alone[i] < len(self.days) else None
        late, early = float(self.late_days[i, place]), float(self.early_days[i, place])
        return _Placed(*self.known[i], best, self._has_no_room(i, int(self.alone[i])), late, early, self.shares[:, i])

    def _has_no_room(self, i: int, place: int) -> bool:
        if place == self.places[i] or place == len(self.days):
            return False
        there = self.shares[:, self.places == place].sum(axis=1)
        return bool(np.any(there + self.shares[:, i] > 1.0 + _ROUNDING))


def _choose(
    known: Sequence[tuple[Assessment, CrossingForecast]],
    appliance: Appliance,
    days: Sequence[date],
    decided: PlanConstraints,
    *,
    today: date,
    horizon_days: int,
    weights: PlanWeights,
) -> _Choice:
    ahead = np.array([*((on - today).days for on in days), horizon_days + BEYOND_DAYS])
    expected = np.array([expected_days(np.asarray(f.chance_by_day), ahead) for _, f in known])
    late, early = expected.reshape(len(known), 2, len(ahead)).swapaxes(0, 1)
    costs = weights.late_day * late + weights.early_day * early
    allowed = _allowed_places([assessment.box.name for assessment, _ in known], days, decided)
    due = np.array([_due_ahead(assessment, horizon_days) for assessment, _ in known])
    costs += weights.place_after_due(float(ahead[-1])) * places_after(due, ahead, allowed)
    loads, batch = _loads([assessment for assessment, _ in known], appliance)
    places = cheapest_days(costs, loads, _with_room_for_moved(loads, batch, allowed), weights.oven_day, allowed)
    alone = _best_alone(np.where(allowed, costs, np.inf), weights.oven_day)
    return _Choice(known, days, places, alone, late, early, loads / batch[:, np.newaxis])


def _due_ahead(assessment: Assessment, horizon_days: int) -> float:
    """Return in how many days a box is due; never where that is so near the plan's end that the next plan takes it."""
    if assessment.due_at is None:
        return math.inf
    ahead = (assessment.due_at - assessment.as_of) / timedelta(days=1)
    return ahead if ahead <= horizon_days - BEYOND_DAYS else math.inf


def _allowed_days(today: date, weekdays: Collection[int], horizon_days: int, decided: PlanConstraints) -> list[date]:
    if not weekdays or not set(weekdays) <= set(range(DAYS_A_WEEK)):
        raise OutOfRangeError(f"weekdays to plan for are {sorted(weekdays)}; name one to seven, Monday 0 to Sunday 6")
    days = [today + timedelta(days=ahead) for ahead in range(horizon_days + 1)]
    moved_to = set(decided.fixed.values())
    return [on for on in days if on in moved_to or (on.weekday() in weekdays and on not in decided.days_off)]


def _allowed_places(boxes: Sequence[str], days: Sequence[date], decided: PlanConstraints) -> NDArray[np.bool_]:
    """Return which of the days each box may get; left out may be every box but one that was moved to one of them."""
    rows = [[*(decided.may_dry(box, on) for on in days), decided.fixed.get(box) not in days] for box in boxes]
    return np.array(rows, dtype=bool).reshape(len(boxes), len(days) + 1)


def _with_room_for_moved(
    loads: NDArray[np.float64], batch: NDArray[np.float64], allowed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what each day holds of each measure: one batch, or more where a person moved more than that to it."""
    moved = allowed & (allowed.sum(axis=1) == 1)[:, np.newaxis] & ~allowed[:, -1:]
    room: NDArray[np.float64] = np.maximum(batch[:, np.newaxis], loads @ moved[:, :-1])
    return room


def _loads(assessments: Sequence[Assessment], appliance: Appliance) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what each box takes of a batch, and what the batch holds: places, and grams where the appliance says.

    A charge of unknown mass counts as an equal share; one too large for a batch fills a batch of its own.
    """
    if appliance.batch_boxes < 1:
        raise OutOfRangeError(f"appliance '{appliance.name}' takes {appliance.batch_boxes} boxes a batch; at least 1")
    places = np.ones(len(assessments))
    if appliance.batch_g is None:
        return places[np.newaxis, :], np.array([float(appliance.batch_boxes)])
    share_g = appliance.batch_g / appliance.batch_boxes
    grams = [(a.charge.dry_mass_g or a.charge.mass_g or share_g) if a.charge else share_g for a in assessments]
    return (
        np.stack([places, np.minimum(grams, appliance.batch_g)]),
        np.array([float(appliance.batch_boxes), appliance.batch_g]),
    )


def _best_alone(costs: NDArray[np.float64], oven_day: float) -> NDArray[np.int_]:
    """Return the day each box would get if it were the only one."""
    own = costs.copy()
    own[:, :-1] += oven_day
    best: NDArray[np.int_] = np.argmin(own, axis=1)
    return best


def _day(on: date, appliance: Appliance, today: date, there: Sequence[_Placed], decided: PlanConstraints) -> PlannedDay:
    names = [placed.assessment.box.name for placed in there]
    reasons = {
        placed.assessment.box.name: why_on_this_day(
            placed.assessment,
            placed.forecast,
            today=today,
            on=on,
            best=placed.best,
            best_is_full=placed.best_is_full,
            company=[name for name in names if name != placed.assessment.box.name],
            decided=decided,
        )
        for placed in there
    }
    return PlannedDay(
        on,
        appliance.name,
        tuple(names),
        reasons,
        moved=tuple(name for name in names if name in decided.fixed),
        late_days=dict(zip(names, (placed.late_days for placed in there), strict=True)),
        early_days=dict(zip(names, (placed.early_days for placed in there), strict=True)),
        batches=_batches(there),
    )


def _batches(there: Sequence[_Placed]) -> int:
    """Return how often the appliance has to be filled at least."""
    fullest = float(np.max(sum(placed.shares for placed in there)))
    return max(1, math.ceil(fullest - _ROUNDING))


def _why_unknown(assessment: Assessment) -> str:
    if assessment.state is BoxState.undeclared:
        return f"It is not in shelf.toml. {hint('adopt', assessment.box.name)} adds it."
    why = "There is no forecast."
    if assessment.refusal:
        why += f" {assessment.refusal[0].upper()}{assessment.refusal[1:]}."
    if assessment.state is not BoxState.over_limit:
        return why
    return f"It is over its limit: {what_to_do(assessment)}. {why}"
