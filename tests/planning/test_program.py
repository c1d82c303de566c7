"""The plan of visits is held against every combination there is, counted as plainly as can be."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from itertools import combinations, combinations_with_replacement, product

import numpy as np
import pytest

from monitor.planning import program
from monitor.planning.dive import solve_by_columns
from monitor.planning.exact import solve_exactly
from monitor.planning.solve import solve
from monitor.planning.visits import Chosen, VisitProblem, expected_late, late_and_early, over_chances, places_after
from monitor.planning.weights import WEIGHTS

NEVER = float("inf")


def small_case(seed: int) -> VisitProblem:
    """Up to three boxes, three days, two appliances and a kind of spare charges, with all that can be asked."""
    draw = np.random.default_rng(seed)
    boxes, days, appliances, kinds = [
        (1, 3, 2, 1),
        (2, 2, 2, 1),
        (2, 3, 1, 0),
        (3, 2, 1, 1),
        (3, 2, 2, 0),
        (2, 2, 1, 1),
    ][seed % 6]
    ways = appliances + kinds
    first = draw.integers(0, 40, (boxes, days + 1)).astype(float)
    later = draw.integers(0, 40, (boxes, ways, days, days + 1)).astype(float)
    later[:, :, np.arange(days)[:, None] >= np.arange(days + 1)] = NEVER
    later[draw.random((boxes, ways, days)) < 0.15] = NEVER
    shares = np.stack([np.full((boxes, appliances), 0.5), draw.choice([0.25, 0.5, 0.75], (boxes, appliances))], axis=2)
    batches = draw.integers(0, 3, (appliances, days))
    moved = np.zeros((appliances, days, 2))
    if draw.random() < 0.3:  # a box that was moved to a day
        box, day = int(draw.integers(boxes)), int(draw.integers(days))
        first[box, np.arange(days + 1) != day] = NEVER
        later[box, :appliances, day] = np.where(
            np.isfinite(later[box, :appliances, day]), later[box, :appliances, day], 9.0
        )
        later[box, :, day, : day + 1] = NEVER
        moved[:, day] = shares[box]
    return VisitProblem(
        days_ahead=np.arange(days) * 7,
        first=first,
        later=later,
        shares=shares,
        batches=batches,
        heating=draw.integers(0, 25, (appliances, days)).astype(float),
        batch_cost=draw.integers(0, 8, appliances).astype(float),
        groups=draw.integers(0, 2, boxes),
        moved_shares=moved,
        spare_counts=draw.integers(0, 2, kinds),
        spare_wet=draw.integers(0, 2, kinds),
        spare_shares=np.full((kinds, appliances, 2), 0.5),
        spare_groups=draw.integers(0, 2, kinds),
        swap_cost=0.5,
        wet_cost=float(draw.integers(0, 6)),
    )  # fmt: skip


def all_paths(case: VisitProblem, box: int) -> list[tuple[float, tuple[tuple[int, int], ...]]]:
    """Return every series of visits of a box with what its waits cost."""
    days = len(case.days_ahead)
    found = []
    for count in range(days + 1):
        for places in combinations(range(days), count):
            for ways in product(range(case.ways), repeat=count):
                cost = case.first[box, places[0] if places else days]
                for number, way in enumerate(ways):
                    onward = places[number + 1] if number + 1 < count else days
                    cost += case.later[box, way, places[number], onward]
                    cost += case.swap_cost if way >= case.appliances else 0.0
                if cost < NEVER:
                    found.append((float(cost), tuple(zip(places, ways, strict=True))))
    return found


def cost_of_day(case: VisitProblem, a: int, d: int, loads: list[tuple[int, np.ndarray]]) -> float:
    """Return what an appliance's day costs with these charges in it, as (group, shares)."""
    if not loads:
        return 0.0
    total = sum(share for _, share in loads)
    most = np.maximum(case.batches[a, d], case.moved_shares[a, d])
    if np.any(total > most + 1e-9):
        return NEVER
    batches = 0
    for group in {group for group, _ in loads}:
        batches += int(np.ceil(np.max(sum(share for g, share in loads if g == group)) - 1e-9))
    room = max(case.batches[a, d], int(np.ceil(case.moved_shares[a, d].max() - 1e-9)))
    if batches > room:
        return NEVER
    return float(case.heating[a, d] + case.batch_cost[a] * batches)


