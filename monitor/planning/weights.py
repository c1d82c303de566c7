"""What a late box, an early recharge and a day at the oven are worth against one another."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanWeights:
    """The planner's prices; only their ratios matter. Our own judgment, no source."""

    late_day: float = 4.0
    """A box standing over its limit for a day."""
    early_day: float = 1.0
    """A day of desiccant life given away by drying it before it had to be."""
    oven_day: float = 10.0
    """Heating an appliance up on one more day, whatever goes in."""

    @property
    def due_chance(self) -> float:
        """The chance of being over the limit at which one box, alone, is best recharged.

        Waiting one more day costs ``late_day`` with that chance and saves ``early_day`` otherwise; the two are equal
        here (the critical ratio of the newsvendor problem; Arrow, Harris and Marschak, Econometrica 19 (1951) 250, from
        memory).
        """
        return self.early_day / (self.early_day + self.late_day)
