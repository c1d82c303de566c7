"""What deserves a word: once for each matter, and never for a box that is well."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_up import AS_OF, LEAK, assessment_of, due_in, forecast_of

from monitor.planning.due import (
    Matter,
    due_at,
    next_oven_day,
    state_of,
    why_check_the_lid,
    words_for_today,
)
from monitor.planning.weights import PlanWeights
from monitor.records import Assessment, BoxState, Quantiles

TODAY = date(2026, 3, 4)


@pytest.mark.parametrize(
    ("median_days", "state"),
    [(-10.0, BoxState.over_limit), (20.0, BoxState.due), (200.0, BoxState.within_limit)],
)
def test_state_in_plain_words(median_days: float, state: BoxState) -> None:
    assert state_of(forecast_of(median_days), AS_OF) is state


@given(median_days=st.floats(1.0, 700.0), spread_days=st.floats(1.0, 300.0))
def test_due_day_is_the_first_with_a_chance_worth_a_recharge(median_days: float, spread_days: float) -> None:
    forecast, worth_it = forecast_of(median_days, spread_days), PlanWeights().due_chance
    at = due_at(forecast, AS_OF)
    if at is None:
        assert max(forecast.chance_by_day) < worth_it
    else:
        days = (at - AS_OF).days
        assert forecast.chance_within(days) >= worth_it
        assert days == 0 or forecast.chance_within(days - 1) < worth_it


@pytest.mark.parametrize(
    ("days", "state"), [(0, BoxState.due), (29, BoxState.due), (30, BoxState.due), (31, BoxState.within_limit)]
)
def test_thirty_days_ahead_are_near_enough_to_be_due(days: int, state: BoxState) -> None:
    assert due_at(due_in(days), AS_OF) == AS_OF + timedelta(days=days)
    assert state_of(due_in(days), AS_OF) is state


@pytest.mark.parametrize(("days", "matters"), [(0, [Matter.due]), (6, [Matter.due]), (7, [Matter.due]), (8, [])])
def test_a_week_ahead_is_near_enough_for_a_word(days: int, matters: list[Matter]) -> None:
    words = words_for_today([assessment_of("soon", due_in(days))], TODAY)
    assert [word.matter for word in words] == matters


@pytest.mark.parametrize(("hours", "text"), [(24, ""), (25, "25 hours"), (47, "47 hours"), (48, "2 days")])
def test_a_box_is_silent_after_more_than_a_day(hours: int, text: str) -> None:
    quiet = assessment_of("quiet", forecast_of(200.0))
    assert quiet.latest is not None
    latest = quiet.latest._replace(at=AS_OF - timedelta(hours=hours))
    words = words_for_today([replace(quiet, latest=latest)], TODAY)
    assert [word.text for word in words] == (
        [f"quiet: no reading for {text}. Check its sensor (battery, radio)."] if text else []
    )


def test_a_word_for_each_matter() -> None:
    silent = assessment_of("silent", forecast_of(200.0))
    assert silent.latest is not None
    crowd = [
        assessment_of("well", forecast_of(200.0)),
        assessment_of("over", forecast_of(-10.0)),
        assessment_of("soon", forecast_of(8.0)),
        assessment_of("later", forecast_of(25.0)),
        replace(assessment_of("strange", None), state=BoxState.undeclared),
        replace(silent, latest=silent.latest._replace(at=AS_OF - timedelta(days=3))),
        replace(assessment_of("new", None), state=BoxState.no_readings, latest=None),
    ]
    words = words_for_today(crowd, TODAY)
    assert [(word.box, word.matter) for word in words] == [
        ("over", Matter.over_limit),
        ("soon", Matter.due),
        ("strange", Matter.undeclared),
        ("silent", Matter.silent),
        ("new", Matter.silent),
    ]
    assert words[0].text == "over: dry beads now. It is over its limit of 20 %."
    assert words[1].text == (
        "soon: dry beads by Mon 9 Mar. After that day the chance that it is over 20 % is more than 1 in 5."
    )
    assert words[3].text == "silent: no reading for 3 days. Check its sensor (battery, radio)."


EIGHT_TIMES = Quantiles(5.1, 8.3, 13.0)


def leakier(name: str, days_ago: float, factor: Quantiles = EIGHT_TIMES) -> Assessment:
    changed = replace(LEAK, changed_at=AS_OF - timedelta(days=days_ago), change_factor=factor)
    return replace(assessment_of(name, forecast_of(200.0)), leak=changed)


def test_a_box_that_leaks_more_is_the_first_word_however_long_its_beads_last() -> None:
    crowd = [assessment_of("over", forecast_of(-10.0)), leakier("cracked", 20.0), leakier("ajar", 80.0)]
    words = words_for_today(crowd, TODAY)
    assert [(word.box, word.matter) for word in words] == [
        ("cracked", Matter.leak), ("ajar", Matter.leak), ("over", Matter.over_limit),
    ]  # fmt: skip
    assert words[0].text == (
        "cracked: Check the lid and seal: this box has leaked about 8 times as much since 12 February."
    )
    assert words[1].text.endswith("since 14 December 2025.")


def test_fresh_beads_mend_no_seal() -> None:
    box = leakier("cracked", 60.0)
    assert box.charge is not None
    recharged = replace(box, charge=replace(box.charge, at=AS_OF - timedelta(days=5)))
    assert [word.matter for word in words_for_today([recharged], TODAY)] == [Matter.leak]


@pytest.mark.parametrize(("days_ago", "factor"), [(20.0, Quantiles(0.2, 0.4, 0.7)), (181.0, Quantiles(3.0, 5.0, 8.0))])
def test_a_lid_that_closes_better_and_a_change_of_long_ago_are_no_news(days_ago: float, factor: Quantiles) -> None:
    assert words_for_today([leakier("well", days_ago, factor)], TODAY) == ()


@pytest.mark.parametrize(("p50", "said"), [(1.64, "about 1.6 times"), (2.96, "about 3 times"), (8.3, "about 8 times")])
def test_how_much_more_it_leaks_is_said_as_well_as_it_is_known(p50: float, said: str) -> None:
    [word] = words_for_today([leakier("cracked", 20.0, Quantiles(1.1, p50, 20.0))], TODAY)
    assert said in word.text


def test_the_day_of_a_change_is_the_persons_own() -> None:
    """Noon in UTC is one o'clock in the morning of the next day in Auckland."""
    assert why_check_the_lid(leakier("cracked", 20.0), ZoneInfo("Pacific/Auckland")).endswith("since 13 February.")