def spare_loads(case: VisitProblem, a: int, count: int) -> list[tuple[int, np.ndarray]]:
    return [(int(case.spare_groups[0]), case.spare_shares[0, a]) for _ in range(count)]


def cost_of_spares(case: VisitProblem, swaps: list[int], dried: list[tuple[int, int]]) -> float:
    """Return what is owed in the end; never, where a spare is used that isn't dry, or dried that isn't wet."""
    if not len(case.spare_counts):
        return 0.0
    dry, wet = int(case.spare_counts[0]), int(case.spare_wet[0])
    for day in range(len(case.days_ahead)):
        out = swaps.count(day)
        dry, wet = dry - out, wet + out
        done = sum(d == day for _, d in dried)
        if dry < 0 or done > wet:
            return NEVER
        dry, wet = dry + done, wet - done
    return wet * case.wet_cost


def cheapest_of_all(case: VisitProblem) -> float:
    """Return the least cost over all paths of all boxes and all ways to dry what was taken out."""
    days = len(case.days_ahead)
    slots = [(a, d) for a in range(case.appliances) for d in range(days)]
    known: dict[object, float] = {}
    best = NEVER
    for paths in product(*(all_paths(case, box) for box in range(case.boxes))):
        waits = sum(cost for cost, _ in paths)
        if waits >= best:
            continue
        visits = [(box, d, way) for box, (_, path) in enumerate(paths) for d, way in path]
        swaps = sorted(d for _, d, way in visits if way >= case.appliances)
        own = tuple((box, d, way) for box, d, way in visits if way < case.appliances)
        key = (own, tuple(swaps))
        if key not in known:
            known[key] = cheapest_shared(case, own, swaps, slots)
        best = min(best, waits + known[key])
    return best


def cheapest_shared(
    case: VisitProblem, own: tuple[tuple[int, int, int], ...], swaps: list[int], slots: list[tuple[int, int]]
) -> float:
    most = len(swaps) + int(case.spare_wet.sum())
    best = NEVER
    for count in range(most + 1):
        for dried in combinations_with_replacement(slots, count):
            owed = cost_of_spares(case, swaps, list(dried))
            if owed >= best:
                continue
            days = 0.0
            for a, d in slots:
                loads = [(int(case.groups[box]), case.shares[box, a]) for box, day, way in own if (way, day) == (a, d)]
                loads += spare_loads(case, a, list(dried).count((a, d)))
                days += cost_of_day(case, a, d, loads)
            best = min(best, owed + days)
    return best


def cost_of(case: VisitProblem, chosen: Chosen) -> float:
    """Return what a chosen plan costs, counted as all others are."""
    visits = [(box, d, way) for box, path in enumerate(chosen.visits) for d, way in path]
    waits = 0.0
    for box, path in enumerate(chosen.visits):
        waits += next(cost for cost, other in all_paths(case, box) if other == path)
    dried = [(a, d) for _, a, d in np.argwhere(chosen.spares_dried) for _ in range(chosen.spares_dried[0, a, d])]
    swaps = sorted(d for _, d, way in visits if way >= case.appliances)
    days = 0.0
    for a in range(case.appliances):
        for d in range(len(case.days_ahead)):
            loads = [(int(case.groups[box]), case.shares[box, a]) for box, day, way in visits if (way, day) == (a, d)]
            loads += spare_loads(case, a, dried.count((a, d)))
            days += cost_of_day(case, a, d, loads)
    return waits + days + cost_of_spares(case, swaps, dried)


def test_no_combination_is_cheaper_than_the_plan() -> None:
    """Three hundred cases: appliances, batches, lots apart, spare charges, second and third visits, moved boxes."""
    for seed in range(300):
        case = small_case(seed)
        chosen = solve_exactly(case)
        least = cheapest_of_all(case)
        assert chosen.cost == pytest.approx(least, abs=1e-5), seed
        assert cost_of(case, chosen) == pytest.approx(least, abs=1e-5), seed


