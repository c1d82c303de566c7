"""A plan with what is believed of its boxes and what was declared, as pages and calendars ask it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from monitor.planning.steady import first_days

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.planning.recharge import RechargePlan
    from monitor.presentation.wording import Wording
    from monitor.records import Appliance, Assessment, PlannedDay
    from monitor.settings import Shelf


@dataclass(frozen=True)
class Planned:
    """What pages and calendars of a plan are made of."""

    plan: RechargePlan
    answers: Sequence[Assessment]
    shelf: Shelf
    today: date
    words: Wording

    @cached_property
    def first_days(self) -> Mapping[str, date]:
        """The day of each box's next visit."""
        return first_days(self.plan.days, self.plan.swaps)

    def appliance_of(self, day: PlannedDay) -> Appliance:
        """Return what dries the beads of a day."""
        named = (each for each in self.shelf.appliances if each.name == day.appliance)
        return next(named, self.shelf.appliances[0])

    @property
    def last(self) -> date:
        """The last day that is looked at."""
        return self.today + timedelta(days=self.shelf.plan.horizon_days)

    def is_allowed(self, on: date) -> bool:
        """Return whether beads are dried on a day, in any appliance."""
        return self.is_usual(on) and not self.is_off(on)

    def is_usual(self, on: date) -> bool:
        """Return whether beads are dried on the weekday of a day."""
        rules = self.shelf.plan
        weekdays = {day for tool in self.shelf.appliances for day in tool.weekdays or rules.weekdays}
        return on.weekday() in (weekdays or rules.weekdays)

    def is_off(self, on: date) -> bool:
        """Return whether nothing is dried on a day whatever its weekday."""
        return on in self.plan.decided.days_off or self.shelf.plan.is_off(on)

    def answer(self, box: str) -> Assessment | None:
        """Return what is believed about a box."""
        return self._by_name.get(box)

    @cached_property
    def _by_name(self) -> Mapping[str, Assessment]:
        return {answer.box.name: answer for answer in self.answers}
