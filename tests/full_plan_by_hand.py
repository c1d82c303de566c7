"""A plan written by hand with all a plan can have: two appliances on a day, a box twice, a swap, what is not met."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from shelf_on_page import make_shelf, take_snapshot_by_hand

from monitor.day_names import near_day
from monitor.planning.mend import Unmet
from monitor.planning.recharge import RechargePlan
from monitor.planning.worth import PlanWorth, RuleWorth
from monitor.records import PlannedDay, PlannedSwap
from monitor.services.recharge_plan import FullPlan
from monitor.settings import Shelf, load_shelf
from monitor.texts import say, say_many, together
from monitor.web.snapshot import Snapshot

SATURDAY, SUNDAY, DUE, LATER = date(2026, 3, 7), date(2026, 3, 8), date(2026, 3, 12), date(2026, 3, 21)
APPLIANCES = """
[appliances.oven]
kind = "oven"
batch_boxes = 4
power_w = 2000

[appliances.microwave]
kind = "microwave"
batch_boxes = 1
minutes = 40
weekdays = ["saturday", "sunday"]

[plan]
weekdays = ["saturday"]
tariff_per_kwh = 0.3
currency = "EUR"
"""


def shelf_with_two_appliances(folder: Path) -> Shelf:
    """Return the usual made-up shelf with an oven and a microwave."""
    make_shelf(folder)
    with (folder / "shelf.toml").open("a", encoding="utf-8") as file:
        file.write(APPLIANCES)
    return load_shelf(folder, {})


def whole_plan() -> FullPlan:
    """Return the plan: over and soon now, far from reserve, over again two weeks later."""
    due = say("It is due by {day}.", day=near_day(DUE, SATURDAY))
    again = say(
        "Its beads of {since} hold until about then: the chance that it is over its limit is {chance}.",
        since=near_day(SATURDAY, SATURDAY),
        chance="18 %",
    )
    first = PlannedDay(
        SATURDAY, "oven", ("over",), {"over": say("It is over its limit of {limit}.", limit="20 %")}, minutes=150.0,
        hands_on_minutes=20.0, kwh=2.4, grams=100.0, week_later={"over": (1.0, 7.0)},
    )  # fmt: skip
    beside = PlannedDay(
        SATURDAY, "microwave", ("soon",), {"soon": due}, minutes=40.0, hands_on_minutes=15.0, kwh=0.5, grams=100.0,
        week_later={"soon": (0.6, 1.8)},
    )  # fmt: skip
    third = PlannedDay(
        LATER, "oven", ("over",), {"over": again}, again=("over",), spares_dried={"jar": 1}, minutes=150.0,
        hands_on_minutes=20.0, kwh=2.4, grams=220.0, week_later={"over": (0.7, 3.2)},
    )  # fmt: skip
    why = together(
        say("The chance that it is over its limit by then is {chance}.", chance="12 %"),
        say("A spare charge goes in, so nothing has to be heated for it."),
    )
    why_moved = say("an earlier day has a free place, and it may pass its limit before the later one")
    moved = say(
        "Moved from {before} to {day}: {why}.",
        before=near_day(SUNDAY, SATURDAY),
        day=near_day(SATURDAY, SATURDAY),
        why=why_moved,
    )
    plan = RechargePlan(
        "oven", (first, beside, third), swaps=(PlannedSwap(SUNDAY, "far", "jar", why),), cost=41.0, bound=40.5,
        by="columns", changed={"soon": moved},
    )  # fmt: skip
    late = say(
        "It gets dry beads {days} late; by then it is over its limit with a chance of {chance}.",
        days=say_many("{count} day", "{count} days", 3),
        chance="99 %",
    )
    mend = say(
        "The {appliance} on {weekdays}, too, would mend that.", appliance="microwave", weekdays=say("Wednesdays")
    )
    lid = say("A better lid on {box} (half its leak): {late}.", box="over", late=say("no day late"))
    rules = (
        RuleWorth(say("this plan"), 2.0, 4.0, 6.0, 14.0),
        RuleWorth(say_many("every week", "every {count} weeks", 2), 5.0, 15.0, 7.0, 16.0),
        RuleWorth(say("when over the limit"), 4.0, 5.0, 31.0, 60.0),
    )
    return FullPlan(
        plan, PlanWorth(420.0, 55.0, 5.3, 1.59, rules), (Unmet("over", 3, 0.99, together(late, mend, lid), mend),)
    )


def snapshot_with_full_plan(shelf: Shelf, clock: datetime) -> Snapshot:
    """Return the hand-written assessments with that plan."""
    whole = whole_plan()
    return replace(take_snapshot_by_hand(shelf, clock), plan=whole.plan, full_plan=whole)
