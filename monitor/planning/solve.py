"""The cheapest visits: exactly where that is quick, else by columns with a bound."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.dive import solve_by_columns
from monitor.planning.exact import solve_exactly
from monitor.planning.visits import Chosen

if TYPE_CHECKING:
    from monitor.planning.visits import VisitProblem

MOST_WAITS = 1500
"""Up to so many waits between visits the whole program is solved. Judgement: that takes a second or two."""
_NODES = 300
"""So many nodes of its search are looked at. Judgement: nine such programs in ten are proven by then, in a second."""
_PROVEN = 1e-6
"""So near to its bound a plan is the cheapest. [points] Judgement: ten times the solver's rounding."""


def solve(problem: VisitProblem) -> Chosen:
    """Return the cheapest plan, or a plan with how much cheaper another one could be at most."""
    if not problem.boxes or not len(problem.days_ahead):
        cost = float(problem.first[:, -1].sum())
        return Chosen(
            ((),) * problem.boxes,
            np.zeros((len(problem.spare_counts), *problem.batches.shape), int),
            cost,
            cost,
            "exact",
        )
    waits = int(np.isfinite(problem.first).sum() + np.isfinite(problem.later).sum())
    once = not np.isfinite(problem.later[..., :-1]).any()
    if once:
        return solve_exactly(problem)
    if waits > MOST_WAITS:
        return solve_by_columns(problem)
    chosen = solve_exactly(problem, nodes=_NODES)
    if chosen.cost - chosen.bound <= _PROVEN:
        return chosen
    other = solve_by_columns(problem)
    best = min(chosen, other, key=lambda one: one.cost)
    return replace(best, bound=max(chosen.bound, other.bound), by="columns")
