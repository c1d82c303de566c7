"""The moment somebody typed: a time of day, a date, both, or a word."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from monitor.errors import TypedError
from monitor.records.declared import PLAN_RANGE_DAYS
from monitor.records.local_times import instants_of
from monitor.records.readings import EARLIEST_AT, LATEST_AT
from monitor.texts import say, to_say
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MOMENTS = to_say("10:00 (today), yesterday, 'yesterday 18:30', '1 Mar 7:30', 2026-03-01 or 2026-03-01T07:30")
DAYS = to_say("2026-03-14, saturday, today or tomorrow")
_LATER_TODAY = to_say(
    "'{text}' is in the future. Log only what has happened. For the day before, write 'yesterday {text}'"
)
_TWICE = to_say("'{text}' came twice in {zone}, where clocks were set back. Write {first} or {second}")
_NEVER = to_say(
    "'{text}' never was in {zone}, where clocks were set forward. By a clock that was not set yet, write {first}"
)
_CLOCK = r"\d{1,2}:\d\d(?::\d\d)?"
_DAY = r"yesterday|today|this morning"
_MORNING, _NOON = "8:00", "12:00"
"""What a part of a day is taken for; judgements: half of it is the most that can be wrong."""
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_SHORT = 3  # letters; by definition (RFC 5322 writes months so)
_NAMES = "|".join(f"{name[:_SHORT]}(?:{name[_SHORT:]})?" for name in _MONTHS).lower()
_DATED = re.compile(
    rf"(\d{{1,2}})(?:\.(\d{{1,2}})\.|\.? ?({_NAMES})\.?)(?: ?(\d{{4}}))?,? (?:at )?({_CLOCK})", re.ASCII
)
"""A day and its month, told apart by dots or by name: 3/4 could be either."""
_AHEAD = timedelta(days=183)
"""A day without a year that is further ahead was last year's. A judgement: half a year, so that a slip is told."""


