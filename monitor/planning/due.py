"""What deserves a word today."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING

from monitor.planning.weights import PlanWeights
from monitor.records import BoxState
from monitor.records.names import hint

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from monitor.records import Assessment, CrossingForecast

OVER_FROM_CHANCE = 0.5
"""A box that is more likely over its limit than not is called over it. A judgement: neither error is worse."""

DUE_WITHIN_DAYS = 30
"""A box whose day is nearer than this is called due. A judgement: a month to find a day for drying."""

WORD_WITHIN_DAYS = 7
"""A box whose day is nearer than this is worth a word today. A judgement: one weekend lies in between."""

_COMES_TO_REST_DAYS = 1.5
"""So long beads, walls and spools take to come to rest with one another after closing (a judgement)."""

SILENT_AFTER_DAYS = 1.0
"""A box without a reading for longer than this is worth a word today. A judgement: no node reports more seldom."""


class Matter(StrEnum):
    """What a word is about."""

    over_limit = "over limit"
    due = "due"
    silent = "silent"
    undeclared = "seen, not declared"
    failed = "estimate failed"


@dataclass(frozen=True, slots=True)
class Word:
    """One thing a person should hear about one box."""

    box: str
    """Empty where it is about the whole shelf."""
    matter: Matter
    text: str


def due_at(forecast: CrossingForecast, as_of: datetime, weights: PlanWeights | None = None) -> datetime | None:
    """Return when the chance of being over the limit becomes worth a recharge, or None beyond the horizon."""
    worth_it = (weights or PlanWeights()).due_chance
    days = next((day for day, chance in enumerate(forecast.chance_by_day) if chance >= worth_it), None)
    return None if days is None else as_of + timedelta(days=days)


def state_of(forecast: CrossingForecast, as_of: datetime) -> BoxState:
    """Return the state in plain words of a box that has a forecast."""
    if forecast.chance_over_already >= OVER_FROM_CHANCE:
        return BoxState.over_limit
    due = due_at(forecast, as_of)
    if due is not None and due - as_of <= timedelta(days=DUE_WITHIN_DAYS):
        return BoxState.due
    return BoxState.within_limit


def words_for_today(assessments: Iterable[Assessment], today: date) -> tuple[Word, ...]:
    """Return what deserves a word today, in the order of the assessments.

    ``today`` is the person's calendar day at the instant of the assessments.
    """
    there = tuple(assessments)
    return tuple(chain(_shelf_words(there), *(_words(assessment, today) for assessment in there)))


def say_day(on: date) -> str:
    """Return a near day as a person says it, without the year."""
    return f"{on:%a} {on.day} {on:%b}"


def _shelf_words(assessments: Iterable[Assessment]) -> Iterable[Word]:
    apart = next((assessment.apart for assessment in assessments if assessment.apart), "")
    if apart:
        yield Word("", Matter.failed, f"shelf: {apart}.")


def _words(assessment: Assessment, today: date) -> Iterable[Word]:
    box = assessment.box.name
    if assessment.state is BoxState.undeclared:
        text = f"{box}: sends readings but is not in shelf.toml. {hint('adopt', box)} adds it."
        yield Word(box, Matter.undeclared, text)
    elif assessment.state is BoxState.over_limit:
        text = f"{box}: {what_to_do(assessment)}. {why_over(assessment)}"
        yield Word(box, Matter.over_limit, text)
    elif assessment.due_at and (ahead := assessment.due_at - assessment.as_of) <= timedelta(days=WORD_WITHIN_DAYS):
        text = f"{box}: {what_is_due(assessment)} by {say_day(today + ahead)}. {why_by_then(assessment)}"
        yield Word(box, Matter.due, text)
    if assessment.failed:
        text = f"{box}: {assessment.refusal}."
        yield Word(box, Matter.failed, text)
    yield from _silence(assessment)


def what_to_do(assessment: Assessment) -> str:
    """Return what a box over its limit needs: fresh beads first get the time to dry its air."""
    return "look again tomorrow" if _fresh_hours(assessment) is not None else f"{what_is_due(assessment)} now"


def what_is_due(assessment: Assessment) -> str:
    """Return what is done to a box once its day has come."""
    return "put dry beads in" if assessment.charge is None else "dry beads"


def why_over(assessment: Assessment) -> str:
    """Return why a box over its limit needs what it needs."""
    over, hours = f"It is over its limit of {_limit(assessment)}.", _fresh_hours(assessment)
    return over if hours is None else f"{over} Its beads went in {hours:.0f} hours ago and may still be drying it."


def why_by_then(assessment: Assessment, day: str = "then") -> str:
    """Return why the day by which a box is due is that day."""
    return f"From {day} on, the chance of being over {_limit(assessment)} is above {_odds()}."


def rule_of_days() -> str:
    """Return what the day by which any box is due means."""
    return f"The day to dry by is the day on which the chance of being over the limit reaches {_odds()}."


def _odds() -> str:
    return f"1 in {1.0 / PlanWeights().due_chance:.0f}"


def _fresh_hours(assessment: Assessment) -> float | None:
    """Return how long ago beads went in that have not had the time to dry the air of the box yet."""
    if assessment.charge is None:
        return None
    closed_s = (assessment.as_of - assessment.charge.at).total_seconds()
    return closed_s / 3600.0 if closed_s < _COMES_TO_REST_DAYS * 86_400.0 else None


def _limit(assessment: Assessment) -> str:
    return f"{100.0 * assessment.box.humidity_limit:g} %"


def _silence(assessment: Assessment) -> Iterable[Word]:
    box, latest = assessment.box.name, assessment.latest
    if latest is None:
        yield Word(box, Matter.silent, f"{box}: no reading has ever arrived. Check its sensor.")
        return
    silent = assessment.as_of - latest.at
    if silent > timedelta(days=SILENT_AFTER_DAYS):
        text = f"{box}: no reading for {silent // timedelta(hours=1)} hours. Check its sensor."
        if silent >= timedelta(days=2):
            text = f"{box}: no reading for {silent.days} days. Check its sensor."
        yield Word(box, Matter.silent, text)
