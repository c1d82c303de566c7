"""Which alerts there are now: what `today`, the pages and every route tell."""

from __future__ import annotations

from datetime import UTC, timedelta
from itertools import chain
from typing import TYPE_CHECKING

from monitor.day_names import day_in_month, short_day, span_of
from monitor.planning.decisions import NOTHING_DECIDED
from monitor.planning.due import (
    ALERT_WITHIN_DAYS,
    all_silent,
    as_decided,
    is_read_by_hand,
    leaks_more,
    say_day,
    silent_for,
    what_is_due,
    what_to_do,
    why_by_then,
    why_check_the_lid,
    why_over,
    why_silent,
)
from monitor.records import BoxState
from monitor.records.alerts import Alert, AlertKind
from monitor.records.names import hint
from monitor.texts import NAMED, say, to_say, together

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, tzinfo

    from monitor.planning.decisions import PlanConstraints
    from monitor.planning.recharge import RechargePlan
    from monitor.records import Assessment, Box, PlannedDay

_RISE_SAID_FOR = timedelta(days=30)
"""So long a rise that nobody logged is asked about. A judgement: later nobody knows what happened on that day."""

_ONE_CELL_V, _LOW_CELL_V = 1.7, 1.1
"""Up to the first, a node shows a single cell of 1.5 V; below the second that is low. Judgements: a fresh one shows no
more, and an alkaline cell at 1.1 V holds a tenth of its charge."""
_LOW_PAIR_V = 2.4
"""Two such cells, or one of 3 V, are low below this. A judgement: most nodes stop between 1.8 and 2.2 V, and cells of
lithium ions never get there, so theirs are not judged."""

SPOILED_SOON = frozenset({"PA6", "PA66", "PA12", "PA_carbon_fiber", "PVA", "PC", "TPU"})
"""Filaments that a few days over the limit spoil for printing. A judgement: these take up most, and boil in the hot
nozzle or lose their strength there; the others print a little worse."""

HOT = to_say("Beads, glass and steam burn: let all cool before you close a box.")

NEVER_HEARD = to_say("no sensor has ever sent for it. Switch one on, or log its beads for a forecast without one.")
_EVER = "ever"  # how long a box was silent that was never heard
_FEW_SILENT = 2
"""From so many silent boxes on they share a line. A judgement: the remedy is the same."""


def alerts_for_today(
    assessments: Iterable[Assessment],
    today: date,
    *,
    zone: tzinfo = UTC,
    oven_day: date | None = None,
    decided: PlanConstraints = NOTHING_DECIDED,
    plan: RechargePlan | None = None,
) -> tuple[Alert, ...]:
    """Return today's alerts: faults of boxes first, then the rest in the order of the assessments.

    ``today`` is the person's calendar day at the instant of the assessments, in the ``zone`` that other days are named
    in; ``oven_day`` is the next one on which they dry beads; ``decided`` is what they asked of the ``plan``.
    """
    there = tuple(assessments)
    leaky = (
        Alert(a.box.name, AlertKind.leak, say(NAMED, box=a.box.name, why=why_check_the_lid(a, zone)))
        for a in there
        if leaks_more(a)
    )
    lids = (Alert(a.box.name, AlertKind.lid_open, lid_open(a, zone)) for a in there if a.lid_open_since)
    planned = () if plan is None else _planned(plan, today)
    alone = not all_silent(there)
    boxes = (_words(assessment, today, oven_day, decided, zone, alone=alone) for assessment in there)
    return tuple(chain(_shelf_words(there), planned, lids, leaky, *boxes))


def in_lines(alerts: Sequence[Alert]) -> list[str]:
    """Return alerts as lines: silent boxes share one, where the first of them stood, with their remedy once."""
    silent = [alert for alert in alerts if alert.silent_for]
    if len(silent) < _FEW_SILENT:
        return [alert.text for alert in alerts]
    in_one = say(
        "No reading from {count} boxes: {boxes}. Check their sensors (battery, radio).",
        count=len(silent),
        boxes=", ".join(map(_silent_box, silent)),
    )
    return [
        in_one if alert is silent[0] else alert.text for alert in alerts if alert is silent[0] or alert not in silent
    ]


