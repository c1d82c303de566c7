"""How often a sensor sends, read from the store: a week tells it, or a few readings more where it sends seldom."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.series.spans import between
from monitor.series.usual_interval import FEW_READINGS

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import ReadingSeries
    from monitor.store.contracts import Readings

_HABIT_WITHIN = timedelta(days=60)  # judgement: eight weekends of somebody who reads a display on those
_JUST_AFTER = timedelta(milliseconds=1)  # by definition: instants are kept by it


def with_habit(readings: Readings, week: ReadingSeries, newest_at: datetime) -> ReadingSeries:
    """Return readings that tell how often a sensor sends: those of a week, or the last few where it has fewer."""
    if len(week) > FEW_READINGS:
        return week
    longer = readings.series(week.box, newest_at - _HABIT_WITHIN, newest_at + _JUST_AFTER)
    return between(longer, float(longer.at_s[-FEW_READINGS - 1])) if len(longer) > FEW_READINGS else longer
