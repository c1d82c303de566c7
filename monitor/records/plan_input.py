"""What a plan of recharge days is made from: boxes with their futures, what dries beads, and what lies in reserve.

Nothing here is decided yet. The names of ways in ``BoxFutures.holds_days`` are those of ``DryingPlace.name``,
``SpareCharge.way`` and ``SpareCharge.way_from``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from monitor.records.answers import Quantiles
    from monitor.records.declared import Appliance, Box, PlanRules
    from monitor.records.futures import BoxFutures

SPARE_WAY = "spare:"
"""Before the name of a spare charge in the name of its way: a colon is in no name, so none is that of an appliance."""
MANY_BOXES = 100
"""From so many boxes on a plan takes some ten seconds and more: nobody waits for it, fewer draws are answered, and the
search chooses several things in a step. [boxes] Judgement: plans of the largest shelves take 20 seconds."""
AS_HEAVY = 0.15
"""Beads whose masses differ by less can change places: they hold as long. [ln mass] Judgement: what lots of one kind
differ by."""


def as_heavy(some_g: float | None, other_g: float | None) -> bool:
    """Return whether beads of one kind can change places by their dry mass; not where nobody said it. [g]"""
    return bool(some_g and other_g) and abs(math.log((some_g or 1.0) / (other_g or 1.0))) < AS_HEAVY


@dataclass(frozen=True, slots=True)
class Beads:
    """Beads as a batch takes them."""

    kind: str
    """Kind of desiccant, by its name in monitor/physics/tables."""
    lot: str = ""
    """'' where the recharge desk knows of none."""
    dry_mass_g: float | None = None
    """None where nobody said."""
    holder: str = ""
    charge: str = ""
    """Its name at the recharge desk; '' where that knows of none."""

    @property
    def batch_name(self) -> str:
        """What they are told apart by in a batch: their lot, or their kind where nobody knows the lot."""
        return self.lot or self.kind


@dataclass(frozen=True, slots=True)
class DryingPlace:
    """A declared appliance, with what one batch in it takes and reaches."""

    appliance: Appliance
    """As declared: what a batch holds stands there (``batch_boxes``, ``batch_g``)."""
    weekdays: tuple[int, ...]
    """On which it may be used, Monday is 0: its own, or those of the plan."""
    batches_a_day: int
    """How many batches fit into one of its days."""
    minutes: float
    """Of one batch, heat and handling."""
    hands_on_minutes: float
    """Of the person, a batch."""
    kwh: float
    """From the plug, a batch."""
    reach: Mapping[str, tuple[Quantiles, ...]] = field(default_factory=dict)
    """Of each kind of beads, the loading that it leaves in them in each month's room, January first. [g/g]"""

    @property
    def name(self) -> str:
        """Of the appliance, and of the way to dry beads in it."""
        return self.appliance.name

    def may_dry_on(self, on: date) -> bool:
        """Return whether it may be used on this weekday."""
        return on.weekday() in self.weekdays


@dataclass(frozen=True, slots=True)
class SpareCharge:
    """A charge that lies in no box and in no appliance."""

    name: str
    beads: Beads
    dry: bool
    """Whether it can go into a box as it lies; else it waits to be dried."""
    loading_g_per_g: Quantiles | None = None
    """As it lies; None where nobody knows."""
    forbidden: Mapping[str, str] = field(default_factory=dict)
    """For each appliance that it may not go into, why."""

    @property
    def way(self) -> str:
        """The name of its way as it lies; in ``holds_days`` only where it is dry."""
        return SPARE_WAY + self.name

    def way_from(self, appliance: str) -> str:
        """Return the name of its way once it was dried in an appliance."""
        return f"{self.way}:{appliance}"


@dataclass(frozen=True, slots=True, eq=False)
class PlannedBox:
    """A declared box, and what is believed of it for each day that may be chosen."""

    box: Box
    beads: Beads | None
    """That are in it; None where nothing was logged."""
    risk: float
    """How much worse a day over the limit is here than for a spool of the least touchy filament. [ratio]"""
    futures: BoxFutures | None
    """None where there is no forecast."""
    why_not: str = ""
    """Why there is none."""
    forbidden: Mapping[str, str] = field(default_factory=dict)
    """For each appliance that its beads may not go into, why."""

    @property
    def name(self) -> str:
        """Of the box."""
        return self.box.name


@dataclass(frozen=True, slots=True, eq=False)
class BetterLid:
    """A box as it would be if it leaked less from today on."""

    planned: PlannedBox
    leak_times: float
    """Its leak then over its leak now. [ratio]"""
    like: str = ""
    """The style of boxes that leak so; '' where it is just a share of its own leak."""


@dataclass(frozen=True, slots=True, eq=False)
class PlanInput:
    """All that a plan is made from."""

    as_of: datetime
    today: date
    """The person's calendar day at that instant: day 0 of all futures."""
    rules: PlanRules
    places: tuple[DryingPlace, ...]
    spares: tuple[SpareCharge, ...]
    boxes: tuple[PlannedBox, ...]
    not_mixed: frozenset[frozenset[str]] = frozenset()
    """Pairs of ``Beads.batch_name`` that may not share a batch."""
