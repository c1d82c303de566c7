"""The last fit of each box, so that a box to which hours were only added is updated and not fitted again.

What is stored moves on once a day. Within a day every update starts from the same stored posterior, so that hours of
one day are one piece of evidence, however often somebody asks.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from threading import Lock
from typing import Any

import numpy as np

from monitor.inference.evidence.bins import DAY_S
from monitor.inference.evidence.episodes import BETWEEN_LEVELS_HOURS, LEVEL_HOURS, find_steps
from monitor.inference.fit.fit import refreshed
from monitor.inference.fit.pooling import LeakObservation, finite_only
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.shelf.first_fit import (
    BoxInput,
    FirstFit,
    Room,
)
from monitor.records import Box, LedgerEntry, ReadingSeries, RoomClimate
from monitor.series.hourly_values import HOUR_S

FITTED_FOR_DAYS = 7.0
"""After so long all is fitted again: for what other boxes added to the pool, and for slow changes. [days]
Judgement."""
LEAST_EFFECTIVE_DRAWS = 150.0
"""Fewer effective draws leave quantiles to chance. [draws] Judgement: a 5 % point then rests on seven."""
_MOST_WANDER = 0.12
"""A conductance that moved so far since the fit may have a change point, which only a fit finds. [ln conductance]
Judgement: an eighth, as much as the model itself may be off by (``fit.posterior.MODEL_SD``)."""
_RECENT_DAYS = 14.0
"""Readings from so long before the last update are searched for steps again. [days] Judgement: the usual rise of a box
is known from them."""
_STEP_SHOWS_AFTER_S = (LEVEL_HOURS + BETWEEN_LEVELS_HOURS) * HOUR_S
"""A step shows when its later level is complete. [s]"""
_SAME_STEP_S = LEVEL_HOURS * HOUR_S
"""Two steps found so near are one. [s]"""

_log = logging.getLogger(__name__)


class RefitReason(StrEnum):
    """Why a box is fitted again."""

    first = "no earlier fit"
    backward = "asked for an earlier instant"
    declared = "something declared or logged changed"
    readings = "readings from before the last update changed"
    week = "a week has passed since the last fit"
    step = "a lasting step of humidity"
    draws = "too few effective draws"
    wandered = "the leak is not what it was"
    failed = "the last posterior can't be updated"


_Checksum = tuple[int, float, float, float, int]
"""Number of readings and the sums of their columns: a late or newly marked reading changes them."""


@dataclass(frozen=True, eq=False)
class _Remembered:
    """The last fit of a box, and what it rests on."""

    declared: tuple[Box, RoomClimate | None, tuple[LedgerEntry, ...]]
    checksums: tuple[_Checksum, _Checksum | None]
    """Of the readings of the box and its room, up to the posterior."""
    steps_s: tuple[float, ...]
    """When humidity took lasting steps in the recent readings."""
    first: FirstFit
    style_leak: tuple[float, float] | None
    """What boxes of its style say of its leak."""
    posterior: Posterior
    fitted_at_s: float
    wander: float
    """Mean wander of the conductance as it was fitted."""


@dataclass(frozen=True, eq=False)
class LastFit:
    """The last fit of a box with its recent readings: all that an update needs."""

    box_input: BoxInput
    """Its history, with the recent readings only."""
    steps_s: tuple[float, ...]
    """Lasting steps of humidity in the recent readings, as known at the last update. [s since 1970 UTC]"""
    first: FirstFit
    """Its first fit."""
    style_leak: tuple[float, float] | None
    """Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]"""
    posterior: Posterior
    """Of the last update."""
    wander: float
    """Mean wander of ln conductance as it was fitted. [1]"""

    def updated(self, rooms: Sequence[Room], now_s: float) -> Posterior | RefitReason:
        """Return the posterior of now, or why that needs a fit.

        Parameters
        ----------
        rooms : sequence of Room
            Of the shelf.
        now_s : float
            [s since 1970 UTC]

        Returns
        -------
        Posterior or RefitReason
            A reason also where the update failed, which is logged.
        """
        try:
            return self._updated(rooms, now_s)
        except Exception:
            _log.exception("box %s can't be updated from the last fit, and is fitted again", self.box_input.name)
            return RefitReason.failed

    def _updated(self, rooms: Sequence[Room], now_s: float) -> Posterior | RefitReason:
        record, fitted_s = self.box_input.bare_record(rooms), self.posterior.now_s
        for at_s in _steps_s(record, now_s):
            if at_s > fitted_s - _STEP_SHOWS_AFTER_S and not any(abs(at_s - s) < _SAME_STEP_S for s in self.steps_s):
                return RefitReason.step
        now = refreshed(self.posterior, record, now_s)
        if now.effective_draws < LEAST_EFFECTIVE_DRAWS:
            return RefitReason.draws
        return RefitReason.wandered if abs(_mean_wander(now) - self.wander) > _MOST_WANDER else now


class Memory:
    """Holds the last fit of every box of a shelf; give the same one to every call of ``outlooks``."""

    def __init__(self) -> None:
        self.lock = Lock()
        """Held during a call: a page may ask 'what if' while another thread asks for outlooks."""
        self._known: dict[str, _Remembered] = {}
        self.refits: dict[str, RefitReason] = {}
        """Which boxes the last call fitted again, and why."""

    def last_fits(self, boxes: Sequence[BoxInput], rooms: Sequence[Room], now_s: float) -> list[LastFit | None]:
        """Return the last fit of each box; None where it must be fitted again.

        Boxes not asked for are forgotten.

        Parameters
        ----------
        boxes : sequence of BoxInput
            All that are asked for.
        rooms : sequence of Room
            Of the shelf.
        now_s : float
            [s since 1970 UTC]

        Returns
        -------
        list of LastFit or None
            In the order of the boxes.
        """
        self.refits = {}
        self._known = {one.name: self._known[one.name] for one in boxes if one.name in self._known}
        return [self._last_fit(one, rooms, now_s) for one in boxes]

    def leak_observations(self) -> tuple[LeakObservation, ...]:
        """Return the leak observations of the boxes that are only updated, as of their fits."""
        known = (known for name, known in self._known.items() if name not in self.refits)
        return tuple(finite_only(s for one in known for s in one.first.observations))

    def take_update(self, box_input: BoxInput, rooms: Sequence[Room], now: Posterior | RefitReason) -> bool:
        """Note the update of a box; once a day it becomes what later updates start from.

        Parameters
        ----------
        box_input : BoxInput
            With all its readings.
        rooms : sequence of Room
            Of the shelf.
        now : Posterior or RefitReason
            The updated posterior, or why there is none.

        Returns
        -------
        bool
            False where the box must be fitted again.
        """
        if isinstance(now, RefitReason):
            self.refits[box_input.name] = now
            return False
        known = self._known[box_input.name]
        if now.now_s - known.posterior.now_s >= DAY_S:
            self._known[box_input.name] = replace(known, **_of_readings(box_input, rooms, now.now_s), posterior=now)
        return True

    def remember(
        self,
        box_input: BoxInput,
        rooms: Sequence[Room],
        first: FirstFit,
        style_leak: tuple[float, float] | None,
        fitted: Posterior,
    ) -> None:
        """Store the fit of a box.

        Parameters
        ----------
        box_input : BoxInput
            With all its readings.
        rooms : sequence of Room
            Of the shelf.
        first : FirstFit
            Its first fit.
        style_leak : (float, float) or None
            Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]
        fitted : Posterior
            Its posterior under the pooled prior.
        """
        self._known[box_input.name] = _Remembered(
            declared=_declared(box_input),
            **_of_readings(box_input, rooms, fitted.now_s),
            first=replace(first, posterior=None),
            style_leak=style_leak,
            posterior=fitted,
            fitted_at_s=fitted.now_s,
            wander=_mean_wander(fitted),
        )

    def _last_fit(self, box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> LastFit | None:
        known = self._known.get(box_input.name)
        reason = RefitReason.first if known is None else _changed(known, box_input, rooms, now_s)
        if known is None or reason is not None:
            self.refits[box_input.name] = reason or RefitReason.first
            return None
        return LastFit(
            _with_recent_readings(box_input, known.posterior.now_s),
            known.steps_s,
            known.first,
            known.style_leak,
            known.posterior,
            known.wander,
        )


def _changed(known: _Remembered, box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> RefitReason | None:
    """Why the last fit can't be updated, whatever came since; None where it can."""
    if now_s < known.posterior.now_s:
        return RefitReason.backward
    if known.declared != _declared(box_input):
        return RefitReason.declared
    if now_s - known.fitted_at_s > FITTED_FOR_DAYS * DAY_S:
        return RefitReason.week
    return RefitReason.readings if known.checksums != _checksums(box_input, rooms, known.posterior.now_s) else None


