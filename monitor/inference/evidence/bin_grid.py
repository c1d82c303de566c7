"""Where the bins of an episode begin and end: fine at first where that informs most, coarse where it is long ago."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.hours import Hours
from monitor.physics.numerics import FloatArray
from monitor.series.hourly_values import HOUR_S
from monitor.units import SECONDS_PER_DAY

DAY_S = SECONDS_PER_DAY
_FIRST_DAYS, _FIRST_WIDTH_DAYS = 2.0, 1.0 / 12.0
"""A box closed without beads comes halfway to its room in hours: its first days inform most, and their bins are fine.
[days]

Where it is not known when it was closed, and on what, the first reading is none of these hours. Judgement: at one air
change a day half-time is 17 hours (ln 2 / n), so two-hour bins follow it, and two days have most of the information.
"""
_YOUNG_DAYS, _YOUNG_WIDTH_DAYS = 6.0, 0.5
"""An episode up to this age is cut into half days. [days] Judgement: twelve bins are the least a course needs."""
_DAILY_DAYS, _TWO_DAILY_DAYS = 30.0, 90.0
"""Before now: daily bins up to the first age, coarser ones up to the second, and the coarsest beyond. [days] Judgement:
the newest show the present; coarser bins of steady months cost little and save half the work."""
_OLDER_WIDTHS_DAYS = 2.0, 5.0
"""Widths of the bins beyond each of these ages. [days] Judgement: weather of days evens out in them."""
_LEAST_FIRST_BIN_DAYS = 0.3
"""A shorter rest at the start of an episode joins the bin after it. [days] Judgement: too few hours to mean
anything."""


@dataclass(frozen=True, eq=False)
class BinGrid:
    """Where the bins of an episode begin and end."""

    edges_days: FloatArray
    """Days before now, negative, up to 0. (bins + 1) [days]"""
    now_s: float
    """[s since 1970 UTC]"""

    def __len__(self) -> int:
        """Return how many bins there are."""
        return len(self.edges_days) - 1

    @property
    def start_s(self) -> float:
        """When the first bin begins. [s since 1970 UTC]"""
        return float(self.now_s + self.edges_days[0] * DAY_S)

    @property
    def length_days(self) -> float:
        """Of all bins. [days]"""
        return float(-self.edges_days[0])

    def bin_at(self, at_s: float) -> int:
        """Return the bin of an instant.

        Parameters
        ----------
        at_s : float
            [s since 1970 UTC]

        Returns
        -------
        int
            Below 0 or past the last where it lies outside.
        """
        return int(np.searchsorted(self.edges_days, (at_s - self.now_s) / DAY_S, side="right") - 1)

    def bins_of(self, hours: Hours) -> NDArray[np.intp]:
        """Return the bin of the middle of each hour.

        Parameters
        ----------
        hours : Hours
            Of one sensor, within the bins.

        Returns
        -------
        ndarray, hours
            Numbers of bins. [count]
        """
        middle_days = (hour_ends(hours) - HOUR_S / 2 - self.now_s) / DAY_S
        inside = np.searchsorted(self.edges_days, middle_days, side="right") - 1
        return np.asarray(np.clip(inside, 0, len(self) - 1))

    def counts(self, times_s: list[float]) -> FloatArray:
        """Return how many instants lie in each bin.

        Parameters
        ----------
        times_s : list of float
            [s since 1970 UTC]

        Returns
        -------
        ndarray, bins
            [count]
        """
        if not times_s:
            return np.zeros(len(self))
        days = [(at_s - self.now_s) / DAY_S for at_s in times_s]
        return np.asarray(np.histogram(days, bins=self.edges_days)[0], dtype=np.float64)


def bin_grid(start_s: float, now_s: float, earlier_days: float, *, fine_at_first: bool) -> BinGrid:
    """Return the bins from an instant to now.

    Parameters
    ----------
    start_s : float
        Where they begin. [s since 1970 UTC]
    now_s : float
        Where they end. [s since 1970 UTC]
    earlier_days : float
        The episode is so much longer, in bins that are there already. [days]
    fine_at_first : bool
        Whether its first days inform most, as of a box closed without beads.

    Returns
    -------
    BinGrid
        From half days to five, or two hours at first.
    """
    length_days = (now_s - start_s) / DAY_S
    edges = _edges(length_days, length_days + earlier_days)
    return BinGrid(_finer_at_first(edges) if fine_at_first else edges, now_s)


def _edges(length_days: float, closed_days: float) -> FloatArray:
    """Half-day bins for a young episode, daily ones for thirty days back, two and five days before."""
    if closed_days <= _YOUNG_DAYS:
        widths = np.full(int(np.ceil(length_days / _YOUNG_WIDTH_DAYS)), _YOUNG_WIDTH_DAYS)
    else:
        older = max(min(length_days, _TWO_DAILY_DAYS) - _DAILY_DAYS, 0.0), max(length_days - _TWO_DAILY_DAYS, 0.0)
        widths = np.concatenate(
            [np.ones(int(np.ceil(min(length_days, _DAILY_DAYS))))]
            + [
                np.full(int(np.ceil(span / width)), width)
                for span, width in zip(older, _OLDER_WIDTHS_DAYS, strict=True)
            ]
        )
    edges = -np.concatenate(((0.0,), np.cumsum(widths)))[::-1]
    edges = edges[edges > -length_days]
    if len(edges) > 1 and edges[0] + length_days < _LEAST_FIRST_BIN_DAYS:
        edges = edges[1:]
    return np.concatenate(((-length_days,), edges))


def _finer_at_first(edges: FloatArray) -> FloatArray:
    fine = edges[0] + np.arange(0.0, min(_FIRST_DAYS, -float(edges[0])), _FIRST_WIDTH_DAYS)
    return np.asarray(np.r_[fine, edges[edges > fine[-1] + 0.5 * _FIRST_WIDTH_DAYS]])


def hour_ends(hours: Hours) -> FloatArray:
    """Return when each hour ends.

    Parameters
    ----------
    hours : Hours
        Of one sensor.

    Returns
    -------
    ndarray, hours
        [s since 1970 UTC]
    """
    return np.asarray((hours.first_hour + np.arange(len(hours), dtype=float) + 1.0) * HOUR_S)