def instant(text: str | None, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the instant somebody wrote, in their own zone where they named none; now where they wrote nothing.

    Raises
    ------
    TypedError
        Where it is no time, long ago or still to come, skipped by clocks or shown by them twice.
    """
    if text is None:
        return now
    try:
        today, told = now.astimezone(zone).date(), " ".join(text.lower().split())
        at = _told_by_the_day(told, today) or _dated(told, today) or datetime.fromisoformat(text.strip())
        at = in_zone(at, zone, text, now)
    except (ValueError, OverflowError):
        raise TypedError(
            say("'{text}' is not a time. Write it like {moments}", text=text, moments=say(MOMENTS))
        ) from None
    if at < EARLIEST_AT:
        raise TypedError(
            say("'{text}' is too long ago. Choose a time from {year} on", text=text, year=EARLIEST_AT.year)
        )
    if at > now:
        if re.fullmatch(_CLOCK, text):
            raise TypedError(say(_LATER_TODAY, text=text))
        raise TypedError(say("'{text}' is in the future. Log only what has happened", text=text))
    return at


def in_zone(told: datetime, zone: ZoneInfo, text: str, now: datetime | None = None) -> datetime:
    """Return the instant at which clocks showed a time, or at which a day began, in UTC.

    Parameters
    ----------
    told : datetime
        As it was read off the text; one with its own offset says by itself when it is.
    zone : ZoneInfo
        Whose clocks.
    text : str
        As somebody wrote it.
    now : datetime, optional
        Of two instants, one that is still to come can't be meant.

    Raises
    ------
    TypedError
        Where clocks skipped it, or it came twice.
    """
    if told.tzinfo:
        return told.astimezone(UTC)
    shown = instants_of(told, zone)
    meant = [at for at in shown if now is None or at <= now] or shown[:1]
    if len(meant) == 1:
        return meant[0]
    if _is_day(text):
        return told.replace(tzinfo=zone).astimezone(UTC)
    first, second = (told.replace(tzinfo=zone, fold=fold).isoformat() for fold in (0, 1))
    what, where = " ".join(text.split()), str(zone)
    words = {"text": what, "zone": where, "first": first}
    raise TypedError(say(_TWICE, **words, second=second) if meant else say(_NEVER, **words))


def day_ahead(text: str, today: date, within_days: int | None = None) -> date:
    """Return the day that is still to come, or today, that somebody wrote: a date or a day of the week.

    Raises
    ------
    TypedError
        Where it is no day, or past, or too far ahead: further than a plan looks, where that is given.
    """
    told = text.strip().lower()
    try:
        on = _near_day(told, today) or date.fromisoformat(told)
    except ValueError:
        raise TypedError(say("'{text}' is not a day. Write it like {days}", text=text, days=say(DAYS))) from None
    if on < today:
        raise TypedError(
            say("'{text}' is past. Choose today, {today}, or a later day", text=text, today=today.isoformat())
        )
    if on >= LATEST_AT.date():
        raise TypedError(say("'{text}' is too far ahead. Choose a day before {year}", text=text, year=LATEST_AT.year))
    if within_days is not None and (on - today).days > within_days:
        beyond = say("The plan looks {count} days ahead; {day} lies beyond", count=within_days, day=on.isoformat())
        raise TypedError(beyond)
    return on


def days_ahead(first: str, last: str | None, today: date) -> tuple[date, date | None]:
    """Return the first and last of some days that are still to come, within as long as any plan looks.

    Where it is one day, it has no last one.

    Raises
    ------
    TypedError
        As of a single day; also where the last day is before the first.
    """
    within = PLAN_RANGE_DAYS[1]
    begins = day_ahead(first, today, within)
    if not last or not last.strip():
        return begins, None
    ends = _next_named(last.strip().lower(), begins) or day_ahead(last, today, within)
    if ends < begins:
        days = {"first": begins.isoformat(), "last": ends.isoformat()}
        raise TypedError(say("The last day, {last}, is before the first, {first}", **days))
    return begins, ends if ends > begins else None


def is_named_day(text: str) -> bool:
    """Return whether somebody wrote a day by its name.

    >>> is_named_day("Saturday"), is_named_day("left")
    (True, False)
    """
    return _near_day(text.strip().lower(), date.min) is not None


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text.strip())
    except ValueError:
        return False
    return True


def _near_day(told: str, today: date) -> date | None:
    """Return today, tomorrow or the next day of a name; None where it is no such word."""
    if told in ("today", "tomorrow"):
        return today + timedelta(days=int(told == "tomorrow"))
    return _next_named(told, today)


def _next_named(told: str, first: date) -> date | None:
    """Return the first day of a weekday's name from a day on; None where it is no such name."""
    week = (first + timedelta(days=ahead) for ahead in range(DAYS_PER_WEEK))
    return next((on for on in week if told in (f"{on:%A}".lower(), f"{on:%a}".lower())), None)


def _told_by_the_day(told: str, today: date) -> datetime | None:
    """Return the time of day somebody wrote, of yesterday or today, without a zone; None where they wrote a date.

    'yesterday' alone is its noon, 'this morning' eight o'clock.
    """
    if turned := re.fullmatch(rf"({_CLOCK})[ ,]*({_DAY})", told):
        told = f"{turned[2]} {turned[1]}"
    found = re.fullmatch(rf"(?:({_DAY})[ ,]*)?({_CLOCK})?", told)
    if found is None or (found[2] is None and found[1] in (None, "today")):
        return None
    at = _clock(found[2] or (_MORNING if found[1] == "this morning" else _NOON))
    if found[1] == "this morning" and at >= _clock(_NOON):
        return None
    return datetime.combine(today - timedelta(days=int(found[1] == "yesterday")), at)


def _dated(told: str, today: date) -> datetime | None:
    """Return the day and time of day somebody wrote, without a zone; None where they wrote neither so."""
    found = _DATED.fullmatch(told)
    if found is None:
        return None
    day, month, named, year, clock = found.groups()
    on = date(int(year or today.year), int(month) if month else _number_of(named), int(day))
    if year is None and on - today > _AHEAD:
        on = on.replace(year=on.year - 1)
    return datetime.combine(on, _clock(clock))


def _number_of(month: str) -> int:
    return next(number for number, name in enumerate(_MONTHS, start=1) if name[:_SHORT].lower() == month[:_SHORT])


def _clock(text: str) -> time:
    hours, _, rest = text.partition(":")
    return time.fromisoformat(f"{hours:0>2}:{rest}")
