"""Forecasts → a calendar of recharge days for one appliance."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.planning.due import what_to_do
from monitor.planning.reasons import why_left_out, why_on_this_day
from monitor.planning.schedule import cheapest_days, costs_of_days
from monitor.planning.weights import PlanWeights
from monitor.records import BoxState, PlannedDay
from monitor.records.declared import PLAN_DAYS
from monitor.records.names import hint

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from monitor.records import Appliance, Assessment, CrossingForecast

DAYS_A_WEEK = 7  # days, by definition
BEYOND_DAYS = 7
"""A box left out is thought to be dried so long after the plan's end; by then the plan has been made again (a
judgement)."""


@dataclass(frozen=True, slots=True)
class RechargePlan:
    """The days worth heating up for, and why the other boxes are on none of them."""

    appliance: str
    days: tuple[PlannedDay, ...]
    left_out: Mapping[str, str] = field(default_factory=dict)
    """A sentence for each box without a day."""


def plan_recharges(
    assessments: Sequence[Assessment],
    appliance: Appliance,
    today: date,
    weekdays: Collection[int],
    *,
    horizon_days: int = PLAN_DAYS,
    weights: PlanWeights | None = None,
) -> RechargePlan:
    """Return the cheapest calendar of recharge days from today on, each box at most once.

    ``today`` is the person's calendar day at the instant of the assessments; Monday is weekday 0.

    Raises
    ------
    OutOfRangeError
        When there is no weekday to choose from, or a batch holds nothing.
    """
    weights = weights or PlanWeights()
    days = _allowed_days(today, weekdays, horizon_days)
    known = [(assessment, assessment.forecast) for assessment in assessments if assessment.forecast is not None]
    ahead = np.array([*((on - today).days for on in days), horizon_days + BEYOND_DAYS])
    costs = np.array([costs_of_days(np.asarray(f.chance_by_day), ahead, weights) for _, f in known])
    costs = costs.reshape(len(known), len(ahead))
    chosen = cheapest_days(costs, *_loads([assessment for assessment, _ in known], appliance), weights.oven_day)
    alone = _best_alone(costs, weights.oven_day)
    left_out = {a.box.name: _why_unknown(a) for a in assessments if a.forecast is None}
    left_out |= {
        a.box.name: why_left_out(a, f, today, horizon_days)
        for (a, f), place in zip(known, chosen, strict=True)
        if place == len(days)
    }
    planned = tuple(
        _day(on, appliance, today, [(*known[i], days[alone[i]] if alone[i] < len(days) else None) for i in there])
        for place, on in enumerate(days)
        if len(there := np.flatnonzero(chosen == place))
    )
    return RechargePlan(appliance.name, planned, left_out)


def _allowed_days(today: date, weekdays: Collection[int], horizon_days: int) -> list[date]:
    if not weekdays or not set(weekdays) <= set(range(DAYS_A_WEEK)):
        raise OutOfRangeError(f"weekdays to plan for are {sorted(weekdays)}; name one to seven, Monday 0 to Sunday 6")
    days = [today + timedelta(days=ahead) for ahead in range(horizon_days + 1)]
    return [on for on in days if on.weekday() in weekdays]


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


def _day(
    on: date,
    appliance: Appliance,
    today: date,
    there: Sequence[tuple[Assessment, CrossingForecast, date | None]],
) -> PlannedDay:
    names = [assessment.box.name for assessment, _, _ in there]
    reasons = {
        a.box.name: why_on_this_day(
            a, f, today=today, on=on, best=best, company=[name for name in names if name != a.box.name]
        )
        for a, f, best in there
    }
    return PlannedDay(on, appliance.name, tuple(names), reasons)


def _why_unknown(assessment: Assessment) -> str:
    if assessment.state is BoxState.undeclared:
        return f"It is not in shelf.toml. {hint('adopt', assessment.box.name)} adds it."
    why = "There is no forecast."
    if assessment.refusal:
        why += f" {assessment.refusal[0].upper()}{assessment.refusal[1:]}."
    if assessment.state is not BoxState.over_limit:
        return why
    return f"It is over its limit: {what_to_do(assessment)}. {why}"
