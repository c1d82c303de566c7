"""What an unattended screen shows: what needs doing today, the boxes that need it most, and when a word came last."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.planning.due import all_silent, just_filled, leaks_more, silent_for
from monitor.presentation.amounts import ago, limit_percent
from monitor.presentation.headline import headline
from monitor.records import BoxState
from monitor.web.notices import moment
from monitor.web.shelf.view import shown_humidity, sign_of

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

_IN_BRACKETS = re.compile(r" \((?!next drying day|you )[^)]*\)")
"""What a screen across the room has no place for; a day that is another than it seems, it has."""


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

    headline: str
    """The same sentence as on the page of all boxes."""
    is_pressing: bool
    """Whether a box needs dry beads today."""
    lids: Names | None
    sensors: Names | None
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


def view(snapshot: Snapshot, words: Wording, *, recorded: bool = False) -> WallView:
    """Return the screen."""
    answers = snapshot.answers
    shown, rest = answers[:MOST_TILES], answers[MOST_TILES:]
    today = words.local_day(snapshot.as_of)

    def is_for_today(answer: Assessment) -> bool:
        due = answer.due_at is not None and words.local_day(answer.due_at) <= today
        return (answer.state is BoxState.over_limit or due) and not just_filled(answer)

    silence = all_silent(answers)
    last = max((a.latest.at for a in answers if a.latest), default=None)
    return WallView(
        headline=headline(answers, snapshot.plan, words).main,
        is_pressing=any(map(is_for_today, answers)),
        lids=_names(answers, leaks_more),
        sensors=None if silence else _names(answers, _is_silent),
        tiles=[_tile(answer, words, silence=silence) for answer in shown],
        columns=next((columns for most, columns in _COLUMNS if len(shown) <= most), _COLUMNS[-1][1]),
        more=len(rest),
        more_until=_until(rest, words),
        last=(words.moment(last) if recorded else moment(last, snapshot.as_of, words)) if last else "",
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


def _tile(answer: Assessment, words: Wording, *, silence: bool) -> Tile:
    latest, limit = answer.latest, limit_percent(answer.box.humidity_limit)
    shown = shown_humidity(answer, limit)
    return Tile(
        name=answer.box.name,
        sign=sign_of(answer),
        humidity=shown.figure,
        is_old=bool(shown.last),
        limit=limit if answer.state is not BoxState.undeclared else "",
        seen=ago(answer.as_of - latest.at) if latest else "",
        seen_at=latest.at.isoformat(timespec="seconds") if latest else "",
        to_do=_IN_BRACKETS.sub("", words.to_do(answer, all_silent=silence)),
    )


def _until(rest: Sequence[Assessment], words: Wording) -> str:
    """Return the first day on which one of these is to be dried; nothing where nobody knows that of each."""
    if any(answer.state not in (BoxState.due, BoxState.within_limit) for answer in rest):
        return ""
    known = [answer.due_at for answer in rest if answer.due_at is not None]
    return words.day(min(known), rest[0].as_of) if known else ""
