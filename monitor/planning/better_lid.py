"""What a better lid would do for boxes that the plan can't make dry in time: planned again as if one leaked less."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.mend import TRIED_BOXES, days_late, due_ahead_of, first_days_of, shortened
from monitor.planning.problem import KnownBox, chances_now, problem_of
from monitor.planning.reasons import why_nowhere
from monitor.planning.solve import solve
from monitor.planning.visits import due_ahead
from monitor.planning.weights import WEIGHTS
from monitor.texts import say, say_many, to_say, together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import date

    from monitor.planning.mend import Unmet
    from monitor.planning.problem import Question
    from monitor.records.plan_input import BetterLid

    Lids = Callable[[str], Iterator[BetterLid]]  # of a box by its name, the easiest to come by first

_TRIED_LIDS = 8
"""Lids of more late boxes aren't tried. [boxes] Judgement: each costs a plan or two, and nobody mends more at once."""
_HALF = to_say("A better lid on {box} (half its leak): {late}.")
_SHARE = to_say("A better lid on {box} (as tight as a box of style '{style}', {percent} % of its leak): {late}.")
_LESS = to_say("{days} late, not {before}")
_LESS_IN_ALL = to_say("{days} late in all boxes together, not {before}")


def with_better_lids(
    question: Question, late: tuple[Unmet, ...], first_days: Mapping[str, date], lids: Lids
) -> tuple[Unmet, ...]:
    """Return late boxes with what a better lid on each would do, where it would do anything."""
    if len(question.boxes) > TRIED_BOXES:
        return late
    known = {box.name: box for box in question.boxes}
    tried = (_with_lid(question, one, known[one.box], first_days, lids) for one in late[:_TRIED_LIDS])
    return (*tried, *late[_TRIED_LIDS:])


def _with_lid(question: Question, one: Unmet, box: KnownBox, first_days: Mapping[str, date], lids: Lids) -> Unmet:
    """Return the first lid that mends it, or the one after which least is late."""
    if not due_ahead_of(box) or why_nowhere(box):  # over its limit today, or without beads, it is no drier for a lid
        return one
    before = _late_days(question, question.boxes, first_days)
    best, words, mends = sum(before.values()), "", False
    for lid in lids(box.name):
        under = _under(question, box, lid)
        boxes = tuple(under if other.name == box.name else other for other in question.boxes)
        after = _late_days(question, boxes, _planned_again(question, under, boxes, first_days))
        if sum(after.values()) < best:
            best, words, mends = sum(after.values()), _words(lid, box.name, before, after), not after[box.name]
        if mends:
            break
    return replace(one, words=together(one.words, words), mend=one.mend or (words if mends else ""))


def _late_days(question: Question, boxes: Sequence[KnownBox], first_days: Mapping[str, date]) -> dict[str, int]:
    return {box.name: days_late(question, box, first_days.get(box.name)) for box in boxes}


def _under(question: Question, box: KnownBox, lid: BetterLid) -> KnownBox:
    """Return a box under a better lid, due when its new futures say so."""
    under, end = replace(box, planned=lid.planned), question.end
    due = float(due_ahead(chances_now(under, end), WEIGHTS.due_chance))
    due_at = box.assessment.as_of + timedelta(days=due) if due < end else None
    return replace(under, assessment=replace(box.assessment, due_at=due_at))


def _planned_again(
    question: Question, under: KnownBox, boxes: tuple[KnownBox, ...], first_days: Mapping[str, date]
) -> dict[str, date]:
    """Return the first days of a plan made again; what it looks no further than to stays as it was planned."""
    asked = replace(shortened(question, [under]), boxes=boxes)
    end = asked.today + timedelta(days=asked.horizon_days)
    beyond = {name: on for name, on in first_days.items() if on > end}
    return beyond | first_days_of(asked, solve(problem_of(asked)))


def _words(lid: BetterLid, box: str, before: Mapping[str, int], after: Mapping[str, int]) -> str:
    late = _how_late(box, before, after)
    if not lid.like:
        return say(_HALF, box=box, late=late)
    return say(_SHARE, box=box, style=lid.like, percent=f"{100.0 * lid.leak_times:.0f}", late=late)


def _how_late(box: str, before: Mapping[str, int], after: Mapping[str, int]) -> str:
    """Return how late the box would be; where others change places with it, how late all would be."""
    others_before, others = (sum(late.values()) - late[box] for late in (before, after))
    if not after[box] and others <= others_before:
        return say("no day late")
    own, now = after[box], before[box]
    if others == others_before:
        return say(_LESS, days=say_many("{count} day", "{count} days", own), before=now)
    own, now = own + others, now + others_before
    return say(_LESS_IN_ALL, days=say_many("{count} day", "{count} days", own), before=now)
