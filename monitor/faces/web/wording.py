"""Numbers, dates and states as the page says them, in the units and the zone of the shelf."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from monitor.records import Assessment, BoxState, DateQuantiles, EntryKind, LedgerEntry, Quantiles
from monitor.units import degc_to_degf, grams_to_ounces

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MINUS = "\N{MINUS SIGN}"
TO = "\N{EN DASH}"
FAR_AWAY = timedelta(days=75)
NARROW = "\N{NARROW NO-BREAK SPACE}"

METHODS = {
    "oven_120C_3h": "three hours in the oven at 120 °C",
    "microwave": "dried in the microwave",
    "hot_air_65C": "dried in hot air at 65 °C",
    "print_bed": "dried on the print bed",
    "new": "new beads",
    "indicator_orange": "judged dry by their color",
}


@dataclass(frozen=True, slots=True)
class Wording:
    """How one shelf wants things said."""

    zone: ZoneInfo
    fahrenheit: bool = False
    ounces: bool = False

    def degrees(self, degc: float) -> float:
        """Return a temperature in the unit temperatures are shown in."""
        return degc_to_degf(degc) if self.fahrenheit else degc

    def temperature(self, degc: float) -> str:
        """Return a temperature with its unit."""
        return f"{_signed(self.degrees(degc), 1)}{NARROW}{self.temperature_unit}"

    @property
    def temperature_unit(self) -> str:
        """Return the unit temperatures are shown in."""
        return "°F" if self.fahrenheit else "°C"

    def mass(self, grams: float) -> str:
        """Return a mass with its unit."""
        value, unit = (grams_to_ounces(grams), "oz") if self.ounces else (grams, "g")
        return f"{figures(value)}{NARROW}{unit}"

    def masses_a_day(self, grams: Quantiles) -> str:
        """Return a flow of water with its interval and unit."""
        scale, unit = (grams_to_ounces(1.0), "oz") if self.ounces else (1.0, "g")
        return f"{spread(grams, scale)}{NARROW}{unit} a day"

    def day(self, at: datetime, beside: datetime) -> str:
        """Return a calendar day, with its year where that is not the year of the instant beside it."""
        local, near = at.astimezone(self.zone), beside.astimezone(self.zone)
        return f"{local.day} {local:%b}" + ("" if local.year == near.year else f" {local.year}")

    def moment(self, at: datetime) -> str:
        """Return a day and a time of day."""
        local = at.astimezone(self.zone)
        return f"{local.day} {local:%b %Y}, {local:%H:%M}"

    def state(self, answer: Assessment) -> str:
        """Return the state of a box in plain words."""
        if answer.state is BoxState.due and answer.due_at is not None:
            return f"due by {self.day(answer.due_at, answer.as_of)}"
        return answer.state.value

    def month(self, at: datetime, *, year: bool) -> str:
        """Return a month, for what lies too far ahead to name a day."""
        local = at.astimezone(self.zone)
        return f"{local:%b %Y}" if year else f"{local:%b}"

    def crossing_in_brief(self, dates: DateQuantiles, as_of: datetime) -> str:
        """Return the crossing as precisely as it is known: by days while it is near, by months when it is far."""
        if dates.p05 is None or dates.p50 is None or dates.p50 - as_of < FAR_AWAY:
            return self.crossing(dates, as_of)
        long = dates.p95 is not None and dates.p95 - dates.p05 > timedelta(days=330)
        last = self.month(dates.p95, year=long) if dates.p95 else "later"
        return f"{self.month(dates.p50, year=True)} ({self.month(dates.p05, year=long)} {TO} {last})"

    def crossing(self, dates: DateQuantiles, as_of: datetime) -> str:
        """Return the day of the crossing, never without its interval."""
        if dates.p05 is None:
            return "not within the horizon"
        first = self.day(dates.p05, as_of)
        if dates.p95 and self.month(dates.p05, year=True) == self.month(dates.p95, year=True):
            first = str(dates.p05.astimezone(self.zone).day)
        last = self.day(dates.p95, as_of) if dates.p95 else "beyond the horizon"
        if dates.p50 is None:
            return f"perhaps from {first} on, more likely beyond the horizon"
        return f"{self.day(dates.p50, as_of)} ({first} {TO} {last})"

    def entry(self, entry: LedgerEntry) -> str:
        """Return what a person wrote down, in one sentence's worth of words."""
        words = []
        if entry.kind in (EntryKind.charge, EntryKind.recharge) and entry.dry_mass_g is not None:
            words.append(f"{self.mass(entry.dry_mass_g)} of {beads(entry.desiccant)}")
        if entry.mass_g is not None:
            words.append(f"weighed {self.mass(entry.mass_g)}")
        if entry.method:
            words.append(METHODS.get(entry.method, entry.method))
        if entry.note:
            words.append(entry.note)
        return "; ".join(words)


def beads(kind: str | None) -> str:
    """Return what a kind of beads is called."""
    return kind.replace("_", " ") if kind else "beads"


def percent(fraction: float, digits: int = 0) -> str:
    """Return a fraction in per cent, with its sign."""
    return f"{100.0 * fraction:.{digits}f}{NARROW}%"


def percents(fractions: Quantiles) -> str:
    """Return a fraction and its 90 % interval in per cent."""
    low, high = 100.0 * fractions.p05, 100.0 * fractions.p95
    return f"{100.0 * fractions.p50:.0f}{NARROW}% ({low:.0f} {TO} {high:.0f})"


def chance(probability: float) -> str:
    """Return a chance in per cent, never more certain than the sample behind it."""
    if probability < 0.01:
        return f"<{NARROW}1{NARROW}%"
    return f">{NARROW}99{NARROW}%" if probability > 0.99 else percent(probability)


def spread(values: Quantiles, scale: float = 1.0) -> str:
    """Return a middle and its 90 % interval."""
    return f"{figures(scale * values.p50)} ({figures(scale * values.p05)} {TO} {figures(scale * values.p95)})"


def figures(value: float, digits: int = 2) -> str:
    """Return a number to so many significant figures, never in powers of ten, and whole numbers as they are.

    >>> figures(0.04821), figures(3.26), figures(152.4)
    ('0.048', '3.3', '152')
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "unknown"
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    return f"{value:.{decimals}f}"


def ago(span: timedelta) -> str:
    """Return how long ago something was.

    >>> ago(timedelta(minutes=4)), ago(timedelta(hours=30)), ago(timedelta(days=40))
    ('4 minutes ago', '30 hours ago', '40 days ago')
    """
    minutes = int(span.total_seconds() // 60)
    if minutes < 1:
        return "just now"
    for size, word in ((1440, "day"), (60, "hour"), (1, "minute")):
        count = minutes // size
        if count >= 2 or size == 1:
            return f"{count} {word}{'s' if count != 1 else ''} ago"
    return "just now"


def _signed(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("-", MINUS)
