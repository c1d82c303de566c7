"""What calendars were told and what is planned now → what to tell them: an event moves, and is not made twice."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.records.announced import AnnouncedEvent, DryingSession

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from datetime import date, datetime

REMEMBERED_DAYS = 60
"""So long after its day an event stays in the calendar. [days] A judgement: whoever looks back looks less far."""
_ONE_STEP = timedelta(seconds=1)
"""Instants of a calendar are whole seconds (RFC 5545, section 3.3.5)."""
_SAME_DAY, _SAME_BOXES, _SAME_OVEN = 0, 1, 2
"""How well an event and a session go together, the best first. [no unit, by definition]"""


def announce(
    announced: Sequence[AnnouncedEvent],
    sessions: Sequence[DryingSession],
    *,
    site: str,
    today: date,
    now: datetime,
    filled_today: Collection[str] = (),
) -> tuple[AnnouncedEvent, ...]:
    """Return every event as calendars are to be told of it now; what changes nothing comes back as it was.

    An event is one day at one appliance, or of spare charges that go in. A session that shares boxes with an announced
    event is that event on another day or with other boxes; an event that nothing is left of is cancelled. What lies
    before ``today`` stays as it was announced, and so does today's where all its boxes were filled today: it was done.
    """
    held = [one for one in announced if one.session.on >= today - timedelta(days=REMEMBERED_DAYS)]
    is_open = [one for one in held if _is_open(one, today, filled_today)]
    places = _matched(is_open, sessions)
    found = {one.uid: sessions[places[one.uid]] if one.uid in places else None for one in is_open}
    told = [_as_planned(one, found[one.uid], now) if one.uid in found else one for one in held]
    matched = set(places.values())
    new = (session for place, session in enumerate(sessions) if place not in matched)
    taken = {one.uid for one in announced}
    for session in new:
        uid = _free_uid(site, session, taken)
        taken.add(uid)
        told.append(AnnouncedEvent(uid, session, now.replace(microsecond=0)))
    return tuple(told)


def _is_open(event: AnnouncedEvent, today: date, filled_today: Collection[str]) -> bool:
    """Return whether an event may still become another one."""
    session = event.session
    is_done = session.on == today and bool(session.boxes) and set(session.boxes) <= set(filled_today)
    return not event.is_cancelled and session.on >= today and not is_done


def _matched(events: Sequence[AnnouncedEvent], sessions: Sequence[DryingSession]) -> dict[str, int]:
    """Return the place of the session that each event is now, the best pairs first."""
    ranks = (
        (rank, one.uid, place)
        for one in events
        for place, session in enumerate(sessions)
        if (rank := _rank(one.session, session)) is not None
    )
    found: dict[str, int] = {}
    for _, uid, place in sorted(ranks):
        if uid not in found and place not in found.values():
            found[uid] = place
    return found


def _rank(before: DryingSession, after: DryingSession) -> tuple[int, bool, float, int] | None:
    """Return how well two go together, less is better; None where they have nothing in common."""
    days, other_oven = abs((after.on - before.on).days), after.appliance != before.appliance
    shared = len(set(before.boxes) & set(after.boxes)) / max(1, len(set(before.boxes) | set(after.boxes)))
    if shared:
        return _SAME_BOXES if days or other_oven else _SAME_DAY, other_oven, -shared, days
    return None if days or other_oven else (_SAME_OVEN, other_oven, 0.0, days)


def _as_planned(event: AnnouncedEvent, session: DryingSession | None, now: datetime) -> AnnouncedEvent:
    if session == event.session:
        return event
    later = max(now.replace(microsecond=0), event.changed_at + _ONE_STEP)
    if session is None:
        return replace(event, is_cancelled=True, sequence=event.sequence + 1, changed_at=later)
    is_another = replace(session, details="") != replace(event.session, details="")
    return replace(event, session=session, sequence=event.sequence + is_another, changed_at=later)


def _free_uid(site: str, session: DryingSession, taken: Collection[str]) -> str:
    """Return a name that only this event bears; the same again where it could not be kept (RFC 9562, section 5.5)."""
    count = len(taken)
    while True:
        name = f"siccast:{site}/{session.appliance}/{session.on}/{'/'.join(session.boxes)}/{count}"
        uid = str(uuid.uuid5(uuid.NAMESPACE_URL, name))
        if uid not in taken:
            return uid
        count += 1
