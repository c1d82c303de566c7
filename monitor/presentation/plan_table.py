"""A plan of recharge days as rows and sentences of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.day_names import near_day
from monitor.presentation.amounts import chance, expected_days
from monitor.presentation.headline import named
from monitor.presentation.plan_days import dried_after, spares_words, swap_words
from monitor.presentation.plan_wording import minutes_words
from monitor.texts import say, together

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from monitor.planning.recharge import RechargePlan
    from monitor.planning.worth import PlanWorth
    from monitor.records import PlannedDay

Row = tuple[str, str, str, str, str]


def plan_rows(plan: RechargePlan, today: date) -> list[Row]:
    """Return a row for each box and day: when, in what, which box, why, and what a week's delay risks."""
    entries: list[tuple[date, list[Row]]] = [(day.on, _day_rows(plan, day, today)) for day in plan.days]
    for swap, dried in dried_after(plan):
        why = together(swap_words(swap, dried, today), swap.reason)
        entries.append((swap.on, [(near_day(swap.on, today), say("reserve"), swap.box, why, "")]))
    return [row for _, rows in sorted(entries, key=lambda each: each[0]) for row in rows]


def _day_rows(plan: RechargePlan, day: PlannedDay, today: date) -> list[Row]:
    named = near_day(day.on, today), day.appliance
    rows: list[Row] = []
    for box in day.boxes:
        first = named if not rows else ("", "")
        name = say("{box}, again", box=box) if box in day.again else box
        rows.append((*first, name, day.reasons.get(box, ""), _week_later(day, box)))
    for sentence in spares_words(plan, day, today):
        first = named if not rows else ("", "")
        rows.append((*first, say("for the reserve"), sentence, ""))
    return rows


def _week_later(day: PlannedDay, box: str) -> str:
    """Return what waiting one more week risks, in two numbers."""
    if box not in day.week_later:
        return ""
    over, days = day.week_later[box]
    if more := expected_days(days):
        return say("over with {chance}, {days} more", chance=chance(over), days=more)
    return say("over with {chance}", chance=chance(over))


def takes(worth: PlanWorth, currency: str, mass: Callable[[float], str] = lambda grams: f"{grams:.0f} g") -> str:
    """Return grams, time, energy and money of a plan in a sentence; ``mass`` says grams in the units of the shelf."""
    parts = [say("{mass} of beads", mass=mass(worth.grams))] if worth.grams else []
    if worth.hands_on_minutes:
        parts.append(say("about {span} of work by hand", span=minutes_words(worth.hands_on_minutes)))
    if worth.kwh:
        parts.append(say("{energy} kWh", energy=f"{worth.kwh:.1f}"))
    if worth.money is not None:
        parts.append(say("{money} {currency}", money=f"{worth.money:.2f}", currency=currency))
    return say("All of it takes {parts}.", parts=named(parts)) if parts else ""


def proof(plan: RechargePlan) -> str:
    """Return how good the plan is known to be."""
    if plan.by == "exact":
        return say("It is proved that no other plan of these days is better.")
    return say("No other plan can be more than {percent} % better: that is proved.", percent=f"{100.0 * plan.gap:.1f}")


def rule_rows(worth: PlanWorth) -> list[tuple[str, str, str, str]]:
    """Return a row for each rule on the same futures."""
    return [
        (
            rule.rule,
            f"{rule.heating_days:.0f}",
            f"{rule.visits:.0f}",
            say("{days}, {most} in a humid year", days=f"{rule.over_days:.0f}", most=f"{rule.over_days_p95:.0f}"),
        )
        for rule in worth.rules
    ]
