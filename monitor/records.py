"""Frozen values that travel between the rooms: readings, boxes, ledger entries, estimates, forecasts.

They reach for nothing: no record saves, fetches or draws itself. Humidity is a fraction of saturation over liquid
water, temperature °C, mass g, every instant aware UTC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

ROOM = "room"
"""The box name under which the sensor outside the boxes reports."""


# --- what arrives ----------------------------------------------------------------------------------------------------


class ReadingSource(StrEnum):
    """Where a reading came from."""

    sensor = "sensor"
    hand = "hand"
    """Typed in by a person who read it off a display."""
    imported = "imported"


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature and humidity of one box at one instant, as the sensor told it."""

    box: str
    at: datetime
    temperature_degc: float
    relative_humidity: float
    battery_v: float | None = None
    seq: int | None = None
    floor_relative_humidity: float | None = None
    """Smallest humidity this sensor can show, where it says so itself."""
    sent_at_known: bool = True
    """False where the message carried no time and the arrival stands in for it."""
    source: ReadingSource = ReadingSource.sensor
    marks: int = 0
    """Bit set of what screening found so far (see ``Mark``); kept apart from the values."""


@dataclass(frozen=True, slots=True)
class RawMessage:
    """What came off the wire, before anyone tried to read it."""

    feed: str
    topic: str
    payload: bytes
    arrived_at: datetime
    acknowledge_token: object = None
    """Handed back to the feed once the store has committed; its meaning is the feed's own."""
    retained: bool = False
    """True where the broker had kept it from before and not just received it."""


class Quantity(StrEnum):
    """The two numbers that make a reading, where a feed sends them apart."""

    temperature = "temperature"
    humidity = "humidity"

    @property
    def other(self) -> Quantity:
        return Quantity.humidity if self is Quantity.temperature else Quantity.temperature


@dataclass(frozen=True, slots=True)
class HalfReading:
    """A temperature or a humidity that waits for the other one."""

    feed: str
    box: str
    quantity: Quantity
    at: datetime
    value: float
    """°C, or a fraction of saturation."""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A message that could not be used, kept whole with its reason."""

    arrived_at: datetime
    feed: str
    topic: str
    payload: bytes
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class ReadingSeries:
    """Readings of one box in time order, as columns of equal length."""

    box: str
    at_s: NDArray[np.float64]
    """Seconds since 1970-01-01 UTC."""
    temperature_degc: NDArray[np.float64]
    relative_humidity: NDArray[np.float64]
    marks: NDArray[np.uint16]
    """Bit set of screening marks (see ``Mark``); 0 where nothing was found."""

    def __len__(self) -> int:
        return len(self.at_s)


class Mark(StrEnum):
    """What screening found about a reading; a mark never drops it. The bit of a mark is its place in this list."""

    range = "range"
    spike = "spike"
    step = "step"
    stuck = "stuck"
    at_floor = "at floor"
    at_ceiling = "at ceiling"
    equals_room = "box equals room"
    no_sorbent = "no sorbent acting"
    clock_ahead = "clock ahead"
    clock_behind = "clock behind"

    @property
    def bit(self) -> int:
        return 1 << list(Mark).index(self)


# --- what a person declares ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """What the maker's sheet says of a box's hygrometer, as fractions of saturation."""

    accuracy: float = 0.03
    resolution: float = 0.001
    floor: float | None = None


@dataclass(frozen=True, slots=True)
class Spool:
    """Filament stored in a box: polymer, net mass of all spools of it, and how it went in."""

    material: str
    mass_g: float
    count: int = 1
    state: str = "unknown"
    """'unknown', 'fresh' (from its bag), 'dried', 'open' (lay in the room) or 'wet'."""


@dataclass(frozen=True, slots=True)
class Box:
    """A sealed box as its owner declares it."""

    name: str
    volume_liter: float
    humidity_limit: float = 0.20
    style: str = "unknown"
    """'gasket', 'clip_lid', 'bag', 'canister', 'cabinet' …: boxes of one style inform each other."""
    sensor: SensorSpec = SensorSpec()
    spools: tuple[Spool, ...] = ()
    spool_core: str = "plastic"
    """'plastic', 'cardboard' or 'none'."""
    fed_through_tube: bool = False
    on_printer: bool = False
    wall_material: str | None = None
    room: str = ROOM


@dataclass(frozen=True, slots=True)
class RoomClimate:
    """The air around the boxes, declared by a person where no sensor stands (and as a prior where one does)."""

    temperature_degc: float = 20.0
    relative_humidity: float = 0.50
    southern_hemisphere: bool = False
    monthly_vapor_pressure_pa: tuple[float, ...] = ()
    """Twelve monthly means, January first; empty where not declared."""
    monthly_log_sd: float = 0.15
    """How well the monthly means tell ln vapor pressure of this room."""


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the feed's broker is, and how to be let in; secrets come from the environment or a 0600 file."""

    host: str
    port: int = 1883
    protocol: str = "5"
    """'5' or '3.1.1'."""
    client_id: str = "siccast"
    share: str | None = None
    """Name of the group of listeners that split the messages of the site among them."""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True)
