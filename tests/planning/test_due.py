"""What deserves an alert: once for each cause, and never for a box that is well."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace
from datetime import UTC, date, timedelta
from zoneinfo import ZoneInfo

import pytest
from answers_by_hand import AS_OF, LEAK, assessment_of, due_in, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from monitor.planning.alerts import alerts_for_today, in_lines
from monitor.planning.due import (
    all_silent,
    due_at,
    just_filled,
    leaks_more,
    next_oven_day,
    rule_of_days,
    state_of,
    what_to_do,
    why_check_the_lid,
)
from monitor.planning.recharge import plan_recharges
from monitor.planning.weights import WEIGHTS, PlanWeights
from monitor.records import Appliance, Assessment, BoxState, Quantiles, ReadingSource
from monitor.records.alerts import Alert, AlertKind

TODAY = date(2026, 3, 4)


@pytest.mark.parametrize(
    ("median_days", "state"),
    [(-10.0, BoxState.over_limit), (20.0, BoxState.due), (200.0, BoxState.within_limit)],
)
def test_state_in_plain_words(median_days: float, state: BoxState) -> None:
    assert state_of(forecast_of(median_days), AS_OF) is state


def test_what_is_said_and_weighed_does_not_change() -> None:
    plan = plan_recharges([assessment_of("soon", due_in(2))], Appliance("oven"), TODAY, range(7))
    for thing in (Alert("pla", AlertKind.due, "x"), WEIGHTS, plan):
        assert not hasattr(thing, "__dict__")
        with pytest.raises(FrozenInstanceError):
            setattr(thing, fields(thing)[0].name, None)


@given(median_days=st.floats(1.0, 700.0), spread_days=st.floats(1.0, 300.0))
def test_due_day_is_the_first_with_a_chance_worth_a_recharge(median_days: float, spread_days: float) -> None:
    forecast, worth_it = forecast_of(median_days, spread_days), WEIGHTS.due_chance
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


@pytest.mark.parametrize(("days", "kinds"), [(0, [AlertKind.due]), (6, [AlertKind.due]), (7, [AlertKind.due]), (8, [])])
def test_a_week_ahead_is_near_enough_for_an_alert(days: int, kinds: list[AlertKind]) -> None:
    alerts = alerts_for_today([assessment_of("soon", due_in(days))], TODAY)
    assert [alert.kind for alert in alerts] == kinds


@pytest.mark.parametrize(("hours", "text"), [(24, ""), (25, "25 hours"), (47, "47 hours"), (48, "2 days")])
def test_a_box_is_silent_after_more_than_a_day(hours: int, text: str) -> None:
    quiet = assessment_of("quiet", forecast_of(200.0))
    assert quiet.latest is not None
    latest = quiet.latest._replace(at=AS_OF - timedelta(hours=hours))
    alerts = alerts_for_today([replace(quiet, latest=latest)], TODAY)
    assert [alert.text for alert in alerts] == (
        [f"quiet: no reading for {text}. Check its sensor (battery, radio)."] if text else []
    )


@pytest.mark.parametrize(
    ("every_h", "hours", "source", "text"),
    [
        (24.0, 70, ReadingSource.sensor, ""),
        (
            24.0,
            73,
            ReadingSource.sensor,
            "no reading for 3 days; usually there is one every 24 hours. Check its sensor",
        ),
        (1 / 6, 25, ReadingSource.sensor, "no reading for 25 hours; usually there is one every 10 minutes. Check its"),
        (None, 160, ReadingSource.hand, ""),
        (None, 170, ReadingSource.hand, "no reading off its display for 7 days. Log one: `siccast log reading quiet"),
        (168.0, 480, ReadingSource.hand, ""),
        (168.0, 600, ReadingSource.hand, "no reading off its display for 25 days; usually there is one every 7 days."),
        (1 / 6, 30, ReadingSource.hand, "no reading for 30 hours; usually there is one every 10 minutes. Check its"),
    ],
)
def test_silence_is_told_by_the_habit_of_a_sensor_or_a_person(
    every_h: float | None, hours: int, source: ReadingSource, text: str
) -> None:
    """Three of its own intervals; a day at least, a week where a person reads a display, as the constants have it."""
    every = None if every_h is None else timedelta(hours=every_h)
    quiet = replace(assessment_of("quiet", forecast_of(200.0)), reads_every=every)
    assert quiet.latest is not None
    latest = quiet.latest._replace(at=AS_OF - timedelta(hours=hours), source=source)
    said = [alert.text for alert in alerts_for_today([replace(quiet, latest=latest)], TODAY)]
    assert [one.startswith(f"quiet: {text}") for one in said] == ([True] if text else []), said


def test_hygrometers_that_people_read_have_no_listener_in_common() -> None:
    quiet = [assessment_of(name, forecast_of(200.0)) for name in ("one", "other")]
    old = {"at": AS_OF - timedelta(days=9)}
    by_hand = [
        replace(one, latest=one.latest._replace(**old, source=ReadingSource.hand)) for one in quiet if one.latest
    ]
    assert not all_silent(by_hand)
    assert all_silent([replace(one, latest=one.latest._replace(**old)) for one in quiet if one.latest])


def test_an_alert_for_each_cause() -> None:
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
    alerts = alerts_for_today(crowd, TODAY)
    assert [(alert.box, alert.kind) for alert in alerts] == [
        ("over", AlertKind.over_limit),
        ("soon", AlertKind.due),
        ("strange", AlertKind.undeclared),
        ("silent", AlertKind.silent),
        ("new", AlertKind.silent),
    ]
    assert (
        alerts[0].text == "over: dry beads now. By estimate it is over its limit of 20 %. Its last reading was 12.1 %."
    )
    assert alerts[1].text == (
        "soon: dry beads by Mon 9 Mar. After that day the chance that it is over 20 % is more than 1 in 5."
    )
    assert alerts[3].text == "silent: no reading for 3 days. Check its sensor (battery, radio)."


def test_a_box_whose_last_reading_is_over_its_limit_is_so_by_more_than_an_estimate() -> None:
    """One that was opened just now is over it by estimate, and its display still shows what was before."""
    over = assessment_of("over", forecast_of(-10.0))
    assert over.latest is not None
    shown = replace(over, latest=over.latest._replace(relative_humidity=0.21))
    [alert] = alerts_for_today([shown], TODAY)
    assert alert.text == "over: dry beads now. It is over its limit of 20 %."


def test_silent_boxes_share_a_line_with_their_remedy_once() -> None:
    silent = assessment_of("silent", forecast_of(200.0))
    assert silent.latest is not None
    crowd = [
        replace(silent, latest=silent.latest._replace(at=AS_OF - timedelta(days=3))),
        assessment_of("over", forecast_of(-10.0)),
        replace(assessment_of("new", None), state=BoxState.no_readings, latest=None),
    ]
    assert in_lines(alerts_for_today(crowd, TODAY)) == [
        "No reading from 2 boxes: silent (for 3 days), new (never one). Check their sensors (battery, radio).",
        "over: dry beads now. By estimate it is over its limit of 20 %. Its last reading was 12.1 %.",
    ]
    alone = alerts_for_today(crowd[:1], TODAY)
    assert in_lines(alone) == [alone[0].text]


def test_a_box_all_of_whose_readings_are_dated_later_did_send_some() -> None:
    later = replace(
        assessment_of("ahead", None),
        state=BoxState.no_readings,
        latest=None,
        only_later_until=AS_OF + timedelta(days=3650),
        refusal="all its readings are dated later",
    )
    never = replace(assessment_of("new", None), state=BoxState.no_readings, latest=None)
    assert in_lines(alerts_for_today([later, never, replace(never, box=replace(never.box, name="newer"))], TODAY)) == [
        "ahead: all its readings are dated later.",
        "No reading from 2 boxes: new (never one), newer (never one). Check their sensors (battery, radio).",
    ]


EIGHT_TIMES = Quantiles(5.1, 8.3, 13.0)


def leakier(name: str, days_ago: float, factor: Quantiles = EIGHT_TIMES) -> Assessment:
    changed = replace(LEAK, changed_at=AS_OF - timedelta(days=days_ago), change_factor=factor)
    return replace(assessment_of(name, forecast_of(200.0)), leak=changed)


def test_a_box_that_leaks_more_is_the_first_alert_however_long_its_beads_last() -> None:
    crowd = [assessment_of("over", forecast_of(-10.0)), leakier("cracked", 20.0), leakier("ajar", 80.0)]
    alerts = alerts_for_today(crowd, TODAY)
    assert [(alert.box, alert.kind) for alert in alerts] == [
        ("cracked", AlertKind.leak), ("ajar", AlertKind.leak), ("over", AlertKind.over_limit),
    ]  # fmt: skip
    assert alerts[0].text == (
        "cracked: Check the lid and seal: this box has leaked about 8 times as much since 12 February."
    )
    assert alerts[1].text.endswith("since 14 December 2025.")


def test_fresh_beads_mend_no_seal() -> None:
    box = leakier("cracked", 60.0)
    assert box.charge is not None
    recharged = replace(box, charge=replace(box.charge, at=AS_OF - timedelta(days=5)))
    assert [alert.kind for alert in alerts_for_today([recharged], TODAY)] == [AlertKind.leak]


@pytest.mark.parametrize(("days_ago", "factor"), [(20.0, Quantiles(0.2, 0.4, 0.7)), (181.0, Quantiles(3.0, 5.0, 8.0))])
def test_a_lid_that_closes_better_and_a_change_of_long_ago_are_no_news(days_ago: float, factor: Quantiles) -> None:
    assert alerts_for_today([leakier("well", days_ago, factor)], TODAY) == ()


@pytest.mark.parametrize(("p50", "said"), [(1.64, "about 1.6 times"), (2.96, "about 3 times"), (8.3, "about 8 times")])
def test_how_much_more_it_leaks_is_said_as_well_as_it_is_known(p50: float, said: str) -> None:
    [alert] = alerts_for_today([leakier("cracked", 20.0, Quantiles(1.1, p50, 20.0))], TODAY)
    assert said in alert.text


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
    [alert] = alerts_for_today([over], TODAY, oven_day=saturday)
    assert alert.text == (
        "over: dry beads now (next drying day: Sat 7 Mar). By estimate it is over its limit of 20 %. Its last "
        "reading was 12.1 %."
    )
    [alert] = alerts_for_today([over], TODAY, oven_day=TODAY)
    assert alert.text.startswith("over: dry beads now. ")


def test_what_is_only_estimated_is_not_said_as_seen() -> None:
    over = assessment_of("over", forecast_of(-10.0))
    assert over.latest is not None
    old = replace(over, latest=over.latest._replace(at=AS_OF - timedelta(days=40)))
    assert alerts_for_today([old], TODAY)[0].text == (
        "over: dry beads now. By estimate it is over its limit of 20 %. Its last reading is 40 days old."
    )


def test_an_estimate_that_failed_is_worth_an_alert_beside_what_was_seen() -> None:
    failed = replace(assessment_of("broken", None, BoxState.estimate_failed), failed=True, refusal="it failed (x)")
    over = replace(failed, state=BoxState.over_limit)
    assert [(w.kind, w.text) for w in alerts_for_today([failed], TODAY)] == [
        (AlertKind.failed, "broken: it failed (x).")
    ]
    assert [w.kind for w in alerts_for_today([over], TODAY)] == [AlertKind.over_limit, AlertKind.failed]


def test_that_boxes_were_asked_alone_is_said_once_for_the_shelf() -> None:
    crowd = [replace(assessment_of(name, forecast_of(200.0)), apart="not together (x)") for name in "abc"]
    assert [(w.box, w.kind, w.text) for w in alerts_for_today(crowd, TODAY)] == [
        ("", AlertKind.failed, "shelf: not together (x).")
    ]


def test_beads_that_just_went_in_get_time_before_they_are_called_spent() -> None:
    over = assessment_of("over", forecast_of(-10.0))
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=5)))
    [alert] = alerts_for_today([fresh], TODAY)
    assert alert.text.startswith("over: look again tomorrow.")
    assert "Its beads went in 5 hours ago" in alert.text
    assert "dry beads" not in alert.text


@pytest.mark.parametrize(("days_ago", "p50", "news"), [(180.0, 1.01, True), (180.1, 5.0, False), (5.0, 1.0, False)])
def test_a_leak_is_news_for_half_a_year(days_ago: float, p50: float, news: bool) -> None:
    box = leakier("cracked", days_ago, Quantiles(0.9, p50, 9.0))
    assert leaks_more(box) == news
    assert bool(why_check_the_lid(box, UTC)) == news
    for nothing in ({"changed_at": None}, {"change_factor": None}):
        assert not leaks_more(replace(box, leak=replace(box.leak, **nothing)))  # type: ignore[type-var, arg-type]
    assert not leaks_more(replace(box, leak=None))


@pytest.mark.parametrize(
    ("p50", "said"), [(2.94, "about 2.9 times"), (2.95, "about 3 times"), (1.26, "about 1.3 times")]
)
def test_three_times_and_more_are_said_whole(p50: float, said: str) -> None:
    assert said in why_check_the_lid(leakier("cracked", 20.0, Quantiles(1.1, p50, 20.0)), UTC)


@pytest.mark.parametrize(("hours", "fresh"), [(35.9, True), (36.0, False), (0.0, True)])
def test_fresh_beads_get_a_day_and_a_half(hours: float, fresh: bool) -> None:
    over = assessment_of("over", forecast_of(-10.0))
    assert over.charge is not None
    box = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=hours)))
    assert just_filled(box) == fresh
    assert what_to_do(box) == ("look again tomorrow" if fresh else "dry beads now")
    assert not just_filled(replace(box, charge=None))
    assert what_to_do(replace(box, charge=None)) == "log its beads or put some in now"


def test_the_rule_of_days_names_the_odds() -> None:
    assert rule_of_days() == (
        "Dry the beads on the day shown or earlier: after it, the chance that the box is over its limit is more than 1"
        " in 5."
    )
    assert WEIGHTS.due_chance == pytest.approx(0.2)
    assert PlanWeights(late_day=9.0, early_day=3.0).due_chance == pytest.approx(0.25)


@pytest.mark.parametrize(("chance", "over"), [(0.5, True), (0.49, False)])
def test_as_likely_as_not_is_over(chance: float, over: bool) -> None:
    forecast = replace(forecast_of(200.0), chance_over_already=chance)
    assert (state_of(forecast, AS_OF) is BoxState.over_limit) == over
