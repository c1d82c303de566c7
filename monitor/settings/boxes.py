"""What stands at a site: its room, its boxes with their sensors and spools, and what dries their beads."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.errors import ImportFileError
from monitor.records import ROOM, Appliance, Box, RoomClimate, SensorSpec, Spool
from monitor.records.declared import (
    APPLIANCE_RANGE_DEGC,
    LIMIT_RANGE_PCT,
    POWER_RANGE_W,
    USUAL_BATCH_BOXES,
    USUAL_LIMIT,
    USUAL_VOLUME_LITER,
    VOLUME_RANGE_LITER,
)
from monitor.records.names import tidy
from monitor.records.words import (
    APPLIANCE_KINDS,
    CLIMATES,
    OTHER_FILAMENT,
    SPOOL_CORES,
    SPOOL_STATES,
    STYLES,
    WALL_MATERIALS,
    is_style,
)
from monitor.settings.plan_rules import (
    LONGEST_BATCH_MINUTES,
    MOST_BATCHES_A_DAY,
    read_hours,
    read_weekdays,
    refuse_hours_too_short,
)

if TYPE_CHECKING:
    from pathlib import Path

    from monitor.settings.toml_table import TomlTable


_SEE = "`siccast words` explains each"


_USUAL_AIR = {
    "unknown": RoomClimate(),
    "temperate": RoomClimate(),
    "unheated": RoomClimate(16.0, 0.62),
    "humid_summers": RoomClimate(20.0, 0.49),
    "tropical": RoomClimate(27.0, 0.66),
}
"""°C, and a fraction: yearly means of measured rooms (open data; see VAPOR in inference/evidence/room_climate.py)."""


_SPOOL_MASS_G = (5.0, 100_000.0)
"""Judgements: a coil to try out, as 1 was written for a kilogram; a pallet is no spool."""


def read_room(table: TomlTable | None, folder: Path) -> RoomClimate | None:
    if table is None:
        return None
    monthly_kpa = table.numbers("monthly_vapor_pressure_kpa", 0.01, 12.0)  # judgement: beyond any dwelling
    if monthly_kpa and len(monthly_kpa) != 12:  # months a year, by definition
        raise table.error("monthly_vapor_pressure_kpa", f"{len(monthly_kpa)} values", "twelve values, January first")
    climate = table.choice("climate", tuple(CLIMATES), default="unknown")
    usual = _USUAL_AIR[climate]
    # judgement: any room, from a shed in winter to an attic in summer
    told_degc = table.number("temperature_c", -40.0, 60.0, default=math.nan)
    temperature_degc = usual.temperature_degc if math.isnan(told_degc) else told_degc
    excess_kpa = table.number("indoor_excess_kpa", 0.0, 3.0, default=-1.0)  # judgement: more than people bring in
    rh_pct = table.number("rh_pct", 0.0, 100.0, default=-1.0)
    weather_file = table.text("weather_file", default="")
    if weather_file and (monthly_kpa or rh_pct >= 0.0):
        raise table.error("weather_file", weather_file, "alone: give it without monthly_vapor_pressure_kpa and rh_pct")
    if excess_kpa >= 0.0 and not weather_file:
        raise table.error(
            "indoor_excess_kpa", excess_kpa, "together with a weather_file: it is added to the air of that file"
        )
    if weather_file:
        table.refuse_leftovers()
        return replace(_read_weather_file(table, folder, weather_file, temperature_degc, excess_kpa), climate=climate)
    room = RoomClimate(
        temperature_degc=temperature_degc,
        relative_humidity=usual.relative_humidity if rh_pct < 0.0 else rh_pct / 100.0,
        air_is_told=rh_pct >= 0.0 or not math.isnan(told_degc),
        climate=climate,
        southern_hemisphere=table.flag("southern_hemisphere", default=False),
        monthly_vapor_pressure_pa=tuple(1000.0 * value for value in monthly_kpa),
    )
    table.refuse_leftovers()
    return room


def _read_weather_file(
    table: TomlTable, folder: Path, name: str, temperature_degc: float, excess_kpa: float
) -> RoomClimate:
    from monitor.settings.weather_file import INDOOR_EXCESS_PA, read_weather  # noqa: PLC0415 -- numpy, only where a file is named

    excess_pa = INDOOR_EXCESS_PA if excess_kpa < 0 else 1000.0 * excess_kpa
    try:
        return read_weather(folder / name).indoors(temperature_degc, excess_pa)
    except ImportFileError as error:
        raise table.error("weather_file", name, f"a TMY3 or EPW file ({error})") from error


def read_box(name: str, table: TomlTable) -> Box:
    if name == ROOM:
        raise table.fault(f"'{ROOM}' is the sensor outside the boxes. Give the box another name")
    box = Box(
        name=name,
        volume_liter=table.number("volume_l", *VOLUME_RANGE_LITER, default=USUAL_VOLUME_LITER),
        humidity_limit=table.number("limit_rh_pct", *LIMIT_RANGE_PCT, default=100.0 * USUAL_LIMIT) / 100.0,
        style=_read_style(table),
        sensor=_read_sensor(table.table("sensor")),
        spools=tuple(_read_spool(inner) for inner in table.list_of_tables("spools")),
        spool_core=table.choice("spool_core", tuple(SPOOL_CORES), default="plastic"),
        fed_through_tube=table.flag("fed_through_tube", default=False),
        on_printer=table.flag("on_printer", default=False),
        wall_material=_read_wall(table),
        room=tidy(table.text("room", default=ROOM)),
    )
    if box.room == name:
        raise table.error("room", name, "the name of a sensor outside this box")
    table.refuse_leftovers()
    return box


def _read_style(table: TomlTable) -> str:
    style = table.text("style", default="unknown")
    if not is_style(style):
        raise table.error(
            "style", style, f"one of {', '.join(STYLES)}, or a longer word with one of these in it; {_SEE}"
        )
    return style


def _read_wall(table: TomlTable) -> str | None:
    wall = table.text("wall_material", default="")
    if wall and wall not in WALL_MATERIALS:
        raise table.error("wall_material", wall, f"one of {', '.join(WALL_MATERIALS)}; {_SEE}")
    return wall or None


def _read_filament(table: TomlTable) -> str:
    from monitor.physics import calculators  # noqa: PLC0415 -- numpy, only where a spool is declared

    material = table.text("material")
    if material != OTHER_FILAMENT and not calculators.is_filament(material):
        known = ", ".join((*calculators.filament_kinds(), OTHER_FILAMENT))
        raise table.error("material", material, f"one of {known}; {_SEE}")
    return material


def _read_sensor(table: TomlTable | None) -> SensorSpec:
    if table is None:
        return SensorSpec()
    usual = SensorSpec()
    floor_pct = table.number("floor_rh_pct", 0.0, 60.0, default=-1.0)  # judgement: wider than any sheet
    # per cent; judgement: wider than any sheet
    accuracy_pct = table.number("accuracy_rh_pct", 0.1, 30.0, default=100.0 * usual.accuracy)
    # per cent; judgement: no display is coarser
    resolution_pct = table.number("resolution_rh_pct", 0.0, 10.0, default=100.0 * usual.resolution)
    sensor = SensorSpec(
        accuracy=accuracy_pct / 100.0,
        resolution=resolution_pct / 100.0,
        floor=None if floor_pct < 0 else floor_pct / 100.0,
    )
    table.refuse_leftovers()
    return sensor


def _read_spool(table: TomlTable) -> Spool:
    spool = Spool(
        material=_read_filament(table),
        mass_g=table.number("mass_g", *_SPOOL_MASS_G, default=1000.0),  # judgement: a usual spool
        count=table.whole("count", 1, 200, default=1),  # how many; judgement: more than any box takes
        state=table.choice("state", tuple(SPOOL_STATES), default="unknown"),
    )
    table.refuse_leftovers()
    return spool


def read_appliance(name: str, table: TomlTable) -> Appliance:
    temperature = table.number("temperature_c", *APPLIANCE_RANGE_DEGC, default=-1.0)
    batch_g = table.number("batch_g", 1.0, 50_000.0, default=-1.0)  # judgement: from a sachet to a barrow
    power_w = table.number("power_w", *POWER_RANGE_W, default=-1.0)
    minutes = table.number("minutes", 1.0, LONGEST_BATCH_MINUTES, default=-1.0)
    hands_on = table.number("hands_on_minutes", 0.0, LONGEST_BATCH_MINUTES, default=-1.0)
    batches = table.whole("batches_a_day", 1, MOST_BATCHES_A_DAY, default=1) if table.has("batches_a_day") else 0
    appliance = Appliance(
        name=name,
        kind=table.choice("kind", tuple(APPLIANCE_KINDS), default="oven"),
        temperature_degc=None if temperature < 0 else temperature,
        batch_boxes=table.whole("batch_boxes", 1, 500, default=USUAL_BATCH_BOXES),  # judgement: no oven takes more
        batch_g=None if batch_g < 0 else batch_g,
        power_w=None if power_w < 0 else power_w,
        minutes=None if minutes < 0 else minutes,
        hands_on_minutes=None if hands_on < 0 else hands_on,
        weekdays=read_weekdays(table, "the days of [plan]"),
        hours=read_hours(table),
        batches_a_day=batches or None,
    )
    refuse_hours_too_short(table, appliance)
    table.refuse_leftovers()
    return appliance
