"""Numbers, dates and states as every face says them, in the units and the zone of the shelf."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.records import (
    Assessment,
    BoxState,
    CrossingForecast,
    EntryKind,
    LeakEstimate,
    LedgerEntry,
    Quantiles,
    WhatIf,
)
from monitor.units import degc_to_degf, grams_to_ounces

if TYPE_CHECKING:
    from collections.abc import Callable
    from zoneinfo import ZoneInfo

    from monitor.settings import Shelf

MINUS = "\N{MINUS SIGN}"
TO = "\N{EN DASH}"
CHANCES_WITHIN_DAYS = (7, 30)  # judgement: this week, and the month in which a day can be found
STALE_AFTER = timedelta(days=1)  # judgement: no node reports more seldom
"""Without a reading for longer than this a sensor is worth a look."""
FAR_AWAY = timedelta(days=75)
"""Beyond this a crossing is better named by its month. A judgement: its interval is weeks wide then."""
_WITHOUT_YEAR = (timedelta(days=-60), timedelta(days=300))
"""Days that need no year beside them. A judgement: within these a month is not taken for that of another year."""
_LONG = timedelta(days=270)
"""From the first month of an interval to its last, beyond which both get their year (a judgement)."""
_LEAST_CHANCE, _MOST_CHANCE = 0.01, 0.99
"""Chances beyond which a simulation of this size tells no more (a judgement)."""

NARROW = "\N{NARROW NO-BREAK SPACE}"

_WITHOUT_FORECAST = {
    BoxState.undeclared: "add it to shelf.toml",
    BoxState.no_readings: "check its sensor",
    BoxState.estimate_failed: "report the failure",
}
"""What to do about a box without a forecast that is not over its limit; the others wait for readings."""

_NUMBER = r"(?<![\w.,/])-?\d+(?:\.\d+)?"
_GRAMS = re.compile(rf"({_NUMBER})(?:( to | – )({_NUMBER}))?([ {NARROW}])g\b(?!/)")
_DEGC = re.compile(rf"({_NUMBER})(?:( to | – )({_NUMBER}))?([ {NARROW}])°C")

METHODS = {
    "oven_120C_3h": "three hours in the oven at 120 °C",
    "microwave": "dried in the microwave",
    "hot_air_65C": "dried in hot air at 65 °C",
    "print_bed": "dried on the print bed",
    "new": "new beads",
    "indicator_orange": "judged dry by their color",
    "not_dried": "some or all not dried",
}
BEADS = {
    "silica_regular": "silica gel, regular density",
    "silica_wide": "silica gel, wide pores",
    "silica_gel_regular_density": "silica gel, regular density",
    "silica_gel_regular_density_large_pore_volume": "silica gel, regular density, large pores",
    "silica_gel_type_A": "silica gel, type A",
    "silica_gel_type_B_wide_pore": "silica gel, wide pores (type B)",
    "silica_gel_type_RD": "silica gel, type RD",
    "silica_gel_unspecified": "silica gel, unknown type",
    "silica_gel_orange_indicating": "orange indicating gel",
    "silica_gel_blue_indicating": "blue indicating gel",
    "mol_sieve": "molecular sieve",
    "molecular_sieve_A_type": "molecular sieve, type A beads",
    "industrial_desiccant_any": "the least industrial desiccant must hold",
    "bagged_desiccant_any": "the least bagged desiccant must hold",
    "clay": "clay",
    "alumina": "activated alumina",
    "cacl2": "calcium chloride",
}


@dataclass(frozen=True, slots=True)
class Wording:
    """How one shelf wants things said."""

    zone: ZoneInfo
    fahrenheit: bool = False
    ounces: bool = False

    @classmethod
    def of(cls, shelf: Shelf) -> Wording:
        """Return how a shelf wants things said."""
        return cls(shelf.timezone, shelf.fahrenheit, shelf.ounces)

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
        return f"{self.mass_figures(grams)}{NARROW}{self.mass_unit}"

    def in_own_units(self, sentence: str) -> str:
        """Return a sentence from below, which speaks of grams and °C, in the units of the shelf.

        >>> from zoneinfo import ZoneInfo
        >>> Wording(ZoneInfo("UTC"), fahrenheit=True, ounces=True).in_own_units("150 g at 60 to 65 °C")
        '5.29 oz at 140 to 149 °F'
        """
        if self.ounces:
            sentence = _GRAMS.sub(
                # digits; judgement: as good as a scale
                lambda found: _converted(found, lambda g: figures(grams_to_ounces(g), 3), "oz"),
                sentence,
            )
        if self.fahrenheit:
            sentence = _DEGC.sub(lambda found: _converted(found, lambda c: f"{degc_to_degf(c):.0f}", "°F"), sentence)
        return sentence

    def weight(self, grams: float) -> str:
        """Return what a scale showed, to the steps of a good one, with its unit."""
        return f"{grams_to_ounces(grams):.2f} oz" if self.ounces else f"{grams:.1f} g"

    def masses_a_day(self, grams: Quantiles) -> str:
        """Return a flow of water with its interval and unit."""
        return f"{self.masses(grams)}{NARROW}{self.mass_unit} a day"

    @property
    def mass_unit(self) -> str:
        """Return the unit masses are shown in."""
        return "oz" if self.ounces else "g"

    def masses(self, grams: Quantiles) -> str:
        """Return a mass, or a flow of it, and its 90 % interval, without the unit."""
        return spread(grams, grams_to_ounces(1.0) if self.ounces else 1.0)

    def mass_figures(self, grams: float) -> str:
        """Return a mass, or a flow of it, without the unit."""
        return figures(grams_to_ounces(grams) if self.ounces else grams)

    def day(self, at: datetime, beside: datetime, *, with_year: bool = False) -> str:
        """Return a calendar day, with its year where the instant beside it leaves that open."""
        local, ahead = at.astimezone(self.zone), at - beside
        near = _WITHOUT_YEAR[0] < ahead < _WITHOUT_YEAR[1] and not with_year
        return f"{local.day} {local:%b}" + ("" if near else f" {local.year}")

    def moment(self, at: datetime) -> str:
        """Return a day and a time of day."""
        local = at.astimezone(self.zone)
        return f"{local.day} {local:%b %Y}, {local:%H:%M}"

    def local_day(self, at: datetime) -> date:
        """Return the person's calendar day at an instant."""
        return at.astimezone(self.zone).date()

    def state(self, answer: Assessment, *, iso: bool = False) -> str:
        """Return the state of a box in plain words."""
        if answer.state is BoxState.due and answer.due_at is not None:
            due = self.local_day(answer.due_at).isoformat() if iso else self.day(answer.due_at, answer.as_of)
            return f"due by {due}"
        return answer.state.value

    def limit(self, answer: Assessment) -> str:
        """Return the limit of a box; an undeclared box has none."""
        return "–" if answer.state is BoxState.undeclared else percent(answer.box.humidity_limit)

    def to_do(self, answer: Assessment) -> str:
        """Return the one thing to do about a box, with the day to do it by."""
        from monitor.services.assess import what_is_due, what_to_do  # noqa: PLC0415 -- whoever holds an answer has it already

        if answer.state is BoxState.over_limit:
            return what_to_do(answer)
        if answer.forecast is None:
            return _WITHOUT_FORECAST.get(answer.state, "wait for readings")
        if answer.due_at is None:
            return f"nothing before {self._end(answer.forecast, answer.as_of).year}"
        return f"{what_is_due(answer)} {self._by(answer.due_at, answer.as_of)}"

    def _by(self, due_at: datetime, as_of: datetime) -> str:
        if due_at <= as_of:
            return "today"
        on = self.local_day(due_at)
        return f"by {near_day(on) if due_at - as_of < FAR_AWAY else self.day(due_at, as_of)}"

    def reason(self, answer: Assessment) -> str:
        """Return in a sentence why that is the thing to do."""
        from monitor.services.assess import why_over  # noqa: PLC0415

        if answer.state is BoxState.over_limit:
            return why_over(answer)
        if answer.forecast is None:
            return sentence(answer.refusal) if answer.refusal else ""
        if answer.latest and answer.as_of - answer.latest.at > STALE_AFTER:
            return f"Its last reading is from {ago(answer.as_of - answer.latest.at)}. Check its sensor."
        if answer.charge is None:
            return "No beads are logged for it."
        return f"Its beads are {percent(answer.forecast.capacity_used.p50)} full."

    def why_then(self, answer: Assessment) -> str:
        """Return in a sentence why a box has the day that it has; nothing where it has none."""
        from monitor.services.assess import why_by_then  # noqa: PLC0415

        if answer.forecast is None or answer.state is BoxState.over_limit:
            return ""
        if answer.due_at is None:
            return f"It stays under {percent(answer.box.humidity_limit)} that long."
        return why_by_then(answer, self.day(answer.due_at, answer.as_of) if answer.due_at > answer.as_of else "today")

    def course(self, answer: Assessment) -> str:
        """Return when a box passes its limit and how likely that is soon, in sentences; nothing without a forecast."""
        there = answer.forecast
        if there is None:
            return ""
        limit = percent(there.humidity_limit)
        if answer.state is BoxState.over_limit:
            return f"The chance that it is over {limit} now is {chance(there.chance_over_already)}."
        when = self.crossing_in_brief(there, answer.as_of)
        about = "" if when.startswith(("not ", "after ", "already ")) else "about "
        soon, later = (chance(there.chance_within(days)) for days in CHANCES_WITHIN_DAYS)
        chances = f"The chance is {soon} within 7 days and {later} within 30 days."
        if soon == later:
            chances = f"The chance is {soon} within 7 and within 30 days."
        return f"It passes {limit} {about}{when}. {chances}"

    def beads_full(self, answer: Assessment, *, brief: bool = False) -> str:
        """Return how full the beads of a box are: what they hold as a share of what they can hold at its limit."""
        if answer.forecast is None:
            return "–" if brief else "unknown"
        if answer.charge is None:
            return "none" if brief else "none logged"
        held = answer.forecast.capacity_used
        if held.p50 >= 1.0:
            return "full"
        most = "full" if held.p95 >= 1.0 else f"{100.0 * held.p95:.0f}"
        return percent(held.p50) if brief else f"{percent(held.p50)} full ({100.0 * held.p05:.0f} {TO} {most})"

    def crossing(self, forecast: CrossingForecast, as_of: datetime) -> str:
        """Return the day of the crossing, never without its interval."""
        dates, horizon = forecast.cross_at, self._horizon(forecast, as_of)
        if dates.p05 is None:
            return f"not before {horizon}"
        if dates.p50 and dates.p50 <= as_of:
            return "already over"
        # beside a horizon years away, a day without its year would be taken for one of this year
        far = dates.p95 is None
        first = "now" if dates.p05 <= as_of else self.day(dates.p05, as_of, with_year=far)
        if dates.p50 is None:
            return f"after {horizon} ({first} {TO} later)"
        middle = self.day(dates.p50, as_of, with_year=far)
        last = f"after {horizon}" if dates.p95 is None else self.day(dates.p95, as_of)
        if first == middle == last:
            return middle
        if dates.p95 and dates.p05 > as_of and self._month(dates.p05, year=True) == self._month(dates.p95, year=True):
            first = str(self.local_day(dates.p05).day)
        return f"{middle} ({first} {TO} {last})"

    def opening(self, leak: LeakEstimate) -> str:
        """Return what one opening brings, beside the leak; nothing where the room is as dry as the box."""
        if leak.opening_g is None or leak.opening_hours is None:
            return ""
        brings, hours = self.mass(leak.opening_g.p50), duration(leak.opening_hours.p50 / 24.0)
        return f"Each opening lets in about {brings} of water. The leak takes {hours} to let in as much."

    def change(self, leak: LeakEstimate, as_of: datetime) -> str:
        """Return since when a box is leakier or tighter than it was, how much, and what that may come from."""
        if leak.changed_at is None or leak.change_factor is None:
            return ""
        since = self.day(leak.changed_at, as_of)
        span = self._span(*(leak.changed_between or (leak.changed_at, leak.changed_at)), as_of)
        said = f"Since {since}{span} it has been {spread(leak.change_factor)} times as leaky as before."
        return f"{said} {leak.change_words}".rstrip()

    def _span(self, first: datetime, last: datetime, as_of: datetime) -> str:
        """Return the days between which something was, with month and year once where they are the same."""
        start, end = self.day(first, as_of), self.day(last, as_of)
        if start == end:
            return ""
        if self._month(first, year=True) == self._month(last, year=True):
            start = str(self.local_day(first).day)
        elif self.local_day(first).year == self.local_day(last).year:
            start = self.day(first, first)
        return f" ({start} {TO} {end})"

    def crossing_in_brief(self, forecast: CrossingForecast, as_of: datetime) -> str:
        """Return the crossing as precisely as it is known: by days while it is near, by months when it is far."""
        dates = forecast.cross_at
        if dates.p05 is None or dates.p50 is None or dates.p50 - as_of < FAR_AWAY:
            return self.crossing(forecast, as_of)
        long = (dates.p95 or dates.p50) - dates.p05 > _LONG
        last = self._month(dates.p95, year=long) if dates.p95 else "later"
        return f"{self._month(dates.p50, year=True)} ({self._month(dates.p05, year=long)} {TO} {last})"

    def _month(self, at: datetime, *, year: bool) -> str:
        local = at.astimezone(self.zone)
        return f"{local:%b %Y}" if year else f"{local:%b}"

    def _horizon(self, forecast: CrossingForecast, as_of: datetime) -> str:
        return self.day(self._end(forecast, as_of), as_of)

    def _end(self, forecast: CrossingForecast, as_of: datetime) -> datetime:
        return as_of + timedelta(days=len(forecast.chance_by_day) - 1)

    def changes(self, change: WhatIf) -> list[str]:
        """Return what is supposed to be changed about a box, a phrase each."""
        said = []
        if change.humidity_limit is not None:
            said.append(f"a limit of {percent(change.humidity_limit)}")
        if change.conductance_factor != 1.0:
            said.append(f"{figures(change.conductance_factor)} times the leak")
        if change.dry_mass_g is not None or change.desiccant is not None:
            mass = "as much" if change.dry_mass_g is None else self.mass(change.dry_mass_g)
            kind = "the same kind" if change.desiccant is None else beads(change.desiccant)
            said.append(f"fresh beads put in now, {mass} of {kind}")
        if (climate := change.room_climate) is not None:
            held = percent(climate.relative_humidity)
            said.append(f"a room of {self.temperature(climate.temperature_degc)} and {held} on average")
        return said

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


