"""What a person decided about the plan, said back to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.wording import near_day
from monitor.records import DecisionKind

if TYPE_CHECKING:
    from datetime import date

    from monitor.records import PlanDecision

_SAID = {
    DecisionKind.moved: "{box} is moved to {day}",
    DecisionKind.not_that_day: "nothing is dried on {day}",
    DecisionKind.skip: "{box} is skipped until {day}",
    DecisionKind.done: "{box}: you said it was done for {day}, but no fresh beads are in the log since",
}


def decision(told: PlanDecision, today: date) -> str:
    """Return a decision as a phrase."""
    return _SAID[told.kind].format(box=told.box, day=near_day(told.on, today))
