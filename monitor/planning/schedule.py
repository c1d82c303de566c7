"""The integer program under the plan: which box on which oven day, at the least cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import SiccastError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from scipy.sparse import csr_array

    from monitor.planning.weights import PlanWeights


def costs_of_days(
    chance_by_day: NDArray[np.float64], days_ahead: NDArray[np.int_], weights: PlanWeights
) -> NDArray[np.float64]:
    """Return what recharging one box on each of these days costs; the days rise, and the last ends the account.

    Before its day a box pays every day over the limit by its chance; after it, every day that the desiccant would still
    have lasted is given away. Beyond the last known chance that chance is held.
    """
    end = int(days_ahead[-1])
    over = np.pad(chance_by_day, (0, max(0, end - len(chance_by_day))), mode="edge")[:end]
    late = weights.late_day * np.concatenate([[0.0], np.cumsum(over)])
    early = weights.early_day * np.concatenate([np.cumsum((1.0 - over)[::-1])[::-1], [0.0]])
    costs: NDArray[np.float64] = (late + early)[days_ahead]
    return costs


def cheapest_days(
    costs: NDArray[np.float64], loads: NDArray[np.float64], batch: NDArray[np.float64], oven_day: float
) -> NDArray[np.int_]:
    """Return for each box the place of its day; the place after the last day means left out.

    Parameters
    ----------
    costs : ndarray, boxes × (days + 1)
        Cost of each box on each day; last, of leaving it out.
    loads : ndarray, measures × boxes
        What each box takes of each measure of a batch: places, grams.
    batch : ndarray, measures
        What one batch holds of each measure.
    oven_day : float
        Cost of every day that is used at all.

    Notes
    -----
    Binary ``x[i, d]`` puts box i on day d, ``y[d]`` heats up on day d: minimize ``sum c x + oven_day sum y`` where each
    box has one place, each used day fits its batch, and ``x[i, d] <= y[d]`` (implied for whole numbers; it makes the
    bound tight). Solved to proven optimality by HiGHS.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 -- half a second, paid by plans alone

    boxes, places = costs.shape
    days = places - 1
    if boxes == 0 or days == 0:
        return np.full(boxes, days)
    box, day, measure = np.arange(boxes)[:, None], np.arange(days), np.arange(len(batch))[:, None, None]
    x = np.arange(boxes * places).reshape(boxes, places)
    y = x.size + day
    one_place = _rows(boxes, x.size + days, (box, x, 1.0))
    fits = measure * days + day
    batches = _rows(
        len(batch) * days,
        x.size + days,
        (fits, x[:, :-1], loads[:, :, None]),
        (fits[:, 0], y, -batch[:, None]),
    )
    heated = _rows(boxes * days, x.size + days, (box * days + day, x[:, :-1], 1.0), (box * days + day, y, -1.0))
    answer = milp(
        np.concatenate([costs.ravel(), np.full(days, oven_day)]),
        integrality=np.ones(x.size + days, dtype=np.int_),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(one_place, 1, 1),
            LinearConstraint(batches, -np.inf, 0),
            LinearConstraint(heated, -np.inf, 0),
        ],
        options={"mip_rel_gap": 0.0},
    )
    if not answer.success:
        raise SiccastError(f"no plan was found for {boxes} boxes on {days} days: {answer.message}")
    chosen: NDArray[np.int_] = np.argmax(answer.x[: x.size].reshape(boxes, places), axis=1)
    return chosen


def _rows(height: int, width: int, *blocks: tuple[ArrayLike, ArrayLike, ArrayLike]) -> csr_array[np.float64]:
    """Return a sparse matrix from blocks of (row, column, value), each spread to the block's full shape."""
    from scipy.sparse import coo_array  # noqa: PLC0415

    row, column, value = (
        np.concatenate(parts)
        for parts in zip(*([part.ravel() for part in np.broadcast_arrays(*block)] for block in blocks), strict=True)
    )
    return coo_array((value, (row, column)), shape=(height, width)).tocsr()
