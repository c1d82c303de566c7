"""Why a box is on its day, or on none: one plain sentence each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.day_names import short_day
from monitor.planning.decisions import NOTHING_DECIDED
from monitor.planning.due import off_words, say_day
from monitor.planning.steady import due_on
from monitor.records import BoxState
from monitor.records.names import hint
from monitor.texts import NAMED, say, say_many, to_say, together

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from monitor.planning.decisions import PlanConstraints
    from monitor.planning.problem import KnownBox
    from monitor.records import Assessment, CrossingForecast


@dataclass(frozen=True, slots=True)
class GoesFirst:
    """A box that has the place of another, though its own day is later."""

    name: str
    days_over: float
    """It is expected to be over its limit so long before the other's day, if it waited for that. [days]"""
    days_over_of_other: float
    """The same of the box that waits. [days]"""


def why_on_this_day(
    assessment: Assessment,
    forecast: CrossingForecast,
    *,
    today: date,
    on: date,
    best: date | None,
    company: Sequence[str],
    best_is_full: bool = False,
    goes_first: GoesFirst | None = None,
    decided: PlanConstraints = NOTHING_DECIDED,
    off: tuple[date, date] | None = None,
) -> str:
    """Return why a box is dried on this day.

    ``best`` is the day it would have had to itself, None where it would not have been heated up for alone;
    ``best_is_full`` where it has no room there; ``company`` are the other boxes of the day; ``goes_first`` has a place
    in time though it could wait longer by its own day; ``decided`` is what a person asked for; ``off`` are the first
    and last of days in a row that are left out and would have had a drying day between this one and the box's own.
    """
    name, due = assessment.box.name, due_on(assessment, today)
    skipped_until = decided.not_before.get(name)
    if name in decided.fixed:
        return _why_moved(assessment, forecast, today=today, on=on, due=due)
    if assessment.state is BoxState.over_limit:
        return _why_over(forecast, today, skipped_until)
    full = ""
    if best and best_is_full:
        full = say("{day} is full", day=say("that day") if best == due else say_day(best, today))
    waited = best is not None and on > best
    if due is None or (on < due and (best is None or on < best)):
        return _why_early(_lasts(due, today), company, full)
    if on > due:
        if skipped_until is not None:
            why, goes_first = say("you skip it until {day}", day=say_day(skipped_until, today)), None
        elif off and waited:
            text = to_say("{off}, and every other drying day before is full")
            why = say(text, off=off_words(off, today))
        elif off:
            why = off_words(off, today)
        elif waited:
            why = say("every drying day before is full")
        else:
            why = say("this is the first drying day after it")
        return together(_how_late(on, due, today, why, goes_first), _by_then(forecast, (on - today).days))
    shared = say("it waits to be dried along with {names}", names=_names(company)) if company else ""
    why = (full or shared) if waited else ""
    if not why and off:
        why = off_words(off, today)
    return _why_in_time(forecast, today=today, on=on, due=due, why=why)


def _why_over(forecast: CrossingForecast, today: date, skipped_until: date | None) -> str:
    over = say("It is over its limit of {limit}.", limit=_limit(forecast))
    if skipped_until is not None:
        return together(over, say("You skip it until {day}.", day=say_day(skipped_until, today)))
    return together(over, say("This is the first drying day with a free place."))


def _why_in_time(forecast: CrossingForecast, *, today: date, on: date, due: date, why: str) -> str:
    """Return by when a box is due, why it waited for this day or can't wait longer, and what that risks."""
    risk = say(
        "The chance that it is over {limit} on this day is {chance}.",
        limit=_limit(forecast),
        chance=_chance(forecast, (on - today).days),
    )
    when = say("It is due today") if due <= today else say("It is due by {day}", day=say_day(due, today))
    text = to_say("{when}; {why}. {risk}") if why else to_say("{when}. {risk}")
    return say(text, when=when, why=why, risk=risk)


def _by_then(forecast: CrossingForecast, days: int) -> str:
    return say(
        "The chance that it is over {limit} by then is {chance}.",
        limit=_limit(forecast),
        chance=_chance(forecast, days),
    )


def _why_moved(assessment: Assessment, forecast: CrossingForecast, *, today: date, on: date, due: date | None) -> str:
    """Return what follows from the day on which a person put a box."""
    risk = _by_then(forecast, (on - today).days)
    if assessment.state is BoxState.over_limit:
        return say("You moved it to this day. It is over its limit of {limit} now.", limit=_limit(forecast))
    if due is not None and on > due:
        return say("You moved it to this day. It is due by {day}. {risk}", day=say_day(due, today), risk=risk)
    return say("You moved it to this day. {lasts}. {risk}", lasts=_lasts(due, today), risk=risk)


