"""What faces say about the plan: its caution, and what a person decided, said back to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.wording import near_day
from monitor.records import DecisionKind

if TYPE_CHECKING:
    from datetime import date

    from monitor.records import PlanDecision

HEAT_CAUTION = (
    "Hot beads, glass and steam burn. Use heat-proof ware, let steam out, and let it cool before you close the box. "
    "Stay below the highest temperature that the maker allows for beads, dye and holder. Follow local rules. Keep "
    "beads with cobalt away from food."
)

_SAID = {
    DecisionKind.moved: "{box} is moved to {day}",
    DecisionKind.not_that_day: "Nothing is dried on {day}",
    DecisionKind.skip: "{box} is skipped until {day}",
    DecisionKind.done: "{box}: you said it was done for {day}, but no fresh beads are in the log since",
}


def decision(told: PlanDecision, today: date) -> str:
    """Return a decision as a sentence without its full stop; the name of a box is left as it is."""
    return _SAID[told.kind].format(box=told.box, day=near_day(told.on, today))


def day_in_full(on: date, beside: date) -> str:
    """Return a day with its weekday and month in full, and its year where that is not the one beside it."""
    return f"{on:%A} {on.day} {on:%B}" + ("" if on.year == beside.year else f" {on.year}")
