"""What siccast answers: estimates, forecasts, assessments, plans; who listens, and how far a second store is behind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, overload

from monitor.records.declared import Box, RoomClimate
from monitor.records.logged import LedgerEntry
from monitor.records.readings import Reading, ReadingSeries
from monitor.texts import to_say

if TYPE_CHECKING:
    from collections.abc import Mapping


NORMAL_P95 = 1.645
"""The 95 % point of a standard normal: from the middle of a 90 % interval to its end, by definition of the
normal distribution, to three decimals. [standard deviations]"""


@dataclass(frozen=True, slots=True)
class Quantiles:
    """The 5 %, 50 % and 95 % points of what is believed about one number."""

    p05: float
    p50: float
    p95: float

    def __reduce__(self) -> tuple[type[Quantiles], tuple[float, float, float]]:
        """Travel as a call: there are dozens of them in an answer, and a record's own way is slow."""
        return Quantiles, (self.p05, self.p50, self.p95)


@dataclass(frozen=True, slots=True)
class DateQuantiles:
    """The 5 %, 50 % and 95 % points of a date; None where that share lies beyond the horizon."""

    p05: datetime | None
    p50: datetime | None
    p95: datetime | None


class BoxState(StrEnum):
    """State of a box in plain words."""

    within_limit = to_say("within limit")
    due = to_say("due")
    over_limit = to_say("over limit")
    not_enough_evidence = to_say("not enough evidence")
    estimate_failed = to_say("estimate failed")
    """By a defect of ours, not for want of evidence."""
    no_readings = to_say("no readings")
    undeclared = to_say("seen, not declared")


class Tightness(StrEnum):
    """How a box closes, for one of its style."""

    tight = to_say("tight")
    usual = to_say("usual")
    leaky = to_say("leaky")


@dataclass(frozen=True, slots=True)
class LeakEstimate:
    """How leaky a box is, with the evidence for it."""

    conductance_g_per_day_per_kpa: Quantiles
    air_changes_per_day: Quantiles
    ingress_g_per_day: Quantiles
    ingress_summer_g_per_day: Quantiles
    ingress_winter_g_per_day: Quantiles
    grams_known: bool
    """True where a weighing or an empty-box test ties the estimate to grams; False where RH alone gave it."""
    capacity_share_per_day_per_kpa: Quantiles | None = None
    """The conductance over what the beads hold at the limit: what humidity alone tells, without a gram. None where
    there are no beads."""
    grams_words: str = ""
    """What its grams rest on, in a plain sentence; empty where there are no beads."""
    for_its_kind: Tightness | None = None
    """How it compares with boxes of its style; None where that is not known."""
    comparison: str = ""
    """How it compares with boxes of its kind and with published classes, in plain words."""
    changed_at: datetime | None = None
    """Since when the conductance is another one, where it changed."""
    changed_between: tuple[datetime, datetime] | None = None
    """The 90 % interval of that day."""
    change_factor: Quantiles | None = None
    """How many times as leaky as before."""
    change_words: str = ""
    """What the change may come from, in a plain sentence."""
    opening_g: Quantiles | None = None
    """Water that the room's air brings when the lid is off for once and all air is exchanged, now."""
    opening_hours: Quantiles | None = None
    """How many hours of the leak bring as much; None where the box isn't drier than the room."""

    @property
    def half_time_days(self) -> Quantiles:
        """How long the empty box takes to come halfway to the room: ln 2 over the air changes a day."""
        changes = self.air_changes_per_day
        return Quantiles(*(math.log(2.0) / rate for rate in (changes.p95, changes.p50, changes.p05)))


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What one would change about a box; None leaves a thing as it is."""

    humidity_limit: float | None = None
    conductance_factor: float = 1.0
    """0.5 is half the leak."""
    desiccant: str | None = None
    dry_mass_g: float | None = None
    """Fresh beads, dried as well as the present ones were, in place of those in the box."""
    room_climate: RoomClimate | None = None
    """Another place for the box."""


@dataclass(frozen=True, slots=True)
class FanDay:
    """What is believed about the daily-mean humidity of a box on one day ahead."""

    on: date
    relative_humidity: Quantiles
    quartiles: tuple[float, float] | None = None
    """The 25 % and 75 % points: even odds that it lies between them. None where only the rest is known."""


@dataclass(frozen=True, slots=True)
class Fan(Sequence[FanDay]):
    """Day after day of a fan, held as columns: most questions to a forecast look at none of its days."""

    first_on: date
    p05: Sequence[float] = field(repr=False)
    p25: Sequence[float] = field(repr=False)
    p50: Sequence[float] = field(repr=False)
    p75: Sequence[float] = field(repr=False)
    p95: Sequence[float] = field(repr=False)

    def __len__(self) -> int:
        """Return the number of days."""
        return len(self.p50)

    @overload
    def __getitem__(self, place: int) -> FanDay: ...

    @overload
    def __getitem__(self, place: slice) -> tuple[FanDay, ...]: ...

    def __getitem__(self, place: int | slice) -> FanDay | tuple[FanDay, ...]:
        """Return one of the days, or some."""
        if isinstance(place, slice):
            return tuple(map(self._day, range(len(self))[place]))
        return self._day(range(len(self))[place])

    def _day(self, ahead: int) -> FanDay:
        on = self.first_on + timedelta(days=ahead)
        quartiles = self.p25[ahead], self.p75[ahead]
        return FanDay(on, Quantiles(self.p05[ahead], self.p50[ahead], self.p95[ahead]), quartiles)


@dataclass(frozen=True, slots=True)
class VaporFan:
    """What is believed about the vapor pressure in a box on the days of its fan: columns, a value a day."""

    p05_kpa: Sequence[float]
    p25_kpa: Sequence[float]
    p50_kpa: Sequence[float]
    p75_kpa: Sequence[float]
    p95_kpa: Sequence[float]
    temperature_degc: Sequence[float]
    """Expected inside: the mean."""


@dataclass(frozen=True, slots=True)
class LeakLine:
    """Water that a box took up against the push behind it, since its first readings on these beads: columns, a value a
    point.

    The push is how much more vapor pressure the room had, times days. So the slope is the leak.
    """

    at_s: Sequence[float]
    """Middles of the days, or longer steps, of the points. [s since 1970 UTC]"""
    push_kpa_days: Sequence[float]
    """Less where the box was moister than its room. [kPa days]"""
    taken_up_g: Sequence[float]
    """By the readings, the isotherm of the beads and what spools hold; what openings brought is taken off. [g]"""
    line_g: Sequence[float]
    """The line whose slope is the estimated leak. [g]"""
    line_low_g: Sequence[float]
    """The same with the 5 % point of the leak."""
    line_high_g: Sequence[float]
    """With its 95 % point."""
    pieces: tuple[int, ...] = ()
    """Places of the points at which the line begins anew: water came or went at once there, or the sensor is another
    one."""
    changed_push_kpa_days: float | None = None
    """Where the slope changed; None where it did not. [kPa days]"""


@dataclass(frozen=True, slots=True)
class CrossingForecast:
    """When a box passes its limit, and when its desiccant is spent."""

    humidity_limit: float
    cross_at: DateQuantiles
    chance_by_day: Sequence[float]
    """Chance that the limit is passed within 0, 1, 2, … days of the forecast's instant."""
    spent_at: DateQuantiles
    capacity_used: Quantiles
    headroom_g: Quantiles
    present_relative_humidity: Quantiles
    chance_over_already: float
    fan: Sequence[FanDay] = ()
    first_pass_at: DateQuantiles | None = None
    """As ``cross_at``, but what may be over the limit already counts as passing now, unless that is more likely than
    not: the answer to when it first passes, in one number."""
    vapor_fan: VaporFan | None = None
    """The fan in vapor pressure, day for day; None where only that of humidity is known."""

    def chance_within(self, days: int) -> float:
        """Return the chance that the limit is passed within so many days."""
        return self.chance_by_day[min(days, len(self.chance_by_day) - 1)]


