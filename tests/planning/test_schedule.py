"""The integer program is held against every possible calendar of small cases."""

from __future__ import annotations

import subprocess
import sys
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.planning.schedule import cheapest_days, costs_of_days, expected_days, places_after
from monitor.planning.weights import PlanWeights

Case = tuple[np.ndarray, np.ndarray, np.ndarray, float, np.ndarray | None]


@st.composite
def small_cases(draw: st.DrawFn) -> Case:
    boxes, days = draw(st.integers(1, 4)), draw(st.integers(1, 4))
    price = st.integers(0, 60)
    costs = draw(st.lists(price, min_size=boxes * (days + 1), max_size=boxes * (days + 1)))
    grams = draw(st.lists(st.integers(1, 5), min_size=boxes, max_size=boxes))
    batch = [float(draw(st.integers(1, 3))), float(draw(st.integers(5, 8)))]
    loads = np.array([[1.0] * boxes, [float(gram) for gram in grams]])
    return (
        np.array(costs, dtype=float).reshape(boxes, days + 1),
        loads,
        np.array(batch),
        float(draw(st.integers(0, 30))),
        None,
    )


@st.composite
def constrained_cases(draw: st.DrawFn) -> Case:
    """A case with places that are forbidden, boxes that have one place only, and days that hold those in any case."""
    costs, loads, batch, oven_day, _ = draw(small_cases())
    boxes, places = costs.shape
    allowed = np.array(draw(st.lists(st.booleans(), min_size=costs.size, max_size=costs.size))).reshape(costs.shape)
    allowed[:, -1] = True
    moved = np.zeros((boxes, places - 1), dtype=bool)
    for box in range(boxes):
        if draw(st.booleans()):
            moved[box, draw(st.integers(0, places - 2))] = True
            allowed[box] = [*moved[box], False]
    return costs, loads, np.maximum(batch[:, np.newaxis], loads @ moved), oven_day, allowed


def price(chosen: tuple[int, ...], case: Case) -> float:
    """Return what a calendar costs, infinite where a batch overflows."""
    costs, loads, batch, oven_day, allowed = case
    days = costs.shape[1] - 1
    if allowed is not None and not all(allowed[box, place] for box, place in enumerate(chosen)):
        return float("inf")
    batch = np.broadcast_to(batch if batch.ndim > 1 else batch[:, np.newaxis], (len(batch), days))
    used = {place for place in chosen if place < days}
    for day in used:
        if np.any(loads[:, [place == day for place in chosen]].sum(axis=1) > batch[:, day]):
            return float("inf")
    return float(sum(costs[box, place] for box, place in enumerate(chosen))) + oven_day * len(used)


@given(case=small_cases() | constrained_cases())
@settings(max_examples=300, deadline=None)
def test_no_calendar_is_cheaper_than_the_one_chosen(case: Case) -> None:
    chosen = tuple(int(place) for place in cheapest_days(*case))
    boxes, places = case[0].shape
    cheapest = min(price(other, case) for other in product(range(places), repeat=boxes))
    assert np.isfinite(cheapest)
    assert price(chosen, case) == pytest.approx(cheapest)


def late_places(chosen: tuple[int, ...], after: np.ndarray) -> int:
    return int(sum(after[box, place] for box, place in enumerate(chosen)))


