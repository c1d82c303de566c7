"""A plan from futures: several appliances, spare charges, repeated visits, announced days, what it is worth."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from answers_by_hand import AS_OF, assessment_of, due_in

from monitor.planning.better_lid import with_better_lids
from monitor.planning.mend import unmet
from monitor.planning.problem import Question
from monitor.planning.recharge import RechargePlan, plan_of_question, question_of
from monitor.planning.steady import Announced, first_days
from monitor.planning.worth import worth_of
from monitor.records import AnnouncedDay, Appliance, Assessment, DecisionKind, PlanDecision, PlanRules
from monitor.records.futures import BoxFutures
from monitor.records.plan_input import Beads, DryingPlace, PlanInput, PlannedBox, SpareCharge

WEDNESDAY = date(2026, 3, 4)
HORIZON, DRAWS = 90, 40
GEL = Beads("silica_gel_white", dry_mass_g=100.0)
SATURDAY, MONDAY = 5, 0


def place(name: str, *weekdays: int, boxes: int = 2) -> DryingPlace:
    return DryingPlace(
        Appliance(name, batch_boxes=boxes), weekdays, batches_a_day=1, minutes=120.0,
        hands_on_minutes=20.0, kwh=1.5,
    )  # fmt: skip


def planned_box(answer: Assessment, due: int, holds: int, *ways: str, risk: float = 1.0) -> PlannedBox:
    """A box due after so many days whose dried beads hold so long, give or take a sixth."""
    spread = np.linspace(-1.0, 1.0, DRAWS) / 6.0
    over = np.clip(np.round(due * (1.0 + spread)), 0, HORIZON + 1).astype(np.int16)
    held = np.clip(np.round(holds * (1.0 + spread)), 0, HORIZON + 1).astype(np.int16)
    table = np.tile(held, (HORIZON + 1, 1))
    return PlannedBox(answer.box, GEL, risk, BoxFutures(answer.box.name, over, dict.fromkeys(ways, table)))


def made_of(
    dues: dict[str, tuple[int, int]], *places: DryingPlace, spares: tuple[SpareCharge, ...] = ()
) -> tuple[PlanInput, list[Assessment]]:
    answers = [assessment_of(name, due_in(due)) for name, (due, _) in dues.items()]
    ways = [*(each.name for each in places), *(spare.way for spare in spares)]
    boxes = tuple(planned_box(a, *dues[a.box.name], *ways) for a in answers)
    rules = PlanRules(horizon_days=HORIZON, tariff_per_kwh=0.3, currency="EUR")
    return PlanInput(AS_OF, WEDNESDAY, rules, places, spares, boxes), answers


def planned(
    made: tuple[PlanInput, list[Assessment]], announced: Announced | None = None, **more: object
) -> RechargePlan:
    told = announced or Announced({})
    return plan_of_question(question_of(*made, announced=told, **more), made[1], told)  # type: ignore[arg-type]


OVEN, MICROWAVE = place("oven", SATURDAY), place("microwave", MONDAY, boxes=1)


def test_a_box_over_its_limit_that_nothing_here_dries_has_no_day_and_stops_no_plan() -> None:
    made, answers = made_of({"over": (0, 20), "soon": (10, 20)}, OVEN)
    over = replace(made.boxes[0], futures=BoxFutures("over", np.zeros(DRAWS, np.int16)))
    plan = planned((replace(made, boxes=(over, made.boxes[1])), answers))
    assert "soon" in first_days(plan.days, plan.swaps)
    assert "over" not in first_days(plan.days, plan.swaps)
    assert plan.left_out["over"] == (
        "It is due by Wed 4 Mar, but no appliance here dries its beads. Add one to shelf.toml, or put dry beads in."
    )


def test_a_box_without_beads_has_no_day_for_that_reason_and_not_because_days_are_full() -> None:
    made, answers = made_of({"empty": (5, 20)}, OVEN)
    empty = replace(made.boxes[0], beads=None, futures=BoxFutures("empty", np.full(DRAWS, 5, np.int16)))
    plan = planned((replace(made, boxes=(empty,)), answers))
    assert plan.days == ()
    assert plan.left_out["empty"] == (
        "It is due by Mon 9 Mar, but no beads are logged for it, and no spare charge fits. Put dry beads in, and log "
        "them: `siccast log charge empty --dry-mass GRAMS`."
    )


def test_beads_that_an_appliance_would_spoil_are_named_with_why() -> None:
    made, answers = made_of({"blue": (5, 20)}, OVEN)
    blue = replace(
        made.boxes[0],
        futures=BoxFutures("blue", np.full(DRAWS, 5, np.int16)),
        forbidden={"oven": "It is too hot for the dye."},
    )
    plan = planned((replace(made, boxes=(blue,)), answers))
    assert plan.left_out["blue"] == (
        "It is due by Mon 9 Mar, but no appliance here dries its beads. Add one to shelf.toml, or put dry beads in. "
        "oven: It is too hot for the dye."
    )


def moved(box: str, on: date, number: int = 1) -> PlanDecision:
    return PlanDecision(DecisionKind.moved, on, box, decision_id=number, decided_at=AS_OF - timedelta(hours=1))


def test_a_box_that_nothing_here_can_fill_stops_no_plan_where_it_is_moved_to_a_day() -> None:
    """Nothing at all was planned then, for any box."""
    made, answers = made_of({"empty": (5, 20), "soon": (10, 20)}, OVEN)
    empty = replace(made.boxes[0], beads=None, futures=BoxFutures("empty", np.full(DRAWS, 5, np.int16)))
    made = replace(made, boxes=(empty, made.boxes[1]))
    plan = planned((made, answers), decisions=[moved("empty", date(2026, 3, 14))])
    assert "soon" in first_days(plan.days, plan.swaps)
    assert plan.left_out["empty"].startswith("You moved it to Sat 14 Mar, but no beads are logged for it")
    beyond = planned((made, answers), decisions=[moved("empty", date(2026, 8, 1))])
    assert beyond.left_out["empty"] == "You moved it to Sat 1 Aug. This plan ends on Tue 2 Jun."


def test_of_two_boxes_that_are_moved_for_one_spare_charge_one_is_left_out() -> None:
    too_hot = {"oven": "It is too hot."}
    spare = SpareCharge("jar", GEL, dry=True, forbidden=too_hot)
    made, answers = made_of({"a": (5, 20), "b": (5, 20)}, OVEN, spares=(spare,))
    only_by_spare = [replace(box, forbidden=too_hot) for box in made.boxes]
    day = date(2026, 3, 14)
    plan = planned(
        (replace(made, boxes=tuple(only_by_spare)), answers), decisions=[moved("a", day), moved("b", day, 2)]
    )
    assert plan.swaps[0].on == day
    (left,) = {"a", "b"} - {swap.box for swap in plan.swaps}
    assert plan.left_out[left] == "You moved it to Sat 14 Mar, but every charge that fits is in another box by then."


def test_a_leaky_box_is_visited_again_and_again() -> None:
    plan = planned(made_of({"leaky": (10, 20)}, OVEN))
    days = [day.on for day in plan.days]
    assert len(days) >= 3
    assert [day.again for day in plan.days] == [(), *[("leaky",)] * (len(days) - 1)]
    gaps = [(later - earlier).days for earlier, later in pairwise(days)]
    assert all(gap <= 21 for gap in gaps), "twenty days hold, and Saturdays are seven days apart"
    assert plan.by == "exact"
    assert plan.gap == pytest.approx(0.0, abs=1e-9)
    assert plan.days[1].reasons["leaky"].startswith("Its beads of ")


def test_each_appliance_has_its_own_days() -> None:
    plan = planned(made_of({"a": (4, 80), "b": (4, 80), "c": (5, 80)}, OVEN, MICROWAVE))
    for day in plan.days:
        assert day.on.weekday() == (SATURDAY if day.appliance == "oven" else MONDAY)
        assert day.minutes == 120.0 * day.batches
    assert first_days(plan.days, ()) == {"a": date(2026, 3, 7), "b": date(2026, 3, 7), "c": date(2026, 3, 9)}


def test_a_spare_charge_goes_in_and_the_one_taken_out_is_dried_later() -> None:
    """Two places on Saturday and three boxes due: the third gets the spare, again once one is dried."""
    spare = SpareCharge("jar", GEL, dry=True)
    plan = planned(made_of({"a": (4, 30), "b": (4, 30), "c": (4, 30)}, OVEN, spares=(spare,)))
    assert plan.swaps[0].on == date(2026, 3, 7)
    assert {swap.spare for swap in plan.swaps} == {"jar"}
    dried = [day.on for day in plan.days for _ in range(day.spares_dried.get("jar", 0))]
    assert len(plan.swaps) > 1, "a chain: out, dried, in again"
    for swap in plan.swaps:
        before = sum(other.on <= swap.on for other in plan.swaps)
        assert 1 + sum(on < swap.on for on in dried) >= before
        assert sum(on <= swap.on for on in dried) <= before


def test_a_moved_box_is_visited_on_its_day_first() -> None:
    on = date(2026, 3, 12)
    told = [PlanDecision(DecisionKind.moved, on, "a", decision_id=1, decided_at=AS_OF - timedelta(hours=1))]
    plan = planned(made_of({"a": (20, 25), "b": (30, 80)}, OVEN), decisions=told)
    assert first_days(plan.days, plan.swaps)["a"] == on


def test_the_order_of_boxes_changes_nothing() -> None:
    made = made_of({"a": (9, 30), "b": (9, 30), "c": (12, 50)}, OVEN, MICROWAVE)
    turned = replace(made[0], boxes=made[0].boxes[::-1]), made[1][::-1]
    assert planned(made).days == planned(turned).days


def test_risk_makes_a_box_come_first_where_one_has_to_wait() -> None:
    made, answers = made_of({"pla": (3, 80), "nylon": (3, 80)}, place("oven", SATURDAY, boxes=1))
    risky = tuple(replace(box, risk=5.0) if box.name == "nylon" else box for box in made.boxes)
    plan = planned((replace(made, boxes=risky), answers))
    assert first_days(plan.days, plan.swaps)["nylon"] < first_days(plan.days, plan.swaps)["pla"]


def test_a_box_that_waits_for_one_that_is_due_later_is_told_so() -> None:
    """Of 40 draws about 11 days, a sixth either way, 4 round to 9: over for a day by 14 March. About 12 days, none."""
    made, answers = made_of({"soft": (12, 80), "bag": (11, 80)}, place("oven", SATURDAY, boxes=1))
    answers = [replace(one, due_at=AS_OF + timedelta(days=8 + number)) for number, one in enumerate(answers)]
    risky = tuple(replace(box, risk=5.0) if box.name == "bag" else box for box in made.boxes)
    plan = planned((replace(made, boxes=risky), answers))
    bags, softs, *_ = plan.days
    assert (bags.boxes, softs.boxes) == (("bag",), ("soft",))
    assert softs.reasons["soft"] == (
        "2 days later than its own day (12 Mar), because bag goes first. If bag waited until this day, it would be over"
        " its limit for some 0.1 days by then, this box for 0.0. The chance that it is over 20 % by then is less than"
        " 1 %."
    )


def announced(box: str, on: date, due: int, at: int = 1) -> Announced:
    day = AnnouncedDay(box, on, AS_OF - timedelta(days=at), WEDNESDAY + timedelta(days=due))
    return Announced({box: day})


def test_an_announced_day_moves_for_a_reason_that_is_said() -> None:
    made = made_of({"a": (20, 80)}, OVEN)
    usual = first_days(planned(made).days, ())["a"]
    other = planned(made, announced("a", date(2026, 3, 7), 4))
    assert first_days(other.days, ())["a"] == usual == date(2026, 3, 21)
    assert other.changed == {"a": "Moved from Sat 7 Mar to Sat 21 Mar: it is due 16 days later than was thought."}


@pytest.mark.parametrize(("b_is_announced", "on"), [(True, date(2026, 3, 7)), (False, date(2026, 3, 14))])
def test_a_box_joins_an_earlier_day_that_was_announced_to_another_one(b_is_announced: bool, on: date) -> None:
    """It may be over its limit by its own day; a new day in the person's calendar would not be worth that."""
    made = made_of({"a": (10, 80), "b": (4, 80), "c": (30, 80)}, OVEN)
    told = announced("a", date(2026, 3, 14), 10).by_box
    if b_is_announced:
        told = {**told, **announced("b", date(2026, 3, 7), 4).by_box}
    moved = PlanDecision(DecisionKind.moved, date(2026, 3, 14), "c", decision_id=1, decided_at=AS_OF)
    plan = planned(made, Announced(told), decisions=[moved])
    assert first_days(plan.days, ()) == {"a": on, "b": date(2026, 3, 7), "c": date(2026, 3, 14)}


