"""A recharge plan as an iCalendar feed (RFC 5545): one whole-day event for each day at the oven."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from icalendar import Calendar, Event

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import PlannedDay
    from monitor.services.assess import RechargePlan

REFRESH_EVERY = timedelta(hours=12)
"""How often a calendar program is asked to look again (RFC 7986, section 5.7); a judgement: twice a day, as plans move
by days."""


def plan_calendar(plan: RechargePlan, site: str, as_of: datetime) -> bytes:
    """Return the plan as a calendar; the event of a day stays the same event when the plan is made again."""
    calendar = Calendar()
    calendar.add("prodid", "-//siccast//recharge plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"Drying beads, {site}")
    calendar.add("refresh-interval", REFRESH_EVERY, parameters={"VALUE": "DURATION"})
    for day in plan.days:
        calendar.add_component(_event(day, site, as_of))
    text: bytes = calendar.to_ical()
    return text


def _event(day: PlannedDay, site: str, as_of: datetime) -> Event:
    event = Event()
    event.add("uid", f"{day.on.isoformat()}-{day.appliance}-{site}@siccast")
    event.add("dtstamp", as_of)
    event.add("dtstart", day.on)
    event.add("dtend", day.on + timedelta(days=1))
    event.add("summary", f"Dry beads ({day.appliance}): {', '.join(day.boxes)}")
    event.add("description", "\n".join(f"{box}: {day.reasons[box]}" for box in day.boxes))
    event.add("transp", "TRANSPARENT")
    return event
