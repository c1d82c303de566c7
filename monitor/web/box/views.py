"""Three ways of looking at the same air: relative humidity, vapor pressure, grams of water in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from monitor.physics import calculators
from monitor.units import HOURS_PER_DAY, PA_PER_KPA
from monitor.web.box.course import thinned

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, FanDay, ReadingSeries
    from monitor.web.box.course import Thinned

    Column = NDArray[np.float64]

FAN_DAYS = 90  # judgement: a season; beyond it the interval fills the chart
_PCT = 100.0  # by definition


class View(StrEnum):
    """What the chart shows of the air."""

    humidity = "humidity"
    vapor = "vapor"
    absolute = "absolute"

    @property
    def unit(self) -> str:
        """Return the unit of its numbers."""
        return {"humidity": "%", "vapor": "kPa", "absolute": "g/m³"}[self.value]

    @property
    def decimals(self) -> int:
        """Return to how many places its numbers are said."""
        return {"humidity": 1, "vapor": 3, "absolute": 2}[self.value]  # digits; judgement: as fine as a good sensor

    def of(self, series: Thinned) -> Column:
        """Return the numbers of what was seen."""
        return {
            "humidity": series.humidity_pct,
            "vapor": series.vapor_kpa,
            "absolute": series.absolute_g_per_m3,
        }[self.value]

    def of_readings(self, series: ReadingSeries) -> Column:
        """Return the numbers of single readings."""
        return self.of_air(series.temperature_degc, np.clip(series.relative_humidity, 0.0, 1.0))

    def of_air(self, temperature_degc: Column, relative_humidity: Column | float) -> Column:
        """Return the numbers of some air."""
        humidity = np.broadcast_to(relative_humidity, temperature_degc.shape)
        if self is View.humidity:
            return _PCT * humidity
        air = calculators.moisture(temperature_degc, humidity)
        return air["vapor_kpa" if self is View.vapor else "absolute_g_per_m3"]


def limit_along(view: View, limit: float, history: ReadingSeries, at_s: Column) -> Column:
    """Return a humidity limit in a view at some instants, at the temperature of their days: hours only flutter."""
    days = thinned(history, HOURS_PER_DAY)
    if not len(days.at_s):
        return np.full(len(at_s), np.nan)
    return view.of_air(np.interp(at_s, days.at_s, days.temperature_degc), limit)


@dataclass(frozen=True, slots=True, eq=False)
class Fan:
    """What is expected of a box, day by day from the first whole day on."""

    at: tuple[datetime, ...]
    """Noon of each day."""
    points: Column
    """The 5, 25, 50, 75 and 95 % points. (5 × days)"""
    limit: Column
    """The humidity limit in the same unit, at the temperature that is expected. (days)"""

    def __len__(self) -> int:
        return len(self.at)


def noon(on: date, zone: ZoneInfo) -> datetime:
    """Return the middle of a person's day."""
    return datetime(on.year, on.month, on.day, 12, tzinfo=zone)  # hour: noon, by definition


def fan_of(view: View, answer: Assessment, words: Wording) -> Fan | None:
    """Return the fan in a view; None without a forecast, or where it does not tell the vapor."""
    days = answer.forecast.fan[:FAN_DAYS] if answer.forecast else ()
    here = [place for place, day in enumerate(days) if noon(day.on, words.zone) > answer.as_of]
    if not here:
        return None
    limit = answer.box.humidity_limit
    at = tuple(noon(days[place].on, words.zone) for place in here)
    if view is View.humidity:
        points = _PCT * np.array([_humidity(days[place]) for place in here]).T
        return Fan(at, points, np.full(len(at), _PCT * limit))
    vapor = answer.forecast.vapor_fan if answer.forecast else None
    if vapor is None:
        return None
    kpa = np.array((vapor.p05_kpa, vapor.p25_kpa, vapor.p50_kpa, vapor.p75_kpa, vapor.p95_kpa))[:, here]
    degc = np.array(vapor.temperature_degc)[here]
    points = kpa if view is View.vapor else calculators.absolute_g_per_m3(degc, PA_PER_KPA * kpa)
    return Fan(at, points, view.of_air(degc, limit))


def _humidity(day: FanDay) -> tuple[float, ...]:
    all_of_it = day.relative_humidity
    quarter, three = day.quartiles or (np.nan, np.nan)
    return all_of_it.p05, quarter, all_of_it.p50, three, all_of_it.p95