def test_a_day_that_costs_as_much_as_another_does_not_move() -> None:
    """Two boxes of one place each a week: whoever was announced first stays first."""
    made = made_of({"a": (18, 80), "b": (18, 80)}, place("oven", SATURDAY, boxes=1))
    days = first_days(planned(made).days, ())
    swapped = {
        box: AnnouncedDay(box, on, AS_OF - timedelta(days=1), WEDNESDAY + timedelta(days=18))
        for box, on in (("a", days["b"]), ("b", days["a"]))
    }
    kept = planned(made, Announced(swapped))
    assert first_days(kept.days, ()) == {"a": days["b"], "b": days["a"]}
    assert kept.changed == {}


def test_what_cannot_be_met_is_said_with_what_would_mend_it() -> None:
    made = made_of({"a": (1, 80)}, OVEN)
    question = question_of(*made)
    [one] = unmet(question, first_days(planned(made).days, ()))
    assert (one.box, one.late_days) == ("a", 2)
    assert one.chance_over == pytest.approx(1.0)
    assert one.words.startswith(
        "It gets dry beads 2 days late; by then it is over its limit with a chance of more than 99 %."
    )
    assert one.words.endswith(" would mend that.")


def test_a_late_box_without_beads_is_told_to_get_some_and_of_no_better_lid() -> None:
    made, answers = made_of({"empty": (5, 20)}, OVEN)
    empty = replace(made.boxes[0], beads=None, futures=BoxFutures("empty", np.full(DRAWS, 5, np.int16)))
    question = question_of(replace(made, boxes=(empty,)), answers)
    late = unmet(question, {})
    [one] = with_better_lids(question, late, {}, lambda _: pytest.fail("no lid is tried"))  # type: ignore[arg-type]
    assert one.words == (
        "It has no day in this plan: no beads are logged for it, and no spare charge fits. Put dry beads in, and log "
        "them: `siccast log charge empty --dry-mass GRAMS`."
    )
    assert one.mend, "the page need not say more about how to mend it"


