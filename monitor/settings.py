"""The one reader of the shelf file and the environment; both are checked once and handed down as plain values."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import ImportFileError, SettingsError, UnknownBoxError
from monitor.records import (
    OWN_FEED,
    Appliance,
    Box,
    BrokerAddress,
    FeedSpec,
    InfluxAddress,
    RoomClimate,
    SensorMove,
    SensorSpec,
    Spool,
    ValueAt,
)
from monitor.toml_table import TomlTable

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

SHELF_FILE = "shelf.toml"
DATABASE_FILE = "siccast.sqlite3"
_UTC = ZoneInfo("UTC")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True, slots=True)
class PlanRules:
    """When the person is willing to dry beads, and how the tool weighs a trip against a late box."""

    weekdays: tuple[int, ...] = (5, 6)
    """Monday is 0."""
    horizon_days: int = 60


@dataclass(frozen=True, slots=True)
class Shelf:
    """A site as its owner declared it: everything in the shelf file, checked."""

    folder: Path
    site: str = "home"
    timezone: ZoneInfo = _UTC
    fahrenheit: bool = False
    ounces: bool = False
    broker: BrokerAddress | None = None
    """None: a small broker runs inside, on this machine only."""
    influx: InfluxAddress | None = None
    """None: readings are kept in the database of the shelf folder alone."""
    feeds: tuple[FeedSpec, ...] = (OWN_FEED,)
    moves: tuple[SensorMove, ...] = ()
    room: RoomClimate | None = None
    boxes: tuple[Box, ...] = ()
    appliances: tuple[Appliance, ...] = (Appliance(name="oven"),)
    plan: PlanRules = PlanRules()
    recorded_until: datetime | None = None
    """Where the site is a recording, its end: answers hold for that instant instead of the present."""

    def now(self, clock: datetime) -> datetime:
        """Return the instant that answers hold for: the present, or the end of a recorded site."""
        return self.recorded_until or clock

    @property
    def database_path(self) -> Path:
        """Where the readings and the ledger are kept."""
        return self.folder / DATABASE_FILE

    def box(self, name: str) -> Box:
        """Return the declared box of this name, or say which ones there are."""
        for box in self.boxes:
            if box.name == name:
                return box
        known = ", ".join(box.name for box in self.boxes) or "none yet"
        raise UnknownBoxError(f"box '{name}' is not declared in {self.folder / SHELF_FILE}; declared: {known}")


def shelf_folder(given: Path | None, environment: Mapping[str, str] = os.environ) -> Path:
    """Return the shelf folder: the one given, else SICCAST_SHELF, else the user's data folder."""
    if given is not None:
        return given
    if environment.get("SICCAST_SHELF"):
        return Path(environment["SICCAST_SHELF"])
    from platformdirs import user_data_path  # noqa: PLC0415 -- 20 ms that `--help` need not pay

    return user_data_path("siccast", appauthor=False)


def load_shelf(folder: Path, environment: Mapping[str, str] = os.environ) -> Shelf:
    """Read and check the shelf file of a folder; a folder without one is a site with nothing declared yet.

    Raises
    ------
    SettingsError
        With the place in the file, the value found there, and what would be right.
    """
    path = folder / SHELF_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        text = ""
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} can't be read: {error}; it has to be a UTF-8 text file you may read") from error
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path} is not valid TOML: {error}") from error
    return _read_shelf(TomlTable(document, str(path)), folder, environment)


def _read_shelf(table: TomlTable, folder: Path, environment: Mapping[str, str]) -> Shelf:
    zone = _read_timezone(table)
    shelf = Shelf(
        folder=folder,
        site=table.name("site", default="home"),
        timezone=zone,
        fahrenheit=table.choice("temperature_unit", ("C", "F"), default="C") == "F",
        ounces=table.choice("mass_unit", ("g", "oz"), default="g") == "oz",
        broker=_read_broker(table.table("broker"), folder, environment),
        influx=_read_influx(table.table("influx"), folder, environment),
        feeds=_read_feeds(table),
        moves=tuple(_read_move(inner, zone) for inner in table.list_of_tables("moves")),
        room=_read_room(table.table("room"), folder),
        boxes=tuple(_read_box(name, inner) for name, inner in table.named_tables("boxes")),
        plan=_read_plan(table.table("plan")),
        recorded_until=table.instant("recorded_until"),
    )
    appliances = tuple(_read_appliance(name, inner) for name, inner in table.named_tables("appliances"))
    table.refuse_leftovers()
    return replace(shelf, appliances=appliances) if appliances else shelf


def _read_timezone(table: TomlTable) -> ZoneInfo:
    name = table.text("timezone", default="UTC")
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise table.error("timezone", name, "a zone name of the IANA list, such as 'Europe/Vienna'") from error


