"""What a late box, an early recharge and a day at the oven are worth against one another."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanWeights:
    """The planner's prices; only their ratios matter. Our own judgment, no source."""

    late_day: float = 4.0
    """A box standing over its limit for a day: with half an hour of work, a day at the oven is worth three. Over eleven
    simulated site-years double of that heated 4 % oftener and left no day less over the limit (DEVELOPERS.md)."""
    early_day: float = 1.0
    """A day of desiccant life given away by drying it before it had to be, where it isn't known how long fresh beads
    hold: where it is, later visits count what that costs (``problem.early_price``)."""
    oven_day: float = 10.0
    """Heating an appliance up on one more day, whatever goes in."""

    hand_minute: float = 0.1
    """A minute of the person's work at a batch: half an hour is a third of a day at the oven."""
    money: float = 1.0
    """One unit of the shelf's currency, spent on energy."""
    swap: float = 0.5
    """Putting a spare charge in: five minutes."""
    wet_charge: float = 2.5
    """A charge taken out that is not dried by the plan's end: its share of the heating that is still owed."""
    move_announced: float = 5.0
    """Another day than the one announced: half a day at the oven, and no plan changes for less."""
    join_announced: float = 0.5
    """An earlier day than the one announced that another box has anyway: no evening more and none at another time, a
    charge more in the batch; as a swap, five minutes."""
    moved_in_vain: float = 10_000.0
    """Leaving a box out that a person moved to a day: more than any visit, so it is left out only where nothing can
    fill it then, and all other boxes still have a plan."""

    def place_after_due(self, span_days: float) -> float:
        """Return what each of the person's days costs by which a box comes later than its own, in a plan of this span.

        More than the dearest earlier place that is free: heating up for it alone and giving away every day of the plan.
        So no box waits past the day that every page names while a place before it is free; a judgement: what the plan
        does and what the pages say must not differ. Counted by days at the oven, so that a crowd that can't be met in
        time is spread rather than one box of it put last.
        """
        return self.oven_day + self.early_day * (span_days + 1.0)

    @property
    def due_chance(self) -> float:
        """The chance of being over the limit at which one box, alone, is best recharged.

        Waiting one more day costs ``late_day`` with that chance and saves ``early_day`` otherwise; the two are equal
        here (the critical ratio of the newsvendor problem; Arrow, Harris and Marschak, Econometrica 19 (1951) 250, from
        memory).
        """
        return self.early_day / (self.early_day + self.late_day)


WEIGHTS = PlanWeights()
