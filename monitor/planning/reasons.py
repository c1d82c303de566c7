"""Why a box is on its day, or on none: one plain sentence each."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.due import say_day
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from monitor.records import Assessment, CrossingForecast


def why_on_this_day(
    assessment: Assessment,
    forecast: CrossingForecast,
    *,
    today: date,
    on: date,
    best: date | None,
    company: Sequence[str],
) -> str:
    """Return why a box is dried on this day.

    ``best`` is the day it would have had to itself, None where it would not have been heated up for alone;
    ``company`` are the other boxes of the day.
    """
    risk = f"The chance that it is over {_limit(forecast)} on this day is {_chance(forecast, (on - today).days)}."
    due, shared = _due_on(assessment, today), f"it waits to share the oven with {_names(company)}"
    if assessment.state is BoxState.over_limit:
        return f"It is over its limit of {_limit(forecast)}. This is the first oven day with a free place."
    if due is None or (on < due and (best is None or on < best)):
        lasts = f"It could wait until {say_day(due, today)}" if due else "It could wait much longer"
        together = (
            f", but drying it along with {_names(company)} saves heating up again."
            if company
            else ". It is dried alone."
        )
        return f"{lasts}{together}"
    if on > due:
        late = "1 day" if on - due == timedelta(days=1) else f"{(on - due).days} days"
        its_day = "today" if due <= today else _without_weekday(due, today)
        why = shared if company else _why_alone_and_late(full=best is not None and on > best)
        then = f"The chance that it is over {_limit(forecast)} by then is {_chance(forecast, (on - today).days)}."
        return f"{late} late ({its_day} would be right): {why}. {then} If that is too much, dry it earlier."
    waits = f"; {shared}" if best and on > best and company else ""
    return f"{'It is due today' if due <= today else f'It is due by {say_day(due, today)}'}{waits}. {risk}"


def why_left_out(assessment: Assessment, forecast: CrossingForecast, today: date, horizon_days: int) -> str:
    """Return why a box with a forecast is on none of the days."""
    last = today + timedelta(days=horizon_days)
    chance = _chance(forecast, horizon_days)
    due = _due_on(assessment, today)
    if due is not None and due <= last - timedelta(days=7):  # judgement: a week before the end there was a day
        full = f"every drying day until {say_day(last, today)} is full"
        return f"It is due by {say_day(due, today)}, but {full}. Add a weekday to [plan], or dry more boxes at a time."
    return f"It lasts beyond {say_day(last, today)}. The chance that it is over {_limit(forecast)} by then is {chance}."


def _due_on(assessment: Assessment, today: date) -> date | None:
    return today + (assessment.due_at - assessment.as_of) if assessment.due_at else None


def _why_alone_and_late(*, full: bool) -> str:
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
