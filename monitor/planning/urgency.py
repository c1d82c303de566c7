"""Which box needs a person most."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.due import ALERT_WITHIN_DAYS, leaks_more, silent_for
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.records import Assessment

_AFTER_WHAT_IS_PRESSING = (
    BoxState.due,
    BoxState.no_readings,
    BoxState.not_enough_evidence,
    BoxState.within_limit,
    BoxState.undeclared,
)
"""Boxes that nothing presses, in this order."""


def worst_first(assessments: Iterable[Assessment]) -> list[Assessment]:
    """Return the assessments with what needs a person most at the top.

    Over the limit, the farthest first; due within a week; a seal that fails; a sensor that fell silent, or an estimate
    that failed; then due within a month, never heard, too young, and calm. Among equals the nearer day comes first,
    then the name: the same boxes stand in the same order after each look.
    """
    return sorted(assessments, key=_place)


def over_by(assessment: Assessment) -> float:
    """Return by how much a box that is over its limit is, as a fraction of saturation; 0 where it is not.

    By its last reading, or by estimate where that is old.
    """
    if assessment.state is not BoxState.over_limit or assessment.latest is None:
        return 0.0
    now = assessment.latest.relative_humidity
    if assessment.forecast is not None and silent_for(assessment) is not None:
        now = assessment.forecast.present_relative_humidity.p50
    return max(now - assessment.box.humidity_limit, 0.0)


def _place(assessment: Assessment) -> tuple[int, float, timedelta, str]:
    ahead = assessment.due_at - assessment.as_of if assessment.due_at else timedelta.max
    return _group(assessment, ahead), -over_by(assessment), ahead, assessment.box.name


def _group(assessment: Assessment, ahead: timedelta) -> int:
    state = assessment.state
    due_soon = state is BoxState.due and ahead <= timedelta(days=ALERT_WITHIN_DAYS)
    fell_silent = silent_for(assessment) is not None and state is not BoxState.undeclared
    pressing = (
        state is BoxState.over_limit,
        due_soon,
        leaks_more(assessment),
        fell_silent or state is BoxState.estimate_failed,
    )
    if any(pressing):
        return pressing.index(True)
    return len(pressing) + _AFTER_WHAT_IS_PRESSING.index(state)
