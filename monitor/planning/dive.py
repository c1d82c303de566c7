"""From the linear program to a plan: step by step what is nearly chosen is chosen, and the rest priced anew."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.columns import cheapest_paths, master_of
from monitor.planning.exact import around, room_of
from monitor.planning.insertion import Plans
from monitor.planning.search import Search
from monitor.records.plan_input import MANY_BOXES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.planning.columns import Master
    from monitor.planning.visits import Chosen, Path, VisitProblem

BOUND_GAP = 5e-3
"""The linear program is solved to this share of its cost. Judgement: a tenth of what plans lie above the bound."""
STEP_GAP = 5e-2
"""The same within a step of the dive. Judgement: steps are many, only the plan in the end counts, and made-up shelves
of 20 and 40 boxes got cheaper plans by it in a fifth of the time (`tests/bench/planner.py`)."""
_WHOLE = 1e-6
"""So near to a whole number is one. [share of one] Judgement: the solver's own tolerance."""
_AT_ONCE = 0.1
"""The share of what is open that is chosen in a step of a plan of many boxes. Judgement: plans of the largest shelves
take 20 seconds."""
_PATIENCE = 4.0
"""Where days are full, rounding may take so many times the work of the bound. Judgement: it took 0.9 to 3.4 times as
much where it found the cheapest plan."""
_LITTLE_WORK = 1e6
"""And so much in any case: rows in steps of the simplex method. Judgement: a fifth of a second."""
_LAST = 3
"""So many of the plans found have their drying chosen exactly. Judgement: they differ by less than a point."""
_PASSES = 3
"""So often all boxes are put in anew. Judgement: later passes hardly change a thing."""
_LINK_ROUNDS = 20
"""So often what ties visits to days is looked through for what is broken. Judgement: six were enough in every trial."""


def solve_by_columns(problem: VisitProblem) -> Chosen:
    """Return a good plan and a bound that no plan goes below.

    Notes
    -----
    A path of visits is a column; the cheapest new path of every box is found under the prices of days, batches and
    spare charges (dynamic programming over its days). The linear program over all paths is the bound. From there days,
    then batches, then paths are rounded, with new paths after each step: good where days are full. From there, and
    from days evenly spaced, other days are searched through: good where they are not. When which charge is dried is
    exact again.
    """
    bound, found = _found(problem)
    chosen: Chosen | None = None
    for paths in found:
        chosen = _cheaper(chosen, around(problem, paths, bound))
    return chosen or _without_spares(problem, bound)


def _found(problem: VisitProblem) -> tuple[float, list[list[Path]]]:
    """Return the bound, and the best plans found, as paths: their spare charges are not yet dried."""
    master = master_of(problem)
    for times in (0.0, 0.5, 1.0, 2.0):
        master.add(cheapest_paths(problem.first, problem.later, times * _first_prices(problem))[0])
    bound, values = _bounded(master)
    if problem.boxes >= MANY_BOXES:
        dived = _dived(master, values)
        assert dived is not None
        del master  # as large as all that the search takes
        search = Search(problem)
        plans = search.best(search.of(dived), kept=1, rounds=0)
    else:
        search = Search(problem)
        plans = search.best(search.begun())
        master.most_work = master.work + max(_LITTLE_WORK, _PATIENCE * master.work if plans.crowded(0) else 0.0)
        dived = _dived(master, values)
    found = [[plans.path(plan, box) for box in range(problem.boxes)] for plan in range(min(_LAST, len(plans)))]
    return bound, found if dived is None else [*found, dived]


def _bounded(master: Master) -> tuple[float, NDArray[np.float64]]:
    """Return the bound of the linear program, and its values."""
    _, bound, values = master.improve(BOUND_GAP)
    for _ in range(_LINK_ROUNDS):
        if not master.add_links(values):
            break
        _, better, values = master.improve(BOUND_GAP)
        bound = max(bound, better)
    return bound, values


def _dived(master: Master, values: NDArray[np.float64]) -> list[Path] | None:
    """Return the paths that rounding leads to; None where it takes more work than it may."""
    for columns in (master.shared.day, master.shared.batch):
        values = _round(master, columns.ravel(), values)
    if master.is_tired:
        return None
    master.release(master.shared.day, master.shared.batch)
    paths = _settled(master, values)
    return None if master.is_tired else paths


def _without_spares(problem: VisitProblem, bound: float) -> Chosen:
    """Return a plan that leaves the spare charges alone: where whole charges don't fit as parts of them did."""
    later = problem.later.copy()
    later[:, problem.appliances :] = np.inf
    return replace(solve_by_columns(replace(problem, later=later)), bound=bound)


def _cheaper(some: Chosen | None, other: Chosen | None) -> Chosen | None:
    return min((one for one in (some, other) if one is not None), key=lambda one: one.cost, default=None)