def test_a_spare_charge_mends_a_full_day() -> None:
    made = made_of({"a": (4, 80), "b": (4, 80)}, place("oven", SATURDAY, boxes=1))
    question = question_of(*made)
    [one] = unmet(question, first_days(planned(made).days, ()))
    assert one.words.endswith("A spare charge of 100 g in reserve would mend that.")


def test_what_mends_a_box_that_is_due_late_is_looked_for_as_far_ahead() -> None:
    """Nothing is open before day 60, so no spare charge gets into a box due on day 40; another weekday does."""
    made = made_of({"a": (46, 80)}, OVEN)
    question = question_of(*made)
    question = replace(question, days=tuple(on for on in question.days if (on - WEDNESDAY).days > 60))
    [one] = unmet(question, {"a": question.days[0]})
    assert one.late_days > 14
    assert one.mend == "The oven on Mondays, too, would mend that."


def by_hand(question: Question, plan: RechargePlan) -> float:
    """Return the days over the limit of a plan, draw by draw and day by day."""
    total = 0
    for box in question.boxes:
        assert box.planned is not None
        assert box.planned.futures is not None
        futures = box.planned.futures
        days = sorted((day.on - WEDNESDAY).days for day in plan.days if box.name in day.boxes)
        for draw in range(DRAWS):
            until = int(futures.over_after_days[draw])
            for today in range(HORIZON):
                if today in days:
                    until = today + int(futures.holds_days["oven"][today, draw])
                total += today >= until
    return total / DRAWS


