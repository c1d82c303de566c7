"""Numbers, chances and spans of time as every face says them, and small words that join them."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from monitor.texts import said, say, say_many, to_say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Quantiles
MINUS = "\N{MINUS SIGN}"
TO = "\N{EN DASH}"
_LEAST_CHANCE, _MOST_CHANCE = 0.01, 0.99
"""Chances beyond which a simulation of this size tells no more (a judgement)."""
NARROW = "\N{NARROW NO-BREAK SPACE}"
JUST_NOW = to_say("just now")
_MOST_COUNTED = 121  # a count; by definition: minutes up to two hours
_AGE_STEPS = ((1440, 2), (60, 2), (1, 1))
"""How an age is said: minutes of the unit, and from how many of it on. Units by definition, the counts judgements: 90
minutes tell more than one hour."""

_LEAST_DAYS = 0.05
"""Fewer are none to a person. [days] Judgement."""
_WHOLE_DAYS_FROM = 9.95
"""From here on a tenth of a day tells nothing. [days] Judgement: as well as it is known."""


def expected_days(days: float) -> str:
    """Return a number of days that is an expectation, without digits that say nothing; empty where there are none.

    >>> expected_days(1.84), expected_days(7.0), expected_days(1.0), expected_days(0.01)
    ('1.8 days', '7 days', '1 day', '')
    """
    if days < _LEAST_DAYS:
        return ""
    shown = day_count(days)
    return say("1 day") if shown == "1" else say("{count} days", count=shown)


def day_count(days: float) -> str:
    """Return an expected number of days without its unit, in as many digits as it is known."""
    return f"{days:.1f}".removesuffix(".0") if days < _WHOLE_DAYS_FROM else f"{days:.0f}"


def sentence(text: str) -> str:
    """Return a text in the language of the context, with its capital letter and its full stop."""
    text = said(text)
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def joined(parts: Sequence[str]) -> str:
    """Return parts of a sentence with 'and' between them.

    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('a', 'a and b', 'a and b and c')
    """
    whole = parts[0]
    for part in parts[1:]:
        whole = say("{one} and {other}", one=whole, other=part)
    return whole


def percent(fraction: float, digits: int = 0) -> str:
    """Return a fraction in per cent, with its sign."""
    return f"{100.0 * fraction:.{digits}f}{NARROW}%"


def limit_percent(limit: float) -> str:
    """Return a humidity limit as it was declared, in per cent.

    >>> limit_percent(0.07), limit_percent(0.125)
    ('7\\u202f%', '12.5\\u202f%')
    """
    return f"{100.0 * limit:.4g}{NARROW}%"


def chance(probability: float) -> str:
    """Return a chance in per cent, never more certain than the sample behind it."""
    if probability < _LEAST_CHANCE:
        return say("less than {chance}", chance=percent(_LEAST_CHANCE))
    return (
        say("more than {chance}", chance=percent(_MOST_CHANCE)) if probability > _MOST_CHANCE else percent(probability)
    )


def spread(values: Quantiles, scale: float = 1.0) -> str:
    """Return a middle and its 90 % interval."""
    return f"{figures(scale * values.p50)} ({figures(scale * values.p05)} {TO} {figures(scale * values.p95)})"


def figures(value: float, digits: int = 2) -> str:
    """Return a number to so many significant figures, never in powers of ten, and whole numbers as they are.

    >>> figures(0.04821), figures(3.26), figures(152.4)
    ('0.048', '3.3', '152')
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else say("unknown")
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    return f"{value:.{decimals}f}"


def duration(days: float) -> str:
    """Return how long something takes, in the unit that suits it.

    >>> duration(0.01), duration(0.7), duration(3.26)
    ('14 minutes', '17 hours', '3.3 days')
    """
    if not math.isfinite(days):
        return say("unknown")
    if days < 2.0 / 24.0:
        return say("{count} minutes", count=f"{days * 1440.0:.0f}")  # a day, by definition
    return say("{count} hours", count=f"{days * 24.0:.0f}") if days < 2.0 else say("{count} days", count=figures(days))


def age(span: timedelta) -> str:
    """Return how old something is, as short as a column of a table wants it.

    >>> age(timedelta(minutes=4)), age(timedelta(hours=30)), age(timedelta(days=40))
    ('4 min ago', '30 h ago', '40 days ago')
    """
    minutes = max(int(span.total_seconds() // 60), 0)
    if minutes < 2 * 60:
        return say("{count} min ago", count=minutes)
    if minutes < 2 * 24 * 60:
        return say("{count} h ago", count=minutes // 60)
    return say_many("{count} day ago", "{count} days ago", minutes // (24 * 60))


def ago(span: timedelta) -> str:
    """Return how long ago something was.

    >>> ago(timedelta(minutes=4)), ago(timedelta(hours=30)), ago(timedelta(days=40))
    ('4 minutes ago', '30 hours ago', '40 days ago')
    """
    minutes = int(span.total_seconds() // 60)
    for size, from_count in _AGE_STEPS:
        if minutes // size >= from_count:
            return _so_many_ago(size, minutes // size)
    return say(JUST_NOW)


def _so_many_ago(size_minutes: int, count: int) -> str:
    if size_minutes == 1440:  # minutes of a day, by definition
        return say_many("{count} day ago", "{count} days ago", count)
    if size_minutes == 60:  # minutes of an hour, by definition
        return say_many("{count} hour ago", "{count} hours ago", count)
    return say_many("{count} minute ago", "{count} minutes ago", count)


def ages_for_scripts() -> dict[str, Any]:
    """Return how ages are said, for the script that keeps them right while a page is open.

    Each step has its minutes, from how many on it counts, the words for one and for many, and for the counts that a
    language says otherwise.
    """
    return {"now": say(JUST_NOW), "steps": [_age_step(size, from_count) for size, from_count in _AGE_STEPS]}


def _age_step(size_minutes: int, from_count: int) -> tuple[int, int, str, str, dict[str, str]]:
    def words(count: int) -> str:
        return _so_many_ago(size_minutes, count).replace(str(count), "{}")

    many = words(0)
    others = {str(count): words(count) for count in range(2, _MOST_COUNTED) if words(count) != many}
    return size_minutes, from_count, words(1), many, others
