"""Why a box is on its day, or on none: one plain sentence each."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.decisions import NOTHING_DECIDED
from monitor.planning.due import say_day
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from monitor.planning.decisions import PlanConstraints
    from monitor.records import Assessment, CrossingForecast


def why_on_this_day(
    assessment: Assessment,
    forecast: CrossingForecast,
    *,
    today: date,
    on: date,
    best: date | None,
    company: Sequence[str],
    best_is_full: bool = False,
    decided: PlanConstraints = NOTHING_DECIDED,
) -> str:
    """Return why a box is dried on this day.

    ``best`` is the day it would have had to itself, None where it would not have been heated up for alone;
    ``best_is_full`` where it has no room there; ``company`` are the other boxes of the day; ``decided`` is what a
    person asked for.
    """
    risk = f"The chance that it is over {_limit(forecast)} on this day is {_chance(forecast, (on - today).days)}."
    due = _due_on(assessment, today)
    full = f"{'that day' if best == due else say_day(best, today)} is full" if best and best_is_full else ""
    name = assessment.box.name
    if name in decided.fixed:
        return _why_moved(assessment, forecast, today=today, on=on, due=due)
    skipped = f"you skip it until {say_day(decided.not_before[name], today)}" if name in decided.not_before else ""
    if assessment.state is BoxState.over_limit:
        why = f"{skipped[0].upper()}{skipped[1:]}" if skipped else "This is the first oven day with a free place"
        return f"It is over its limit of {_limit(forecast)}. {why}."
    if due is None or (on < due and (best is None or on < best)):
        lasts = f"It could wait until {say_day(due, today)}" if due else "It could wait much longer"
        return f"{lasts}{_why_early(company, full)}"
    if on > due:
        late = "1 day" if on - due == timedelta(days=1) else f"{(on - due).days} days"
        its_day = "today" if due <= today else _without_weekday(due, today)
        why = skipped or _why_late(full=best is not None and on > best)
        then = f"The chance that it is over {_limit(forecast)} by then is {_chance(forecast, (on - today).days)}."
        return f"{late} late ({its_day} would be right): {why}. {then}"
    shared = f"it waits to share the oven with {_names(company)}" if company else ""
    waits = f"; {full or shared}" if best and on > best and (full or shared) else ""
    return f"{'It is due today' if due <= today else f'It is due by {say_day(due, today)}'}{waits}. {risk}"


def _why_moved(assessment: Assessment, forecast: CrossingForecast, *, today: date, on: date, due: date | None) -> str:
    """Return what follows from the day on which a person put a box."""
    risk = f"The chance that it is over {_limit(forecast)} by then is {_chance(forecast, (on - today).days)}."
    if assessment.state is BoxState.over_limit:
        return f"You moved it to this day. It is over its limit of {_limit(forecast)} now."
    if due is not None and on > due:
        return f"You moved it to this day. It is due by {say_day(due, today)}. {risk}"
    lasts = f"It could wait until {say_day(due, today)}" if due else "It could wait much longer"
    return f"You moved it to this day. {lasts}. {risk}"


def why_left_out(
    assessment: Assessment,
    forecast: CrossingForecast,
    today: date,
    horizon_days: int,
    decided: PlanConstraints = NOTHING_DECIDED,
) -> str:
    """Return why a box with a forecast is on none of the days."""
    last, name = today + timedelta(days=horizon_days), assessment.box.name
    chance = _chance(forecast, horizon_days)
    due = _due_on(assessment, today)
    if name in decided.fixed:
        return f"You moved it to {say_day(decided.fixed[name], today)}. This plan ends on {say_day(last, today)}."
    if name in decided.not_before and (due is None or due < decided.not_before[name]):
        until, due_words = decided.not_before[name], f" It is due by {say_day(due, today)}." if due else ""
        ahead = (until - today).days
        risk = f"The chance that it is over {_limit(forecast)} by then is {_chance(forecast, ahead)}."
        return f"You skip it until {say_day(until, today)}.{due_words} {risk}"
    if due is not None and due <= last - timedelta(days=7):  # judgement: a week before the end there was a day
        full = f"every drying day until {say_day(last, today)} is full"
        return f"It is due by {say_day(due, today)}, but {full}. Add a weekday to [plan], or dry more boxes at a time."
    return f"It lasts beyond {say_day(last, today)}. The chance that it is over {_limit(forecast)} by then is {chance}."


def _due_on(assessment: Assessment, today: date) -> date | None:
    return today + (assessment.due_at - assessment.as_of) if assessment.due_at else None


def _why_early(company: Sequence[str], full: str) -> str:
    if full:
        return f", but {full}."
    return (
        f", but drying it along with {_names(company)} saves heating up again." if company else ". It is dried alone."
    )


def _why_late(*, full: bool) -> str:
    return "every oven day before is full" if full else "this is the first oven day after it"


def _without_weekday(on: date, beside: date) -> str:
    return say_day(on, beside).partition(" ")[2]


def _limit(forecast: CrossingForecast) -> str:
    return f"{100.0 * forecast.humidity_limit:g} %"


def _chance(forecast: CrossingForecast, days: int) -> str:
    """Return a chance in per cent, never more certain than the sample behind it."""
    pct = 100.0 * forecast.chance_within(days)
    if pct < 1.0:
        return "less than 1 %"
    return "more than 99 %" if pct > 99.0 else f"{pct:.0f} %"  # judgement: a sample tells no more


def _names(company: Sequence[str]) -> str:
    if len(company) <= 2:
        return " and ".join(company)
    return f"{company[0]} and {len(company) - 1} others"