def test_a_plan_by_columns_is_a_plan_and_its_bound_holds() -> None:
    """Small cases, where the cheapest is known: what is said of the gap is true."""
    for seed in range(60):
        case = small_case(seed)
        chosen, least = solve_by_columns(case), solve_exactly(case).cost
        assert chosen.bound <= least + 1e-5, seed
        assert least <= chosen.cost + 1e-5, seed
        assert cost_of(case, chosen) == pytest.approx(chosen.cost, abs=1e-5), seed


def test_a_plan_that_is_whole_at_once_is_the_one_that_a_search_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    at_once = [solve_exactly(small_case(seed)) for seed in range(24)]
    found: list[bool] = []
    ask = program._whole_at_once
    monkeypatch.setattr(program, "_whole_at_once", lambda *asked: found.append(ask(*asked) is not None))
    for seed, chosen in enumerate(at_once):
        searched = solve_exactly(small_case(seed))
        assert chosen.cost == pytest.approx(searched.cost, abs=1e-6), seed
        assert chosen.bound == pytest.approx(searched.bound, abs=1e-6), seed
    assert 0 < sum(found) < len(found), "both ways were taken"


def test_nothing_to_plan_is_an_empty_plan() -> None:
    case = small_case(0)
    nobody = replace(case, first=case.first[:0], later=case.later[:0], shares=case.shares[:0], groups=case.groups[:0])
    assert solve(nobody).visits == ()


def test_the_solver_says_nothing_on_standard_output() -> None:
    """Answers in JSON are printed there; it would greet once a process."""
    script = (
        "from monitor.planning.program import Program\n"
        "program = Program()\n"
        "x = program.add_columns([-1.0], whole=True)\n"
        "program.add_rows(0.0, 0.5, (0, x, 1.0), count=1)\n"
        "print(abs(program.solved().values))"
    )
    assert subprocess.run([sys.executable, "-c", script], capture_output=True, check=True).stdout == b"[0.]\n"


def test_chances_are_shares_of_draws() -> None:
    held = np.array([[0, 2, 2, 9], [9, 9, 9, 9]], dtype=np.int16)
    assert over_chances(held, 4) == pytest.approx(np.array([[0.25, 0.25, 0.75, 0.75], [0.0, 0.0, 0.0, 0.0]]))


def test_days_over_and_days_given_away_are_means_over_draws() -> None:
    """From the definition: each draw is late by what it waits too long, early by what it would still have held."""
    held, ahead, end = np.array([3, 8, 30], dtype=np.int16), np.array([2, 5, 10]), 12
    late, early = late_and_early(over_chances(held, end), 2, ahead, end)
    for place, day in enumerate(ahead):
        assert late[place] == pytest.approx(np.mean([max(0, day - 2 - each) for each in held]))
        assert early[place] == pytest.approx(np.mean([max(0, min(each, end - 2) - (day - 2)) for each in held]))


def test_one_place_later_costs_more_than_all_it_could_save() -> None:
    """The dearest free place before: heated up for one box, weeks early."""
    ahead = np.array([0, 59, 60, 67])
    late, early = late_and_early(np.zeros(67), 0, ahead, 67)
    saved = (WEIGHTS.oven_day + WEIGHTS.early_day * early[0]) - (
        WEIGHTS.late_day * late[2] + WEIGHTS.early_day * early[2]
    )
    assert WEIGHTS.place_after_due(67.0) > saved > 0.0


def test_alone_and_without_the_oven_a_box_goes_in_at_the_critical_ratio() -> None:
    """The newsvendor rule (Arrow, Harris and Marschak 1951, from memory): stop waiting at early / (early + late)."""
    chances = np.linspace(0.0, 1.0, 61)
    late, early = late_and_early(chances, 0, np.arange(61), 61)
    chosen = int(np.argmin(WEIGHTS.late_day * late + WEIGHTS.early_day * early))
    assert chances[chosen - 1] <= WEIGHTS.due_chance <= chances[chosen]


def test_places_after_its_own_are_counted_by_days_a_box_may_get() -> None:
    allowed = np.array([[True, True, True, True], [False, False, True, True]])
    after = places_after(np.array([8.0, 3.0]), np.array([0, 7, 14, 21]), allowed)
    assert after.tolist() == [[0, 0, 1, 2], [0, 0, 0, 1]]


def test_late_days_add_up() -> None:
    assert expected_late(np.array([0.0, 0.5, 1.0])) == pytest.approx([0.0, 0.0, 0.5, 1.5])