def _read_broker(table: TomlTable | None, folder: Path, environment: Mapping[str, str]) -> BrokerAddress | None:
    if table is None:
        return None
    host = table.text("host")
    tls = table.flag("tls", default=False)
    broker = BrokerAddress(
        host=host,
        port=table.whole("port", 1, 65_535, default=8883 if tls else 1883),
        protocol=table.choice("protocol", ("5", "3.1.1"), default="5"),
        client_id=environment.get("SICCAST_MQTT_CLIENT_ID") or table.text("client_id", default="siccast"),
        share=_read_share(table),
        username=environment.get("SICCAST_MQTT_USER") or table.text("username", default="") or None,
        password=_read_secret(table, "password_file", "SICCAST_MQTT_PASSWORD", folder, environment),
        tls=tls,
        ca_file=table.text("ca_file", default="") or None,
        certificate_file=table.text("certificate_file", default="") or None,
        key_file=table.text("key_file", default="") or None,
    )
    table.refuse_leftovers()
    return broker


def _read_share(table: TomlTable) -> str | None:
    none = "-"
    share = table.text("share", default=none)
    if set(share) & set("/+#") or not share:
        raise table.error("share", share, "a name without '/', '+' and '#'")
    return None if share == none else share


def _read_secret(table: TomlTable, key: str, variable: str, folder: Path, environment: Mapping[str, str]) -> str | None:
    """Return a secret from the environment or a file only its owner may read; never from the shelf file."""
    name = table.text(key, default="")
    if environment.get(variable):
        return environment[variable]
    if not name:
        return None
    path = folder / name
    try:
        if os.name == "posix" and path.stat().st_mode & 0o077:
            raise table.error(key, str(path), "a file only you can read (chmod 600)")
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise table.error(key, str(path), f"a readable file ({error})") from error


def _read_influx(table: TomlTable | None, folder: Path, environment: Mapping[str, str]) -> InfluxAddress | None:
    if table is None:
        return None
    url = table.text("url")
    if not url.startswith(("http://", "https://")):
        raise table.error("url", url, "an address such as 'http://127.0.0.1:8086'")
    influx = InfluxAddress(
        url=url,
        org=table.text("org"),
        bucket=table.text("bucket"),
        token=_read_secret(table, "token_file", "SICCAST_INFLUX_TOKEN", folder, environment),
    )
    table.refuse_leftovers()
    return influx


def _read_feeds(table: TomlTable) -> tuple[FeedSpec, ...]:
    feeds = tuple(_read_feed(inner) for inner in table.list_of_tables("feeds"))
    return feeds or (OWN_FEED,)


def _read_feed(table: TomlTable) -> FeedSpec:
    topic = _read_topic(table, "topic")
    assert topic is not None
    humidity_topic = _read_topic(table, "humidity_topic", default="")
    bare = ValueAt("", "") if humidity_topic else None
    feed = FeedSpec(
        name=table.text("name", default=topic),
        topic=topic,
        humidity_topic=humidity_topic,
        temperature=_read_value_at(table, "temperature", ("C", "F", "K"), bare),
        humidity=_read_value_at(table, "humidity", ("%", "fraction"), bare),
        time=_read_value_at(table, "time", ("iso8601", "epoch_s", "epoch_ms"), None),
        boxes=tuple(sorted(table.text_map("boxes").items())),
        join_within_s=table.number("join_within_s", 0.0, 86_400.0, default=60.0),
    )
    table.refuse_leftovers()
    return feed


def _read_topic(table: TomlTable, key: str, default: str | None = None) -> str | None:
    topic = table.text(key, default)
    if topic and "{box}" not in topic:
        raise table.error(key, topic, "a topic pattern with {box} in it, such as 'sensors/{box}/state'")
    return topic or None


def _read_value_at(table: TomlTable, key: str, units: tuple[str, ...], otherwise: ValueAt | None) -> ValueAt | None:
    """Return where a quantity stands; ``otherwise`` what it is where the feed does not say, its unit still open."""
    inner = table.table(key)
    if inner is None:
        return None if otherwise is None else replace(otherwise, unit=units[0])
    pointer = inner.text("pointer", None if otherwise is None else otherwise.pointer)
    if pointer and not pointer.startswith("/"):
        raise inner.error("pointer", pointer, "a JSON Pointer (RFC 6901), such as '/data/humidity'")
    value = ValueAt(pointer=pointer, unit=inner.choice("unit", units, default=units[0]))
    inner.refuse_leftovers()
    return value


def _read_move(table: TomlTable, zone: ZoneInfo) -> SensorMove:
    move = SensorMove(sensor=table.text("sensor"), box=table.text("to"), since=table.moment("on", zone))
    table.refuse_leftovers()
    return move


