"""The plan keeps its promises: allowed weekdays, batches that fit, nobody needlessly late, a reason for each."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from answers_by_hand import assessment_of, due_in, forecast_of
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import OutOfRangeError
from monitor.planning.alerts import alerts_for_today
from monitor.planning.reasons import why_left_out, why_on_this_day
from monitor.planning.recharge import RechargePlan, plan_recharges
from monitor.planning.weights import WEIGHTS
from monitor.records import Appliance, Assessment, BoxState
from monitor.records.alerts import AlertKind

WEDNESDAY = date(2026, 3, 4)
SATURDAY, SUNDAY = 5, 6
OVEN = Appliance(name="oven", batch_boxes=3)


def crowd_of(medians: list[tuple[float, float]]) -> list[Assessment]:
    return [assessment_of(f"box{i}", forecast_of(median, spread)) for i, (median, spread) in enumerate(medians)]


def day_of(plan: RechargePlan, box: str) -> date | None:
    return next((day.on for day in plan.days if box in day.boxes), None)


crowds = st.lists(st.tuples(st.floats(-10.0, 150.0), st.floats(1.0, 60.0)), min_size=1, max_size=9).map(crowd_of)


@given(crowd=crowds, batch=st.integers(1, 4), weekdays=st.sets(st.integers(0, 6), min_size=1))
@settings(max_examples=60, deadline=None)
def test_every_plan_keeps_the_rules(crowd: list[Assessment], batch: int, weekdays: set[int]) -> None:
    plan = plan_recharges(crowd, replace(OVEN, batch_boxes=batch), WEDNESDAY, weekdays)
    planned = [box for day in plan.days for box in day.boxes]
    assert sorted([*planned, *plan.left_out]) == sorted(a.box.name for a in crowd)
    for day in plan.days:
        assert day.on.weekday() in weekdays
        assert WEDNESDAY <= day.on <= WEDNESDAY + timedelta(days=60)
        assert 1 <= len(day.boxes) <= batch
        assert set(day.reasons) == set(day.boxes)
    assert [day.on for day in plan.days] == sorted({day.on for day in plan.days})
    assert all(reason and "\n" not in reason for day in plan.days for reason in day.reasons.values())


@given(crowd=crowds)
@settings(max_examples=60, deadline=None)
def test_with_room_for_all_no_box_waits_into_a_costly_chance(crowd: list[Assessment]) -> None:
    """Every day allowed and a place for everyone: at the day's start a box costs less than one more day at the oven."""
    plan = plan_recharges(crowd, replace(OVEN, batch_boxes=20), WEDNESDAY, range(7))
    for assessment in crowd:
        assert assessment.forecast is not None
        on = day_of(plan, assessment.box.name)
        waited = (on - WEDNESDAY).days if on else 60
        late_days = sum(assessment.forecast.chance_within(day) for day in range(waited))
        early_saved = sum(
            1.0 - assessment.forecast.chance_within(day)
            for day in range(waited)
            if assessment.forecast.chance_within(day) > 0.0
        )
        assert WEIGHTS.late_day * late_days <= WEIGHTS.oven_day + WEIGHTS.early_day * early_saved + 1e-6


def test_two_boxes_due_close_together_share_a_day() -> None:
    plan = plan_recharges(crowd_of([(20.0, 3.0), (24.0, 3.0)]), OVEN, WEDNESDAY, [SATURDAY, SUNDAY])
    (day,) = plan.days
    assert day.boxes == ("box0", "box1")
    assert day.on == date(2026, 3, 22)
    assert day.reasons["box1"].startswith("It is due by Fri 27 Mar. ")


@pytest.mark.parametrize(("days", "words"), [(0, "It is due today. "), (1, "It is due by Thu 5 Mar. ")])
def test_a_box_due_today_is_due_today(days: int, words: str) -> None:
    box = assessment_of("soon", due_in(days))
    assert box.forecast is not None
    on = WEDNESDAY + timedelta(days=days)
    assert why_on_this_day(box, box.forecast, today=WEDNESDAY, on=on, best=on, company=[]).startswith(words)