def sentence(text: str) -> str:
    """Return a text with its capital letter and its full stop."""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def beads(kind: str | None) -> str:
    """Return what a kind of beads is called, or what several kinds side by side are.

    >>> beads("silica_gel_regular_density 0.6 + clay 0.4")
    'silica gel, regular density (60 %) and clay (40 %)'
    """
    if kind is None:
        return "beads"
    if " + " in kind:
        parts = (part.rpartition(" ") for part in kind.split(" + "))
        return " and ".join(f"{beads(name)} ({100.0 * float(share):.0f} %)" for name, _, share in parts)
    return BEADS.get(kind, kind.replace("_", " "))


def _converted(found: re.Match[str], convert: Callable[[float], str], unit: str) -> str:
    """Return a number, or the two ends of a span, with another unit."""
    first, between, last, space = found.groups()
    span = f"{between}{convert(float(last))}" if last else ""
    return f"{convert(float(first))}{span}{space}{unit}"


def percent(fraction: float, digits: int = 0) -> str:
    """Return a fraction in per cent, with its sign."""
    return f"{100.0 * fraction:.{digits}f}{NARROW}%"


def chance(probability: float) -> str:
    """Return a chance in per cent, never more certain than the sample behind it."""
    if probability < _LEAST_CHANCE:
        return f"under 1{NARROW}%"
    return f"over 99{NARROW}%" if probability > _MOST_CHANCE else percent(probability)


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


