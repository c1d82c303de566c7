"""The integer program under the plan: which box on which oven day, at the least cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import SiccastError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from monitor.planning.weights import PlanWeights


def costs_of_days(
    chance_by_day: NDArray[np.float64], days_ahead: NDArray[np.int_], weights: PlanWeights
) -> NDArray[np.float64]:
    """Return what recharging one box on each of these days costs; the days rise, and the last ends the account.

    Before its day a box pays every day over the limit by its chance; after it, every day that the desiccant would still
    have lasted is given away.
    """
    late, early = expected_days(chance_by_day, days_ahead)
    return weights.late_day * late + weights.early_day * early


def expected_days(
    chance_by_day: NDArray[np.float64], days_ahead: NDArray[np.int_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how many days over the limit to expect before each of these days, and how many good ones after it.

    The days rise, and the last ends the account. Beyond the last known chance that chance is held.
    """
    end = int(days_ahead[-1])
    over = np.pad(chance_by_day, (0, max(0, end - len(chance_by_day))), mode="edge")[:end]
    late = np.concatenate([[0.0], np.cumsum(over)])
    early = np.concatenate([np.cumsum((1.0 - over)[::-1])[::-1], [0.0]])
    return late[days_ahead], early[days_ahead]


def places_after(
    due: NDArray[np.float64], days_ahead: NDArray[np.int_], allowed: NDArray[np.bool_]
) -> NDArray[np.int_]:
    """Return by how many places each place of each box comes after its own: the last allowed one up to its due day.

    Where none is allowed by then, the first that is allowed is its own: no box is blamed for what no plan can mend.

    Parameters
    ----------
    due : ndarray, boxes
        Days ahead by which each box is due; infinite where it is not.
    days_ahead : ndarray, days + 1
        The days, rising; the last stands for being left out.
    allowed : ndarray, boxes × (days + 1)
        Which places a box may get.
    """
    place = np.arange(len(days_ahead))
    in_time = allowed & (days_ahead <= due[:, np.newaxis])
    own = np.where(in_time.any(axis=1), np.max(np.where(in_time, place, -1), axis=1), np.argmax(allowed, axis=1))
    after: NDArray[np.int_] = np.maximum(place - own[:, np.newaxis], 0)
    return after


def cheapest_days(
    costs: NDArray[np.float64],
    loads: NDArray[np.float64],
    batch: NDArray[np.float64],
    oven_day: float,
    allowed: NDArray[np.bool_] | None = None,
) -> NDArray[np.int_]:
    """Return for each box the place of its day; the place after the last day means left out.

    Parameters
    ----------
    costs : ndarray, boxes × (days + 1)
        Cost of each box on each day; last, of leaving it out.
    loads : ndarray, measures × boxes
        What each box takes of each measure of a batch: places, grams.
    batch : ndarray, measures or measures × days
        What each day holds of each measure.
    oven_day : float
        Cost of every day that is used at all.
    allowed : ndarray, boxes × (days + 1), optional
        Which places a box may get; all where left out.

    Notes
    -----
    Binary ``x[i, d]`` puts box i on day d, ``y[d]`` heats up on day d: minimize ``sum c x + oven_day sum y`` where each
    box has one place, each used day fits its batch, and ``x[i, d] <= y[d]`` (implied for whole numbers; it makes the
    bound tight). Solved to proven optimality by HiGHS.
    """
    boxes, places = costs.shape
    days = places - 1
    if boxes == 0 or days == 0:
        return np.full(boxes, days)
    box, day, measure = np.arange(boxes)[:, None], np.arange(days), np.arange(len(batch))[:, None, None]
    batch = np.broadcast_to(batch if batch.ndim > 1 else batch[:, np.newaxis], (len(batch), days))
    x = np.arange(boxes * places).reshape(boxes, places)
    y = x.size + day
    fits = measure * days + day
    rows = _stacked(
        # each box has one place
        (np.ones(boxes), np.ones(boxes), [(box, x, 1.0)]),
        # each used day fits its batch
        (
            np.full(len(batch) * days, -np.inf),
            np.zeros(len(batch) * days),
            [(fits, x[:, :-1], loads[:, :, None]), (fits[:, 0], y, -batch)],
        ),
        # each used day is heated
        (
            np.full(boxes * days, -np.inf),
            np.zeros(boxes * days),
            [(box * days + day, x[:, :-1], 1.0), (box * days + day, y, -1.0)],
        ),
    )
    upper = np.ones(x.size + days)
    if allowed is not None:
        upper[: x.size] = allowed.ravel()
    best = _solved(np.concatenate([costs.ravel(), np.full(days, oven_day)]), upper, rows)
    if best is None:
        raise SiccastError(f"no plan was found for {boxes} boxes on {days} days; please report it")
    chosen: NDArray[np.int_] = np.argmax(best[: x.size].reshape(boxes, places), axis=1)
    return chosen


Block = tuple["ArrayLike", "ArrayLike", "ArrayLike"]
"""Rows, columns and values of a part of a matrix, each spread to the block's full shape."""


@dataclass(frozen=True)
class _Rows:
    """Constraints ``lower <= a x <= upper``, the matrix row by row."""

    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    starts: NDArray[np.int32]
    """Where the entries of each row begin, and where the last ends. (rows + 1)"""
    columns: NDArray[np.int32]
    values: NDArray[np.float64]


def _stacked(*parts: tuple[NDArray[np.float64], NDArray[np.float64], Sequence[Block]]) -> _Rows:
    """Return constraints one below the other: each part with its bounds and blocks, rows counted from its own first."""
    above, entries = 0, []
    for lower, _, blocks in parts:
        for block in blocks:
            row, column, value = (part.ravel() for part in np.broadcast_arrays(*block))
            entries.append((row + above, column, value))
        above += len(lower)
    row, column, value = (np.concatenate(part) for part in zip(*entries, strict=True))
    order = np.argsort(row, kind="stable")
    return _Rows(
        lower=np.concatenate([lower for lower, _, _ in parts]),
        upper=np.concatenate([upper for _, upper, _ in parts]),
        starts=np.concatenate([[0], np.cumsum(np.bincount(row, minlength=above))]).astype(np.int32),
        columns=column[order].astype(np.int32),
        values=value[order].astype(np.float64),
    )


def _solved(costs: NDArray[np.float64], upper: NDArray[np.float64], rows: _Rows) -> NDArray[np.float64] | None:
    """Return the zeros and ones of least cost, proven to be; None where none keeps all constraints."""
    import highspy  # noqa: PLC0415 -- paid by plans alone

    class Silent(highspy.Highs):
        """Says nothing: newer versions greet on standard output while they are made, into the midst of an answer."""

        def enableCallbacks(self) -> None:  # noqa: N802 -- the library's name
            self.setOptionValue("output_flag", False)
            super().enableCallbacks()  # type: ignore[no-untyped-call]

    solver = Silent()  # type: ignore[no-untyped-call]
    solver.setOptionValue("mip_rel_gap", 0.0)
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = len(costs), len(rows.lower)
    program.col_cost_, program.col_lower_, program.col_upper_ = costs, np.zeros(len(costs)), upper
    program.integrality_ = [highspy.HighsVarType.kInteger] * len(costs)
    program.row_lower_, program.row_upper_ = rows.lower, rows.upper
    matrix = program.a_matrix_
    matrix.format_ = highspy.MatrixFormat.kRowwise
    matrix.start_, matrix.index_, matrix.value_ = rows.starts, rows.columns, rows.values
    solver.passModel(program)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return None
    return np.asarray(solver.getSolution().col_value)