def _declared(box_input: BoxInput) -> tuple[Box, RoomClimate | None, tuple[LedgerEntry, ...]]:
    return box_input.history.box, box_input.history.room_climate, box_input.history.entries


def _mean_wander(posterior: Posterior) -> float:
    return float(np.mean(posterior.filtered.wander))


def _checksums(box_input: BoxInput, rooms: Sequence[Room], before_s: float) -> tuple[_Checksum, _Checksum | None]:
    inside = _checksum_of(box_input.history.readings, before_s)
    return inside, None if box_input.room is None else _checksum_of(rooms[box_input.room].series, before_s)


def _checksum_of(series: ReadingSeries, before_s: float) -> _Checksum:
    count = int(np.searchsorted(series.at_s, before_s))
    columns = (series.at_s, series.temperature_degc, series.relative_humidity)
    sums = [float(column[:count].sum()) for column in columns]
    return count, sums[0], sums[1], sums[2], int(series.marks[:count].sum(dtype=np.int64))


def _of_readings(box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> dict[str, Any]:
    """Checksums and steps of the readings up to an instant."""
    steps_s = _steps_s(_with_recent_readings(box_input, now_s).bare_record(rooms), now_s)
    return {"checksums": _checksums(box_input, rooms, now_s), "steps_s": steps_s}


def _with_recent_readings(box_input: BoxInput, fitted_s: float) -> BoxInput:
    """The same box, with its readings from some days before the last update on."""
    series = box_input.history.readings
    recent = slice(int(np.searchsorted(series.at_s, fitted_s - _RECENT_DAYS * DAY_S)), None)
    cut = replace(
        series,
        at_s=series.at_s[recent],
        temperature_degc=series.temperature_degc[recent],
        relative_humidity=series.relative_humidity[recent],
        marks=series.marks[recent],
    )
    return replace(box_input, history=replace(box_input.history, readings=cut))


def _steps_s(record: Record, now_s: float) -> tuple[float, ...]:
    hours = record.hours.before(now_s, record.room)
    return tuple(step.at_s for step in find_steps(hours, record.box.sensor.resolution))
