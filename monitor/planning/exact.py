"""The plan as one integer program: a path of visits for each box; days, batches and spare charges for all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import SiccastError
from monitor.planning.program import Program
from monitor.planning.visits import Chosen

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from monitor.planning.visits import Path, VisitProblem

ROUNDING = 1e-9
"""So much more than a full batch is rounding. [batches] Judgement: a billionth of a batch is no bead."""


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """Places of what the boxes share, in a program: unknowns, and the rows that visits add to."""

    day: NDArray[np.int_]
    """Whether an appliance is heated on a day. (appliances × days)"""
    batch: NDArray[np.int_]
    """How many batches of a group. (appliances × days × groups)"""
    dried: NDArray[np.int_]
    """How many spare charges are dried. (kinds × appliances × days)"""
    fill_rows: NDArray[np.int_]
    """What goes in is at most what the batches hold. (appliances × days × groups × measures)"""
    moved_rows: NDArray[np.int_]
    """What goes in where a person moved more than the day's batches hold; -1 elsewhere.
    (appliances × days × measures)"""
    dry_rows: NDArray[np.int_]
    """Spare charges that are dry after the swaps of a day. (kinds × days)"""
    wet_rows: NDArray[np.int_]
    """Charges that wait to be dried after a day. (kinds × days)"""


def room_of(problem: VisitProblem) -> NDArray[np.float64]:
    """Return how many batches a day may take, with what a person moved there. (appliances × days)"""
    moved = np.ceil(problem.moved_shares.max(axis=2, initial=0.0) - ROUNDING)
    return np.asarray(np.maximum(problem.batches, moved))


def add_shared(program: Program, problem: VisitProblem, *, whole: bool = True) -> Shared:
    """Add days, batches and spare charges to a program.

    A charge may be parted over batches of its day, as beads are poured: only the sum counts. A charge taken out may be
    dried from that day on, and is a spare from the day after its drying on.
    """
    (appliances, days), kinds = problem.batches.shape, len(problem.spare_counts)
    groups = problem.group_count
    room = room_of(problem)
    day = program.add_columns(problem.heating, room > 0, whole=whole)
    costs = np.broadcast_to(problem.batch_cost[:, None, None], (appliances, days, groups))
    batch = program.add_columns(costs, room[:, :, None], whole=whole)
    dried = program.add_columns(np.zeros((kinds, appliances, days)), np.where(room > 0, np.inf, 0.0), whole=whole)
    fill_rows = _fill_rows(program, problem, batch, dried)
    program.add_rows(
        -np.inf,
        0.0,
        (_numbered(day)[:, :, None], batch, 1.0),
        (_numbered(day), day, -room),
        count=day.size,
    )
    moved_rows = _moved_rows(program, problem, dried)
    dry_rows, wet_rows = _stock_rows(program, problem, dried)
    return Shared(day, batch, dried, fill_rows, moved_rows, dry_rows, wet_rows)


def _numbered(places: NDArray[np.int_]) -> NDArray[np.int_]:
    return np.arange(places.size).reshape(places.shape)


def _fill_rows(
    program: Program, problem: VisitProblem, batch: NDArray[np.int_], dried: NDArray[np.int_]
) -> NDArray[np.int_]:
    measures = problem.shares.shape[2]
    rows = np.arange(batch.size * measures).reshape(*batch.shape, measures)
    kind = np.arange(len(problem.spare_counts))
    of_kind = np.moveaxis(rows[:, :, problem.spare_groups[kind]], 2, 0)  # kinds × appliances × days × measures
    absolute = rows + program.rows
    program.add_rows(
        -np.inf,
        0.0,
        (rows, batch[..., None], -1.0),
        (of_kind, dried[..., None], problem.spare_shares[:, :, None, :]),
        count=rows.size,
    )
    return absolute


def _moved_rows(program: Program, problem: VisitProblem, dried: NDArray[np.int_]) -> NDArray[np.int_]:
    """Add what a person moved to a day beyond its batches as the most that goes in there."""
    beyond = problem.moved_shares > problem.batches[:, :, None] + ROUNDING
    rows = np.full(beyond.shape, -1)
    rows[beyond] = np.arange(beyond.sum())
    appliance, day, measure = np.nonzero(beyond)
    absolute = np.where(beyond, rows + program.rows, -1)
    program.add_rows(
        -np.inf,
        problem.moved_shares[beyond] + ROUNDING,
        (np.arange(len(day)), dried[:, appliance, day], problem.spare_shares[:, appliance, measure]),
        count=len(day),
    )
    return absolute


def _stock_rows(
    program: Program, problem: VisitProblem, dried: NDArray[np.int_]
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    kinds, _, days = dried.shape
    dry = program.add_columns(np.zeros((kinds, days)), np.inf)
    owed = np.zeros((kinds, days))
    owed[:, -1:] = problem.wet_cost
    wet = program.add_columns(owed, np.inf)
    rows, first = _numbered(dry), np.zeros((kinds, days))
    dry_rows, start = program.rows + rows, first.copy()
    start[:, :1] = problem.spare_counts[:, None]
    program.add_rows(
        start.ravel(),
        start.ravel(),
        (rows, dry, 1.0),
        (rows[:, 1:], dry[:, :-1], -1.0),
        (rows[:, None, 1:], dried[:, :, :-1], -1.0),
        count=rows.size,
    )
    wet_rows, start = program.rows + rows, first
    start[:, :1] = problem.spare_wet[:, None]
    program.add_rows(
        start.ravel(),
        start.ravel(),
        (rows, wet, 1.0),
        (rows[:, 1:], wet[:, :-1], -1.0),
        (rows[:, None], dried, 1.0),
        count=rows.size,
    )
    return dry_rows, wet_rows


Visits = tuple["NDArray[np.int_]", "NDArray[np.int_]", "NDArray[np.int_]"]
"""Box, way and place of each of some visits."""


def visit_entries(
    problem: VisitProblem, shared: Shared, visits: Visits
) -> Iterator[tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.float64]]]:
    """Yield which visits, by number, add how much to which shared rows: numbers, rows, values."""
    box, way, day = visits
    number = np.arange(len(box))
    own = way < problem.appliances
    if own.any():
        i, a, d = box[own], way[own], day[own]
        shares = problem.shares[i, a]
        rows = shared.fill_rows[a, d, problem.groups[i]]
        yield np.repeat(number[own], shares.shape[1]), rows.ravel(), shares.ravel()
        moved = shared.moved_rows[a, d]
        there = moved >= 0
        yield np.broadcast_to(number[own][:, None], moved.shape)[there], moved[there], shares[there]
    if not own.all():
        kind, d, swaps = way[~own] - problem.appliances, day[~own], number[~own]
        ones = np.ones(len(d))
        yield swaps, shared.dry_rows[kind, d], ones
        yield swaps, shared.wet_rows[kind, d], -ones


def add_links(
    program: Program, problem: VisitProblem, shared: Shared, visits: Visits, columns: NDArray[np.int_]
) -> None:
    """Add that each visit with an appliance needs a batch, and its day: implied for whole numbers, tightens bounds."""
    box, way, day = visits
    own = way < problem.appliances
    i, a, d, column = box[own], way[own], day[own], columns[own]
    row = np.arange(len(i))
    program.add_rows(
        -np.inf, 0.0, (row, column, 1.0), (row, shared.batch[a, d, problem.groups[i]], -1.0), count=len(row)
    )
    often = room_of(problem)[a, d] > 1
    row = np.arange(int(often.sum()))
    program.add_rows(-np.inf, 0.0, (row, column[often], 1.0), (row, shared.day[a, d][often], -1.0), count=len(row))


def solve_exactly(problem: VisitProblem, *, nodes: int | None = None) -> Chosen:
    """Return the cheapest plan, proven to be; after so many nodes of the search, the best so far with its bound.

    Notes
    -----
    Binary ``x[i, w, d]`` visits box i in way w on day d; ``f`` is a flow of one from today to the end through its
    visits, each arc a wait with its cost. Where x is whole, f is: the days visited leave one path. So x, the days
    heated, the batches and the charges dried are whole numbers; f need not be.
    """
    first, later = problem.first, problem.later
    program = Program()
    shared = add_shared(program, problem)
    box, way, day = np.nonzero(np.isfinite(later).any(axis=-1) & np.isfinite(first[:, None, :-1]) | _reached(later))
    visits: Visits = box, way, day
    swap = np.where(visits[1] >= problem.appliances, problem.swap_cost, 0.0)
    x = program.add_columns(swap, whole=True)
    _add_paths(program, first, later, visits, x)
    for number, row, value in visit_entries(problem, shared, visits):
        program.add_entries(row, x[number], value)
    add_links(program, problem, shared, visits, x)
    solved = program.solved(nodes)
    if solved is None:
        raise SiccastError(f"no plan was found for {problem.boxes} boxes; please report it")
    chosen = np.flatnonzero(solved.values[x] > 0.5)  # judgement: halfway between no and yes
    dried = np.rint(solved.values[shared.dried]).astype(int)
    return Chosen(
        paths_of(problem.boxes, *(part[chosen] for part in visits)), dried, solved.cost, solved.bound, "exact"
    )


def around(problem: VisitProblem, paths: Sequence[Path], bound: float) -> Chosen | None:
    """Return the cheapest days, batches and spare charges around visits that are chosen; None where there are none."""
    each = [(box, way, place) for box, path in enumerate(paths) for place, way in path]
    box, way, place = np.array(each, dtype=int).reshape(len(each), 3).T
    visits = box, way, place
    program = Program()
    shared = add_shared(program, problem)
    x = program.add_columns(np.zeros(len(visits[0])))
    program.add_rows(1.0, 1.0, (np.arange(len(x)), x, 1.0), count=len(x))
    for number, row, value in visit_entries(problem, shared, visits):
        program.add_entries(row, x[number], value)
    solved = program.solved()
    if solved is None:
        return None
    dried = np.rint(solved.values[shared.dried]).astype(int)
    return Chosen(tuple(paths), dried, solved.cost + waits_cost(problem, paths), bound, "columns")


def waits_cost(problem: VisitProblem, paths: Sequence[Path]) -> float:
    """Return what the boxes' waits and swaps cost, without what is shared."""
    end, cost = problem.first.shape[1] - 1, 0.0
    for box, path in enumerate(paths):
        places = [*(place for place, _ in path), end]
        cost += float(problem.first[box, places[0]])
        for (place, way), onward in zip(path, places[1:], strict=True):
            cost += float(problem.later[box, way, place, onward])
            cost += problem.swap_cost if way >= problem.appliances else 0.0
    return cost


