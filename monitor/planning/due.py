"""What deserves a word today, and what was said already."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING

from monitor.planning.weights import PlanWeights
from monitor.records import BoxState

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
        yield Word("", Matter.failed, f"shelf: {apart}")


def _words(assessment: Assessment, today: date) -> Iterable[Word]:
    box, limit_pct = assessment.box.name, 100.0 * assessment.box.humidity_limit
    if assessment.state is BoxState.undeclared:
        yield Word(box, Matter.undeclared, f"{box} reports but is not declared")
    elif assessment.state is BoxState.over_limit:
        text = f"{box} is over its limit of {limit_pct:g} %: {what_to_do(assessment)}"
        yield Word(box, Matter.over_limit, text)
    elif assessment.due_at and (ahead := assessment.due_at - assessment.as_of) <= timedelta(days=WORD_WITHIN_DAYS):
        text = f"{box} should be recharged by {say_day(today + ahead)} to stay under {limit_pct:g} %"
        yield Word(box, Matter.due, text)
    if assessment.failed:
        yield Word(box, Matter.failed, f"{box}: {assessment.refusal}")
    yield from _silence(assessment)


def what_to_do(assessment: Assessment) -> str:
    """Return what a box over its limit needs: fresh beads first get the time to dry its air."""
    if assessment.charge is None:
        return "recharge it, or put dry beads in"
    closed_s = (assessment.as_of - assessment.charge.at).total_seconds()
    if closed_s < _COMES_TO_REST_DAYS * 86_400.0:
        return f"its beads went in {closed_s / 3600.0:.0f} hours ago and may still be drying it, so look again tomorrow"
    return "recharge it"


def _silence(assessment: Assessment) -> Iterable[Word]:
    box, latest = assessment.box.name, assessment.latest
    if latest is None:
        yield Word(box, Matter.silent, f"{box} has never reported")
        return
    silent = assessment.as_of - latest.at
    if silent > timedelta(days=SILENT_AFTER_DAYS):
        text = f"{box} has not reported for {silent // timedelta(hours=1)} hours"
        if silent >= timedelta(days=2):
            text = f"{box} has not reported for {silent.days} days"
        yield Word(box, Matter.silent, text)
