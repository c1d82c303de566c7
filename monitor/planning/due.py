"""How a box stands that needs a person: over its limit, due, silent, leakier; and the sentences that say so."""

from __future__ import annotations

from bisect import bisect_left
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_month, near_day, span_of
from monitor.planning.decisions import NOTHING_DECIDED
from monitor.planning.weights import WEIGHTS
from monitor.records import BoxState, ReadingSource
from monitor.series.usual_interval import INTERVALS_MISSED
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from datetime import date, datetime, tzinfo

    from monitor.planning.decisions import PlanConstraints
    from monitor.records import Assessment, CrossingForecast

OVER_FROM_CHANCE = 0.5
"""A box that is more likely over its limit than not is called over it. A judgement: neither error is worse."""

ALMOST_SURE = 0.97
"""A box with a greater chance of being over its limit is almost surely over it. A judgement: a simulation of this size
tells no more."""

DUE_WITHIN_DAYS = 30
"""A box whose day is nearer than this is called due. A judgement: a month to find a day for drying."""

ALERT_WITHIN_DAYS = 7
"""A box whose day is nearer than this is worth a word today. A judgement: one weekend lies in between."""

_COMES_TO_REST_DAYS = 1.5
"""So long beads, walls and spools take to come to rest with one another after closing (a judgement)."""

SILENT_AFTER_DAYS = 1.0
"""A sensor that says nothing for longer is silent, or after ``INTERVALS_MISSED`` of its usual intervals where that is
later. A judgement: a box changes little within a day."""
_NOT_READ_AFTER = timedelta(days=7)
"""The same of a hygrometer that a person reads. A judgement: who looks at the boxes once a week keeps up."""
_HAND_READS_EVERY = timedelta(hours=12)
"""Readings that come more often are a sensor's, though the last was typed in. A judgement."""

CHECK_THE_SENSOR = to_say("check its sensor (battery, radio)")
BEGIN_WITHOUT_SENSOR = to_say("log its beads, or switch its sensor on")
READ_THE_SENSOR = to_say("log what its hygrometer shows")
CHECK_THE_CLOCK = to_say("check the clock of its sensor")
CHECK_THE_LID = to_say("check the lid and seal")

_FAULT_SAID_FOR = timedelta(days=180)
"""So long it is said first that a box leaks more than it did. A judgement: who wanted to mend it has done so by then.
Fresh beads do not end it, since they mend no seal; a lid that closes better does, for that is a newer change."""


def due_at(forecast: CrossingForecast, as_of: datetime) -> datetime | None:
    """Return when the chance of being over the limit becomes worth a recharge, or None beyond the horizon."""
    days = bisect_left(forecast.chance_by_day, WEIGHTS.due_chance)  # a chance within more days is no smaller
    return None if days == len(forecast.chance_by_day) else as_of + timedelta(days=days)


def state_of(forecast: CrossingForecast, as_of: datetime) -> BoxState:
    """Return the state in plain words of a box that has a forecast."""
    if forecast.chance_over_already >= OVER_FROM_CHANCE:
        return BoxState.over_limit
    due = due_at(forecast, as_of)
    if due is not None and due - as_of <= timedelta(days=DUE_WITHIN_DAYS):
        return BoxState.due
    return BoxState.within_limit


def leaks_more(assessment: Assessment) -> bool:
    """Return whether the newest change of the box made it leakier, and that is news."""
    leak = assessment.leak
    if leak is None or leak.changed_at is None or leak.change_factor is None:
        return False
    return leak.change_factor.p50 > 1.0 and assessment.as_of - leak.changed_at <= _FAULT_SAID_FOR


def why_check_the_lid(assessment: Assessment, zone: tzinfo) -> str:
    """Return since when and by how much a box leaks more than it did, with what to do; nothing where it does not."""
    leak = assessment.leak
    if not leaks_more(assessment) or leak is None or leak.changed_at is None or leak.change_factor is None:
        return ""
    since, here = leak.changed_at.astimezone(zone), assessment.as_of.astimezone(zone)
    return say(
        "Check the lid and seal: this box has leaked about {times} times as much since {day}.",
        times=about_times(leak.change_factor.p50),
        day=day_in_month(since, here),
    )


def about_times(factor: float) -> str:
    """Return how many times as leaky, as well as that is known.

    >>> about_times(9.2), about_times(1.44)
    ('9', '1.4')
    """
    return f"{factor:.0f}" if factor >= 2.95 else f"{factor:.1f}"  # digits; judgement: as well as it is known


def next_oven_day(today: date, weekdays: Collection[int], days_off: Collection[date] = ()) -> date | None:
    """Return the first day from today on which the person dries beads; Monday is weekday 0."""
    days = (today + timedelta(days=ahead) for ahead in range(7 * (1 + len(days_off))))  # a week, by definition
    return next((on for on in days if on.weekday() in weekdays and on not in days_off), None)


def as_decided(box: str, decided: PlanConstraints, today: date) -> str:
    """Return what a person decided about the day of a box, as a phrase; nothing where they decided nothing."""
    if box in decided.fixed:
        return say("you moved it to {day}", day=say_day(decided.fixed[box], today))
    if box in decided.not_before:
        return say("you skip it until {day}", day=say_day(decided.not_before[box], today))
    return ""


def off_words(days: tuple[date, date], today: date) -> str:
    """Return on which days in a row nothing is dried, the first to the last, as a part of a sentence."""
    first, last = (say_day(on, today) for on in days)
    if first == last:
        return say("nothing is dried on {day}", day=first)
    return say("nothing is dried from {day} to {last}", day=first, last=last)


def say_day(on: date, beside: date) -> str:
    """Return a near day as a person says it, with its year where that is not the one of the day beside it."""
    return near_day(on, beside)


