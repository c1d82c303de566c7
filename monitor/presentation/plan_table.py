"""A plan of recharge days as rows and sentences of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.day_names import near_day

if TYPE_CHECKING:
    from datetime import date

    from monitor.records import PlannedDay
    from monitor.services.assess import RechargePlan
    from monitor.services.recharge_plan import PlanWorth

_MINUTES_AN_HOUR = 60.0  # by definition
Row = tuple[str, str, str, str, str]


def plan_rows(plan: RechargePlan, today: date) -> list[Row]:
    """Return a row for each box and day: when, in what, which box, why, and what a week's delay risks."""
    entries: list[tuple[date, list[Row]]] = [(day.on, _day_rows(day, today)) for day in plan.days]
    for swap in plan.swaps:
        entries.append((swap.on, [(near_day(swap.on, today), f"spare {swap.spare}", swap.box, swap.reason, "")]))
    return [row for _, rows in sorted(entries, key=lambda each: each[0]) for row in rows]


def _day_rows(day: PlannedDay, today: date) -> list[Row]:
    named = near_day(day.on, today), day.appliance
    rows: list[Row] = []
    for box in day.boxes:
        first = named if not rows else ("", "")
        rows.append((*first, box, day.reasons.get(box, ""), _week_later(day, box)))
    for spare, count in day.spares_dried.items():
        first = named if not rows else ("", "")
        what = "The charge" if count == 1 else f"{count} charges"
        rows.append((*first, f"spare {spare}", f"{what} taken out before, to be dry in reserve again.", ""))
    return rows


def _week_later(day: PlannedDay, box: str) -> str:
    """Return what waiting one more week risks, in two numbers."""
    if box not in day.week_later:
        return ""
    chance, days = day.week_later[box]
    return f"over with {100.0 * chance:.0f} %, {days:.1f} days more"


def takes(worth: PlanWorth, currency: str) -> str:
    """Return grams, time, energy and money of a plan in a sentence."""
    said = f"{worth.grams:.0f} g of beads are dried"
    if worth.hands_on_minutes:
        said += f", with about {worth.hands_on_minutes / _MINUTES_AN_HOUR:.1f} hours of work by hand"
    if worth.kwh:
        said += f" and {worth.kwh:.1f} kWh"
    if worth.money is not None:
        said += f", {worth.money:.2f} {currency}"
    return f"{said}."


def proof(plan: RechargePlan) -> str:
    """Return how good the plan is known to be."""
    if plan.by == "exact":
        return "No other plan counts less."
    return f"Another plan could count {100.0 * plan.gap:.1f} % less at most."


def rule_rows(worth: PlanWorth) -> list[tuple[str, str, str, str]]:
    """Return a row for each rule on the same futures."""
    return [
        (
            rule.rule,
            f"{rule.heating_days:.0f}",
            f"{rule.visits:.0f}",
            f"{rule.over_days:.0f}, {rule.over_days_p95:.0f} in a humid year",
        )
        for rule in worth.rules
    ]
