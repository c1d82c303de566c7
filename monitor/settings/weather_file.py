"""A weather file of a typical year (TMY3 or EPW) → monthly vapor pressure, outdoors and, by a guess, indoors.

Both formats are open. TMY3: Wilcox, Marion (2008), NREL/TP-581-43156, one line about the site, one of column names.
EPW: EnergyPlus, Auxiliary Programs, weather file format: eight lines of headings, the first about the site; columns by
place. Only the site's latitude and the hours' temperatures are read.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import ImportFileError
from monitor.named_files import lines_of, require_file
from monitor.physics.saturation import WATER_RANGE_DEGC, saturation_vapor_pressure_pa
from monitor.records import RoomClimate

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

INDOOR_EXCESS_PA = 300.0
"""Vapor pressure indoors above that outdoors where it freezes; on a line to none at 20 °C outdoors.

A judgement, and a weak one: EN ISO 13788 (2012, annex A, from memory) draws such lines and puts dwellings of normal use
at 270 to 540 Pa. Three rooms of one Belgian house lay near 200 Pa at 4 °C and 50 Pa at 14 °C, a bedroom near 400 and
230 (hourly record of Candanedo, Feldheim, Deramaix 2017, Energy and Buildings 140:81).
"""
INDOORS_AT_MOST = 0.70
"""Share of saturation at the room's temperature that a month's mean indoors stays below. A judgement: a dwelling that
holds more grows moldy."""
INDOORS_LOG_SD = 0.25
"""How well all this tells ln vapor pressure indoors. [ln of a ratio] A judgement: rooms of one house differ by 200
Pa."""

_NO_EXCESS_DEGC = 20.0
"""Outdoors; from here on nothing is added indoors (EN ISO 13788, 2012, annex A, from memory)."""

_MONTHS = 12  # a year, by definition
_LEAST_HOURS_A_MONTH = 24 * 20  # judgement: two thirds of a month give its mean
_EPW_HEADINGS, _EPW_LATITUDE, _EPW_MONTH, _EPW_DRY_BULB, _EPW_DEW_POINT = 8, 6, 1, 6, 7
"""Lines of headings, and places in a row, of an EPW file (its format, from memory)."""
_TMY3_LATITUDE = 4  # place in the line about the site of a TMY3 file (its format, from memory)
_MISSING_RANGE_DEGC = (-70.0, 99.0)
"""What is told lies between: 99.9 is 'missing' in EPW and TMY3; a judgement: colder is an error."""
_TMY3_COLUMNS = ("date", "dry-bulb (c)", "dew-point (c)")
_PLAIN_COLUMNS = ("date_mm_dd_yyyy", "t_c", "td_c")


@dataclass(frozen=True, slots=True)
class Weather:
    """Monthly means of a typical year outdoors, January first."""

    vapor_pressure_pa: tuple[float, ...]
    temperature_degc: tuple[float, ...]
    latitude_deg: float | None

    @property
    def southern_hemisphere(self) -> bool:
        """Whether the warm months are around January: by the latitude, else by the months themselves."""
        if self.latitude_deg is not None:
            return self.latitude_deg < 0.0
        warm = self.temperature_degc
        return sum(warm[i] for i in (11, 0, 1)) > sum(warm[i] for i in (5, 6, 7))  # months, by definition

    def indoors(self, temperature_degc: float, excess_pa: float = INDOOR_EXCESS_PA) -> RoomClimate:
        """Return what a room at this temperature may hold over the year: the air outdoors and what people add."""
        outside, cold = np.array(self.vapor_pressure_pa), np.array(self.temperature_degc)
        added = excess_pa * np.clip((_NO_EXCESS_DEGC - cold) / _NO_EXCESS_DEGC, 0.0, 1.0)
        most = INDOORS_AT_MOST * float(saturation_vapor_pressure_pa(temperature_degc))
        monthly = np.minimum(outside + added, most)
        return RoomClimate(
            temperature_degc=temperature_degc,
            relative_humidity=float(monthly.mean()) / most * INDOORS_AT_MOST,
            southern_hemisphere=self.southern_hemisphere,
            monthly_vapor_pressure_pa=tuple(float(p) for p in monthly),
            monthly_log_sd=INDOORS_LOG_SD,
        )


def read_weather(path: Path) -> Weather:
    """Return the monthly means of a TMY3 or EPW file.

    Raises
    ------
    ImportFileError
        If the file is neither, or a month has less than twenty days of hours.
    """
    try:
        require_file(path)
        with path.open(encoding="utf-8", errors="replace", newline="") as text:
            rows = csv.reader(lines_of(text))
            first = next(rows, [])
            latitude, hours = _epw(first, rows) if first[:1] == ["LOCATION"] else _by_name(first, rows, path)
            months, dry, dew = _columns(hours)
    except OSError as error:
        raise ImportFileError(f"{path} can't be read: {error.strerror or error}") from error
    except csv.Error as error:
        raise ImportFileError(f"{path} can't be read as a table: {error}") from error
    _require_every_month(months, path)
    vapor = np.asarray(
        saturation_vapor_pressure_pa(np.maximum(dew, WATER_RANGE_DEGC[0]))
    )  # dew points are over liquid water
    return Weather(_monthly(months, vapor), _monthly(months, dry), latitude)


_Hours = tuple[float | None, "Iterator[tuple[int, float, float]]"]


def _epw(first: Sequence[str], rows: Iterator[list[str]]) -> _Hours:
    for _ in range(_EPW_HEADINGS - 1):
        next(rows, None)
    return _number_at(first, _EPW_LATITUDE), _picked(rows, _EPW_MONTH, _EPW_DRY_BULB, _EPW_DEW_POINT)


def _by_name(first: Sequence[str], rows: Iterator[list[str]], path: Path) -> _Hours:
    """TMY3 with its line about the site, or a plain table of the same columns."""
    for latitude, names in ((None, first), (_number_at(first, _TMY3_LATITUDE), next(rows, []))):
        lowered = [name.strip().lower() for name in names]
        for wanted in (_TMY3_COLUMNS, _PLAIN_COLUMNS):
            places = [next((i for i, n in enumerate(lowered) if n.startswith(want)), -1) for want in wanted]
            if min(places) >= 0:
                return latitude, _picked(rows, *places)
    raise ImportFileError(
        f"{path} is neither an EPW file (first word LOCATION) nor a TMY3 table with the columns "
        "'Date (MM/DD/YYYY)', 'Dry-bulb (C)' and 'Dew-point (C)'"
    )


def _picked(rows: Iterator[list[str]], month: int, dry: int, dew: int) -> Iterator[tuple[int, float, float]]:
    """Month, temperature and dew point of each hour that tells all three; missing ones are 99.9 by both formats."""
    low, high = _MISSING_RANGE_DEGC
    for row in rows:
        try:
            hour = int(row[month].split("/")[0]), float(row[dry]), float(row[dew])
        except (ValueError, IndexError):
            continue
        if 1 <= hour[0] <= _MONTHS and all(low < value < high for value in hour[1:]):
            yield hour


def _columns(hours: Iterator[tuple[int, float, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    table = np.array(list(hours), dtype=np.float64).reshape(-1, 3)
    return table[:, 0].astype(np.int64), table[:, 1], table[:, 2]


def _require_every_month(months: np.ndarray, path: Path) -> None:
    counts = np.bincount(months, minlength=_MONTHS + 1)[1:]
    if counts.min() < _LEAST_HOURS_A_MONTH:
        short = int(counts.argmin()) + 1
        raise ImportFileError(
            f"{path} has {int(counts.min())} usable hours in month {short}; a typical year has at least "
            f"{_LEAST_HOURS_A_MONTH} in every month"
        )


def _monthly(months: np.ndarray, values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(values[months == month].mean()) for month in range(1, _MONTHS + 1))


def _number_at(row: Sequence[str], place: int) -> float | None:
    try:
        return float(row[place])
    except (ValueError, IndexError):
        return None