def what_to_do(
    assessment: Assessment,
    today: date | None = None,
    oven_day: date | None = None,
    decided: PlanConstraints = NOTHING_DECIDED,
    planned: str = "",
) -> str:
    """Return what a box over its limit needs: fresh beads first get the time to dry its air.

    ``planned`` says what the plan has for it, where one is at hand. Without beads in it nothing of it is dried on the
    next drying day.
    """
    if _fresh_hours(assessment) is not None:
        return say("look again tomorrow")
    later = (as_decided(assessment.box.name, decided, today) if today else "") or planned
    if not later and today and oven_day and oven_day > today and assessment.charge is not None:
        later = say("next drying day: {day}", day=say_day(oven_day, today))
    now = say("{do} now", do=what_is_due(assessment))
    return f"{now} ({later})" if later else now


def what_is_due(assessment: Assessment) -> str:
    """Return what is done to a box once its day has come."""
    return say("log its beads or put some in") if assessment.charge is None else say("dry beads")


def why_over(assessment: Assessment) -> str:
    """Return why a box over its limit needs what it needs."""
    hours, silent = _fresh_hours(assessment), silent_for(assessment)
    over = say("It is over its limit of {limit}.", limit=_limit(assessment))
    latest = assessment.latest
    if latest is not None and latest.relative_humidity <= assessment.box.humidity_limit:
        over = say(
            "By estimate it is over its limit of {limit}. Its last reading was {humidity}.",
            limit=_limit(assessment),
            humidity=f"{100.0 * latest.relative_humidity:.1f} %",
        )
    if silent is not None:
        over = say(
            "By estimate it is over its limit of {limit}. Its last reading is {span} old.",
            limit=_limit(assessment),
            span=span_of(silent),
        )
    if hours is None:
        return over
    return say(
        "{over} Its beads went in {hours} hours ago and may still be drying it.", over=over, hours=f"{hours:.0f}"
    )


def why_by_then(assessment: Assessment, day: str = "") -> str:
    """Return why the day by which a box is due is that day."""
    return say(
        "After {day} the chance that it is over {limit} is more than {odds}.",
        day=day or say("that day"),
        limit=_limit(assessment),
        odds=due_odds(),
    )


def rule_of_days() -> str:
    """Return what the day by which any box is due means."""
    return say(
        "Dry the beads on the day shown or earlier: after it, the chance that the box is over its limit "
        "is more than {odds}.",
        odds=due_odds(),
    )


def due_odds() -> str:
    """Return the chance of being over the limit from which on a box is due, in words."""
    return say("1 in {count}", count=f"{1.0 / WEIGHTS.due_chance:.0f}")


def just_filled(assessment: Assessment) -> bool:
    """Return whether beads went in that have not had the time to dry the air of the box yet."""
    return _fresh_hours(assessment) is not None


def at_rest_at(assessment: Assessment) -> datetime | None:
    """Return when beads that have just gone in will have had their time, and a forecast can rest on what they do."""
    if assessment.charge is None or not just_filled(assessment):
        return None
    return assessment.charge.at + timedelta(days=_COMES_TO_REST_DAYS)


def is_from_before_beads(assessment: Assessment) -> bool:
    """Return whether the last reading is from before the beads that are in the box now, and says nothing of it."""
    latest, charge = assessment.latest, assessment.charge
    return latest is not None and charge is not None and latest.at <= charge.at


def dries_now(assessment: Assessment) -> bool:
    """Return whether a box is over its limit with beads that have just gone in: they get the time to dry its air."""
    return assessment.state is BoxState.over_limit and just_filled(assessment)


def _fresh_hours(assessment: Assessment) -> float | None:
    """Return how long ago beads went in that have not had the time to dry the air of the box yet."""
    if assessment.charge is None:
        return None
    closed_s = (assessment.as_of - assessment.charge.at).total_seconds()
    return closed_s / 3600.0 if closed_s < _COMES_TO_REST_DAYS * 86_400.0 else None


def _limit(assessment: Assessment) -> str:
    return f"{100.0 * assessment.box.humidity_limit:g} %"


def silent_for(assessment: Assessment) -> timedelta | None:
    """Return for how long nothing was heard of a box, where that is too long to go by its last reading."""
    if assessment.latest is None:
        return None
    silent, every = assessment.as_of - assessment.latest.at, assessment.reads_every or timedelta()
    least = _NOT_READ_AFTER if is_read_by_hand(assessment) else timedelta(days=SILENT_AFTER_DAYS)
    return silent if silent > max(least, INTERVALS_MISSED * every) else None


def is_read_by_hand(assessment: Assessment) -> bool:
    """Return whether a person reads the hygrometer of a box, as far as its readings tell."""
    latest, every = assessment.latest, assessment.reads_every
    return latest is not None and latest.source is ReadingSource.hand and (every is None or every >= _HAND_READS_EVERY)


def why_silent(assessment: Assessment, silent: timedelta) -> str:
    """Return in a clause how long nothing was heard of a box, and how often something usually is."""
    by_hand = is_read_by_hand(assessment)
    text = to_say("no reading off its display for {span}") if by_hand else to_say("no reading for {span}")
    said = say(text, span=span_of(silent))
    if assessment.reads_every is None:
        return said
    return say("{silent}; usually there is one every {every}", silent=said, every=span_of(assessment.reads_every))


def all_silent(assessments: Iterable[Assessment]) -> bool:
    """Return whether every box that ever spoke has fallen silent: not one sensor is at fault then, but what they share.

    Of one box alone, nobody can tell that; hygrometers that a person reads share nothing.
    """
    spoke = [one for one in assessments if one.latest is not None and not is_read_by_hand(one)]
    return len(spoke) > 1 and all(silent_for(assessment) is not None for assessment in spoke)