def _read_room(table: TomlTable | None, folder: Path) -> RoomClimate | None:
    if table is None:
        return None
    monthly_kpa = table.numbers("monthly_vapor_pressure_kpa", 0.01, 12.0)
    if monthly_kpa and len(monthly_kpa) != 12:
        raise table.error("monthly_vapor_pressure_kpa", f"{len(monthly_kpa)} values", "twelve, January first")
    temperature_degc = table.number("temperature_c", -40.0, 60.0, default=20.0)
    excess_kpa = table.number("indoor_excess_kpa", 0.0, 3.0, default=-1.0)
    rh_pct = table.number("rh_pct", 0.0, 100.0, default=-1.0)
    weather_file = table.text("weather_file", default="")
    if weather_file and (monthly_kpa or rh_pct >= 0.0):
        raise table.error("weather_file", weather_file, "given without monthly_vapor_pressure_kpa and rh_pct")
    if excess_kpa >= 0.0 and not weather_file:
        raise table.error("indoor_excess_kpa", excess_kpa, "given beside a weather_file, whose air it is added to")
    if weather_file:
        table.refuse_leftovers()
        return _read_weather_file(table, folder / weather_file, temperature_degc, excess_kpa)
    room = RoomClimate(
        temperature_degc=temperature_degc,
        relative_humidity=(50.0 if rh_pct < 0.0 else rh_pct) / 100.0,
        southern_hemisphere=table.flag("southern_hemisphere", default=False),
        monthly_vapor_pressure_pa=tuple(1000.0 * value for value in monthly_kpa),
    )
    table.refuse_leftovers()
    return room


def _read_weather_file(table: TomlTable, path: Path, temperature_degc: float, excess_kpa: float) -> RoomClimate:
    from monitor.weather import INDOOR_EXCESS_PA, read_weather  # noqa: PLC0415 -- numpy, only where a file is named

    excess_pa = INDOOR_EXCESS_PA if excess_kpa < 0 else 1000.0 * excess_kpa
    try:
        return read_weather(path).indoors(temperature_degc, excess_pa)
    except ImportFileError as error:
        raise table.error("weather_file", str(path), f"a TMY3 or EPW file ({error})") from error


def _read_box(name: str, table: TomlTable) -> Box:
    box = Box(
        name=name,
        volume_liter=table.number("volume_l", 0.05, 5000.0, default=10.0),
        humidity_limit=table.number("limit_rh_pct", 1.0, 95.0, default=20.0) / 100.0,
        style=table.text("style", default="unknown"),
        sensor=_read_sensor(table.table("sensor")),
        spools=tuple(_read_spool(inner) for inner in table.list_of_tables("spools")),
        spool_core=table.choice("spool_core", ("plastic", "cardboard", "none"), default="plastic"),
        fed_through_tube=table.flag("fed_through_tube", default=False),
        on_printer=table.flag("on_printer", default=False),
        wall_material=table.text("wall_material", default="") or None,
        room=table.text("room", default="room"),
    )
    table.refuse_leftovers()
    return box


def _read_sensor(table: TomlTable | None) -> SensorSpec:
    if table is None:
        return SensorSpec()
    floor_pct = table.number("floor_rh_pct", 0.0, 60.0, default=-1.0)
    sensor = SensorSpec(
        accuracy=table.number("accuracy_rh_pct", 0.1, 30.0, default=3.0) / 100.0,
        resolution=table.number("resolution_rh_pct", 0.0, 10.0, default=0.1) / 100.0,
        floor=None if floor_pct < 0 else floor_pct / 100.0,
    )
    table.refuse_leftovers()
    return sensor


def _read_spool(table: TomlTable) -> Spool:
    spool = Spool(
        material=table.text("material"),
        mass_g=table.number("mass_g", 0.0, 100_000.0, default=1000.0),
        count=table.whole("count", 1, 200, default=1),
        state=table.choice("state", ("unknown", "fresh", "dried", "open", "wet"), default="unknown"),
    )
    table.refuse_leftovers()
    return spool


def _read_appliance(name: str, table: TomlTable) -> Appliance:
    kinds = ("oven", "microwave", "filament_dryer", "print_bed", "other")
    temperature = table.number("temperature_c", 20.0, 300.0, default=-1.0)
    batch_g = table.number("batch_g", 1.0, 50_000.0, default=-1.0)
    power_w = table.number("power_w", 5.0, 20_000.0, default=-1.0)
    appliance = Appliance(
        name=name,
        kind=table.choice("kind", kinds, default="oven"),
        temperature_degc=None if temperature < 0 else temperature,
        batch_boxes=table.whole("batch_boxes", 1, 500, default=4),
        batch_g=None if batch_g < 0 else batch_g,
        power_w=None if power_w < 0 else power_w,
    )
    table.refuse_leftovers()
    return appliance


def _read_plan(table: TomlTable | None) -> PlanRules:
    if table is None:
        return PlanRules()
    names = table.texts("weekdays", WEEKDAYS)
    rules = PlanRules(
        weekdays=tuple(sorted({WEEKDAYS.index(name) for name in names})) or PlanRules().weekdays,
        horizon_days=table.whole("horizon_days", 7, 365, default=60),
    )
    table.refuse_leftovers()
    return rules
