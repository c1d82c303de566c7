"""Readings reduced to one robust value an hour, on an even grid of hours."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import ReadingSeries
from monitor.series.hourly_values import HOUR_S, hourly_values
from monitor.series.sensor_faults import (
    COARSEST_STEP_DEGC,
    display_step,
    hung,
)

_SAME_HOUR = 1e-9
"""An instant this near a full hour is that hour. [h] Judgement: more than a double rounds hours since 1970 by,
6e-11."""


@dataclass(frozen=True, eq=False)
class Hours:
    """One value an hour; NaN where nothing usable came in."""

    first_hour: int
    """Hours since 1970-01-01 UTC."""
    temperature_degc: FloatArray
    """(hours) [°C]"""
    relative_humidity: FloatArray
    """(hours) [fraction of saturation]"""
    step_degc: float | None = None
    """Step of the thermometer's display, where readings show it; means of hours hide it. [K]"""

    def __len__(self) -> int:
        """Return how many hours there are, seen or not."""
        return len(self.temperature_degc)

    @property
    def end_s(self) -> float:
        """End of the last hour. [s since 1970 UTC]"""
        return (self.first_hour + len(self)) * HOUR_S

    def between(self, start_s: float, end_s: float) -> Hours:
        """Return the whole hours of a span, padded with nothing where it sticks out.

        Parameters
        ----------
        start_s, end_s : float
            The span. [s since 1970 UTC]

        Returns
        -------
        Hours
            From the first to the last whole one; none where no whole one fits.
        """
        first, last = int(np.ceil(start_s / HOUR_S - _SAME_HOUR)), int(np.floor(end_s / HOUR_S + _SAME_HOUR))
        count = max(last - first, 0)
        out = np.full((2, count), np.nan)
        low, high = max(first, self.first_hour), min(last, self.first_hour + len(self))
        if high > low:
            here, there = slice(low - first, high - first), slice(low - self.first_hour, high - self.first_hour)
            out[0, here], out[1, here] = self.temperature_degc[there], self.relative_humidity[there]
        return Hours(first, out[0], out[1], self.step_degc)

    def before(self, now_s: float, room: Hours | None = None) -> Hours:
        """Return the whole hours that ended before an instant, hung ones blanked out.

        Parameters
        ----------
        now_s : float
            The instant. [s since 1970 UTC]
        room : Hours, optional
            Of the room: a sensor that stands still while its room moved is hung.

        Returns
        -------
        Hours
            A copy.
        """
        hours = self._until(now_s)
        known = np.flatnonzero(np.isfinite(hours.temperature_degc) & np.isfinite(hours.relative_humidity))
        there = None if room is None else _temperatures_until(room, now_s)
        at_s, degc = hours.middles_s[known], hours.temperature_degc[known]
        bad = known[hung(at_s, degc, hours.relative_humidity[known], there, self.step_degc)]
        hours.temperature_degc[bad] = hours.relative_humidity[bad] = np.nan
        return hours

    def _until(self, now_s: float) -> Hours:
        return self.between(self.first_hour * HOUR_S, min(now_s, self.end_s))

    @property
    def middles_s(self) -> FloatArray:
        """Middle of each. (hours) [s since 1970 UTC]"""
        return np.asarray((self.first_hour + np.arange(len(self), dtype=float) + 0.5) * HOUR_S)

    @property
    def temperatures(self) -> tuple[FloatArray, FloatArray]:
        """Instants and temperatures of the hours that are known. (those hours) [s since 1970 UTC], [°C]"""
        known = np.isfinite(self.temperature_degc)
        return self.middles_s[known], self.temperature_degc[known]

    @property
    def vapor_pressure_kpa(self) -> FloatArray:
        """NaN where nothing was seen. (hours) [kPa]"""
        saturation = np.full(len(self), np.nan)
        known = np.isfinite(self.temperature_degc)
        saturation[known] = saturation_vapor_pressure_pa(self.temperature_degc[known])
        return saturation * self.relative_humidity / 1e3


@lru_cache(maxsize=4)  # rooms, a count; judgement: a shelf has few
def _temperatures_until(room: Hours, now_s: float) -> tuple[FloatArray, FloatArray]:
    """Of the hours that ended before an instant; kept for the next box of the room."""
    return room._until(now_s).temperatures


def reduce_to_hours(series: ReadingSeries) -> Hours:
    """Return a robust mean of each hour: of the readings near its median.

    Parameters
    ----------
    series : ReadingSeries
        Of one sensor, in any order.

    Returns
    -------
    Hours
        From the first hour with a usable reading to the last.
    """
    hour, t, rh = hourly_values(series)
    if hour.size == 0:
        return Hours(0, np.empty(0), np.empty(0))
    first = int(hour[0])
    out = np.full((2, int(hour[-1]) - first + 1), np.nan)
    out[0, hour - first], out[1, hour - first] = t, rh
    return Hours(first, out[0], out[1], display_step(t, COARSEST_STEP_DEGC))