def _lasts(due: date | None, today: date) -> str:
    return say("It could wait until {day}", day=say_day(due, today)) if due else say("It could wait much longer")


def why_left_out(
    assessment: Assessment,
    forecast: CrossingForecast,
    today: date,
    horizon_days: int,
    decided: PlanConstraints = NOTHING_DECIDED,
    *,
    nowhere: str = "",
) -> str:
    """Return why a box with a forecast is on none of the days; ``nowhere`` says why nothing can fill it, if so."""
    last, name = today + timedelta(days=horizon_days), assessment.box.name
    due = due_on(assessment, today)
    if name in decided.fixed:
        day = say_day(decided.fixed[name], today)
        if decided.fixed[name] > last:
            return say("You moved it to {day}. This plan ends on {last}.", day=day, last=say_day(last, today))
        spent = say("every charge that fits is in another box by then.")
        return say("You moved it to {day}, but {why}", day=day, why=nowhere or spent)
    if name in decided.not_before and (due is None or due < decided.not_before[name]):
        until = decided.not_before[name]
        skips = say("You skip it until {day}.", day=say_day(until, today))
        is_due = say("It is due by {day}.", day=say_day(due, today)) if due else ""
        return together(skips, is_due, _by_then(forecast, (until - today).days))
    if due is not None and due <= last - timedelta(days=7):  # judgement: a week before the end there was a day
        if nowhere:
            return say("It is due by {day}, but {why}", day=say_day(due, today), why=nowhere)
        full = say("every drying day until {day} is full", day=say_day(last, today))
        return say(
            "It is due by {day}, but {full}. Add a weekday to [plan], or dry more boxes at a time.",
            day=say_day(due, today),
            full=full,
        )
    return say(
        "It lasts beyond {day}. The chance that it is over {limit} by then is {chance}.",
        day=say_day(last, today),
        limit=_limit(forecast),
        chance=_chance(forecast, horizon_days),
    )


def why_nowhere(box: KnownBox) -> str:
    """Return why neither an appliance nor a spare charge can fill a box, as the end of a sentence; else nothing.

    Without futures nobody knows how long beads hold, and a plan takes any box to any appliance.
    """
    planned = box.planned
    if planned is None or planned.futures is None or planned.futures.holds_days:
        return ""
    if planned.beads is None:
        return say(
            "no beads are logged for it, and no spare charge fits. Put dry beads in, and log them: {hint}.",
            hint=hint("log", "charge", box.name, then="--dry-mass GRAMS"),
        )
    why = say("no appliance here dries its beads. Add one to shelf.toml, or put dry beads in.")
    return together(why, *(say(NAMED, box=place, why=said) for place, said in planned.forbidden.items()))


def _why_early(lasts: str, company: Sequence[str], full: str) -> str:
    if full:
        return say("{lasts}, but {full}.", lasts=lasts, full=full)
    if company:
        text = to_say("{lasts}, but drying it along with {names} saves heating up again.")
        return say(text, lasts=lasts, names=_names(company))
    return say("{lasts}. It is dried alone.", lasts=lasts)


def _how_late(on: date, due: date, today: date, why: str, first: GoesFirst | None) -> str:
    """Return by how much a day is later than a box's own, and why: another goes first, or what there else is to say."""
    late = say_many("{count} day", "{count} days", (on - due).days)
    its_day = say("today") if due <= today else short_day(due, today)
    if first is None:
        return say("{late} late ({its_day} would be right): {why}.", late=late, its_day=its_day, why=why)
    because = say(
        "{late} later than its own day ({its_day}), because {other} goes first.",
        late=late,
        its_day=its_day,
        other=first.name,
    )
    of_other, own = f"{first.days_over:.1f}", f"{first.days_over_of_other:.1f}"
    if float(of_other) <= float(own):
        return because
    waited = say(
        "If {other} waited until this day, it would be over its limit for some {of_other} days by then, this box for"
        " {own}.",
        other=first.name,
        of_other=of_other,
        own=own,
    )
    return together(because, waited)


def _limit(forecast: CrossingForecast) -> str:
    return f"{100.0 * forecast.humidity_limit:g} %"


def _chance(forecast: CrossingForecast, days: int) -> str:
    """Return a chance in per cent, never more certain than the sample behind it."""
    pct = 100.0 * forecast.chance_within(days)
    if pct < 1.0:
        return say("less than {chance}", chance="1 %")
    # judgement: a sample tells no more
    return say("more than {chance}", chance="99 %") if pct > 99.0 else f"{pct:.0f} %"


def _names(company: Sequence[str]) -> str:
    if len(company) == 1:
        return company[0]
    if len(company) == 2:
        return say("{one} and {other}", one=company[0], other=company[1])
    return say("{one} and {count} others", one=company[0], count=len(company) - 1)
