"""What a day at the appliance takes: time, a person's own minutes, and energy where its power is declared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk import compare_methods, kind_of_beads
from monitor.errors import SiccastError
from monitor.presentation.wording import duration, figures

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from monitor.desk import Desk, Method
    from monitor.records import PlannedDay
    from monitor.web.plan.rows import Planned

_USUAL_BEADS = "silica_gel"
_S_PER_DAY = 86_400.0  # by definition
_UNITS_S = {"minutes": 60.0, "hours": 3600.0, "days": _S_PER_DAY}  # by definition


def effort_of(planned: Planned, desk: Desk, now: datetime) -> Callable[[PlannedDay], str]:
    """Return what says how long a day takes, by the desk's own physics and by what earlier runs here took."""
    inventory, (room, _) = desk.inventory(), desk.room(now)
    known: dict[str, str] = {}

    def say(day: PlannedDay) -> str:
        charges = [answer.charge for box in day.boxes if (answer := planned.answer(box)) and answer.charge]
        beads = next((charge.desiccant for charge in charges if charge.desiccant), _USUAL_BEADS)
        if beads not in known:
            try:
                [method] = compare_methods(inventory, [planned.appliance], (), room, of=kind_of_beads(beads))
                known[beads] = _words(method, with_energy=planned.appliance.power_w is not None)
            except SiccastError:  # beads or an appliance of which the desk knows nothing
                known[beads] = ""
        return known[beads]

    return say


def _words(method: Method, *, with_energy: bool) -> str:
    """Return time, handwork and energy of one batch."""
    took = method.reach.time_s
    said = (
        f"A batch takes about {_span(took.p50, took.p05, took.p95)}, {method.reach.hands_on_min} minutes of it by hand"
    )
    return f"{said}, and about {method.reach.energy_kwh:.1f} kWh" if with_energy else said


def _span(middle_s: float, low_s: float, high_s: float) -> str:
    """Return how long something takes and from what to what, all in the unit that suits the longest.

    >>> _span(9_400.0, 5_160.0, 18_000.0), _span(600.0, 300.0, 900.0)
    ('2.6 hours (1.4 to 5)', '10 minutes (5 to 15)')
    """
    _, unit = duration(high_s / _S_PER_DAY).split()
    middle, low, high = (figures(seconds / _UNITS_S[unit]).removesuffix(".0") for seconds in (middle_s, low_s, high_s))
    return f"{middle} {unit} ({low} to {high})"