@pytest.mark.parametrize(
    ("late_days", "best_days_before", "company", "why"),
    [
        (6, 7, ["box1"], "6 days late (11 Mar would be right): every drying day before is full."),
        (6, 7, [], "6 days late (11 Mar would be right): every drying day before is full."),
        (1, 0, [], "1 day late (11 Mar would be right): this is the first drying day after it."),
    ],
)
def test_a_day_after_the_day_to_dry_by_says_by_how_much_and_why(
    late_days: int, best_days_before: int, company: list[str], why: str
) -> None:
    box = assessment_of("late", due_in(7))
    assert box.forecast is not None
    on = WEDNESDAY + timedelta(days=7 + late_days)
    best = on - timedelta(days=best_days_before)
    said = why_on_this_day(box, box.forecast, today=WEDNESDAY, on=on, best=best, company=company)
    assert said == f"{why} The chance that it is over 20 % by then is 20 %."


@pytest.mark.parametrize(("days", "words"), [(53, "is full"), (54, "It lasts beyond")])
def test_a_box_left_out_though_due_a_week_before_the_end_is_said_to_find_no_place(days: int, words: str) -> None:
    """The plan ends after 60 days; what is due in its last week may as well wait for the next plan."""
    box = assessment_of("late", due_in(days))
    assert box.forecast is not None
    assert words in why_left_out(box, box.forecast, WEDNESDAY, 60)


def test_a_box_that_found_its_day_full_says_so() -> None:
    """Nothing is told of company that had no part in it."""
    box = assessment_of("bag", due_in(14))
    assert box.forecast is not None
    due, week = WEDNESDAY + timedelta(days=14), timedelta(days=7)

    def said(on: date, best: date) -> str:
        return why_on_this_day(
            box, box.forecast, today=WEDNESDAY, on=on, best=best, best_is_full=True, company=["box1"]  # type: ignore[arg-type]
        )  # fmt: skip

    assert said(due, due - week).startswith("It is due by Wed 18 Mar; Wed 11 Mar is full. ")
    assert (
        why_on_this_day(box, box.forecast, today=WEDNESDAY, on=due - week, best=due, company=["box1"])
        == "It could wait until Wed 18 Mar, but drying it along with box1 saves heating up again."
    )
    assert said(due - week, due) == "It could wait until Wed 18 Mar, but that day is full."


@given(crowd=crowds, batch=st.integers(1, 4), weekdays=st.sets(st.integers(0, 6), min_size=1))
@settings(max_examples=100, deadline=None)
def test_no_box_is_later_than_its_day_while_a_place_before_is_free(
    crowd: list[Assessment], batch: int, weekdays: set[int]
) -> None:
    """What every page names as the day to dry by is kept wherever it can be."""
    plan = plan_recharges(crowd, replace(OVEN, batch_boxes=batch), WEDNESDAY, weekdays)
    taken = {day.on: len(day.boxes) for day in plan.days}
    for box in crowd:
        if box.due_at is None or box.due_at - box.as_of > timedelta(days=53):  # the next plan takes it
            continue
        on = day_of(plan, box.box.name) or date.max
        if on <= WEDNESDAY + (box.due_at - box.as_of):
            continue
        days = (WEDNESDAY + timedelta(days=ahead) for ahead in range(61))
        free = [day for day in days if day < on and day.weekday() in weekdays and taken.get(day, 0) < batch]
        assert not free, f"{box.box.name} is on {on} although {free[0]} has a place"


def test_a_day_at_the_oven_is_saved_only_within_what_is_due() -> None:
    """Due on Thursday 19th and Friday 20th: neither waits for Saturday 21st, both share the Saturday before."""
    crowd = [assessment_of("box0", due_in(15)), assessment_of("box1", due_in(16)), assessment_of("box2", due_in(38))]
    plan = plan_recharges(crowd, OVEN, WEDNESDAY, [SATURDAY])
    shared = [(day.on, day.boxes) for day in plan.days]
    assert shared == [(date(2026, 3, 14), ("box0", "box1")), (date(2026, 4, 11), ("box2",))]


def test_two_boxes_due_far_apart_do_not() -> None:
    plan = plan_recharges(crowd_of([(10.0, 2.0), (50.0, 2.0)]), OVEN, WEDNESDAY, [SATURDAY])
    assert [(day.on, day.boxes) for day in plan.days] == [
        (date(2026, 3, 7), ("box0",)),
        (date(2026, 4, 18), ("box1",)),
    ]