def test_what_a_plan_is_worth_is_counted_day_by_day_and_beside_two_rules() -> None:
    made = made_of({"a": (10, 20), "b": (14, 40), "c": (30, 60)}, OVEN)
    question, plan = question_of(*made), planned(made)
    worth = worth_of(question, plan)
    ours, every, when = worth.rules
    assert ours.over_days == pytest.approx(by_hand(question, plan))
    assert ours.heating_days == len(plan.days)
    assert every.heating_days >= ours.heating_days
    assert when.over_days > ours.over_days
    assert worth.money == pytest.approx(0.3 * worth.kwh)
    assert worth.grams == pytest.approx(100.0 * sum(len(day.boxes) for day in plan.days))


def test_boxes_join_a_day_that_another_needs_rather_than_heat_up_for_themselves() -> None:
    """Beads that hold eight weeks are dried two or three weeks early, where later visits are in the plan anyway."""
    alone = planned(made_of({"leaky": (10, 28)}, OVEN))
    both = planned(made_of({"leaky": (10, 28), "tight": (31, 56)}, OVEN))
    assert {day.on for day in both.days} == {day.on for day in alone.days}
    assert sum("tight" in day.boxes for day in both.days) >= 2


def test_nothing_is_heated_sooner_than_a_box_needs_it_though_the_plan_sees_no_second_visit() -> None:
    """The first future is over the limit on day 38, a Saturday; beads then hold for longer than the plan."""
    plan = planned(made_of({"a": (46, 200), "b": (52, 200)}, OVEN))
    assert [((day.on - WEDNESDAY).days, day.boxes) for day in plan.days] == [(38, ("a", "b"))]