def _first_prices(problem: VisitProblem) -> NDArray[np.float64]:
    """Return a visit's share of the heating, as if all batches were full. (boxes × ways × days)"""
    boxes, ways, days, _ = problem.later.shape
    prices = np.zeros((boxes, ways, days))
    room = room_of(problem)
    each = problem.heating / np.maximum(room, 1) + problem.batch_cost[:, None]
    nowhere = 1e6  # points; judgement: dearer than anything
    prices[:, : problem.appliances] = problem.shares.max(axis=2)[:, :, None] * np.where(room > 0, each, nowhere)
    return prices


def _round(master: Master, columns: NDArray[np.int_], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values where these unknowns are whole, the nearest to the next whole number first."""
    most = np.asarray(master.solver.getLp().col_upper_)
    least = np.zeros(len(most))
    while not master.is_tired and (part := columns[np.abs(values[columns] - np.rint(values[columns])) > _WHOLE]).size:
        above = values[part] - np.floor(values[part])
        order = np.argsort(-above, kind="stable")
        up = above[order[0]] >= 0.5  # judgement: the nearer whole number
        some = part[order[: _steps(master, len(part))] if up else order[-_steps(master, len(part)) :]]
        some = some[(values[some] - np.floor(values[some]) >= 0.5) == up]
        if up:
            least[some] = np.ceil(values[some])
        else:
            most[some] = np.floor(values[some])
        master.fix(some, least[some], most[some])
        _, _, values = master.improve(STEP_GAP)
    return values


def _settled(master: Master, values: NDArray[np.float64]) -> list[Path]:
    """Return the path of each box, what is chosen most first; boxes whose paths don't fit any more come last."""
    left = np.zeros(master.problem.boxes, bool)
    while not master.is_tired:
        weight, boxes = values[master.fixed_columns :], np.concatenate(master.boxes)
        part = np.flatnonzero((weight > _WHOLE) & (weight < 1.0 - _WHOLE) & ~left[boxes])
        if not part.size:
            break
        best = part[np.argsort(-weight[part], kind="stable")]
        best = best[np.sort(np.unique(boxes[best], return_index=True)[1])][: _steps(master, len(part))]
        if not _fixed(master, best):
            best = best[:1]
            if not _fixed(master, best):
                left[boxes[best]] = True
        master.settled[boxes[best]] = True
        _, _, values = master.improve(STEP_GAP)
    return _placed(master, values, left)


def _fixed(master: Master, paths: NDArray[np.int_]) -> bool:
    """Choose these paths, and return whether all still fits; where not, nothing is chosen."""
    columns, ones = paths + master.fixed_columns, np.ones(len(paths))
    master.fix(columns, ones, ones)
    if np.isfinite(master.solve()[0]):
        return True
    master.fix(columns, 0.0 * ones, ones)
    return False


def _placed(master: Master, values: NDArray[np.float64], left: NDArray[np.bool_]) -> list[Path]:
    """Return the path of each box; those that are left get what still fits, and then each box is put in anew.

    Boxes that swap keep their paths: which charge is dried when is chosen in the end.
    """
    taken = np.flatnonzero(values[master.fixed_columns :] > 0.5)  # judgement: halfway between no and yes
    boxes, ways = np.concatenate(master.boxes)[taken], np.concatenate(master.ways)[taken]
    chosen: dict[int, Path] = {
        box: tuple((int(day), int(row[day])) for day in np.flatnonzero(row >= 0))
        for box, row in zip(boxes.tolist(), ways, strict=True)
        if not left[box]
    }
    own = _without_swaps(master.problem)
    swapping = {box for box, path in chosen.items() if any(way >= own.appliances for _, way in path)}
    plan = Plans.empty(own, 1)
    for box in range(own.boxes):
        plan.take(box, tuple((day, way) for day, way in chosen.get(box, ()) if way < own.appliances))
    plan.turn(box for box in range(own.boxes) if box not in chosen)
    others = [box for box in range(own.boxes) if box not in swapping]
    for _ in range(_PASSES):
        before = plan.ways.copy()
        plan.turn(others)
        if np.array_equal(plan.ways, before):
            break
    return [chosen[box] if box in swapping else plan.path(0, box) for box in range(own.boxes)]


def _without_swaps(problem: VisitProblem) -> VisitProblem:
    """Return a problem whose spare charges are left as they are: their drying is chosen in the end."""
    none = slice(0, 0)
    return replace(
        problem,
        later=problem.later[:, : problem.appliances],
        spare_counts=problem.spare_counts[none],
        spare_wet=problem.spare_wet[none],
        spare_shares=problem.spare_shares[none],
        spare_groups=problem.spare_groups[none],
    )


def _steps(master: Master, open_ones: int) -> int:
    return 1 if master.problem.boxes < MANY_BOXES else max(1, int(_AT_ONCE * open_ones))
