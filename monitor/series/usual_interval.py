"""How often a sensor sends, and how long it may say nothing before it counts as silent: by its own habit."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.records import ReadingSeries

INTERVALS_MISSED = 3.0
"""A sensor is silent after so many times its usual interval: one or two messages get lost. Judgement."""
FEW_READINGS = 10
"""So many of the last readings tell a habit where a week has fewer. [count] Judgement: a daily sensor's ten days."""
_SHORTEST_SILENCE = timedelta(minutes=15)  # judgement: a node may miss a few of its minutes
_NO_HABIT_YET = timedelta(days=1)  # judgement: as `today` waits for any box; no node reports more seldom
_USUAL_SHARE = 0.99
"""Of its intervals that are usual. Judgement: the rest are its gaps; sensors that report on change are irregular."""
_LEAST_INTERVALS = 3  # a count; judgement: fewer are chance, as the first minutes of a new sensor


def usual_interval(at_s: NDArray[np.float64]) -> timedelta | None:
    """Return the median time between readings; None where there are too few to tell a habit.

    >>> usual_interval(np.arange(5) * 86_400.0), usual_interval(np.arange(3) * 600.0)
    (datetime.timedelta(days=1), None)
    """
    between_s = np.diff(at_s)
    return timedelta(seconds=float(np.median(between_s))) if len(between_s) >= _LEAST_INTERVALS else None


def patience_with(week: ReadingSeries) -> timedelta:
    """Return how long a sensor may say nothing before it counts as silent, by its habits of a week.

    Few readings are those of a sensor's first hour, or of one that sends once a day.
    """
    if len(week) <= FEW_READINGS:
        return max(INTERVALS_MISSED * (usual_interval(week.at_s) or timedelta()), _NO_HABIT_YET)
    longest_s = float(np.quantile(np.diff(week.at_s), _USUAL_SHARE))
    return max(timedelta(seconds=INTERVALS_MISSED * longest_s), _SHORTEST_SILENCE)
