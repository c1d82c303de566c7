"""A plan with all it has, as a JSON answer."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from monitor.presentation.answers import plan_answer

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.presentation.answers import Answer
    from monitor.records import PlannedDay
    from monitor.services.recharge_plan import FullPlan


def full_plan_answer(whole: FullPlan, as_of: datetime, currency: str) -> Answer:
    """Return a plan's days with appliance, spare charges and what they take; what it is worth, and what is not met."""
    plan, worth = whole.plan, whole.worth
    return {
        **plan_answer(plan, as_of),
        "days": [_day(day) for day in plan.days],
        "swaps": [
            {"on": swap.on, "box": swap.box, "spare": swap.spare, "again": swap.again, "reason": swap.reason}
            for swap in plan.swaps
        ],
        "counts": {"points": plan.cost, "at_least": plan.bound, "gap": plan.gap, "by": plan.by},
        "takes": {
            "grams": worth.grams,
            "hands_on_minutes": worth.hands_on_minutes,
            "kwh": worth.kwh,
            "money": worth.money,
            "currency": currency or None,
        },
        "beside": [asdict(rule) for rule in worth.rules],
        "not_in_time": [
            {"box": one.box, "late_days": one.late_days, "chance_over": one.chance_over, "words": one.words}
            for one in whole.unmet
        ],
        "moved": [{"box": box, "why": why} for box, why in plan.changed.items()],
    }


def _day(day: PlannedDay) -> Answer:
    boxes = []
    for box in day.boxes:
        answer: Answer = {"box": box, "reason": day.reasons[box], "again": box in day.again}
        if box in day.week_later:
            answer["a_week_later"] = dict(zip(("chance_over", "days_over"), day.week_later[box], strict=True))
        boxes.append(answer)
    return {
        "on": day.on,
        "appliance": day.appliance,
        "boxes": boxes,
        "batches": day.batches,
        "spares_dried": dict(day.spares_dried),
        "minutes": day.minutes,
        "hands_on_minutes": day.hands_on_minutes,
        "kwh": day.kwh,
        "grams": day.grams,
    }
