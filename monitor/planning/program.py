"""Integer programs by HiGHS: columns and rows put together, then solved to a bound."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_WHOLE = 1e-9
"""So near to a whole number a number is one. [1] Judgement: a simplex rounds at the thirteenth digit."""
Entries = tuple["ArrayLike", "ArrayLike", "ArrayLike"]
"""Rows, columns and values of a part of a matrix, each spread to their full shape; rows count from the part's first."""


@dataclass(slots=True)
class Program:
    """Minimize ``c x`` where ``lower <= a x <= upper``, some of ``x`` whole numbers."""

    columns: int = 0
    rows: int = 0
    _costs: list[NDArray[np.float64]] = field(default_factory=list)
    _most: list[NDArray[np.float64]] = field(default_factory=list)
    _whole: list[NDArray[np.bool_]] = field(default_factory=list)
    _bounds: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = field(default_factory=list)
    _entries: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]] = field(default_factory=list)

    def add_columns(self, costs: ArrayLike, most: ArrayLike = 1.0, *, whole: bool = False) -> NDArray[np.int_]:
        """Add unknowns from 0 to ``most`` and return their places, in the shape of their costs."""
        costs = np.asarray(costs, dtype=float)
        self._costs.append(costs.ravel())
        self._most.append(np.broadcast_to(np.asarray(most, dtype=float), costs.shape).ravel())
        self._whole.append(np.full(costs.size, whole))
        places = self.columns + np.arange(costs.size).reshape(costs.shape)
        self.columns += costs.size
        return places

    def add_rows(self, lower: ArrayLike, upper: ArrayLike, *blocks: Entries, count: int) -> None:
        """Add ``count`` constraints with these bounds and entries."""
        self._bounds.append(
            (np.broadcast_to(np.asarray(lower, float), count), np.broadcast_to(np.asarray(upper, float), count))
        )
        for row, column, value in blocks:
            self.add_entries(np.asarray(row) + self.rows, column, value)
        self.rows += count

    def add_entries(self, row: ArrayLike, column: ArrayLike, value: ArrayLike) -> None:
        """Add entries to rows that are there."""
        rows, columns, values = (part.ravel() for part in np.broadcast_arrays(row, column, value))
        self._entries.append((rows, columns, values))

    def solved(self, nodes: int | None = None) -> Solved | None:
        """Return the best that was found, with its bound; None where nothing keeps all constraints.

        Without ``nodes`` it is proven; with them the search ends after so many, which is the same on any machine.
        """
        model, whole = self.model(), np.concatenate(self._whole)
        return _whole_at_once(model, whole) or _answer(_searched(model, nodes), has_whole=bool(whole.any()))

    def model(self) -> Any:
        """Return it as HiGHS takes it."""
        import highspy  # noqa: PLC0415 -- paid by plans alone

        model = highspy.HighsLp()
        costs, whole = np.concatenate(self._costs), np.concatenate(self._whole)
        model.num_col_, model.num_row_ = self.columns, self.rows
        model.col_cost_, model.col_lower_, model.col_upper_ = costs, np.zeros(len(costs)), np.concatenate(self._most)
        _say_whole(model, whole)
        model.row_lower_ = np.concatenate([lower for lower, _ in self._bounds])
        model.row_upper_ = np.concatenate([upper for _, upper in self._bounds])
        row, column, value = (np.concatenate(part) for part in zip(*self._entries, strict=True))
        order = np.argsort(row, kind="stable")
        matrix = model.a_matrix_
        matrix.format_ = highspy.MatrixFormat.kRowwise
        matrix.start_ = np.concatenate([[0], np.cumsum(np.bincount(row, minlength=self.rows))]).astype(np.int32)
        matrix.index_, matrix.value_ = column[order].astype(np.int32), value[order].astype(np.float64)
        return model


def _say_whole(model: Any, whole: NDArray[np.bool_]) -> None:
    import highspy  # noqa: PLC0415 -- paid by plans alone

    kinds = highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger
    model.integrality_ = [kinds[each] for each in whole.astype(int).tolist()]


def _whole_at_once(model: Any, whole: NDArray[np.bool_]) -> Solved | None:
    """Return the best of all numbers where it happens to be whole: nothing whole can be better.

    Half of the plans of a dozen boxes are, and are found in a tenth of the time that a search takes to begin.
    """
    if not whole.any():
        return None
    _say_whole(model, np.zeros_like(whole))
    solver = silent_solver()
    solver.setOptionValue("presolve", "off")
    solver.passModel(model)
    solver.run()
    _say_whole(model, whole)
    found = _answer(solver, has_whole=False)
    if found is None or np.abs(found.values - np.rint(found.values))[whole].max() > _WHOLE:
        return None
    return found


def _searched(model: Any, nodes: int | None) -> Any:
    solver = silent_solver()
    solver.setOptionValue("mip_rel_gap", 0.0)
    # at first finds plans of fifty times the cost, and takes as long as the rest; older versions don't know it
    solver.setOptionValue("mip_heuristic_run_feasibility_jump", False)
    solver.setOptionValue("mip_abs_gap", 1e-7)  # judgement: a tenth of a millionth of a point is rounding
    if nodes is not None:
        solver.setOptionValue("mip_max_nodes", nodes)
    solver.passModel(model)
    solver.run()
    return solver


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """What a program came to."""

    values: NDArray[np.float64]
    cost: float
    bound: float


def silent_solver() -> Any:
    """Return HiGHS, saying nothing: newer versions greet on standard output while they are made, into an answer."""
    import highspy  # noqa: PLC0415 -- paid by plans alone

    class Silent(highspy.Highs):
        def enableCallbacks(self) -> None:  # noqa: N802 -- the library's name
            self.setOptionValue("output_flag", False)
            super().enableCallbacks()  # type: ignore[no-untyped-call]

    solver = Silent()  # type: ignore[no-untyped-call]
    solver.setOptionValue("threads", 1)  # the same search on any machine
    return solver


def _answer(solver: Any, *, has_whole: bool) -> Solved | None:
    import highspy  # noqa: PLC0415 -- paid by plans alone

    info, found = solver.getInfo(), solver.getSolution()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return None
    cost = float(info.objective_function_value)
    bound = float(info.mip_dual_bound) if has_whole else cost
    return Solved(np.asarray(found.col_value), cost, bound)