@given(
    medians=st.lists(st.integers(0, 40), min_size=1, max_size=4),
    places=st.integers(1, 3),
    off=st.sets(st.tuples(st.integers(0, 3), st.integers(0, 3)), max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_first_nobody_is_late_who_need_not_be_then_the_rest_costs_least(
    medians: list[int], places: int, off: set[tuple[int, int]]
) -> None:
    """Against every calendar: fewest places after the due day, and among those the least cost, days at the oven too."""
    weights, ahead = PlanWeights(), np.array([3, 10, 17, 24, 37])
    chances = [np.clip((np.arange(41) - median) / 8.0, 0.0, 1.0) for median in medians]
    due = np.array([float(np.argmax(over >= weights.due_chance)) if over[-1] >= 0.2 else np.inf for over in chances])
    costs = np.array([costs_of_days(over, ahead, weights) for over in chances])
    allowed = np.array([[(box, day) not in off for day in range(5)] for box in range(len(medians))])
    after = places_after(due, ahead, allowed)
    fee = weights.place_after_due(37.0)
    case = (np.ones((1, len(medians))), np.array([float(places)]), weights.oven_day, allowed)
    chosen = tuple(int(place) for place in cheapest_days(costs + fee * after, *case))
    calendars = [each for each in product(range(5), repeat=len(medians)) if price(each, (costs, *case)) < np.inf]
    fewest = min(late_places(each, after) for each in calendars)
    least = min(price(each, (costs, *case)) for each in calendars if late_places(each, after) == fewest)
    assert late_places(chosen, after) == fewest
    assert price(chosen, (costs, *case)) == pytest.approx(least)


def test_one_place_later_costs_more_than_all_it_could_save() -> None:
    """The dearest free place before: heated up for one box, weeks early."""
    weights, ahead = PlanWeights(), np.array([0, 59, 60, 67])
    late, early = expected_days(np.zeros(60), ahead)
    saved = (weights.oven_day + weights.early_day * early[0]) - (
        weights.late_day * late[2] + weights.early_day * early[2]
    )
    assert weights.place_after_due(67.0) > saved > 0.0


def test_the_solver_says_nothing_on_standard_output() -> None:
    """Answers in JSON are printed there; it would greet once a process."""
    question = "cheapest_days(np.array([[1.0, 2.0]]), np.ones((1, 1)), np.ones(1), 0.5)"
    script = f"import numpy as np; from monitor.planning.schedule import cheapest_days; print({question})"
    assert subprocess.run([sys.executable, "-c", script], capture_output=True, check=True).stdout == b"[0]\n"


def test_nothing_to_plan_is_an_empty_plan() -> None:
    assert len(cheapest_days(np.empty((0, 3)), np.empty((1, 0)), np.array([4.0]), 10.0)) == 0
    assert list(cheapest_days(np.ones((2, 1)), np.ones((1, 2)), np.array([4.0]), 10.0)) == [0, 0]


@given(
    steps=st.lists(st.floats(0.0, 1.0), min_size=61, max_size=120),
    ahead=st.integers(0, 59),
    late_day=st.floats(0.5, 5.0),
)
def test_cost_of_waiting_one_more_day(steps: list[float], ahead: int, late_day: float) -> None:
    """One day later pays a late day by its chance and saves an early one by the rest."""
    chances = np.maximum.accumulate(steps)
    weights = PlanWeights(late_day=late_day)
    costs = costs_of_days(chances, np.array([ahead, ahead + 1]), weights)
    over = chances[ahead]
    assert costs[1] - costs[0] == pytest.approx(late_day * over - weights.early_day * (1.0 - over), abs=1e-9)


def test_alone_and_without_the_oven_a_box_goes_in_at_the_critical_ratio() -> None:
    """The newsvendor rule (Arrow, Harris and Marschak 1951, from memory): stop waiting at early / (early + late)."""
    weights = PlanWeights()
    chances = np.linspace(0.0, 1.0, 61)
    costs = costs_of_days(chances, np.arange(61), weights)
    chosen = cheapest_days(costs[np.newaxis, :], np.ones((1, 1)), np.array([1.0]), 0.0)[0]
    assert chances[chosen - 1] <= weights.due_chance <= chances[chosen]


def test_forty_boxes_over_sixty_days_fit_into_full_batches() -> None:
    """A crowd on the same day: every batch within its places, and nobody who is over already is left out."""
    weights = PlanWeights()
    costs = np.tile(costs_of_days(np.ones(541), np.array([*range(5, 60, 7), 67]), weights), (24, 1))
    chosen = cheapest_days(costs, np.ones((1, 24)), np.array([4.0]), weights.oven_day)
    assert list(np.bincount(chosen, minlength=9)) == [4, 4, 4, 4, 4, 4, 0, 0, 0]
