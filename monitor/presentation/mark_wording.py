"""What screening found about a reading, in words for a person."""

from __future__ import annotations

from monitor.records import Mark
from monitor.texts import say, to_say

WHY_MARKED = {
    Mark.range: to_say("no sensor of this kind can show that"),
    Mark.spike: to_say("it jumped away and back within hours"),
    Mark.step: to_say("it jumped and stayed there"),
    Mark.stuck: to_say("it showed the same for too long"),
    Mark.at_floor: to_say("this is the lowest that the sensor shows"),
    Mark.at_ceiling: to_say("this is the highest that the sensor shows"),
    Mark.equals_room: to_say("it shows the air of the room"),
    Mark.no_sorbent: to_say("it moves as if there were no beads"),
    Mark.clock_ahead: to_say("the sensor's clock was ahead"),
    Mark.clock_behind: to_say("the sensor's clock was behind"),
    Mark.two_sensors: to_say("two sensors send under this name"),
}
"""A clause for each mark."""


def why_marked(marks: int) -> str:
    """Return why a reading is marked, in one sentence without its full stop.

    >>> why_marked(Mark.spike.bit | Mark.clock_behind.bit)
    "it jumped away and back within hours; the sensor's clock was behind"
    """
    return "; ".join(say(words) for mark, words in WHY_MARKED.items() if marks & mark.bit)


def mark_names(marks: int) -> str:
    """Return the names of marks for a table that a program reads.

    >>> mark_names(Mark.spike.bit | Mark.at_floor.bit)
    'spike at_floor'
    """
    return " ".join(mark.name for mark in Mark if marks & mark.bit)