class InfluxAddress:
    """The InfluxDB 2 bucket of a large site; the token comes from the environment or a 0600 file."""

    url: str
    org: str
    bucket: str
    token: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class ValueAt:
    """Where a foreign payload keeps one quantity: a JSON Pointer (RFC 6901), and the unit it is in."""

    pointer: str
    unit: str


@dataclass(frozen=True, slots=True)
class FeedSpec:
    """One feed of messages: a topic pattern with ``{box}`` in it, and how its payload is read."""

    name: str
    topic: str
    temperature: ValueAt | None = None
    humidity: ValueAt | None = None
    time: ValueAt | None = None
    boxes: tuple[tuple[str, str], ...] = ()
    """Pairs (name in the feed, name of the box) where the two differ."""
    humidity_topic: str | None = None
    """Pattern of the humidity's own topic, where each quantity has one; ``topic`` is then the temperature's."""
    join_within_s: float = 60.0
    """How far apart the two may arrive and still be one reading."""

    @property
    def is_own_contract(self) -> bool:
        """Whether messages follow siccast's own contract (or SenML) rather than a mapping."""
        return self.temperature is None and self.humidity is None


@dataclass(frozen=True, slots=True)
class SensorMove:
    """From an instant on, what a sensor reports is of another box."""

    sensor: str
    """The name it reports under: what stands for ``{box}`` in its topic, renamed by its feed where it is."""
    box: str
    since: datetime


OWN_FEED = FeedSpec(name="own", topic="siccast/1/{site}/{box}/reading")


# --- what was logged -------------------------------------------------------------------------------------------------


class EntryKind(StrEnum):
    """Kinds of ledger entries."""

    charge = "charge"
    """Desiccant put into a box: the start of an episode."""
    opening = "opening"
    weighing = "weighing"
    recharge = "recharge"
    """Drying or swapping the charge of a box: the start of an episode."""
    spool_swap = "spool swap"
    sensor_swap = "sensor swap"
    leak_test = "leak test"
    """The box was tested empty; the entry carries what that found."""
    note = "note"


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One thing that a person did to a box and wrote down."""

    kind: EntryKind
    box: str
    at: datetime
    mass_g: float | None = None
    """Desiccant with its water and without its holder, where it was weighed."""
    scale_resolution_g: float | None = None
    desiccant: str | None = None
    """Kind of desiccant, by its name in monitor/physics/tables."""
    dry_mass_g: float | None = None
    """Nominal mass when fully regenerated."""
    method: str | None = None
    """How it was dried: 'oven_120C_3h', 'microwave', 'hot_air_65C', 'print_bed', 'new', 'indicator_orange' …."""
    loading_g_per_g: tuple[float, float, float] | None = None
    """Loading at the start, 5 %, 50 % and 95 %, where a drying run or a jar check told it."""
    conductance_g_per_day_per_kpa: tuple[float, float, float] | None = None
    """Leak of the box, 5 %, 50 % and 95 %, where an empty-box test told it."""
    note: str = ""
    entry_id: int | None = None
    logged_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class RejectedMessage(Rejection):
    """A rejection as the ledger keeps it."""

    rejection_id: int = 0


# --- what siccast answers --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Quantiles:
    """The 5 %, 50 % and 95 % points of what is believed about one number."""

    p05: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class DateQuantiles:
    """The 5 %, 50 % and 95 % points of a date; None where that share lies beyond the horizon."""

    p05: datetime | None
    p50: datetime | None
    p95: datetime | None


class BoxState(StrEnum):
    """State of a box in plain words."""

    within_limit = "within limit"
    due = "due"
    over_limit = "over limit"
    not_enough_evidence = "not enough evidence"
    no_readings = "no readings"
    undeclared = "seen, not declared"


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
    comparison: str = ""
    """How it compares with boxes of its kind and with published classes, in plain words."""
    changed_at: datetime | None = None
    """Since when the conductance is another one, where it changed."""
    change_factor: Quantiles | None = None
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


@dataclass(frozen=True, slots=True)
class CrossingForecast:
    """When a box passes its limit, and when its desiccant is spent."""

    humidity_limit: float
    cross_at: DateQuantiles
    chance_by_day: tuple[float, ...]
    """Chance that the limit is passed within 0, 1, 2, … days of the forecast's instant."""
    spent_at: DateQuantiles
    capacity_used: Quantiles
    headroom_g: Quantiles
    present_relative_humidity: Quantiles
    chance_over_already: float
    fan: tuple[FanDay, ...] = ()

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


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything siccast believes about one box at one instant; every face shows this and nothing else."""

    box: Box
    as_of: datetime
    state: BoxState
    latest: Reading | None = None
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


@dataclass(frozen=True, slots=True)
class Appliance:
    """Something that dries beads: its reach, its batch, and what one use of it costs the person."""

    name: str
    kind: str = "oven"
    """'microwave', 'oven', 'filament_dryer', 'print_bed' or 'other'."""
    temperature_degc: float | None = None
    batch_boxes: int = 4
    batch_g: float | None = None
    power_w: float | None = None
    """What it draws, or for a microwave what its maker says it gives the food."""


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """One day on which an appliance is worth heating up, and for which boxes."""

    on: date
    appliance: str
    boxes: tuple[str, ...]
    reasons: Mapping[str, str] = field(default_factory=dict)
    """A sentence for each box."""