def _silent_box(alert: Alert) -> str:
    if alert.silent_for == _EVER:
        return say("{box} (never one)", box=alert.box)
    return say("{box} (for {span})", box=alert.box, span=alert.silent_for)


def battery_is_low(volts: float | None, margin_v: float = 0.0) -> bool:
    """Return whether the battery of a sensor is low, or not clearly above that by some margin."""
    if volts is None:
        return False
    return volts < _LOW_CELL_V + margin_v or _ONE_CELL_V < volts < _LOW_PAIR_V + margin_v


def opened_not_logged(assessment: Assessment) -> bool:
    """Return whether the humidity of a box jumped up for good on a day of which nothing is logged, not long ago."""
    at = assessment.unlogged_rise_at
    return at is not None and assessment.as_of - at <= _RISE_SAID_FOR


def is_urgent(box: Box) -> bool:
    """Return whether a few days over its limit spoil what is in a box."""
    return any(spool.material in SPOILED_SOON for spool in box.spools)


def lid_open(assessment: Assessment, zone: tzinfo) -> str:
    """Return that a lid seems to be open, since when, and what to do; nothing where it does not."""
    since = assessment.lid_open_since
    if since is None:
        return ""
    at = since.astimezone(zone)
    return say(
        NAMED,
        box=assessment.box.name,
        why=say(
            "close its lid. Since {day}, {hour}, the air in it has been like the room's.",
            day=day_in_month(at, assessment.as_of.astimezone(zone)),
            hour=f"{at:%H:%M}",
        ),
    )


def weak_recharge_words(assessment: Assessment) -> str:
    """Return that beads hold more water than their drying run said, and what to do; nothing where they do not."""
    found = assessment.weak_recharge
    if found is None:
        return ""
    held, said = 100.0 * found.loading_g_per_g.p50, 100.0 * found.expected_g_per_g
    why = say(
        "its beads are wetter than expected after drying. By the air in the box they hold about {held} % of water, not "
        "at most {said} %. If no damp spool went in with them, dry them again, longer or a little warmer, but not "
        "warmer than their maker allows.",
        held=f"{held:.0f}",
        said=f"{said:.0f}",
    )
    return say(NAMED, box=assessment.box.name, why=why)


def _planned(plan: RechargePlan, today: date) -> Iterable[Alert]:
    for on in (today, today + timedelta(days=1)):
        days, swaps = [day for day in plan.days if day.on == on], [swap for swap in plan.swaps if swap.on == on]
        if not days and not swaps:
            continue
        what = "; ".join(f"{', '.join(_dried(day))} ({day.appliance})" for day in days)
        put_in = (say("Put spare {spare} into {box}.", spare=swap.spare, box=swap.box) for swap in swaps)
        text = say(
            to_say("{when}, {day}: dry the beads of {boxes}. {caution}") if days else to_say("{when}, {day}:"),
            when=say("Today") if on == today else say("Tomorrow"),
            day=say_day(on, today),
            boxes=what,
            caution=say(HOT),
        )
        yield Alert("", AlertKind.plan, together(text, *put_in), about=on.isoformat())


def _dried(day: PlannedDay) -> list[str]:
    return [*day.boxes, *(say("spare {spare}", spare=name) for name in day.spares_dried)]


def _shelf_words(assessments: Sequence[Assessment]) -> Iterable[Alert]:
    apart = next((assessment.apart for assessment in assessments if assessment.apart), "")
    if apart:
        yield Alert("", AlertKind.failed, say("shelf: {apart}.", apart=apart))
    if all_silent(assessments):
        silent = min(filter(None, map(silent_for, assessments)))
        text = say(
            "All sensors are silent: no reading for {span}. Check the listener and the broker: {hint} looks at both.",
            span=span_of(silent),
            hint=hint("check"),
        )
        yield Alert("", AlertKind.silent, text)


