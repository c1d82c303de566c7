"""What a day at the appliance takes: time, a person's own minutes, and energy where its power is declared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk import compare_methods, kind_of_beads
from monitor.errors import SiccastError
from monitor.presentation.wording import duration

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from monitor.desk import Desk, Method
    from monitor.records import PlannedDay
    from monitor.web.plan.rows import Planned

_USUAL_BEADS = "silica_gel"
_S_PER_DAY = 86_400.0  # by definition


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
    low, middle, high = (duration(seconds / _S_PER_DAY) for seconds in (took.p05, took.p50, took.p95))
    said = f"A batch takes about {middle} ({low} to {high}), {method.reach.hands_on_min} minutes of it by hand"
    return f"{said}, and about {method.reach.energy_kwh:.1f} kWh" if with_energy else said
