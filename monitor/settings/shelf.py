"""A site as its owner declared it, read from the shelf file and checked once."""

from __future__ import annotations

import contextlib
import os
import re
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import SettingsError, UnknownBoxError
from monitor.named_files import require_file
from monitor.records import (
    OWN_FEED,
    ROOM,
    Appliance,
    Box,
    BrokerAddress,
    FeedSpec,
    InfluxAddress,
    PlanRules,
    RoomClimate,
    SensorMove,
)
from monitor.records.names import tidy
from monitor.settings.boxes import read_appliance, read_box, read_room
from monitor.settings.calendar import USUAL_CALENDAR, CalendarRules, read_calendar
from monitor.settings.connections import read_broker, read_feeds, read_influx
from monitor.settings.plan_rules import read_plan
from monitor.settings.routes import read_route
from monitor.settings.toml_table import TomlTable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from monitor.records.alerts import Route

SHELF_FILE = "shelf.toml"
DATABASE_FILE = "siccast.sqlite3"
_UTC = ZoneInfo("UTC")
_TWICE = re.compile(r"Cannot declare \((.*?),?\) twice(.*)")
"""How the reader of TOML says that a table stands in a file two times."""
_QUOTED = r"'([^']*)'"


@dataclass(frozen=True, slots=True)
class Shelf:
    """A site as its owner declared it: everything in the shelf file, checked."""

    folder: Path
    site: str = "home"
    timezone: ZoneInfo = _UTC
    fahrenheit: bool = False
    ounces: bool = False
    language: str = "en"
    """Code of the language of the pages (BCP 47); texts of another than English are a file beside the shelf file."""
    broker: BrokerAddress | None = None
    """None: a small broker runs inside, on this machine only."""
    commit_every_s: float = 0.0
    """How long readings may wait for a commit that they share; 0: each is on the disk before it is acknowledged."""
    influx: InfluxAddress | None = None
    """None: readings are kept in the database of the shelf folder alone."""
    feeds: tuple[FeedSpec, ...] = (OWN_FEED,)
    moves: tuple[SensorMove, ...] = ()
    room: RoomClimate | None = None
    boxes: tuple[Box, ...] = ()
    appliances: tuple[Appliance, ...] = (Appliance(name="oven"),)
    plan: PlanRules = field(default_factory=PlanRules)
    calendar: CalendarRules = USUAL_CALENDAR
    homie: bool = False
    """Whether `listen` also announces the boxes by the Homie convention."""
    routes: tuple[Route, ...] = ()
    """By which words go out; none: nobody is told anything."""
    recorded_until: datetime | None = None
    """Where the site is a recording, its end: answers hold for that instant instead of the present."""
    stamp: object = field(default=None, compare=False, repr=False)
    """Of the shelf file, from before it was read."""

    def now(self, clock: datetime) -> datetime:
        """Return the instant that answers hold for: the present, or the end of a recorded site."""
        return self.recorded_until or clock

    @property
    def database_path(self) -> Path:
        """Where the readings and the ledger are kept."""
        return self.folder / DATABASE_FILE

    @property
    def is_in_the_usual_place(self) -> bool:
        """Whether nobody named the folder, and so nobody can have misspelt it."""
        return self.folder == _usual_folder()

    @property
    def doubts(self) -> tuple[str, ...]:
        """Return what the file says that can be read and is hardly meant, a sentence each."""
        known = {ROOM} | {box.name for box in self.boxes} | {box.room for box in self.boxes}
        moved = tuple(
            f"[[moves]] leads sensor '{move.sensor}' to '{move.box}', which is not a declared box."
            f" Declare it, or write one of {', '.join(sorted(known))}"
            for move in self.moves
            if move.box not in known
        )
        named = ((route.name, box) for route in self.routes for box in route.boxes if box not in known)
        return moved + tuple(
            f"[routes.{name}] names '{box}', which is not a declared box. Words about it go nowhere by that route"
            for name, box in named
        )

    def box(self, name: str) -> Box:
        """Return the declared box of this name, or say which ones there are."""
        for box in self.boxes:
            if box.name == name:
                return box
        known = ", ".join(box.name for box in self.boxes) or "none yet"
        raise UnknownBoxError(f"box '{name}' is not declared in {self.folder / SHELF_FILE}. Declared: {known}")


def shelf_folder(given: Path | None, environment: Mapping[str, str] = os.environ) -> Path:
    """Return the shelf folder: the one given, else SICCAST_SHELF, else the user's data folder."""
    if given is not None:
        return given
    if environment.get("SICCAST_SHELF"):
        return Path(environment["SICCAST_SHELF"])
    return _usual_folder()


def _usual_folder() -> Path:
    from platformdirs import user_data_path  # noqa: PLC0415 -- 20 ms that `--help` need not pay

    return user_data_path("siccast", appauthor=False)


def load_shelf(folder: Path, environment: Mapping[str, str] = os.environ) -> Shelf:
    """Read and check the shelf file of a folder; a folder without one is a site with nothing declared yet.

    Raises
    ------
    SettingsError
        With the place in the file, the value found there, and what would be right.
    """
    stamp = shelf_stamp(folder)
    return replace(parse_shelf(_content(folder), folder, environment), stamp=stamp)


def _content(folder: Path) -> bytes:
    """Return what stands in the shelf file of a folder; nothing where there is none."""
    path = folder / SHELF_FILE
    try:
        require_file(path)
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except NotADirectoryError as error:
        raise SettingsError(f"{folder} is a file, not a folder. Name the folder that has {SHELF_FILE}") from error
    except OSError as error:
        raise SettingsError(
            f"{path} can't be read: {error.strerror or error}. It must be a UTF-8 text file that you may read"
        ) from error


