"""When an alert begins and when it is over: it is one alert, however a forecast flickers from night to night.

It is over once it has clearly been gone for some time; what is only a little better than
the threshold, or can't be known for now, goes on.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.planning.alerts import battery_is_low, opened_not_logged
from monitor.planning.due import ALERT_WITHIN_DAYS, dries_now, leaks_more, silent_for
from monitor.records import BoxState
from monitor.records.alerts import AlertKind, StandingAlert
from monitor.units import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date, datetime

    from monitor.records import Assessment
    from monitor.records.alerts import Alert

_AT_ONCE = timedelta()
"""A judgement: within a day humidity, voltage and radio go through all that the room does to them."""
_SURE_LID = timedelta(hours=3)  # judgement: as long as the air had to be like the room's
_SURE_DUE = timedelta(days=7)
"""A judgement: fits are made anew weekly, and the next one says so too. Fresh beads end it sooner."""
_SURE_SEAL = timedelta(days=15)
"""A judgement: fits are made anew weekly, and two of them no longer find the change or the rise."""
_SURE_BATTERY = timedelta(days=7)  # judgement: some nodes tell their battery once a week
_SURE_OVER = timedelta(days=3)
"""A judgement: a day's swing of the room and a short spell of weather lie within. Fresh beads end it sooner."""
_UNDER_LIMIT = 0.01
"""So far under its limit a box is clearly so. [fraction] A judgement: the steps of most displays."""
_LATER_DAYS = 3
"""So many days beyond the week a box is clearly not due. A judgement: what the day moves by in a week of updates."""
_FRESH_CELL_V = 0.25
"""So far above what is low, a battery was changed. [V] A judgement: a cold night and a warm day differ by half that."""


def reviewed(
    known: Iterable[StandingAlert],
    alerts: Sequence[Alert],
    assessments: Iterable[Assessment],
    as_of: datetime,
    today: date,
) -> tuple[StandingAlert, ...]:
    """Return each alert that stood, and each new one, as it stands now; those that are over bear their end."""
    by_box = {assessment.box.name: assessment for assessment in assessments}
    now = {(alert.box, alert.kind, alert.about): alert for alert in alerts}
    standing = {one.key: one for one in known if one.ended_at is None}
    gone_on = (
        replace(one, alert=now[key], clear_since=None) if key in now else _less(one, by_box, as_of, today)
        for key, one in standing.items()
    )
    begun = (
        StandingAlert(alert, as_of) for key, alert in now.items() if key not in standing and not _waits(alert, by_box)
    )
    return (*gone_on, *begun)


def _waits(alert: Alert, by_box: Mapping[str, Assessment]) -> bool:
    """Return whether a box over its limit has fresh beads, which get the time to dry it before that is news."""
    return alert.kind is AlertKind.over_limit and alert.box in by_box and dries_now(by_box[alert.box])


def _less(standing: StandingAlert, by_box: Mapping[str, Assessment], as_of: datetime, today: date) -> StandingAlert:
    """Return an alert that is not found now: it goes on, looks as if it were over, or is."""
    needed = _clear_for(standing, by_box, today)
    if needed is None:
        return replace(standing, clear_since=None)
    since = min(standing.clear_since or as_of, as_of)  # later than now it is of a clock that was wrong
    is_over = as_of - since >= needed
    return replace(standing, clear_since=since, ended_at=as_of if is_over else None)


def _clear_for(standing: StandingAlert, by_box: Mapping[str, Assessment], today: date) -> timedelta | None:
    """Return for how long an alert has to look as it does now until it is over; None where it is not clearly gone."""
    about, kind = standing.alert.about, standing.alert.kind
    if kind is AlertKind.plan:
        return _AT_ONCE if about < today.isoformat() else None
    if not standing.alert.box:
        return _AT_ONCE if kind is AlertKind.route else ONE_DAY
    assessment = by_box.get(standing.alert.box)
    if assessment is None:  # taken off the shelf
        return _AT_ONCE
    if kind in _MENDED_BY_BEADS and _has_newer_beads(assessment, standing.since):
        return _AT_ONCE if assessment.state is not BoxState.over_limit else None
    return _CLEAR[kind](assessment)


def _has_newer_beads(assessment: Assessment, since: datetime) -> bool:
    return assessment.charge is not None and assessment.charge.at > since


def _over_limit(a: Assessment) -> timedelta | None:
    if a.state is BoxState.over_limit or a.latest is None or a.lid_open_since is not None:
        return None
    return _SURE_OVER if a.latest.relative_humidity <= a.box.humidity_limit - _UNDER_LIMIT else None


def _due(a: Assessment) -> timedelta | None:
    if a.forecast is None or a.state is BoxState.over_limit or a.lid_open_since is not None:
        return None
    is_later = a.due_at is None or a.due_at - a.as_of > timedelta(days=ALERT_WITHIN_DAYS + _LATER_DAYS)
    return _SURE_DUE if is_later else None


def _silent(a: Assessment) -> timedelta | None:
    return ONE_DAY if a.latest is not None and silent_for(a) is None else None


def _battery(a: Assessment) -> timedelta | None:
    volts = a.latest.battery_v if a.latest else None
    if battery_is_low(volts, _FRESH_CELL_V):
        return None
    return _SURE_BATTERY if volts is None else ONE_DAY


def _leak(a: Assessment) -> timedelta | None:
    return None if a.leak is None or leaks_more(a) else _SURE_SEAL


def _lid_open(a: Assessment) -> timedelta | None:
    return None if a.latest is None or silent_for(a) is not None else _SURE_LID


def _unlogged(a: Assessment) -> timedelta | None:
    return None if a.forecast is None or opened_not_logged(a) else _SURE_SEAL


def _any(_: Assessment) -> timedelta | None:
    return ONE_DAY


_CLEAR: Mapping[AlertKind, Callable[[Assessment], timedelta | None]] = {
    AlertKind.over_limit: _over_limit,
    AlertKind.due: _due,
    AlertKind.silent: _silent,
    AlertKind.battery: _battery,
    AlertKind.leak: _leak,
    AlertKind.lid_open: _lid_open,
    AlertKind.unlogged: _unlogged,
    AlertKind.weak_recharge: _any,
    AlertKind.undeclared: _any,
    AlertKind.failed: _any,
}
_MENDED_BY_BEADS = frozenset({AlertKind.over_limit, AlertKind.due, AlertKind.weak_recharge})
"""Over as soon as other beads are in and the box is not over its limit."""
