"""Which plan a face shows at once: that of now, or of many boxes the one before, or a quick one, until it is made."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.planning.recharge import RechargePlan, plan_recharges
from monitor.records.plan_input import MANY_BOXES
from monitor.services.kept_plan import plan_at_hand, plan_now
from monitor.services.recharge_plan import FullPlan

if TYPE_CHECKING:
    from monitor.services.kept_plan import PlanAsked

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """What is shown for now."""

    plan: RechargePlan
    full_plan: FullPlan | None
    """The same with what it is worth and can't meet; None where it is a quick one."""
    is_due: bool
    """Whether another plan is to be made."""


def plan_to_show(asked: PlanAsked, *, make: bool = True) -> ShownPlan | None:
    """Return the plan of now, where that is kept, or few boxes let it be made at once.

    Of many boxes it is the one before where only outlooks moved since, and else a quick one that knows a single
    appliance and visit; ``is_due`` says so. Unless it is to ``make`` one, None where none of now is kept.
    """
    try:
        whole, is_of_now = _whole(asked, make=make)
    except Exception:  # a defect in the plan takes nothing else away
        _log.exception("the plan can't be made")
        whole, is_of_now = None, True
    if whole is None:
        return ShownPlan(_quick(asked), None, not is_of_now) if make else None
    return ShownPlan(whole.plan, whole, not is_of_now) if make or is_of_now else None


def _whole(asked: PlanAsked, *, make: bool) -> tuple[FullPlan | None, bool]:
    found, is_of_now = plan_at_hand(asked)
    if make and not is_of_now and len(asked.boxes) < MANY_BOXES:
        return plan_now(asked), True
    return found, is_of_now


def _quick(asked: PlanAsked) -> RechargePlan:
    """Return a plan by forecasts alone, with the shelf's first appliance and one visit a box."""
    return plan_recharges(
        asked.assessments,
        asked.appliances[0],
        asked.today,
        asked.rules.weekdays,
        decisions=asked.decisions,
        horizon_days=asked.rules.horizon_days,
        days_off=asked.rules.days_off(asked.today),
    )
