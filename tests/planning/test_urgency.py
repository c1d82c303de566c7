"""Worst first: what a person has to do first stands at the top."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from answers_by_hand import AS_OF, LEAK, assessment_of, due_in, forecast_of

from monitor.planning.urgency import over_by, worst_first
from monitor.records import Assessment, BoxState, Quantiles, Reading


def shown(name: str, humidity: float, *, hours_ago: float = 1.0) -> Assessment:
    """A box over its limit of 20 %, by its last reading."""
    answer = assessment_of(name, forecast_of(-5.0), BoxState.over_limit)
    return replace(answer, latest=Reading(name, AS_OF - timedelta(hours=hours_ago), 21.0, humidity))


def leaking(answer: Assessment) -> Assessment:
    change = replace(LEAK, changed_at=AS_OF - timedelta(days=9), change_factor=Quantiles(4.0, 6.0, 9.0))
    return replace(answer, leak=change)


def silent(answer: Assessment) -> Assessment:
    return replace(answer, latest=Reading(answer.box.name, AS_OF - timedelta(days=12), 21.0, 0.1))


def test_what_needs_a_person_most_comes_first() -> None:
    """How far over, then what is due within days or fails, before what comes due in weeks."""
    ordered = [
        shown("ten points over", 0.30),
        shown("two points over", 0.22),
        assessment_of("due tomorrow", due_in(1)),
        assessment_of("due on Monday", due_in(5)),
        leaking(assessment_of("seal fails, due in a month", due_in(25))),
        leaking(assessment_of("seal fails", due_in(200))),
        silent(assessment_of("silent", due_in(20))),
        assessment_of("due in three weeks", due_in(21)),
        replace(assessment_of("never heard", None, BoxState.no_readings), latest=None),
        assessment_of("too young", None),
        assessment_of("calm", due_in(100)),
        assessment_of("calmer", due_in(300)),
        silent(assessment_of("a stranger, silent", None, BoxState.undeclared)),
    ]
    names = [answer.box.name for answer in ordered]
    assert [answer.box.name for answer in worst_first(ordered[::-1])] == names


def test_how_far_over_goes_by_the_last_reading_and_by_estimate_where_that_is_old() -> None:
    fresh, old = shown("fresh", 0.30), shown("old", 0.30, hours_ago=40.0)
    assert old.forecast is not None
    old = replace(old, forecast=replace(old.forecast, present_relative_humidity=Quantiles(0.2, 0.23, 0.3)))
    assert over_by(fresh) == pytest.approx(0.10)
    assert over_by(old) == pytest.approx(0.03)
    assert over_by(assessment_of("calm", due_in(100))) == 0.0
    assert over_by(shown("by estimate alone", 0.19)) == 0.0