def _reached(later: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which visits can come after another one. (boxes × ways × days)"""
    reached = np.asarray(np.isfinite(later[..., :-1]).any(axis=(1, 2)))
    somewhere: NDArray[np.bool_] = np.isfinite(later).any(axis=-1) & reached[:, np.newaxis, :]
    return somewhere


def _add_paths(
    program: Program, first: NDArray[np.float64], later: NDArray[np.float64], visits: Visits, x: NDArray[np.int_]
) -> None:
    """Add the flow of each box: what comes in on a day goes out in one of its ways."""
    boxes, ways, days, _ = later.shape
    number = np.full((boxes, ways, days), -1)
    number[visits] = np.arange(len(x))
    start = np.nonzero(np.isfinite(first))
    onward = tuple(part[number[index[:3]] >= 0] for index in [np.nonzero(np.isfinite(later))] for part in index)
    f, g = program.add_columns(first[start]), program.add_columns(later[onward])
    program.add_rows(1.0, 1.0, (start[0], f, 1.0), count=boxes)
    come, goes_on = start[1] < days, onward[3] < days
    box, _, day = visits
    program.add_rows(
        0.0,
        0.0,
        (start[0][come] * days + start[1][come], f[come], 1.0),
        (onward[0][goes_on] * days + onward[3][goes_on], g[goes_on], 1.0),
        (box * days + day, x, -1.0),
        count=boxes * days,
    )
    program.add_rows(0.0, 0.0, (number[onward[:3]], g, 1.0), (np.arange(len(x)), x, -1.0), count=len(x))


def paths_of(
    boxes: int, box: NDArray[np.int_], way: NDArray[np.int_], day: NDArray[np.int_]
) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Return of each box place and way of its visits, in order."""
    paths: list[list[tuple[int, int]]] = [[] for _ in range(boxes)]
    for i, d, w in sorted(zip(box.tolist(), day.tolist(), way.tolist(), strict=True)):
        paths[i].append((d, w))
    return tuple(tuple(path) for path in paths)
