"""A plan as the calendar that the feed hands out and the command line writes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk import Desk
from monitor.presentation.calendar import calendar_file, sessions_of
from monitor.presentation.plan_effort import effort_of
from monitor.presentation.planned import Planned
from monitor.presentation.wording import Wording
from monitor.services.announcing import ToAnnounce, announced

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.planning.recharge import RechargePlan
    from monitor.records import Assessment
    from monitor.services.announcing import CalendarStores
    from monitor.settings import Shelf


def calendar_of(
    stores: CalendarStores,
    shelf: Shelf,
    plan: RechargePlan,
    *,
    answers: Sequence[Assessment],
    as_of: datetime,
    now: datetime,
    keep: bool = True,
) -> bytes:
    """Return a plan as a calendar, with what was announced before and moved or is gone; it is announced from now on."""
    zone = shelf.timezone
    planned = Planned(plan, answers, shelf, as_of.astimezone(zone).date(), Wording.of(shelf))
    desk = Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=lambda: now)
    sessions = sessions_of(plan, shelf.calendar, zone, effort_of(planned, desk, as_of))
    to_announce = ToAnnounce(shelf.site, zone, as_of, sessions, answers)
    return calendar_file(announced(stores.announcements, to_announce, now, keep=keep), shelf.site, zone)
