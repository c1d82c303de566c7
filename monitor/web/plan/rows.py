"""One box of a plan, ready for the template: its day, why, and where it may be moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_full, near_day
from monitor.presentation.amounts import chance, percent
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.presentation.wording import Wording
    from monitor.records import Appliance, Assessment, CrossingForecast, PlannedDay
    from monitor.services.assess import RechargePlan
    from monitor.settings import Shelf

DAYS_A_WEEK = 7  # days, by definition
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
    beads: str = ""
    expected: str = ""
    limit: str = ""
    chances: str = ""
    """The chance that it is over its limit before each day from today on, in whole per cent."""
    days: Sequence[Choice] = ()
    other_days: Sequence[Choice] = ()
    skips: Sequence[Choice] = ()


@dataclass(frozen=True, slots=True)
class Planned:
    """What a plan's page is made of."""

    plan: RechargePlan
    answers: Sequence[Assessment]
    shelf: Shelf
    today: date
    words: Wording

    @property
    def appliance(self) -> Appliance:
        """What dries the beads."""
        named = (each for each in self.shelf.appliances if each.name == self.plan.appliance)
        return next(named, self.shelf.appliances[0])

    @property
    def last(self) -> date:
        """The last day that is looked at."""
        return self.today + timedelta(days=self.shelf.plan.horizon_days)

    def is_allowed(self, on: date) -> bool:
        """Return whether beads are dried on such a day."""
        return on.weekday() in self.shelf.plan.weekdays and on not in self.plan.decided.days_off

    def answer(self, box: str) -> Assessment | None:
        """Return what is believed about a box."""
        return next((answer for answer in self.answers if answer.box.name == box), None)


def row_of(planned: Planned, box: str, sentence: str, day: PlannedDay | None = None) -> Row:
    answer, today, words = planned.answer(box), planned.today, planned.words
    forecast = answer.forecast if answer else None
    on = day.on if day else None
    grams = grams_of(answer)
    row = Row(
        name=box,
        sentence=sentence,
        on=on.isoformat() if on else "",
        day=day_in_full(on, today) if on else "",
        moved=bool(day and box in day.moved),
        beads=words.mass(grams) if grams else "",
        skips=_skips(max(on or today, today)),
    )
    if forecast is None:
        return row
    usual, other = _candidates(planned, on)
    return replace(
        row,
        limit=percent(forecast.humidity_limit),
        chances=chances_by_day(forecast, (planned.last - today).days),
        days=[_choice(each, today, forecast, on) for each in usual],
        other_days=[_choice(each, today, forecast, on) for each in other],
    )


def _skips(since: date) -> list[Choice]:
    """Return until when a box may be left out, counted from the day it has."""
    return [
        Choice((since + timedelta(days=days)).isoformat(), say("{count} weeks", count=days // DAYS_A_WEEK))
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
