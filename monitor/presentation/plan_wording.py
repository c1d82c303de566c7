"""What faces say about the plan: its caution, and what a person decided, said back to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.day_names import near_day
from monitor.records import DecisionKind
from monitor.texts import say, to_say
from monitor.units import MINUTES_PER_HOUR

if TYPE_CHECKING:
    from datetime import date

    from monitor.records import PlanDecision

_IN_HOURS_FROM = 120.0  # minutes; judgement: 90 minutes tell more than an hour and a half
HEAT_CAUTION = to_say(
    "Hot beads, glass and steam burn. Use heat-proof ware, let steam out, and let it cool before you close the box. "
    "Stay below the highest temperature that the maker allows for beads, dye and holder. Follow local rules. Keep "
    "beads with cobalt away from food."
)

_SEVERAL_OFF = to_say("Nothing is dried from {day} to {last}")
_SAID = {
    DecisionKind.moved: to_say("{box} is moved to {day}"),
    DecisionKind.not_that_day: to_say("Nothing is dried on {day}"),
    DecisionKind.skip: to_say("{box} is skipped until {day}"),
    DecisionKind.done: to_say("{box}: you said it was done for {day}, but no fresh beads are in the log since"),
}


def minutes_words(minutes: float) -> str:
    """Return how long something takes, in minutes, or in hours where it is long.

    >>> minutes_words(40.0), minutes_words(150.0)
    ('40 minutes', '2.5 hours')
    """
    if minutes < _IN_HOURS_FROM:
        return say("{count} minutes", count=f"{minutes:.0f}")
    return say("{count} hours", count=f"{minutes / MINUTES_PER_HOUR:.1f}".removesuffix(".0"))


def decision(told: PlanDecision, today: date) -> str:
    """Return a decision as a sentence without its full stop; the name of a box is left as it is."""
    if told.last and told.last > told.on:
        return say(_SEVERAL_OFF, day=near_day(told.on, today), last=near_day(told.last, today))
    return say(_SAID[told.kind], box=told.box, day=near_day(told.on, today))
