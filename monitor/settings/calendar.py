"""How days of drying stand in a calendar: all day or from an hour on, and when it reminds of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.settings.toml_table import TomlTable

NEVER = "never"
_LONGEST_MINUTES = 1440  # judgement: longer is a day in itself


@dataclass(frozen=True, slots=True)
class CalendarRules:
    """What a person wants of the calendar; times are of the site's zone."""

    begins: time | None = None
    """None: the event has the whole day."""
    lasts_minutes: int = 60
    """Where it begins at an hour. A judgement: from the first weighing to the last burst."""
    evening_before: time | None = time(19)
    """A judgement: there is time to charge nothing else on the next day, and nobody sleeps."""
    that_morning: time | None = None


USUAL_CALENDAR = CalendarRules()


def read_calendar(table: TomlTable | None) -> CalendarRules:
    """Read and check the table, or return what holds without one."""
    usual = USUAL_CALENDAR
    if table is None:
        return usual
    rules = CalendarRules(
        _time(table, "begins", None),
        table.whole("lasts_minutes", 1, _LONGEST_MINUTES, default=usual.lasts_minutes),
        _time(table, "remind_evening_before", usual.evening_before),
        _time(table, "remind_that_morning", usual.that_morning),
    )
    table.refuse_leftovers()
    return rules


def _time(table: TomlTable, key: str, usual: time | None) -> time | None:
    text = table.text(key, default=NEVER if usual is None else f"{usual:%H:%M}")
    if text == NEVER:
        return None
    try:
        read = time.fromisoformat(text)
    except ValueError:
        read = None
    if read is None or read.tzinfo is not None or len(text) != len("00:00"):
        raise table.error(key, text, f"a time like '18:30', or '{NEVER}'")
    return read
