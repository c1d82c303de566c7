"""Days, months, weekdays and spans as people say them, in their language; the clock's own names are always English."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.texts import kept_by_language, say, say_many, to_say

if TYPE_CHECKING:
    from datetime import date

_MONTHS = (
    to_say("January"), to_say("February"), to_say("March"), to_say("April"), to_say("May"), to_say("June"),
    to_say("July"), to_say("August"), to_say("September"), to_say("October"), to_say("November"), to_say("December"),
)  # fmt: skip
_SHORT_MONTHS = (
    to_say("Jan"), to_say("Feb"), to_say("Mar"), to_say("Apr"), to_say("May"), to_say("Jun"),
    to_say("Jul"), to_say("Aug"), to_say("Sep"), to_say("Oct"), to_say("Nov"), to_say("Dec"),
)  # fmt: skip
_WEEKDAYS = (
    to_say("Monday"), to_say("Tuesday"), to_say("Wednesday"), to_say("Thursday"), to_say("Friday"),
    to_say("Saturday"), to_say("Sunday"),
)  # fmt: skip
_SHORT_WEEKDAYS = (
    to_say("Mon"), to_say("Tue"), to_say("Wed"), to_say("Thu"), to_say("Fri"), to_say("Sat"), to_say("Sun"),
)  # fmt: skip


def month(on: date) -> str:
    """Return the name of a day's month."""
    return say(_MONTHS[on.month - 1])


def short_month(on: date) -> str:
    """Return the name of a day's month, cut short."""
    return say(_SHORT_MONTHS[on.month - 1])


def weekday(on: date) -> str:
    """Return the name of a day's weekday."""
    return say(_WEEKDAYS[on.weekday()])


def short_weekday(on: date) -> str:
    """Return the name of a day's weekday, cut short."""
    return say(_SHORT_WEEKDAYS[on.weekday()])


@kept_by_language
def day_of_month(on: date) -> str:
    """Return a day without its year, as short as a table wants it."""
    return say("{day} {month}", day=on.day, month=short_month(on))


def short_day(on: date, beside: date) -> str:
    """Return a day as short as a table wants it, with its year where that is not the one of the day beside it."""
    return day_of_month(on) if on.year == beside.year else _with_year(on)


@kept_by_language
def _with_year(on: date) -> str:
    return say("{day} {year}", day=day_of_month(on), year=on.year)


def day_in_month(on: date, beside: date) -> str:
    """Return a day with its month in full, with its year where that is not the one of the day beside it."""
    day = say("{day} {month}", day=on.day, month=month(on))
    return day if on.year == beside.year else say("{day} {year}", day=day, year=on.year)


def near_day(on: date, beside: date) -> str:
    """Return a day of the coming weeks with its weekday, and with its year where that is not the one beside it.

    >>> from datetime import date
    >>> near_day(date(2026, 12, 31), date(2026, 12, 30)), near_day(date(2027, 1, 2), date(2026, 12, 30))
    ('Thu 31 Dec', 'Sat 2 Jan 2027')
    """
    return say("{weekday} {day}", weekday=short_weekday(on), day=short_day(on, beside))


def day_in_full(on: date, beside: date) -> str:
    """Return a day with its weekday and month in full, and its year where that is not the one beside it."""
    return say("{weekday} {day}", weekday=weekday(on), day=day_in_month(on, beside))


def span_of(length: timedelta) -> str:
    """Return how long something lasted: in minutes, from two hours on in hours, from two days on in days.

    >>> span_of(timedelta(minutes=10)), span_of(timedelta(hours=24)), span_of(timedelta(days=7, hours=3))
    ('10 minutes', '24 hours', '7 days')
    """
    hours = length // timedelta(hours=1)
    if hours < 2:  # judgement: what a person counts in minutes
        return say_many("{count} minute", "{count} minutes", length // timedelta(minutes=1))
    if hours < 48:  # judgement: what a person counts in hours
        return say("{count} hours", count=hours)
    return say("{count} days", count=length.days)
