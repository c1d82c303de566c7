"""One box after the other put in at its best, where the others are: what is left after rounding, and its repair."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.planning.columns import cheapest_paths
from monitor.planning.exact import ROUNDING, room_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.planning.visits import Path, VisitProblem

_PASSES = 3
"""So often all boxes are put in anew. Judgement: later passes hardly change a thing."""


class Filled:
    """Days and batches as the boxes put in so far fill them; swaps are left as they are."""

    def __init__(self, problem: VisitProblem) -> None:
        """Begin with empty days."""
        self.paths: dict[int, Path] = {}
        self._problem, self._room = problem, room_of(problem)
        groups = 1 + int(max([-1, *problem.groups, *problem.spare_groups]))
        self._used = np.zeros((*problem.batches.shape, groups, problem.shares.shape[2]))
        self._most = np.maximum(problem.moved_shares, problem.batches[:, :, None])

    def put(self, box: int, path: Path, times: float = 1.0) -> None:
        """Put a box in."""
        for place, way in path:
            if way < self._problem.appliances:
                share = self._problem.shares[box, way]
                self._used[way, place, self._problem.groups[box]] += times * share
        self.paths[box] = path

    def take_out(self, box: int) -> Path:
        """Take a box out and return its path."""
        path = self.paths[box]
        self.put(box, path, times=-1.0)
        del self.paths[box]
        return path

    def best(self, box: int) -> Path:
        """Return the cheapest path of a box beside the others, without swaps."""
        prices = np.full((1, *self._problem.later.shape[1:3]), _NEVER)
        prices[0, : self._problem.appliances] = self._prices(box)
        some = slice(box, box + 1)
        paths, _, _ = cheapest_paths(self._problem.first[some], self._problem.later[some], prices)
        return tuple((int(day), int(paths.ways[0, day])) for day in np.flatnonzero(paths.ways[0] >= 0))

    def improve(self) -> None:
        """Put each box that swaps nothing in anew while that lowers the cost."""
        for _ in range(_PASSES):
            changed = False
            for box in sorted(self.paths):
                if any(way >= self._problem.appliances for _, way in self.paths[box]):
                    continue
                before = self.take_out(box)
                after = self.best(box)
                self.put(box, after)
                changed |= after != before
            if not changed:
                return

    def _prices(self, box: int) -> NDArray[np.float64]:
        """Return what a visit of a box adds on each day: heating up, one more batch. (appliances × days)"""
        problem, group = self._problem, self._problem.groups[box]
        before = self._batches(self._used)
        more = self._used.copy()
        more[:, :, group] += problem.shares[box][:, None, :]
        after = self._batches(more)
        heats = (after > 0) & (before == 0)
        price = problem.heating * heats + problem.batch_cost[:, None] * (after - before)
        too_full = (more.sum(axis=2) > self._most + ROUNDING).any(axis=2) | (after > self._room)
        return np.where(too_full, _NEVER, price)

    @staticmethod
    def _batches(used: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how many batches that is. (appliances × days)"""
        count: NDArray[np.float64] = np.ceil(used.max(axis=-1) - ROUNDING).clip(min=0.0).sum(axis=2)
        return count


_NEVER = 1e9
"""Of a visit that has no room. [points] Judgement: dearer than anything."""
