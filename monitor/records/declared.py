"""What a person declares: boxes, sensors, spools, the room, the broker, feeds, appliances."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from monitor.records.readings import ROOM


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
