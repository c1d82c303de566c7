"""Rooms that boxes stand in: measured ones, and ones made of the outdoor air of a typical year."""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa

HOURS_A_YEAR = 8760
_HERE = Path(__file__).resolve().parent / "rooms"
_TYPICAL_YEAR_BEGINS = datetime(2025, 1, 1, tzinfo=UTC)  # of a typical year no date is known; any that is no leap year
_HEATED_TO_DEGC, _WARMEST_DEGC = (19.0, 22.0), (24.0, 28.0)
_INDOORS_KPA = (0.10, 0.35)  # what people, plants and cooking add
_COOLED_TO_SHARE = (0.55, 0.75)  # a room is never moister: windows, air conditioning
_WALLS_HOURS, _AIR_HOURS = 36.0, 8.0  # how slowly warmth and moisture of the outdoor air come in


@dataclass(frozen=True)
class Room:
    """A room hour by hour."""

    name: str
    start: datetime
    vapor_kpa: FloatArray
    degc: FloatArray


@cache
def _columns(path: Path) -> dict[str, list[str]]:
    with gzip.open(path, "rt", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    return {name: [row[name] for row in rows] for name in rows[0]}


def files(more: Path | None = None) -> list[Path]:
    """Return the records there are, those of another folder too."""
    return sorted([*_HERE.glob("*.csv.gz"), *(more.glob("*.csv.gz") if more else ())])


def room(path: Path, hours: int, rng: np.random.Generator) -> Room:
    """Return so many hours of a room, from an hour drawn at random on."""
    columns = _columns(path)
    if "outdoor_dew_point_c" in columns:
        return _made_of_outdoor_air(path, columns, hours, rng)
    return _measured(path, columns, hours, rng)


def _measured(path: Path, columns: dict[str, list[str]], hours: int, rng: np.random.Generator) -> Room:
    at = [datetime.strptime(one, "%Y-%m-%dT%H:%MZ").replace(tzinfo=UTC) for one in columns["utc_hour"]]
    whole = (at[-1] - at[0]) // timedelta(hours=1)
    if whole < hours:
        raise SystemExit(f"{path} holds {whole} hours; {hours} are needed")
    first = int(rng.integers(whole - hours + 1))
    known = np.array([(one - at[0]) / timedelta(hours=1) for one in at])
    wanted = np.arange(first, first + hours, dtype=float)
    degc = np.interp(wanted, known, np.array(columns["temperature_c"], float))
    humidity = np.interp(wanted, known, np.array(columns["rh_pct"], float) / 100.0)
    return Room(_name(path), at[0] + timedelta(hours=first), humidity * _saturation_kpa(degc), degc)


def _made_of_outdoor_air(path: Path, columns: dict[str, list[str]], hours: int, rng: np.random.Generator) -> Room:
    """Heated to a level, cooled by what the walls hold; the vapor of the outdoor air and what people add."""
    first = int(rng.integers(HOURS_A_YEAR))
    wanted = (first + np.arange(hours)) % HOURS_A_YEAR
    outdoor_degc = np.array(columns["outdoor_temperature_c"], float)[wanted]
    outdoor_kpa = _saturation_kpa(np.array(columns["outdoor_dew_point_c"], float))[wanted]
    heated, warmest = rng.uniform(*_HEATED_TO_DEGC), rng.uniform(*_WARMEST_DEGC)
    degc = np.clip(_slowly(outdoor_degc, _WALLS_HOURS) + 1.0, heated, warmest)
    degc = degc + 0.5 * np.sin(2.0 * np.pi * (np.arange(hours) - 9.0) / 24.0)
    kpa = _slowly(outdoor_kpa, _AIR_HOURS) + rng.uniform(*_INDOORS_KPA)
    kpa = np.minimum(kpa, rng.uniform(*_COOLED_TO_SHARE) * _saturation_kpa(degc))
    return Room(_name(path), _TYPICAL_YEAR_BEGINS + timedelta(hours=first), kpa, degc)


def _slowly(values: FloatArray, hours: float) -> FloatArray:
    """Return what follows these values with a lag."""
    out, now, share = np.empty_like(values), float(values[0]), -np.expm1(-1.0 / hours)
    for k, value in enumerate(values.tolist()):
        now += share * (value - now)
        out[k] = now
    return out


def _saturation_kpa(degc: FloatArray) -> FloatArray:
    return np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3


def _name(path: Path) -> str:
    return path.name.removesuffix(".csv.gz")
