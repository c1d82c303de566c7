"""What a day at the appliance takes: time, a person's own minutes, and energy where its power is declared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk import compare_methods, kind_of_beads
from monitor.desk.reserve import usual_minutes
from monitor.errors import SiccastError
from monitor.presentation.amounts import figures
from monitor.presentation.plan_wording import minutes_words
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from monitor.desk import Desk, Method
    from monitor.presentation.planned import Planned
    from monitor.records import PlannedDay

_USUAL_BEADS = "silica_gel"
_HOUR_S, _DAY_S = 3_600.0, 86_400.0  # by definition
_IN_MINUTES, _IN_HOURS, _IN_DAYS = (
    to_say("{middle} minutes ({low} to {high})"),
    to_say("{middle} hours ({low} to {high})"),
    to_say("{middle} days ({low} to {high})"),
)


def effort_of(planned: Planned, desk: Desk, now: datetime) -> Callable[[PlannedDay], str]:
    """Return what says how long a day takes: as it was planned, else by the desk's own physics and its earlier runs."""
    inventory, (room, _) = desk.inventory(), desk.room(now)
    known: dict[tuple[str, str], str] = {}

    def effort(day: PlannedDay) -> str:
        appliance = planned.appliance_of(day)
        if day.minutes:
            is_told = appliance.minutes is not None or usual_minutes(inventory, appliance.name) is not None
            return _as_planned(day, minutes_told=is_told, power_told=appliance.power_w is not None)
        charges = [answer.charge for box in day.boxes if (answer := planned.answer(box)) and answer.charge]
        beads = next((charge.desiccant for charge in charges if charge.desiccant), _USUAL_BEADS)
        asked = appliance.name, beads
        if asked not in known:
            try:
                [method] = compare_methods(inventory, [appliance], (), room, of=kind_of_beads(beads))
                known[asked] = _words(method, with_energy=appliance.power_w is not None)
            except SiccastError:  # beads or an appliance of which the desk knows nothing
                known[asked] = ""
        return known[asked]

    return effort


def _as_planned(day: PlannedDay, *, minutes_told: bool, power_told: bool) -> str:
    """Return what all batches of a day take, without a full stop at its end."""
    takes = say(
        "{span} in all, {by_hand} minutes of it by hand, {energy} kWh",
        span=minutes_words(day.minutes),
        by_hand=f"{day.hands_on_minutes:.0f}",
        energy=f"{day.kwh:.1f}",
    )
    usual = {
        (False, False): to_say("{takes}. Time and energy are what such appliances usually take"),
        (False, True): to_say("{takes}. The time is what such appliances usually take"),
        (True, False): to_say("{takes}. The energy is what such appliances usually draw"),
    }.get((minutes_told, power_told))
    return say(usual, takes=takes) if usual else takes


def _words(method: Method, *, with_energy: bool) -> str:
    """Return time, handwork and energy of one batch."""
    took = method.reach.time_s
    time = say(
        "A batch takes about {span}, {by_hand} minutes of it by hand",
        span=_span(took.p50, took.p05, took.p95),
        by_hand=method.reach.hands_on_min,
    )
    if not with_energy:
        return time
    return say("{time}, and about {energy} kWh", time=time, energy=f"{method.reach.energy_kwh:.1f}")


def _span(middle_s: float, low_s: float, high_s: float) -> str:
    """Return how long something takes and from what to what, all in the unit that suits the longest.

    >>> _span(9_400.0, 5_160.0, 18_000.0), _span(600.0, 300.0, 900.0)
    ('2.6 hours (1.4 to 5)', '10 minutes (5 to 15)')
    """
    unit_s, text = _DAY_S, _IN_DAYS
    if high_s < 2.0 * _DAY_S:
        unit_s, text = (_HOUR_S, _IN_HOURS) if high_s >= 2.0 * _HOUR_S else (60.0, _IN_MINUTES)
    middle, low, high = (figures(seconds / unit_s).removesuffix(".0") for seconds in (middle_s, low_s, high_s))
    return say(text, middle=middle, low=low, high=high)
