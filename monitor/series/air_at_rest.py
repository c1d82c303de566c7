"""What the air of a box came to rest at over its beads: for the jar check, and for beads that seem not dry."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.records.readings import NOT_GOOD

if TYPE_CHECKING:
    from monitor.records import ReadingSeries

AT_REST_AFTER, READ_FOR = timedelta(days=1.5), timedelta(days=2)
"""So long after the beads went in, and how long it is read then. Judgements: the first day and a half belongs to the
air that was let in and to what spools give off; two days even out the swing of the room."""
_ENOUGH_READINGS = 24  # readings of these two days; judgement: one every two hours


def air_at_rest(readings: ReadingSeries) -> tuple[float, float] | None:
    """Return the medians of humidity and temperature. [fraction of saturation], [°C]

    Readings that screening took for none of the box don't count; None where too few are left.
    """
    good = (readings.marks & NOT_GOOD) == 0
    if np.count_nonzero(good) < _ENOUGH_READINGS:
        return None
    return float(np.median(readings.relative_humidity[good])), float(np.median(readings.temperature_degc[good]))
