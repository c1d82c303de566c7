"""A weather file of a typical year (TMY3 or EPW) to twelve monthly means of outdoor vapor pressure.

Indoor air carries the vapor of outdoor air plus what people add; the monthly course is a prior of the room's season.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

from monitor.errors import ImportFileError
from monitor.physics.saturation import saturation_vapor_pressure_pa

_EPW_FIRST_DATA_LINE = 8
_EPW_MONTH, _EPW_DEW_POINT = 1, 7
"""Columns of the EPW data records (EnergyPlus auxiliary programs, weather data dictionary)."""
_DEW_RANGE_DEGC = (-45.0, 40.0)
_LEAST_HOURS_A_MONTH = 24 * 20


def monthly_vapor_pressure_pa(path: Path) -> tuple[float, ...]:
    """Return the monthly means of a weather file, January first. [Pa]

    EPW by its extension; any other file as CSV with a date and a dew point column (TMY3's own names, or ours).

    Raises
    ------
    ImportFileError
        If the file can't be read, or a month has fewer than twenty days of hours.
    """
    try:
        rows = _epw(path) if path.suffix.lower() == ".epw" else _table(path)
    except (OSError, ValueError, KeyError, IndexError, StopIteration, UnicodeDecodeError) as error:
        raise ImportFileError(f"{path}: can't be read as a weather file ({type(error).__name__}: {error})") from error
    short = [month for month in range(1, 13) if len(rows.get(month, ())) < _LEAST_HOURS_A_MONTH]
    if short:
        raise ImportFileError(
            f"{path}: month {short[0]} has {len(rows.get(short[0], ()))} hours; a typical year has all"
        )
    return tuple(sum(rows[month]) / len(rows[month]) for month in range(1, 13))


def _epw(path: Path) -> dict[int, list[float]]:
    months: dict[int, list[float]] = defaultdict(list)
    with path.open(encoding="latin-1", newline="") as lines:
        for place, row in enumerate(csv.reader(lines)):
            if place >= _EPW_FIRST_DATA_LINE:
                _keep(months, int(row[_EPW_MONTH]), float(row[_EPW_DEW_POINT]))
    return months


def _table(path: Path) -> dict[int, list[float]]:
    """TMY3: a station line, then a heading; ours: the heading at once."""
    with path.open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        heading = next(reader)
        if not any("date" in name.lower() for name in heading):
            heading = next(reader)
        names = [name.lower() for name in heading]
        date = next(i for i, name in enumerate(names) if name.startswith("date"))
        dew = next(i for i, name in enumerate(names) if name.startswith(("dew-point (c)", "td_c", "dew_point")))
        months: dict[int, list[float]] = defaultdict(list)
        for row in reader:
            _keep(months, int(row[date].split("/")[0]), float(row[dew]))
    return months


def _keep(months: dict[int, list[float]], month: int, dew_degc: float) -> None:
    """Dew points are over liquid water in these files; a missing one is coded far out of range."""
    if _DEW_RANGE_DEGC[0] <= dew_degc <= _DEW_RANGE_DEGC[1]:
        months[month].append(float(saturation_vapor_pressure_pa(dew_degc)))
