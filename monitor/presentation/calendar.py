"""The days of drying as an iCalendar file (RFC 5545): one event for each day at an appliance, or of spare charges.

It is made of what was announced alone, so the same announcement is the same file, byte for byte.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

from icalendar import Alarm, Calendar, Event

from monitor.presentation.plan_days import dates_of, dried_after, spares_words, swap_words
from monitor.presentation.plan_wording import HEAT_CAUTION
from monitor.records.announced import DryingSession
from monitor.units import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date
    from zoneinfo import ZoneInfo

    from monitor.planning.recharge import RechargePlan
    from monitor.presentation.plan_days import PlanDate
    from monitor.records import PlannedDay
    from monitor.records.announced import AnnouncedEvent
    from monitor.settings import CalendarRules

REFRESH_EVERY = timedelta(hours=12)
"""How often a calendar program is asked to look again (RFC 7986, section 5.7); a judgement: twice a day, as plans move
by days."""
MEDIA_TYPE = "text/calendar; charset=utf-8"


def sessions_of(
    plan: RechargePlan, rules: CalendarRules, zone: ZoneInfo, effort: Callable[[PlannedDay], str]
) -> list[DryingSession]:
    """Return the days of a plan as a calendar shows them; ``effort`` says how long a day takes.

    There is one event for each day at an appliance, and one for the spare charges that go in on a day: a person has to
    do that, too.
    """
    drying = [_drying(plan, day, effort(day)) for day in plan.days]
    dried = {id(swap): day for swap, day in dried_after(plan)}
    swapping = [_swapping(one, dried) for one in dates_of(plan) if one.swaps]
    return [_at_its_hour(session, rules, zone) for session in (*drying, *swapping)]


def _drying(plan: RechargePlan, day: PlannedDay, effort: str) -> DryingSession:
    reasons = [f"{box}: {day.reasons[box]}" for box in day.boxes if box in day.reasons]
    along = spares_words(plan, day, day.on)
    details = "\n".join([*reasons, *along, *([f"{effort}."] if effort else []), HEAT_CAUTION])
    return DryingSession(day.on, day.appliance, day.boxes, details, spares=tuple(day.spares_dried))


def _swapping(one: PlanDate, dried: Mapping[int, PlannedDay | None]) -> DryingSession:
    lines = [f"{swap_words(swap, dried[id(swap)], one.on)} {swap.reason}".strip() for swap in one.swaps]
    return DryingSession(one.on, "", one.swapped, "\n".join(lines))


def _at_its_hour(session: DryingSession, rules: CalendarRules, zone: ZoneInfo) -> DryingSession:
    starts_at = None if rules.begins is None else _instant(session.on, rules.begins, zone)
    reminders = ((session.on - ONE_DAY, rules.evening_before), (session.on, rules.that_morning))
    alarms = (_instant(on, at, zone) for on, at in reminders if at is not None)
    return replace(
        session,
        starts_at=starts_at,
        ends_at=None if starts_at is None else starts_at + timedelta(minutes=rules.lasts_minutes),
        alarms_at=tuple(at for at in alarms if starts_at is None or at < starts_at),
    )


def calendar_file(events: Sequence[AnnouncedEvent], site: str, zone: ZoneInfo) -> bytes:
    """Return the events as a calendar. Where one has an hour it stands in UTC, so no change of summer time moves it."""
    calendar = Calendar()
    calendar.add("prodid", "-//siccast//recharge plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"Drying beads, {site}")
    calendar.add("refresh-interval", REFRESH_EVERY, parameters={"VALUE": "DURATION"})
    for one in sorted(events, key=lambda one: (one.session.on, one.uid)):
        calendar.add_component(_event(one, zone))
    text: bytes = calendar.to_ical()
    return text


def _event(one: AnnouncedEvent, zone: ZoneInfo) -> Event:
    session, event = one.session, Event()
    event.add("uid", one.uid)
    event.add("dtstamp", one.changed_at)  # without a METHOD, when it changed last (RFC 5545, section 3.8.7.2)
    event.add("last-modified", one.changed_at)
    event.add("sequence", one.sequence)
    event.add("status", "CANCELLED" if one.is_cancelled else "CONFIRMED")
    event.add("dtstart", session.starts_at or session.on)
    event.add("dtend", session.ends_at or session.on + ONE_DAY)
    event.add("summary", _summary(session))
    event.add("description", session.details)
    event.add("transp", "TRANSPARENT")
    if not one.is_cancelled:
        begins_at = session.starts_at or _instant(session.on, time(), zone)
        for at in session.alarms_at:
            event.add_component(_alarm(at - begins_at, str(event["summary"])))
    return event


def _summary(session: DryingSession) -> str:
    if not session.appliance:
        return f"Put spare beads into: {', '.join(session.boxes)}"
    spares = (f"spare {name}" for name in session.spares)
    return f"Dry beads ({session.appliance}): {', '.join([*session.boxes, *spares])}"


def _alarm(after: timedelta, words: str) -> Alarm:
    """Return what reminds so long after the beginning, which is before it where that is negative."""
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", after)
    alarm.add("description", words)
    return alarm


def _instant(on: date, at: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(on, at, zone).astimezone(UTC)