def duration(days: float) -> str:
    """Return how long something takes, in the unit that suits it.

    >>> duration(0.01), duration(0.7), duration(3.26)
    ('14 minutes', '17 hours', '3.3 days')
    """
    if not math.isfinite(days):
        return "unknown"
    if days < 2.0 / 24.0:
        return f"{days * 1440.0:.0f} minutes"  # a day, by definition
    return f"{days * 24.0:.0f} hours" if days < 2.0 else f"{figures(days)} days"


def near_day(on: date) -> str:
    """Return a day of the coming weeks with its weekday."""
    return f"{on:%a} {on.day} {on:%b}"


def age(span: timedelta) -> str:
    """Return how old something is, as short as a column of a table wants it.

    >>> age(timedelta(minutes=4)), age(timedelta(hours=30)), age(timedelta(days=40))
    ('4 min', '30 h', '40 days')
    """
    minutes = max(int(span.total_seconds() // 60), 0)
    if minutes < 2 * 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 2 * 24 * 60 else f"{minutes // (24 * 60)} days"


def ago(span: timedelta) -> str:
    """Return how long ago something was.

    >>> ago(timedelta(minutes=4)), ago(timedelta(hours=30)), ago(timedelta(days=40))
    ('4 minutes ago', '30 hours ago', '40 days ago')
    """
    minutes = int(span.total_seconds() // 60)
    if minutes < 1:
        return "just now"
    for size, word in ((24 * 60, "day"), (60, "hour"), (1, "minute")):
        count = minutes // size
        if count >= 2 or size == 1:
            return f"{count} {word}{'s' if count != 1 else ''} ago"
    return "just now"


def _signed(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("-", MINUS)