def _words(
    assessment: Assessment,
    today: date,
    oven_day: date | None,
    decided: PlanConstraints,
    zone: tzinfo,
    *,
    alone: bool,
) -> Iterable[Alert]:
    box = assessment.box.name
    if assessment.state is BoxState.undeclared:
        text = say("{box}: sends readings and is no box yet. {hint} makes it one.", box=box, hint=hint("adopt", box))
        yield Alert(box, AlertKind.undeclared, text)
    elif assessment.lid_open_since is None:  # dried beads would be wet again at once
        yield from _drying(assessment, today, oven_day, decided)
    if assessment.failed:
        yield Alert(box, AlertKind.failed, say("{box}: {refusal}.", box=box, refusal=assessment.refusal))
    if text := weak_recharge_words(assessment):
        yield Alert(box, AlertKind.weak_recharge, text)
    yield from _sensor(assessment, alone=alone)
    if opened_not_logged(assessment) and assessment.lid_open_since is None:
        yield Alert(box, AlertKind.unlogged, say(NAMED, box=box, why=why_opened(assessment, zone)))


def why_opened(assessment: Assessment, zone: tzinfo) -> str:
    """Return when the humidity of a box jumped up with nothing logged, and what to do; nothing where it did not."""
    at = assessment.unlogged_rise_at
    if at is None:
        return ""
    on, today = at.astimezone(zone), assessment.as_of.astimezone(zone)
    return say(
        "About {day} its humidity jumped and stayed up, and nothing is logged for that time. If the box "
        "was opened or a spool was swapped, log it: forecasts get better.",
        day=short_day(on, today),
    )


def _drying(assessment: Assessment, today: date, oven_day: date | None, decided: PlanConstraints) -> Iterable[Alert]:
    box = assessment.box.name
    if assessment.state is BoxState.over_limit:
        text = f"{box}: {what_to_do(assessment, today, oven_day, decided)}. {why_over(assessment)}"
        yield Alert(box, AlertKind.over_limit, text, urgent=is_urgent(assessment.box))
    elif assessment.due_at and (ahead := assessment.due_at - assessment.as_of) <= timedelta(days=ALERT_WITHIN_DAYS):
        phrase = as_decided(box, decided, today)
        by = say_day(today + ahead, today) + (f" ({phrase})" if phrase else "")
        text = say(
            "{box}: {do} by {day}. {why}",
            box=box,
            do=what_is_due(assessment),
            day=by,
            why=why_by_then(assessment),
        )
        yield Alert(box, AlertKind.due, text)


def _sensor(assessment: Assessment, *, alone: bool) -> Iterable[Alert]:
    """Yield what the sensor of a box needs; that it is silent only where others are not (``alone``)."""
    box, latest = assessment.box.name, assessment.latest
    if assessment.only_later_until is not None:
        yield Alert(box, AlertKind.silent, say("{box}: {refusal}.", box=box, refusal=assessment.refusal))
        return
    if latest is None:
        if assessment.forecast is None:
            yield Alert(box, AlertKind.silent, say(NAMED, box=box, why=say(NEVER_HEARD)), silent_for=_EVER)
        return
    silent = silent_for(assessment)
    if silent is not None and is_read_by_hand(assessment):
        again = hint("log", "reading", box, then="RH TEMPERATURE")
        text = say("{why}. Log one: {hint}.", why=why_silent(assessment, silent), hint=again)
        yield Alert(box, AlertKind.silent, say(NAMED, box=box, why=text))
    elif silent is not None and alone:
        text = say("{why}. Check its sensor (battery, radio).", why=why_silent(assessment, silent))
        yield Alert(box, AlertKind.silent, say(NAMED, box=box, why=text), silent_for=span_of(silent))
    if battery_is_low(latest.battery_v):
        yield Alert(box, AlertKind.battery, say(NAMED, box=box, why=why_battery(latest.battery_v)))


def why_battery(volts: float | None) -> str:
    """Return what a low battery of a sensor needs."""
    return say(
        "Its sensor's battery is at {volts} V. Change it before the sensor falls silent.", volts=f"{volts or 0.0:.2f}"
    )
