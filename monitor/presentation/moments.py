"""The moment somebody typed: a time of day, a date, both, or a word."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from monitor.errors import TypedError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MOMENTS = "10:00 (today), yesterday, 'yesterday 18:30', 2026-03-01 or 2026-03-01T07:30"
DAYS = "2026-03-14, saturday, today or tomorrow"
_CLOCK = r"\d{1,2}:\d\d(?::\d\d)?"


def instant(text: str | None, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the instant somebody wrote, in their own zone where they named none; now where they wrote nothing.

    Raises
    ------
    TypedError
        Where it is no time, or still to come.
    """
    if text is None:
        return now
    try:
        at = _told_by_the_day(text, now.astimezone(zone).date()) or datetime.fromisoformat(text)
        at = (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise TypedError(f"'{text}' is not a time. Write it like {MOMENTS}") from None
    if at > now:
        earlier = f". For the day before, write 'yesterday {text}'" if re.fullmatch(_CLOCK, text) else ""
        raise TypedError(f"'{text}' is in the future. Log only what has happened{earlier}")
    return at


def day_ahead(text: str, today: date) -> date:
    """Return the day that is still to come, or today, that somebody wrote: a date or a day of the week.

    Raises
    ------
    TypedError
        Where it is no day, or past.
    """
    told = text.strip().lower()
    try:
        on = _near_day(told, today) or date.fromisoformat(told)
    except ValueError:
        raise TypedError(f"'{text}' is not a day. Write it like {DAYS}") from None
    if on < today:
        raise TypedError(f"'{text}' is past. Choose today, {today.isoformat()}, or a later day")
    return on


def _near_day(told: str, today: date) -> date | None:
    """Return today, tomorrow or the next day of a name; None where it is no such word."""
    if told in ("today", "tomorrow"):
        return today + timedelta(days=int(told == "tomorrow"))
    week = (today + timedelta(days=ahead) for ahead in range(7))  # by definition
    return next((on for on in week if told in (f"{on:%A}".lower(), f"{on:%a}".lower())), None)


def _told_by_the_day(text: str, today: date) -> datetime | None:
    """Return the time of day somebody wrote, of yesterday or today, without a zone; None where they wrote a date.

    'yesterday' alone is its noon: half a day is the most that can be wrong with it.
    """
    told = re.fullmatch(rf"(?:(yesterday|today)[ ,]*)?({_CLOCK})?", text.strip().lower())
    if told is None or (told[2] is None and told[1] != "yesterday"):
        return None
    hours, _, rest = (told[2] or "12:00").partition(":")
    on = today - timedelta(days=1) if told[1] == "yesterday" else today
    return datetime.combine(on, time.fromisoformat(f"{hours:0>2}:{rest}"))
