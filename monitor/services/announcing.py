"""The days of drying as calendars are told of them: the file and the feed tell the same."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

from monitor.planning.announced import announce
from monitor.store.contracts import DeskStores

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from monitor.records import Assessment
    from monitor.records.announced import AnnouncedEvent, DryingSession
    from monitor.store.kept_contracts import Announcements


class CalendarStores(DeskStores, Protocol):
    """The stores that a calendar is made from, and in which it is remembered what was told."""

    @property
    def announcements(self) -> Announcements:
        """What calendars were told of."""
        ...


@dataclass(frozen=True, slots=True)
class ToAnnounce:
    """What is planned at one instant of a site."""

    site: str
    zone: ZoneInfo
    as_of: datetime
    sessions: Sequence[DryingSession]
    assessments: Sequence[Assessment]


def announced(
    announcements: Announcements, planned: ToAnnounce, now: datetime, *, keep: bool = True
) -> Sequence[AnnouncedEvent]:
    """Return the events that calendars are told of now, and remember that they were told.

    Where the file can't be written to, or it is a plan that nobody is to be held to, nothing is kept: then the same
    plan still has the same events.
    """
    today = planned.as_of.astimezone(planned.zone).date()
    filled = {
        one.box.name
        for one in planned.assessments
        if one.charge is not None and one.charge.at.astimezone(planned.zone).date() == today
    }
    change = partial(announce, sessions=planned.sessions, site=planned.site, today=today, now=now, filled_today=filled)
    return announcements.renew(change) if keep else change(announcements.all())
