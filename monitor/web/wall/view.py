"""What an unattended screen shows: what needs doing today, the boxes that need it most, and when a word came last."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.presentation.wording import ago, near_day, percent
from monitor.records import BoxState
from monitor.services.assess import just_filled, leaks_more, silent_for
from monitor.web.notices import moment
from monitor.web.shelf.view import sign_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment
    from monitor.web.snapshot import Snapshot

MOST_TILES = 12
"""Boxes on one screen. A judgement: each can still be read from across a room on a small one."""
_MOST_NAMES = 4  # names in a sentence; judgement: a line of a small screen
_COLUMNS = ((1, 1), (4, 2), (9, 3), (MOST_TILES, 4))
"""Up to how many boxes stand in how many columns. A judgement: screens are wider than high."""

_IN_BRACKETS = re.compile(r" \([^)]*\)")
"""What a screen across the room has no place for."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One box."""

    name: str
    sign: str
    humidity: str
    is_old: bool
    limit: str
    seen: str
    seen_at: str
    to_do: str


@dataclass(frozen=True, slots=True)
class Names:
    """The boxes of one sentence."""

    shown: Sequence[str]
    more: int
    """How many are not named."""


@dataclass(frozen=True, slots=True)
class WallView:
    """The whole screen."""

    dry: Names | None
    """What is to be dried today."""
    lids: Names | None
    sensors: Names | None
    next_on: str
    """The next day on which something is to be dried, where it is not today."""
    next_names: Names | None
    tiles: Sequence[Tile]
    columns: int
    more: int
    """How many boxes have no place on the screen."""
    more_until: str
    """The day until which these hold, where they all do."""
    last: str
    """When the newest reading came, as a clock shows it."""
    last_at: str
    last_age: str


def view(snapshot: Snapshot, words: Wording) -> WallView:
    """Return the screen."""
    answers = snapshot.answers
    shown, rest = answers[:MOST_TILES], answers[MOST_TILES:]
    today = words.local_day(snapshot.as_of)

    def is_for_today(answer: Assessment) -> bool:
        due = answer.due_at is not None and words.local_day(answer.due_at) <= today
        return (answer.state is BoxState.over_limit or due) and not just_filled(answer)

    ahead = [a for a in answers if a.due_at is not None and not is_for_today(a) and a.state is BoxState.due]
    day = min((words.local_day(a.due_at) for a in ahead if a.due_at), default=None)
    last = max((a.latest.at for a in answers if a.latest), default=None)
    return WallView(
        dry=_names(answers, is_for_today),
        lids=_names(answers, leaks_more),
        sensors=_names(answers, _is_silent),
        next_on=near_day(day, today) if day else "",
        next_names=_names(ahead, lambda a: a.due_at is not None and words.local_day(a.due_at) == day),
        tiles=[_tile(answer, words) for answer in shown],
        columns=next((columns for most, columns in _COLUMNS if len(shown) <= most), _COLUMNS[-1][1]),
        more=len(rest),
        more_until=_until(rest, words),
        last=moment(last, snapshot.as_of, words) if last else "",
        last_at=last.isoformat(timespec="seconds") if last else "",
        last_age=ago(snapshot.as_of - last) if last else "",
    )


def _is_silent(answer: Assessment) -> bool:
    return answer.state is BoxState.no_readings or (
        silent_for(answer) is not None and answer.state is not BoxState.undeclared
    )


def _names(answers: Sequence[Assessment], wanted: Callable[[Assessment], bool]) -> Names | None:
    names = [answer.box.name for answer in answers if wanted(answer)]
    return Names(names[:_MOST_NAMES], len(names[_MOST_NAMES:])) if names else None


def _tile(answer: Assessment, words: Wording) -> Tile:
    latest = answer.latest
    return Tile(
        name=answer.box.name,
        sign=sign_of(answer),
        humidity=percent(latest.relative_humidity, 1) if latest else "–",
        is_old=silent_for(answer) is not None,
        limit=percent(answer.box.humidity_limit) if answer.state is not BoxState.undeclared else "",
        seen=ago(answer.as_of - latest.at) if latest else "",
        seen_at=latest.at.isoformat(timespec="seconds") if latest else "",
        to_do=_IN_BRACKETS.sub("", words.to_do(answer)),
    )


def _until(rest: Sequence[Assessment], words: Wording) -> str:
    """Return the first day on which one of these is to be dried; nothing where nobody knows that of each."""
    if any(answer.state not in (BoxState.due, BoxState.within_limit) for answer in rest):
        return ""
    known = [answer.due_at for answer in rest if answer.due_at is not None]
    return words.day(min(known), rest[0].as_of) if known else ""
