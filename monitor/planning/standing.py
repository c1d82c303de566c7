"""When a matter begins and when it is over: one word for each, however a forecast flickers from night to night.

It begins with its first word. It is over once it has clearly been gone for some time; what is only a little better than
the threshold, or can't be known for now, goes on.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.due import WORD_WITHIN_DAYS, dries_now, leaks_more, silent_for
from monitor.planning.matters import battery_is_low, opened_not_logged
from monitor.records import BoxState
from monitor.records.alerts import Matter, StandingMatter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date, datetime

    from monitor.records import Assessment
    from monitor.records.alerts import Word

_AT_ONCE = timedelta()
_A_DAY = timedelta(days=1)
"""A judgement: within a day humidity, voltage and radio go through all that the room does to them."""
_SURE_LID = timedelta(hours=3)  # judgement: as long as the air had to be like the room's
_SURE_DUE = timedelta(days=7)
"""A judgement: fits are made anew weekly, and the next one says so too. Fresh beads end it sooner."""
_SURE_SEAL = timedelta(days=15)
"""A judgement: fits are made anew weekly, and two of them no longer find the change or the rise."""
_SURE_BATTERY = timedelta(days=7)  # judgement: some nodes tell their battery once a week
_SURE_OVER = timedelta(days=3)
"""A judgement: a day's swing of the room and a short spell of weather lie within. Fresh beads end it sooner."""
_UNDER_LIMIT = 0.01
"""So far under its limit a box is clearly so. [fraction] A judgement: the steps of most displays."""
_LATER_DAYS = 3
"""So many days beyond the week a box is clearly not due. A judgement: what the day moves by in a week of updates."""
_FRESH_CELL_V = 0.25
"""So far above what is low, a battery was changed. [V] A judgement: a cold night and a warm day differ by half that."""


def reviewed(
    known: Iterable[StandingMatter],
    words: Sequence[Word],
    assessments: Iterable[Assessment],
    as_of: datetime,
    today: date,
) -> tuple[StandingMatter, ...]:
    """Return each matter that stood, and each new one, as it stands now; those that are over bear their end."""
    by_box = {assessment.box.name: assessment for assessment in assessments}
    now = {(word.box, word.matter, word.about): word for word in words}
    standing = {matter.key: matter for matter in known if matter.ended_at is None}
    gone_on = (
        replace(matter, word=now[key], clear_since=None) if key in now else _less(matter, by_box, as_of, today)
        for key, matter in standing.items()
    )
    begun = (
        StandingMatter(word, as_of) for key, word in now.items() if key not in standing and not _waits(word, by_box)
    )
    return (*gone_on, *begun)


def _waits(word: Word, by_box: Mapping[str, Assessment]) -> bool:
    """Return whether a box over its limit has fresh beads, which get the time to dry it before that is news."""
    return word.matter is Matter.over_limit and word.box in by_box and dries_now(by_box[word.box])


def _less(matter: StandingMatter, by_box: Mapping[str, Assessment], as_of: datetime, today: date) -> StandingMatter:
    """Return a matter of which no word is said now: it goes on, looks as if it were over, or is."""
    needed = _clear_for(matter, by_box, today)
    if needed is None:
        return replace(matter, clear_since=None)
    since = matter.clear_since or as_of
    is_over = as_of - since >= needed
    return replace(matter, clear_since=since, ended_at=as_of if is_over else None)


def _clear_for(matter: StandingMatter, by_box: Mapping[str, Assessment], today: date) -> timedelta | None:
    """Return for how long a matter has to look as it does now until it is over; None where it is not clearly gone."""
    about, kind = matter.word.about, matter.word.matter
    if kind is Matter.plan:
        return _AT_ONCE if about < today.isoformat() else None
    if not matter.word.box:
        return _AT_ONCE if kind is Matter.route else _A_DAY
    assessment = by_box.get(matter.word.box)
    if assessment is None:  # taken off the shelf
        return _AT_ONCE
    if kind in _MENDED_BY_BEADS and _has_newer_beads(assessment, matter.since):
        return _AT_ONCE if assessment.state is not BoxState.over_limit else None
    return _CLEAR[kind](assessment)


def _has_newer_beads(assessment: Assessment, since: datetime) -> bool:
    return assessment.charge is not None and assessment.charge.at > since


def _over_limit(a: Assessment) -> timedelta | None:
    if a.state is BoxState.over_limit or a.latest is None or a.lid_open_since is not None:
        return None
    return _SURE_OVER if a.latest.relative_humidity <= a.box.humidity_limit - _UNDER_LIMIT else None


def _due(a: Assessment) -> timedelta | None:
    if a.forecast is None or a.state is BoxState.over_limit or a.lid_open_since is not None:
        return None
    is_later = a.due_at is None or a.due_at - a.as_of > timedelta(days=WORD_WITHIN_DAYS + _LATER_DAYS)
    return _SURE_DUE if is_later else None


def _silent(a: Assessment) -> timedelta | None:
    return _A_DAY if a.latest is not None and silent_for(a) is None else None


def _battery(a: Assessment) -> timedelta | None:
    volts = a.latest.battery_v if a.latest else None
    if battery_is_low(volts, _FRESH_CELL_V):
        return None
    return _SURE_BATTERY if volts is None else _A_DAY


def _leak(a: Assessment) -> timedelta | None:
    return None if a.leak is None or leaks_more(a) else _SURE_SEAL


def _lid_open(a: Assessment) -> timedelta | None:
    return None if a.latest is None or silent_for(a) is not None else _SURE_LID


def _unlogged(a: Assessment) -> timedelta | None:
    return None if a.forecast is None or opened_not_logged(a) else _SURE_SEAL


def _any(_: Assessment) -> timedelta | None:
    return _A_DAY


_CLEAR: Mapping[Matter, Callable[[Assessment], timedelta | None]] = {
    Matter.over_limit: _over_limit,
    Matter.due: _due,
    Matter.silent: _silent,
    Matter.battery: _battery,
    Matter.leak: _leak,
    Matter.lid_open: _lid_open,
    Matter.unlogged: _unlogged,
    Matter.weak_recharge: _any,
    Matter.undeclared: _any,
    Matter.failed: _any,
}
_MENDED_BY_BEADS = frozenset({Matter.over_limit, Matter.due, Matter.weak_recharge})
"""Over as soon as other beads are in and the box is not over its limit."""