def test_a_box_over_its_limit_is_told_the_next_oven_day() -> None:
    over = assessment_of("over", forecast_of(-10.0))
    saturday, sunday = TODAY + timedelta(days=3), TODAY + timedelta(days=4)
    assert next_oven_day(TODAY, (5, 6)) == saturday
    assert next_oven_day(saturday, (5, 6)) == saturday
    assert next_oven_day(sunday, (5,)) == saturday + timedelta(days=7)
    assert next_oven_day(TODAY, ()) is None
    [word] = words_for_today([over], TODAY, oven_day=saturday)
    assert word.text == "over: dry beads now (next oven day: Sat 7 Mar). It is over its limit of 20 %."
    [word] = words_for_today([over], TODAY, oven_day=TODAY)
    assert word.text.startswith("over: dry beads now. ")


def test_what_is_only_estimated_is_not_said_as_seen() -> None:
    over = assessment_of("over", forecast_of(-10.0))
    assert over.latest is not None
    old = replace(over, latest=over.latest._replace(at=AS_OF - timedelta(days=40)))
    assert words_for_today([old], TODAY)[0].text == (
        "over: dry beads now. By estimate it is over its limit of 20 %. Its last reading is 40 days old."
    )


def test_an_estimate_that_failed_is_worth_a_word_beside_what_was_seen() -> None:
    failed = replace(assessment_of("broken", None, BoxState.estimate_failed), failed=True, refusal="it failed (x)")
    over = replace(failed, state=BoxState.over_limit)
    assert [(w.matter, w.text) for w in words_for_today([failed], TODAY)] == [(Matter.failed, "broken: it failed (x).")]
    assert [w.matter for w in words_for_today([over], TODAY)] == [Matter.over_limit, Matter.failed]


def test_that_boxes_were_asked_alone_is_said_once_for_the_shelf() -> None:
    crowd = [replace(assessment_of(name, forecast_of(200.0)), apart="not together (x)") for name in "abc"]
    assert [(w.box, w.matter, w.text) for w in words_for_today(crowd, TODAY)] == [
        ("", Matter.failed, "shelf: not together (x).")
    ]


def test_beads_that_just_went_in_get_time_before_they_are_called_spent() -> None:
    over = assessment_of("over", forecast_of(-10.0))
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=5)))
    [word] = words_for_today([fresh], TODAY)
    assert word.text.startswith("over: look again tomorrow.")
    assert "Its beads went in 5 hours ago" in word.text
    assert "dry beads" not in word.text