def load_shelf_again(before: Shelf) -> Shelf:
    """Read the shelf file for what runs on; one that said something and says nothing now is a slip, or half a save.

    Raises
    ------
    SettingsError
        As ``load_shelf`` does, and where the file is gone or was emptied.
    """
    stamp, content = shelf_stamp(before.folder), _content(before.folder)
    shelf = replace(parse_shelf(content, before.folder), stamp=stamp)
    if not content and shelf != before:
        raise SettingsError(f"{before.folder / SHELF_FILE} is gone or empty. Put back what it said")
    return shelf


def shelf_as_it_is(before: Shelf) -> Shelf:
    """Return a shelf as its file says now, for who had to wait for another command; read only where it was saved since.

    Raises
    ------
    SettingsError
        As ``load_shelf`` does.
    """
    return before if shelf_stamp(before.folder) == before.stamp else load_shelf(before.folder)


def shelf_stamp(folder: Path) -> object:
    """Return something cheap that is another thing after the shelf file was saved."""
    with contextlib.suppress(OSError):
        status = (folder / SHELF_FILE).stat()
        return status.st_mtime_ns, status.st_size, status.st_ino
    return None


def parse_shelf(content: bytes, folder: Path, environment: Mapping[str, str] = os.environ) -> Shelf:
    """Check what stands in a shelf file, or would stand there; a byte order mark before it is no fault.

    Raises
    ------
    SettingsError
        As ``load_shelf`` does.
    """
    path = folder / SHELF_FILE
    try:
        document = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line, byte = content[: error.start].count(b"\n") + 1, content[error.start]
        raise SettingsError(
            f"{path} is not UTF-8 text: line {line} has the byte 0x{byte:02x}. Save it as UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path} is not valid TOML: {_plain(str(error))}") from error
    except ValueError as error:
        raise SettingsError(f"{path} has a number with thousands of digits. Shorten it") from error
    except RecursionError as error:
        raise SettingsError(f"{path} is not valid TOML: brackets are nested too deep") from error
    return _read_shelf(TomlTable(document, str(path)), folder, environment)


def _plain(fault: str) -> str:
    """Return a fault of TOML, with the commonest two in plain words."""
    if twice := _TWICE.match(fault):
        return f"[{'.'.join(re.findall(_QUOTED, twice[1]))}] is declared twice{twice[2]}"
    return fault.replace(r"Illegal character '\n'", "a line ends within quotes")


def _read_shelf(table: TomlTable, folder: Path, environment: Mapping[str, str]) -> Shelf:
    zone, feeds = _read_timezone(table), read_feeds(table)
    broker = read_broker(table.table("broker"), folder, environment)
    shelf = Shelf(
        folder=folder,
        site=table.name("site", default="home"),
        timezone=zone,
        fahrenheit=table.choice("temperature_unit", ("C", "F"), default=_unit_of_feeds(feeds)) == "F",
        ounces=table.choice("mass_unit", ("g", "oz"), default="g") == "oz",
        language=_read_language(table),
        broker=broker,
        commit_every_s=_read_commit_every_s(table.table("store"), has_broker=broker is not None),
        influx=read_influx(table.table("influx"), folder, environment),
        feeds=feeds,
        moves=tuple(_read_move(inner, zone) for inner in table.list_of_tables("moves")),
        room=read_room(table.table("room"), folder),
        boxes=tuple(read_box(name, inner) for name, inner in table.named_tables("boxes")),
        plan=read_plan(table.table("plan")),
        calendar=read_calendar(table.table("calendar")),
        homie=table.flag("homie", default=False),
        routes=tuple(read_route(name, inner, folder, environment) for name, inner in table.named_tables("routes")),
        recorded_until=table.instant("recorded_until"),
    )
    appliances = tuple(read_appliance(name, inner) for name, inner in table.named_tables("appliances"))
    table.refuse_leftovers()
    return replace(shelf, appliances=appliances) if appliances else shelf


def zone_named(name: str) -> ZoneInfo:
    """Return the zone of a name in the IANA list, or raise ValueError; 'Europe' alone is a folder of zones."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, OSError) as error:
        raise ValueError(f"there is no zone '{name}'") from error


def _unit_of_feeds(feeds: Sequence[FeedSpec]) -> str:
    """Return the unit to answer in where nobody says: °F where every feed that tells its unit tells that."""
    given = {feed.temperature.unit for feed in feeds if feed.temperature is not None}
    return "F" if given == {"F"} else "C"


def _read_language(table: TomlTable) -> str:
    code = table.text("language", default="en")
    if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", code):
        raise table.error("language", code, "the code of a language, like 'en', 'de' or 'pt-BR'")
    return code


def _read_timezone(table: TomlTable) -> ZoneInfo:
    name = table.text("timezone", default="UTC")
    try:
        return zone_named(name)
    except ValueError as error:
        raise table.error("timezone", name, "a zone name of the IANA list, like 'Europe/Vienna'") from error


def _read_move(table: TomlTable, zone: ZoneInfo) -> SensorMove:
    move = SensorMove(sensor=tidy(table.text("sensor")), box=table.name("to"), since=table.moment("on", zone))
    table.refuse_leftovers()
    return move


def _read_commit_every_s(table: TomlTable | None, *, has_broker: bool) -> float:
    if table is None:
        return 0.0
    every_s = table.number(
        "commit_every_s", 0.0, 600.0, default=0.0
    )  # judgement: ten minutes of readings, at most, wait
    if every_s and not has_broker:
        right = "0 without a [broker]: siccast's own broker forgets what was not committed yet when siccast stops"
        raise table.error("commit_every_s", every_s, right)
    table.refuse_leftovers()
    return every_s
