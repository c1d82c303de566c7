"""Large plans by column generation: whole paths of boxes priced by what the shared days are worth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.planning.exact import Shared, add_shared, visit_entries
from monitor.planning.program import Program, silent_solver

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.planning.visits import VisitProblem


_NO_PATH = 100.0
"""A box without a path costs so many times what its dearest waits and a day everywhere do. [ratio] Judgement: more than
any path."""
_VIOLATED = 1e-6
"""So much more of a visit than of its day is no rounding. Judgement: above what the solver takes for kept."""

_DUAL, _PRIMAL = 1, 4  # [-], by definition: values of HiGHS's option simplex_strategy


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """One path for each of some boxes."""

    box: NDArray[np.int_]
    ways: NDArray[np.int_]
    """Way of the visit on each day, -1 where there is none. (paths × days)"""
    costs: NDArray[np.float64]
    """Without what is shared. [points]"""


def cheapest_paths(
    first: NDArray[np.float64], later: NDArray[np.float64], prices: NDArray[np.float64]
) -> tuple[Paths, NDArray[np.float64], NDArray[np.float64]]:
    """Return the cheapest path of each box where each visit costs its price, and what it costs from each day on.

    Parameters
    ----------
    first, later : ndarray
        As in a ``VisitProblem``.
    prices : ndarray, boxes × ways × days
        What the shared days charge for each visit.

    Returns
    -------
    paths : Paths
    costs : ndarray, boxes
        With prices.
    onward : ndarray, boxes × (days + 1)
        What it costs from a day on on which the box is visited, in the cheapest way; last, 0.
    """
    boxes, _, days, _ = later.shape
    onward, way_on = np.zeros((boxes, days + 1)), np.zeros((boxes, days), dtype=int)
    next_on = np.zeros((boxes, days), dtype=int)
    each = np.arange(boxes)
    for day in range(days - 1, -1, -1):
        waits = later[:, :, day, day + 1 :] + onward[:, None, day + 1 :]
        place = np.argmin(waits, axis=2)
        in_way = np.take_along_axis(waits, place[:, :, None], axis=2)[:, :, 0] + prices[:, :, day]
        best = np.argmin(in_way, axis=1)
        onward[:, day], way_on[:, day] = in_way[each, best], best
        next_on[:, day] = place[each, best] + day + 1
    starts = first + onward
    at = np.argmin(starts, axis=1)
    costs = starts[each, at]
    return _walked(first, later, way_on, next_on, at), costs, onward


def _walked(
    first: NDArray[np.float64],
    later: NDArray[np.float64],
    way_on: NDArray[np.int_],
    next_on: NDArray[np.int_],
    at: NDArray[np.int_],
) -> Paths:
    boxes, days = way_on.shape
    each, ways = np.arange(boxes), np.full((boxes, days), -1)
    costs, place = first[each, at], at.copy()
    while (going := np.flatnonzero(place < days)).size:
        here = place[going]
        ways[going, here] = way_on[going, here]
        place[going] = next_on[going, here]
        costs[going] += later[going, way_on[going, here], here, place[going]]
    return Paths(each, ways, costs)


@dataclass(slots=True)
class Master:
    """The linear program over the paths found so far, kept by the solver from round to round."""

    problem: VisitProblem
    shared: Shared
    solver: Any
    fixed_columns: int
    rows: int
    """Before links."""
    boxes_row: int
    most: NDArray[np.float64]
    """Of each unknown but the paths."""
    boxes: list[NDArray[np.int_]] = field(default_factory=list)
    ways: list[NDArray[np.int_]] = field(default_factory=list)
    costs: list[NDArray[np.float64]] = field(default_factory=list)
    links: NDArray[np.int_] = field(default_factory=lambda: np.empty(0, int))
    """Row of each link of a visit to its batch, and to its day; -1 where there is none yet.
    (2 × boxes × appliances × days)"""
    link_count: int = 0
    work: int = 0
    """Rows in all steps of the simplex method so far: the same on any machine."""
    most_work: float = np.inf
    only_paths_are_new: bool = False
    """Since the last time it was solved: no rows, no bounds."""
    settled: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    """Boxes whose path is chosen. (boxes)"""

    def add(self, paths: Paths) -> None:
        """Add paths as columns."""
        rows, numbers, values = self._entries(paths)
        order = np.lexsort((rows, numbers))
        rows, numbers, values = rows[order], numbers[order], values[order]
        starts = np.searchsorted(numbers, np.arange(len(paths.box)))
        none = np.zeros(len(paths.box))
        costs = paths.costs + self.problem.swap_cost * (paths.ways >= self.problem.appliances).sum(axis=1)
        self.solver.addCols(
            len(costs), costs, none, none + np.inf, len(rows), starts.astype(np.int32), rows.astype(np.int32), values
        )
        self.boxes.append(paths.box)
        self.ways.append(paths.ways)
        self.costs.append(costs)

    def _entries(self, paths: Paths) -> tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.float64]]:
        number, day = np.nonzero(paths.ways >= 0)
        box, way = paths.box[number], paths.ways[number, day]
        parts = [(self.boxes_row + paths.box, np.arange(len(paths.box)), np.ones(len(paths.box)))]
        for visit, row, value in visit_entries(self.problem, self.shared, (box, way, day)):
            parts.append((row, number[visit], value))
        own = way < self.problem.appliances
        for links in self.links:
            link = links[box[own], way[own], day[own]]
            there = link >= 0
            parts.append((link[there], number[own][there], np.ones(int(there.sum()))))
        row, column, value = (np.concatenate(part) for part in zip(*parts, strict=True))
        return row, column, value

    def solve(self) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return the cost, the values of the unknowns and the prices of the rows.

        New paths leave the basis feasible, so the primal simplex goes on from there; new rows and bounds leave it
        optimal in its prices, so the dual one does.
        """
        self.solver.setOptionValue("simplex_strategy", _PRIMAL if self.only_paths_are_new else _DUAL)
        self.solver.run()
        steps = max(0, self.solver.getInfo().simplex_iteration_count)
        self.work += steps * (self.rows + self.link_count)
        self.only_paths_are_new = True
        found = self.solver.getSolution()
        whole = self.solver.getModelStatus() == type(self.solver.getModelStatus()).kOptimal
        cost = float(self.solver.getInfo().objective_function_value) if whole else np.inf
        return cost, np.asarray(found.col_value), np.asarray(found.row_dual)

    def prices(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what each visit of each box is charged. (boxes × ways × days)"""
        problem, shared = self.problem, self.shared
        boxes, ways, days, _ = problem.later.shape
        prices = np.zeros((boxes, ways, days))
        fill = duals[shared.fill_rows]  # appliances × days × groups × measures
        moved = np.where(shared.moved_rows >= 0, duals[shared.moved_rows], 0.0)
        per_measure = np.moveaxis(fill[:, :, problem.groups], 2, 0) + moved  # boxes × appliances × days × measures
        prices[:, : problem.appliances] = -np.einsum("iadm,iam->iad", per_measure, problem.shares)
        prices[:, : problem.appliances] -= np.where(self.links >= 0, duals[self.links], 0.0).sum(axis=0)
        prices[:, problem.appliances :] = problem.swap_cost - duals[shared.dry_rows] + duals[shared.wet_rows]
        return prices

    def visited(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how much of each visit is in a solution. (boxes × ways × days)"""
        boxes, ways, days, _ = self.problem.later.shape
        share, there = np.zeros((boxes, ways, days)), np.concatenate(self.ways)
        weight = values[self.fixed_columns :]
        used = np.flatnonzero(weight > 0.0)
        number, day = np.nonzero(there[used] >= 0)
        np.add.at(
            share, (np.concatenate(self.boxes)[used][number], there[used][number, day], day), weight[used][number]
        )
        return share

    def add_links(self, values: NDArray[np.float64]) -> int:
        """Add what is violated of: a visit with an appliance needs a batch, and a day. Return how many were added."""
        share = self.visited(values)[:, : self.problem.appliances]
        batch = np.moveaxis(self.shared.batch[:, :, self.problem.groups], 2, 0)
        day = np.broadcast_to(self.shared.day, batch.shape)
        return sum(self._add_links(kind, share, over, values) for kind, over in enumerate((batch, day)))

    def _add_links(
        self, kind: int, share: NDArray[np.float64], over: NDArray[np.int_], values: NDArray[np.float64]
    ) -> int:
        i, a, d = np.nonzero((share > values[over] + _VIOLATED) & (self.links[kind] < 0))
        new = self.rows + self.link_count + np.arange(len(i))
        if not len(i):
            return 0
        self.links[kind, i, a, d] = new
        self.link_count += len(i)
        there, boxes = np.concatenate(self.ways), np.concatenate(self.boxes)
        number, on = np.nonzero((there >= 0) & (there < self.problem.appliances))
        row = self.links[kind, boxes[number], there[number, on], on]
        mine = row >= new[0]
        rows = np.concatenate([row[mine] - new[0], np.arange(len(i))])
        columns = np.concatenate([number[mine] + self.fixed_columns, over[i, a, d]])
        values = np.concatenate([np.ones(int(mine.sum())), -np.ones(len(i))])
        order = np.argsort(rows, kind="stable")
        starts = np.searchsorted(rows[order], np.arange(len(i))).astype(np.int32)
        none = np.zeros(len(i))
        columns = columns[order].astype(np.int32)
        self.only_paths_are_new = False
        self.solver.addRows(len(i), none - np.inf, none, len(rows), starts, columns, values[order])
        return len(i)

    def improve(self, gap: float) -> tuple[float, float, NDArray[np.float64]]:
        """Add paths until none would lower the cost by more than ``gap`` of it.

        Returns
        -------
        cost, bound, values
            Of the linear program; no whole plan of what is open yet costs less than the bound (Lasdon's: the cost, less
            what the best path of each box would save).
        """
        best = -np.inf
        while True:
            cost, values, duals = self.solve()
            paths, costs, _ = cheapest_paths(self.problem.first, self.problem.later, self.prices(duals))
            saved = np.minimum(costs - duals[self.boxes_row + paths.box], 0.0)
            saved[self.settled] = 0.0
            best = max(best, cost + float(saved.sum()))
            new = saved < -_VIOLATED
            if not new.any() or cost - best <= gap * abs(cost):
                return cost, best, values
            self.add(Paths(paths.box[new], paths.ways[new], paths.costs[new]))

    def fix(self, columns: NDArray[np.int_], lower: NDArray[np.float64], upper: NDArray[np.float64]) -> None:
        """Narrow some unknowns."""
        self.only_paths_are_new = False
        for column, low, high in zip(columns.tolist(), lower.tolist(), upper.tolist(), strict=True):
            self.solver.changeColBounds(column, low, high)

    def release(self, *unknowns: NDArray[np.int_]) -> None:
        """Let days and batches be as many as they may be; no fewer than was chosen."""
        for columns in map(np.ravel, unknowns):
            least = np.asarray(self.solver.getLp().col_lower_)[columns]
            self.fix(columns, least, self.most[columns])

    @property
    def is_tired(self) -> bool:
        """Return whether it took more work than it may."""
        return self.work > self.most_work


def master_of(problem: VisitProblem) -> Master:
    """Return the program without any path yet; a box may stay without one at a price nobody pays."""
    program = Program()
    shared = add_shared(program, problem, whole=False)
    finite = [part[np.isfinite(part)].max(initial=0.0) for part in (problem.first, problem.later)]
    heating = problem.heating.max(axis=1, initial=0.0).sum()
    none = program.add_columns(np.full(problem.boxes, _NO_PATH * (sum(finite) + heating + 1.0)), np.inf)
    boxes_row = program.rows
    program.add_rows(1.0, 1.0, (np.arange(problem.boxes), none, 1.0), count=problem.boxes)
    solver = silent_solver()
    model = program.model()
    most = np.asarray(model.col_upper_).copy()
    solver.passModel(model)
    boxes, _, days, _ = problem.later.shape
    links = np.full((2, boxes, problem.appliances, days), -1)
    return Master(
        problem,
        shared,
        solver,
        program.columns,
        program.rows,
        boxes_row,
        most,
        links=links,
        settled=np.zeros(boxes, bool),
    )