@dataclass(frozen=True, slots=True, eq=False)
class BoxHistory:
    """Everything that may be known of one box at one instant: what ``inference`` is given, and nothing beside it."""

    box: Box
    readings: ReadingSeries
    room: ReadingSeries | None = None
    """Readings outside the box; None where no sensor stands there."""
    room_climate: RoomClimate | None = None
    """The climate a person declared; a prior where a sensor stands, the whole truth where none does."""
    entries: tuple[LedgerEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class Outlook:
    """What inference makes of a history: an estimate and a forecast with their evidence, or why there is none."""

    leak: LeakEstimate | None = None
    forecast: CrossingForecast | None = None
    evidence: tuple[str, ...] = ()
    sharpen: str = ""
    refusal: str = ""
    forecast_if: CrossingForecast | None = None
    """The same box with something changed, where that was asked."""
    trace: str = ""
    """Where an estimate failed by a defect of ours, its traceback, for the log; where readings could not be read, the
    refusal once more; empty otherwise."""
    unlogged_rise_at: datetime | None = None
    """When humidity last jumped up for good since the beads went in, with nothing logged near: likely an opening."""


@dataclass(frozen=True, slots=True)
class AtRest:
    """What the air of a box, come to rest over beads, says of them against what their drying run said."""

    relative_humidity: float
    loading_g_per_g: Quantiles
    """By the air."""
    expected_g_per_g: float
    """The most that the drying run or jar check allowed: its 95 % point."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything siccast believes about one box at one instant; every face shows this and nothing else."""

    box: Box
    as_of: datetime
    state: BoxState
    latest: Reading | None = None
    """The newest reading before ``as_of``."""
    only_later_until: datetime | None = None
    """When its newest reading is dated, where there are readings but all are dated later than ``as_of``."""
    charge: LedgerEntry | None = None
    leak: LeakEstimate | None = None
    forecast: CrossingForecast | None = None
    due_at: datetime | None = None
    """When the chance of being over the limit becomes worth a recharge; None where that lies beyond the horizon."""
    evidence: tuple[str, ...] = ()
    """Plain sentences: what the estimate rests on, or what is missing."""
    sharpen: str = ""
    """The one measurement that would narrow the interval most."""
    refusal: str = ""
    """Why there is no forecast, where there is none."""
    forecast_if: CrossingForecast | None = None
    """The same box with something changed, where that was asked."""
    failed: bool = False
    """True where the estimate failed by a defect of ours: ``refusal`` says how."""
    apart: str = ""
    """Why the boxes could not be looked at together, where that failed and each was asked alone."""
    unlogged_rise_at: datetime | None = None
    """When humidity last jumped up for good since the beads went in, with nothing logged near: likely an opening."""
    lid_open_since: datetime | None = None
    """Since when the air in the box has been like the room's, where it became so at once."""
    weak_recharge: AtRest | None = None
    """Where its beads are wetter than their drying run said."""
    reads_every: timedelta | None = None
    """How often its readings usually come; None where too few tell a habit."""


@dataclass(frozen=True, slots=True)
class KeptOutlook:
    """The outlook of a box as it was last made, kept for the next question, with what it rests on."""

    box: str
    as_of: datetime
    """The instant it holds for."""
    rests_on: bytes
    """A digest of all that it was made of: code, declared box, entries, readings up to that instant."""
    answer: bytes
    """The outlook, packed."""
    teaching: bytes
    """What it learned from other boxes and they can learn from it, packed."""
    fitted_until: datetime | None = None
    """The instant up to which the fit behind it has seen; None where there is none."""
    fit_rests_on: bytes = b""
    """As ``rests_on``, of the fit."""


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """The plan of a shelf as it was last made, kept for whichever face asks next."""

    rests_on: bytes
    """A digest of all that it was made of."""
    asked: bytes
    """The same of what a person declared, logged and decided, and of the day: all but what was learned since."""
    plan: bytes
    """The plan, packed."""


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """One day on which an appliance is worth heating up, and for which boxes."""

    on: date
    appliance: str
    boxes: tuple[str, ...]
    reasons: Mapping[str, str] = field(default_factory=dict)
    """A sentence for each box."""
    moved: tuple[str, ...] = ()
    """Those of the boxes that a person put on this day."""
    late_days: Mapping[str, float] = field(default_factory=dict)
    """How many days over its limit to expect of each box until then."""
    early_days: Mapping[str, float] = field(default_factory=dict)
    """How many days each box would still have held within the plan's time."""
    batches: int = 1
    """How often the appliance has to be filled."""
    again: tuple[str, ...] = ()
    """Those of the boxes that an earlier day of the plan has, too."""
    spares_dried: Mapping[str, int] = field(default_factory=dict)
    """How many charges that were taken out before are dried along, by the name of the spare they stand for."""
    minutes: float = 0.0
    """Of all batches, heat and handling; 0 where nobody knows."""
    hands_on_minutes: float = 0.0
    """Of the person."""
    kwh: float = 0.0
    grams: float = 0.0
    """Of beads, as far as known."""
    week_later: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """What a week's delay risks of each box: the chance that it is over its limit by then, and how many more days over
    it to expect."""


@dataclass(frozen=True, slots=True)
class AnnouncedDay:
    """The next day of a box as a plan last said it, with what it rested on."""

    box: str
    on: date
    announced_at: datetime
    due_on: date | None = None
    """By when the box was due as that was known."""
    leaked_more: bool = False
    """Whether its seal was known to leak more than before."""


@dataclass(frozen=True, slots=True)
class PlannedSwap:
    """A spare charge that goes into a box; the one taken out is dried with a later batch."""

    on: date
    box: str
    spare: str
    reason: str = ""
    again: bool = False
    """Whether the box was visited on an earlier day of the plan."""


@dataclass(frozen=True, slots=True)
class Listener:
    """The listener of a shelf: the one at work, or the last one there was."""

    at_work: bool
    process: int
    machine: str
    since: datetime
    ended: str = ""
    """Why it ended, where it could say so."""


@dataclass(frozen=True, slots=True)
class ListenerCounts:
    """What went through a listener since it started, as it noted last."""

    part: str
    """Of the site, where several listeners share it; else empty."""
    since: datetime
    messages: int
    new: int
    """Readings that were not held before."""
    rejected: int
    """Messages and parts of messages that could not be used, and readings at odds with one held before."""


@dataclass(frozen=True, slots=True)
class Forwarding:
    """How the second store of a site is doing."""

    trouble: str
    """What it answers instead of readings; empty where all is well."""
    waiting: int
    """How many readings it does not have yet."""
    oldest_at: datetime | None
    """The instant of the oldest of them."""
