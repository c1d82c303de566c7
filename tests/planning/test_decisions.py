"""What a person decides about the plan is kept to, the newest first, and forgotten once its day is past."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest
from answers_by_hand import AS_OF, assessment_of, due_in, forecast_of
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.planning.decisions import REMIND_DAYS, constraints_of
from monitor.planning.problem import BEYOND_DAYS
from monitor.planning.recharge import RechargePlan, plan_recharges
from monitor.planning.visits import late_and_early, places_after
from monitor.planning.weights import WEIGHTS
from monitor.records import Appliance, Assessment, DecisionKind, PlanDecision

WEDNESDAY = date(2026, 3, 4)
SATURDAY, SUNDAY = WEDNESDAY + timedelta(days=3), WEDNESDAY + timedelta(days=4)
WEEKEND = (5, 6)
OVEN = Appliance(name="oven", batch_boxes=2)
SOON = assessment_of("soon", forecast_of(8.0))
LATER = assessment_of("later", forecast_of(25.0))


def decided(*told: tuple[DecisionKind, date, str] | tuple[DecisionKind, date]) -> list[PlanDecision]:
    """Return decisions made one after the other, an hour before the question."""
    return [
        PlanDecision(*each, decision_id=number, decided_at=AS_OF - timedelta(hours=1))
        for number, each in enumerate(told, start=1)
    ]


def plan(*decisions: PlanDecision, boxes: tuple[Assessment, ...] = (SOON, LATER), days: int = 60) -> RechargePlan:
    return plan_recharges(boxes, OVEN, WEDNESDAY, WEEKEND, decisions=decisions, horizon_days=days)


def days_of(planned: RechargePlan) -> dict[str, date]:
    return {box: day.on for day in planned.days for box in day.boxes}


def test_a_box_stays_on_the_day_it_was_moved_to_and_the_others_may_join_it() -> None:
    thursday = WEDNESDAY + timedelta(days=8)
    near = assessment_of("near", due_in(9))
    planned = plan(*decided((DecisionKind.moved, thursday, "soon")), boxes=(SOON, near))
    assert days_of(planned)["soon"] == thursday
    assert days_of(planned)["near"] == thursday, "one day at the oven is cheaper than two"
    (day,) = planned.days
    assert day.moved == ("soon",)
    assert day.reasons["soon"] == (
        "You moved it to this day. It is due by Mon 9 Mar. The chance that it is over 20 % by then is 50 %."
    )


def test_nothing_is_dried_on_a_day_off() -> None:
    usual = days_of(plan())["soon"]
    planned = plan(*decided((DecisionKind.not_that_day, usual)))
    assert usual not in days_of(planned).values()
    assert planned.decided.days_off == {usual}


def away(first: date, last: date) -> PlanDecision:
    return PlanDecision(DecisionKind.not_that_day, first, decision_id=9, decided_at=AS_OF, last=last)


def test_what_falls_due_while_nobody_is_there_is_dried_before_and_told_why() -> None:
    """``later`` is due after 20 days or so: without days off on the last weekend before, else before those."""
    usual = days_of(plan(boxes=(LATER,)))["later"]
    first, last = usual - timedelta(days=6), usual + timedelta(days=15)
    planned = plan(away(first, last), boxes=(LATER,))
    assert days_of(planned)["later"] < first
    assert planned.decided.days_off == {first + timedelta(days=ahead) for ahead in range(22)}
    assert len(planned.decided.in_force) == 1, "one decision, to be undone at once"
    why = next(day.reasons["later"] for day in planned.days if "later" in day.boxes)
    assert f"; nothing is dried from {first:%a} {first.day} {first:%b} to {last:%a} {last.day} {last:%b}. " in why


def test_a_box_that_finds_no_day_before_is_late_because_of_the_days_off() -> None:
    due = assessment_of("due", due_in(9))
    planned = plan(away(WEDNESDAY, WEDNESDAY + timedelta(days=20)), boxes=(due,))
    (day,) = planned.days
    assert day.on == WEDNESDAY + timedelta(days=24)
    assert day.reasons["due"].startswith(
        "15 days late (13 Mar would be right): nothing is dried from Wed 4 Mar to Tue 24 Mar."
    )


def test_a_box_moved_into_days_off_opens_that_day_alone() -> None:
    off = away(SATURDAY, SATURDAY + timedelta(days=20))
    moved = PlanDecision(DecisionKind.moved, SUNDAY, "soon", decision_id=10, decided_at=AS_OF - timedelta(hours=1))
    found = constraints_of((off, moved), (SOON, LATER), WEDNESDAY)
    assert found.days_off == set(off.days) - {SUNDAY}
    assert found.in_force == (off, moved)
    assert constraints_of((moved, off), (SOON, LATER), WEDNESDAY).fixed == {}, "who goes away later moves it no more"


def test_days_off_count_until_the_last_of_them_and_those_of_the_shelf_file_are_added() -> None:
    off = away(WEDNESDAY - timedelta(days=3), WEDNESDAY)
    assert constraints_of((off,), (SOON,), WEDNESDAY, {SUNDAY}).days_off == {WEDNESDAY, SUNDAY}
    assert constraints_of((off,), (SOON,), WEDNESDAY + timedelta(days=1)).days_off == set()


def test_a_skipped_box_is_dried_later_or_not_at_all() -> None:
    until = WEDNESDAY + timedelta(days=20)
    planned = plan(*decided((DecisionKind.skip, until, "soon")))
    assert days_of(planned)["soon"] >= until
    assert "you skip it until Tue 24 Mar" in next(day.reasons["soon"] for day in planned.days if "soon" in day.boxes)
    beyond = plan(*decided((DecisionKind.skip, WEDNESDAY + timedelta(days=90), "soon")))
    assert beyond.left_out["soon"] == (
        "You skip it until Tue 2 Jun. It is due by Mon 9 Mar. "
        "The chance that it is over 20 % by then is more than 99 %."
    )


def test_a_day_beyond_the_plan_is_said() -> None:
    planned = plan(*decided((DecisionKind.moved, WEDNESDAY + timedelta(days=40), "soon")), days=30)
    assert planned.left_out["soon"] == "You moved it to Mon 13 Apr. This plan ends on Fri 3 Apr."


def test_more_boxes_than_a_batch_may_be_moved_to_a_day_and_it_is_said_how_often_to_heat() -> None:
    crowd = tuple(assessment_of(name, forecast_of(30.0)) for name in "abcde")
    planned = plan(*decided(*((DecisionKind.moved, SATURDAY, name) for name in "abc")), boxes=crowd)
    first = planned.days[0]
    assert (first.on, first.boxes, first.batches) == (SATURDAY, ("a", "b", "c"), 2)
    assert all(day.batches == 1 and len(day.boxes) <= OVEN.batch_boxes for day in planned.days[1:])


@pytest.mark.parametrize(
    ("told", "fixed", "off"),
    [
        ([(DecisionKind.moved, SATURDAY, "soon"), (DecisionKind.moved, SUNDAY, "soon")], {"soon": SUNDAY}, set()),
        ([(DecisionKind.moved, SATURDAY, "soon"), (DecisionKind.skip, SUNDAY, "soon")], {}, set()),
        ([(DecisionKind.moved, SATURDAY, "soon"), (DecisionKind.not_that_day, SATURDAY)], {}, {SATURDAY}),
        ([(DecisionKind.not_that_day, SATURDAY), (DecisionKind.moved, SATURDAY, "soon")], {"soon": SATURDAY}, set()),
        ([(DecisionKind.moved, WEDNESDAY - timedelta(days=1), "soon")], {}, set()),
        ([(DecisionKind.moved, WEDNESDAY, "soon")], {"soon": WEDNESDAY}, set()),
        ([(DecisionKind.not_that_day, WEDNESDAY - timedelta(days=1))], {}, set()),
        ([(DecisionKind.skip, WEDNESDAY, "soon")], {}, set()),
        ([(DecisionKind.moved, SATURDAY, "gone")], {}, set()),
    ],
)
def test_the_newest_decision_counts_and_a_past_one_does_not(
    told: list[tuple[DecisionKind, date, str]], fixed: dict[str, date], off: set[date]
) -> None:
    found = constraints_of(decided(*told), (SOON, LATER), WEDNESDAY)
    assert (found.fixed, found.days_off) == (fixed, off)


def test_fresh_beads_settle_what_was_decided_about_their_box() -> None:
    asked = decided(
        (DecisionKind.moved, SATURDAY, "soon"),
        (DecisionKind.skip, SUNDAY, "later"),
        (DecisionKind.done, WEDNESDAY, "soon"),
    )
    found = constraints_of(asked, (SOON, LATER), WEDNESDAY)
    assert [one.kind for one in found.to_be_logged] == [DecisionKind.done], "a claim alone settles nothing"
    assert "soon" in found.fixed
    assert SOON.charge is not None
    told_since = replace(SOON.charge, at=AS_OF - timedelta(days=1), logged_at=AS_OF)
    found = constraints_of(asked, (replace(SOON, charge=told_since), LATER), WEDNESDAY)
    assert (found.to_be_logged, set(found.fixed), set(found.not_before)) == ((), set(), {"later"})


def test_beads_that_just_went_in_get_time_before_their_box_is_planned_again() -> None:
    """What was done an hour ago is not asked for again because the air is still damp; unless somebody wants it."""
    over = assessment_of("over", forecast_of(-10.0))
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=5)))
    assert days_of(plan(boxes=(over,))) == {"over": SATURDAY}
    planned = plan(boxes=(fresh,))
    assert planned.days == ()
    assert planned.left_out["over"] == (
        "By estimate it is over its limit of 20 %. Its last reading was 12.1 %. Its beads went in 5 "
        "hours ago and may still be drying it. Look again tomorrow."
    )
    again = replace(decided((DecisionKind.moved, SUNDAY, "over"))[0], decided_at=AS_OF - timedelta(minutes=5))
    assert days_of(plan(again, boxes=(fresh,))) == {"over": SUNDAY}


def test_that_beads_are_missing_in_the_log_is_said_for_a_month() -> None:
    for ago, said in ((REMIND_DAYS, 1), (REMIND_DAYS + 1, 0)):
        claim = decided((DecisionKind.done, WEDNESDAY - timedelta(days=ago), "soon"))
        assert len(constraints_of(claim, (SOON,), WEDNESDAY).to_be_logged) == said


def test_what_a_day_is_expected_to_bring() -> None:
    """A box due for sure after ten days: on day 17 seven of them are late; on day 3 it would have held seven more."""
    sure = replace(due_in(0), chance_by_day=tuple(float(day >= 10) for day in range(541)))
    for on, late, early in ((17, 7.0, 0.0), (3, 0.0, 7.0)):
        day = WEDNESDAY + timedelta(days=on)
        planned = plan(*decided((DecisionKind.moved, day, "soon")), boxes=(assessment_of("soon", sure),))
        assert planned.days[0].late_days["soon"] == pytest.approx(late)
        assert planned.days[0].early_days["soon"] == pytest.approx(early)


@given(order=st.permutations(range(5)))
@settings(max_examples=20, deadline=None)
def test_the_order_of_the_boxes_changes_no_day(order: list[int]) -> None:
    crowd = [assessment_of(name, forecast_of(12.0)) for name in "abcde"]
    shuffled = plan(boxes=tuple(crowd[place] for place in order))
    assert days_of(shuffled) == days_of(plan(boxes=tuple(crowd)))


@given(order=st.permutations(range(6)))
@settings(max_examples=20, deadline=None)
def test_a_day_names_its_boxes_worst_first_whatever_their_order_before(order: list[int]) -> None:
    medians = {"b": 9.0, "a": 9.0, "soon": 6.0, "over": -10.0, "later": 12.0, "fresh": 300.0}
    crowd = [assessment_of(name, forecast_of(days)) for name, days in medians.items()]
    dryer = replace(OVEN, batch_boxes=9)
    planned = plan_recharges([crowd[place] for place in order], dryer, WEDNESDAY, WEEKEND)
    assert [day.boxes for day in planned.days] == [("over", "soon", "a", "b", "later")]
    assert list(planned.left_out) == ["fresh"]


@st.composite
def questions(draw: st.DrawFn) -> tuple[list[Assessment], list[PlanDecision], int]:
    boxes = [
        assessment_of(name, forecast_of(draw(st.floats(-3.0, 20.0)), draw(st.floats(1.0, 9.0))))
        for name in "abc"[: draw(st.integers(1, 3))]
    ]
    on = st.integers(0, 14).map(lambda ahead: WEDNESDAY + timedelta(days=ahead))
    box = st.sampled_from([each.box.name for each in boxes])
    told = st.one_of(
        st.tuples(st.sampled_from([DecisionKind.moved, DecisionKind.skip]), on, box),
        st.tuples(st.just(DecisionKind.not_that_day), on),
    )
    return boxes, decided(*draw(st.lists(told, max_size=4))), draw(st.integers(1, 2))


@given(question=questions())
@settings(max_examples=120, deadline=None)
def test_no_calendar_that_keeps_the_decisions_is_cheaper(
    question: tuple[list[Assessment], list[PlanDecision], int],
) -> None:
    boxes, decisions, batch = question
    asked = constraints_of(decisions, boxes, WEDNESDAY)
    open_days = [WEDNESDAY + timedelta(days=ahead) for ahead in range(15)]
    open_days = [
        on for on in open_days
        if on in asked.fixed.values() or (on.weekday() in WEEKEND and on not in asked.days_off)
    ]  # fmt: skip
    ahead = np.array([*((on - WEDNESDAY).days for on in open_days), 14 + BEYOND_DAYS])
    costs = {}
    for each in boxes:
        assert each.forecast is not None
        late, early = late_and_early(np.asarray(each.forecast.chance_by_day[: ahead[-1]]), 0, ahead, int(ahead[-1]))
        costs[each.box.name] = WEIGHTS.late_day * late + WEIGHTS.early_day * early
    may = np.array([[*(asked.may_dry(each.box.name, on) for on in open_days), True] for each in boxes])
    due = [(each.due_at - each.as_of).days if each.due_at else 99 for each in boxes]
    after = places_after(np.array([days if days <= 7 else np.inf for days in due]), ahead, may)
    for each, places in zip(boxes, after, strict=True):
        costs[each.box.name] += WEIGHTS.place_after_due(float(ahead[-1])) * places

    def price(days: dict[str, date | None]) -> float:
        used = {on for on in days.values() if on is not None}
        for box, on in days.items():
            kept = on == asked.fixed[box] if box in asked.fixed else on is None or on >= asked.not_before.get(box, on)
            if not kept or (on in asked.days_off and asked.fixed.get(box) != on):
                return float("inf")
        for on in used:
            moved = sum(day == on for day in asked.fixed.values())
            if sum(day == on for day in days.values()) > max(batch, moved):
                return float("inf")
        places = {box: open_days.index(on) if on else len(open_days) for box, on in days.items()}
        return sum(float(costs[box][place]) for box, place in places.items()) + WEIGHTS.oven_day * len(used)

    planned = plan_recharges(
        boxes, replace(OVEN, batch_boxes=batch), WEDNESDAY, WEEKEND, decisions=decisions, horizon_days=14
    )
    names = [each.box.name for each in boxes]
    chosen = price({box: days_of(planned).get(box) for box in names})
    every = product([*open_days, None], repeat=len(names))
    assert chosen == pytest.approx(min(price(dict(zip(names, days, strict=True))) for days in every))
