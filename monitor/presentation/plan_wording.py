"""What faces say about the plan: its caution, and what a person decided, said back to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.day_names import near_day
from monitor.records import DecisionKind
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from datetime import date

    from monitor.records import PlanDecision

HEAT_CAUTION = to_say(
    "Hot beads, glass and steam burn. Use heat-proof ware, let steam out, and let it cool before you close the box. "
    "Stay below the highest temperature that the maker allows for beads, dye and holder. Follow local rules. Keep "
    "beads with cobalt away from food."
)

_SAID = {
    DecisionKind.moved: to_say("{box} is moved to {day}"),
    DecisionKind.not_that_day: to_say("Nothing is dried on {day}"),
    DecisionKind.skip: to_say("{box} is skipped until {day}"),
    DecisionKind.done: to_say("{box}: you said it was done for {day}, but no fresh beads are in the log since"),
}


def decision(told: PlanDecision, today: date) -> str:
    """Return a decision as a sentence without its full stop; the name of a box is left as it is."""
    return say(_SAID[told.kind], box=told.box, day=near_day(told.on, today))
