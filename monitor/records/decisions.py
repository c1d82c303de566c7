"""What a person decided about the days of drying; the plan is made around it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum


class DecisionKind(StrEnum):
    """What can be decided about a plan."""

    moved = "moved"
    """The box is dried on that day."""
    not_that_day = "not that day"
    """Nothing is dried on that day, or on those from it to a last one."""
    skip = "skip"
    """The box is not dried before that day."""
    done = "done"
    """The box was dried as planned for that day, a person says; what counts is the log."""


@dataclass(frozen=True, slots=True)
class PlanDecision:
    """One thing that a person decided about the plan."""

    kind: DecisionKind
    on: date
    box: str = ""
    """Empty where a whole day is meant."""
    decision_id: int | None = None
    decided_at: datetime | None = None
    last: date | None = None
    """The last of several days on which nothing is dried; None where it is one day."""

    @property
    def days(self) -> tuple[date, ...]:
        """Every day that is meant."""
        count = ((self.last or self.on) - self.on).days + 1
        return tuple(self.on + timedelta(days=ahead) for ahead in range(count))
