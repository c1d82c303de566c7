"""What screening found about a reading, in words for a person."""

from __future__ import annotations

from monitor.records import Mark

WHY_MARKED = {
    Mark.range: "no sensor of this kind can show that",
    Mark.spike: "it jumped away and back within hours",
    Mark.step: "it jumped and stayed there",
    Mark.stuck: "it showed the same for too long",
    Mark.at_floor: "this is the lowest that the sensor shows",
    Mark.at_ceiling: "this is the highest that the sensor shows",
    Mark.equals_room: "it shows the air of the room",
    Mark.no_sorbent: "it moves as if there were no beads",
    Mark.clock_ahead: "the sensor's clock was ahead",
    Mark.clock_behind: "the sensor's clock was behind",
    Mark.two_sensors: "two sensors send under this name",
}
"""A clause for each mark."""


def why_marked(marks: int) -> str:
    """Return why a reading is marked, in one sentence without its full stop.

    >>> why_marked(Mark.spike.bit | Mark.clock_behind.bit)
    "it jumped away and back within hours; the sensor's clock was behind"
    """
    return "; ".join(words for mark, words in WHY_MARKED.items() if marks & mark.bit)


def mark_names(marks: int) -> str:
    """Return the names of marks for a table that a program reads.

    >>> mark_names(Mark.spike.bit | Mark.at_floor.bit)
    'spike at_floor'
    """
    return " ".join(mark.name for mark in Mark if marks & mark.bit)