def test_a_box_over_its_limit_goes_in_on_the_next_allowed_day() -> None:
    plan = plan_recharges(crowd_of([(-30.0, 5.0)]), OVEN, WEDNESDAY, [SATURDAY])
    assert [(day.on, day.boxes) for day in plan.days] == [(date(2026, 3, 7), ("box0",))]
    assert "It is over its limit of 20 %." in plan.days[0].reasons["box0"]


def test_today_is_a_day_too() -> None:
    plan = plan_recharges(crowd_of([(-30.0, 5.0)]), OVEN, WEDNESDAY, [WEDNESDAY.weekday()])
    assert plan.days[0].on == WEDNESDAY


def test_full_days_are_said() -> None:
    plan = plan_recharges(crowd_of([(-30.0, 5.0)] * 10), replace(OVEN, batch_boxes=1), WEDNESDAY, [SATURDAY])
    assert [len(day.boxes) for day in plan.days] == [1] * 9
    ((_, reason),) = plan.left_out.items()
    assert reason.startswith("It is due by Wed 4 Mar, but every drying day until Sun 3 May is full.")


def test_where_a_day_is_short_the_box_that_loses_less_waits() -> None:
    """One place on the next Saturday: the box over its limit takes it, the one due later goes in a week after."""
    plan = plan_recharges(crowd_of([(8.0, 4.0), (-30.0, 5.0)]), replace(OVEN, batch_boxes=1), WEDNESDAY, [SATURDAY])
    assert [(day.on, day.boxes) for day in plan.days] == [
        (date(2026, 3, 7), ("box1",)),
        (date(2026, 3, 14), ("box0",)),
    ]


def test_a_box_that_lasts_is_left_out_with_its_chance() -> None:
    plan = plan_recharges(crowd_of([(300.0, 20.0)]), OVEN, WEDNESDAY, [SATURDAY])
    assert plan.days == ()
    said = "It lasts beyond Sun 3 May. The chance that it is over 20 % by then is less than 1 %."
    assert plan.left_out == {"box0": said}


def test_a_box_without_a_forecast_is_left_out_with_its_refusal() -> None:
    strange = replace(assessment_of("new", None), state=BoxState.undeclared)
    plan = plan_recharges([assessment_of("young", None), strange], OVEN, WEDNESDAY, [SATURDAY])
    assert plan.days == ()
    assert plan.left_out["young"] == "There is no forecast: two days of readings can't carry a forecast."
    assert "`siccast adopt new` makes it one" in plan.left_out["new"]


def test_the_plan_says_of_a_box_over_its_limit_what_today_says() -> None:
    over = replace(assessment_of("over", None), state=BoxState.over_limit)
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=over.as_of - timedelta(hours=5)))
    for box in (over, fresh):
        [alert] = [alert for alert in alerts_for_today([box], WEDNESDAY) if alert.kind is AlertKind.over_limit]
        advice = alert.text.partition(": ")[2].partition(".")[0]
        plan = plan_recharges([box], OVEN, WEDNESDAY, [SATURDAY])
        assert plan.left_out["over"].startswith(f"It is over its limit: {advice}. There is no forecast: ")


def test_grams_fill_a_batch_too() -> None:
    """Two charges of 100 g and one of 400 g against a tray of 250 g: two days, the large one alone."""
    crowd = crowd_of([(-30.0, 5.0)] * 3)
    large = crowd[2].charge
    assert large is not None
    crowd[2] = replace(crowd[2], charge=replace(large, dry_mass_g=400.0))
    plan = plan_recharges(crowd, replace(OVEN, batch_boxes=4, batch_g=250.0), WEDNESDAY, [SATURDAY])
    assert sorted(day.boxes for day in plan.days) == [("box0", "box1"), ("box2",)]


@pytest.mark.parametrize("weekdays", [[], [7], [-1]])
def test_weekdays_that_are_none_are_refused(weekdays: list[int]) -> None:
    with pytest.raises(OutOfRangeError, match="Monday 0 to Sunday 6"):
        plan_recharges(crowd_of([(1.0, 1.0)]), OVEN, WEDNESDAY, weekdays)


def test_a_batch_that_holds_nothing_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="at least 1"):
        plan_recharges(crowd_of([(1.0, 1.0)]), replace(OVEN, batch_boxes=0), WEDNESDAY, [SATURDAY])
