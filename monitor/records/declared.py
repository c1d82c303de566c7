"""What a person declares: boxes, sensors, spools, the room, the broker, feeds, appliances."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from monitor.records.readings import ROOM

USUAL_LIMIT = 0.20
"""Humidity limit where none is declared, a fraction. A judgement: most filament is kept under 15 to 20 % RH."""
LIMIT_RANGE_PCT = (1.0, 95.0)
"""A judgement: no hygrometer tells a limit below, and no filament wants one above."""
ROOM_HUMIDITY_RANGE_PCT = (1.0, 95.0)
"""Of a room that is supposed. A judgement: wider than any dwelling is for long."""
SIZED_MONTHS, SIZED_MONTHS_RANGE = 6.0, (0.1, 24.0)
"""How long beads are to hold where nobody says so, and what may be asked. [months] Judgements: from one half of the
year to the other; seals, films and beads change in two years."""
USUAL_VOLUME_LITER = 10.0
"""Where none is declared. A judgement: a box for two or three spools."""
VOLUME_RANGE_LITER = (0.05, 5000.0)
"""A judgement: from a jar to a walk-in cabinet; beyond it the unit is another."""
APPLIANCE_RANGE_DEGC = (20.0, 300.0)
"""What beads are dried at. A judgement: from a room to a hot oven; no advice of ours goes as far."""
USUAL_BATCH_BOXES = 4
"""A judgement: as many trays as an oven has."""
POWER_RANGE_W = (5.0, 20_000.0)
"""Of an appliance. A judgement: from a heated mat to more than a household's oven."""
PLAN_DAYS = 60
"""How far ahead recharges are planned. A judgement: two months, as forecasts beyond say little."""
PLAN_RANGE_DAYS = (7, 365)
"""A judgement: from one round of weekdays to a year."""
MQTT_PORT, MQTT_TLS_PORT = 1883, 8883
"""Registered with IANA, plain and with TLS (MQTT 5, section 4.2)."""
LARGEST_PORT = 65_535
"""Ports are 16 bits (RFC 9293, section 3.1)."""


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """What the maker's sheet says of a box's hygrometer, as fractions of saturation."""

    accuracy: float = 0.03
    """A judgement: sheets of common digital hygrometers say 2 to 5 % RH."""
    resolution: float = 0.001
    """A judgement: finer than most displays, so it takes nothing from a sensor of which nothing is known."""
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
    humidity_limit: float = USUAL_LIMIT
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

    temperature_degc: float = 20.0  # judgement: a heated dwelling
    relative_humidity: float = 0.50  # a fraction; judgement: the middle of what dwellings have
    air_is_told: bool = True
    """Whether somebody told the temperature and humidity above; otherwise they are those of the climate."""
    climate: str = "unknown"
    """One of ``words.CLIMATES``: what years look like there."""
    southern_hemisphere: bool = False
    monthly_vapor_pressure_pa: tuple[float, ...] = ()
    """Twelve monthly means, January first; empty where not declared."""
    monthly_log_sd: float = 0.15
    """How well the monthly means tell ln vapor pressure of this room. [ln of a ratio] A judgement: 15 %."""


@dataclass(frozen=True, slots=True)
class Appliance:
    """Something that dries beads: its reach, its batch, and what one use of it costs the person."""

    name: str
    kind: str = "oven"
    """'microwave', 'oven', 'filament_dryer', 'print_bed' or 'other'."""
    temperature_degc: float | None = None
    batch_boxes: int = USUAL_BATCH_BOXES
    batch_g: float | None = None
    power_w: float | None = None
    """What it draws, or for a microwave what its maker says it gives the food."""
    minutes: float | None = None
    """Of one batch, from cold to cold; None: by what earlier runs took, or what such appliances usually take."""
    hands_on_minutes: float | None = None
    """Of the person, a batch; None: as usual for its kind."""
    weekdays: tuple[int, ...] = ()
    """On which it may be used, Monday is 0; none named: those of the plan."""
    hours: tuple[tuple[int, int], ...] = ()
    """When on such a day: spans in minutes after midnight; none named: it doesn't matter."""
    batches_a_day: int | None = None
    """None: as many as fit into its hours, and one where no hours are named."""


@dataclass(frozen=True, slots=True)
class PlanRules:
    """When the person is willing to dry beads, and what it may cost."""

    weekdays: tuple[int, ...] = (5, 6)
    """Days of the week, Monday is 0. A judgement: who prints at home has time at the weekend."""
    horizon_days: int = PLAN_DAYS
    dates_off: tuple[tuple[date, date], ...] = ()
    """First and last day of each span without drying."""
    tariff_per_kwh: float | None = None
    currency: str = ""
    risk: tuple[tuple[str, float], ...] = ()
    """Pairs (material, how much worse a day over the limit is for it); others as their uptake of water says."""
    not_mixed: tuple[tuple[str, ...], ...] | None = None
    """Groups of lots that may not share a batch; None: those whose beads stand different heat."""

    def is_off(self, on: date) -> bool:
        """Return whether a day lies in a span without drying."""
        return any(first <= on <= last for first, last in self.dates_off)

    def days_off(self, today: date) -> frozenset[date]:
        """Return the days without drying for as long ahead as any plan looks, and as long again after its end."""
        days = (today + timedelta(days=ahead) for ahead in range(2 * PLAN_RANGE_DAYS[1]))
        return frozenset(day for day in days if self.is_off(day))


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the feed's broker is, and how to be let in; secrets come from the environment or a 0600 file."""

    host: str
    port: int = MQTT_PORT
    protocol: str = "5"
    """'5' or '3.1.1'."""
    client_id: str = "siccast"
    share: str | None = None
    """Name of the group of listeners that split the messages of the site among them."""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    without_password: str = ""
    """Why the password can't be read, where it can't: only who connects needs it."""
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
    """How far apart the two may arrive and still be one reading. A judgement: nodes send both within seconds."""

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
