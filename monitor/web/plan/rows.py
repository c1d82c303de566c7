"""One box of a plan, ready for the template: its day, why, and where it may be moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_full, near_day
from monitor.presentation.amounts import chance, limit_percent
from monitor.texts import said, say
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.presentation.planned import Planned
    from monitor.records import Assessment, CrossingForecast

MOST_CHOICES = 26
"""So many days are offered in a list. A judgement: half a year of weekends; further ones can be dragged to."""
OTHER_DAYS_AHEAD = 14
"""So far ahead days are offered on which the person usually dries nothing. [days] A judgement: two weeks."""
SKIPS = (14, 28, 84)
"""For how long a box may be skipped. [days] A judgement: two weeks, a month, a quarter."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A day that a box may be moved to."""

    iso: str
    words: str
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One box with its day or without one, and where it may be moved."""

    name: str
    sentence: str
    on: str = ""
    """Its day; empty where it has none."""
    day: str = ""
    moved: bool = False
    later: str = ""
    """Why this visit can't be moved: the box has one before it. Empty for the next visit."""
    risks: str = ""
    """What waiting one more week risks."""
    changed: str = ""
    """From which day it moved since that was announced, and why."""
    beads: str = ""
    limit: str = ""
    chances: str = ""
    """The chance that it is over its limit before each day from today on, in whole per cent."""
    days: Sequence[Choice] = ()
    other_days: Sequence[Choice] = ()
    skips: Sequence[Choice] = ()


def row_of(planned: Planned, box: str, sentence: str, on: date | None = None, *, risks: str = "") -> Row:
    """Return a box on a day; where that is its next visit, with where it may be moved."""
    answer, today, words = planned.answer(box), planned.today, planned.words
    forecast = answer.forecast if answer else None
    grams, decided = grams_of(answer), planned.plan.decided
    first = planned.first_days.get(box)
    row = Row(
        name=box,
        sentence=sentence,
        on=on.isoformat() if on else "",
        day=day_in_full(on, today) if on else "",
        moved=on is not None and decided.fixed.get(box) == on,
        risks=risks,
        beads=words.mass(grams) if grams else "",
        skips=_skips(max(on or today, today)),
    )
    if on is not None and first is not None and first < on:
        return replace(row, later=_why_later(first, today))
    row = replace(row, changed=said(planned.plan.changed.get(box, "")))
    if forecast is None:
        return row
    usual, other = _candidates(planned, on)
    return replace(
        row,
        limit=limit_percent(forecast.humidity_limit),
        chances=chances_by_day(forecast, (planned.last - today).days),
        days=[_choice(each, today, forecast, on) for each in usual],
        other_days=[_choice(each, today, forecast, on) for each in other],
    )


def _why_later(first: date, today: date) -> str:
    return say("It stands or moves with its visit of {day}: move that one.", day=near_day(first, today))


def _skips(since: date) -> list[Choice]:
    """Return until when a box may be left out, counted from the day it has."""
    return [
        Choice((since + timedelta(days=days)).isoformat(), say("{count} weeks", count=days // DAYS_PER_WEEK))
        for days in SKIPS
    ]


def chances_by_day(forecast: CrossingForecast, days: int) -> str:
    """Return the chance of being over the limit within 0, 1, 2 … days, in whole per cent, as a script reads it."""
    return " ".join(f"{100.0 * forecast.chance_within(day):.0f}" for day in range(days + 1))


def _candidates(planned: Planned, on: date | None) -> tuple[list[date], list[date]]:
    """Return the days a box may be moved to: those of the person's week, then some others."""
    every = [planned.today + timedelta(days=ahead) for ahead in range((planned.last - planned.today).days + 1)]
    usual = [each for each in every if planned.is_allowed(each) or each == on][:MOST_CHOICES]
    return usual, [each for each in every[: OTHER_DAYS_AHEAD + 1] if each not in usual]


def _choice(each: date, today: date, forecast: CrossingForecast, on: date | None) -> Choice:
    risk = chance(forecast.chance_within((each - today).days))
    return Choice(each.isoformat(), f"{near_day(each, today)}: {risk}", each == on)


def grams_of(answer: Assessment | None) -> float | None:
    charge = answer.charge if answer else None
    return (charge.dry_mass_g or charge.mass_g) if charge else None
