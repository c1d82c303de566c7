"""What was believed at the last look, so that a box to which hours were only added is carried on and not fitted anew.

A look between two nights starts from the night before: hours of one day are one piece of evidence, however often
somebody looks.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from threading import Lock
from typing import Any

import numpy as np

from monitor.hourly_values import HOUR_S
from monitor.inference.episodes import find_steps
from monitor.inference.pooling import Sighting, fit_to_teach
from monitor.inference.posterior.believed import Posterior, Record
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.fit import refreshed
from monitor.inference.together.looks import Looked, Room, Told
from monitor.records import Box, LedgerEntry, ReadingSeries, RoomClimate

FITTED_FOR_DAYS = 7.0
"""After so long all is weighed anew: what other boxes taught meanwhile, and changes that come on slowly."""
LEAST_LEFT = 150.0
"""Fewer draws leave quantiles to chance."""
_WANDERED = 0.12
"""A conductance that moved so far since the fit may have changed for good: a fit looks for the day."""
_LOOKED_BACK_DAYS = 14.0
_STEP_SHOWS_AFTER_S, _SAME_STEP_S = 15 * HOUR_S, 12 * HOUR_S

_log = logging.getLogger(__name__)


class Anew(StrEnum):
    """Why a box is fitted anew."""

    first = "not looked at before"
    backward = "asked for an earlier instant"
    declared = "something declared or logged changed"
    readings = "readings from before the last look changed"
    week = "a week has passed since the last fit"
    step = "a lasting step of humidity"
    draws = "too few draws are left"
    wandered = "the leak is not what it was"
    failed = "what was believed can't be carried on"


_Print = tuple[int, float, float, float, int]
"""What readings add up to, their number and the sums of their columns: no late or marked row leaves that as it was."""


@dataclass(frozen=True, eq=False)
class _Known:
    """A box as it was last looked at."""

    declared: tuple[Box, RoomClimate | None, tuple[LedgerEntry, ...]]
    prints: tuple[_Print, _Print | None]
    """Of the box's readings and its room's, before what is believed."""
    steps_s: tuple[float, ...]
    """When humidity lately took lasting steps."""
    looked: Looked
    kind: tuple[float, float] | None
    """What boxes of its style said of its leak."""
    believed: Posterior
    fitted_at_s: float
    wander: float
    """Mean wander of the conductance as it was fitted."""


@dataclass(frozen=True, eq=False)
class Night:
    """A box to be carried on: what was believed of it, and its readings of late."""

    told: Told
    """Its history, the readings of late only."""
    steps_s: tuple[float, ...]
    """When humidity lately took lasting steps, as far as known at the last look. [s since 1970 UTC]"""
    looked: Looked
    """As it was fitted."""
    kind: tuple[float, float] | None
    """Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]"""
    believed: Posterior
    """Posterior of the last look."""
    wander: float
    """Mean wander of ln conductance as it was fitted. [1]"""

    def carried_on(self, rooms: Sequence[Room], now_s: float) -> Posterior | Anew:
        """Return the posterior of now, or why that takes a fit.

        Parameters
        ----------
        rooms : sequence of Room
            Of the shelf.
        now_s : float
            [s since 1970 UTC]

        Returns
        -------
        Posterior or Anew
            Anew also where carrying on failed, which is logged.
        """
        try:
            return self._carried_on(rooms, now_s)
        except Exception:
            _log.exception("box %s can't be carried on from the last look, and is fitted anew", self.told.name)
            return Anew.failed

    def _carried_on(self, rooms: Sequence[Room], now_s: float) -> Posterior | Anew:
        record, night_s = self.told.bare_record(rooms), self.believed.now_s
        for at_s in _steps_s(record, now_s):
            if at_s > night_s - _STEP_SHOWS_AFTER_S and not any(abs(at_s - s) < _SAME_STEP_S for s in self.steps_s):
                return Anew.step
        now = refreshed(self.believed, record, now_s)
        if now.left < LEAST_LEFT:
            return Anew.draws
        return Anew.wandered if abs(_wander(now) - self.wander) > _WANDERED else now


class Memory:
    """Remembers every box of a shelf from one look to the next; hand the same one to every look."""

    def __init__(self) -> None:
        self.one_at_a_time = Lock()
        """Held during a look: a page may ask 'what if' while another thread looks."""
        self._known: dict[str, _Known] = {}
        self.anew: dict[str, Anew] = {}
        """Which boxes the last look fitted anew, and why."""

    def nights(self, boxes: Sequence[Told], rooms: Sequence[Room], now_s: float) -> list[Night | None]:
        """Return for each box what it can be carried on from; None where it must be fitted anew.

        Boxes not asked for are forgotten.

        Parameters
        ----------
        boxes : sequence of Told
            All that are asked for.
        rooms : sequence of Room
            Of the shelf.
        now_s : float
            [s since 1970 UTC]

        Returns
        -------
        list of Night or None
            In the order of the boxes.
        """
        self.anew = {}
        self._known = {one.name: self._known[one.name] for one in boxes if one.name in self._known}
        return [self._night(one, rooms, now_s) for one in boxes]

    def told_by_others(self) -> tuple[Sighting, ...]:
        """Return what the boxes that are carried on told of their leak when they were fitted."""
        known = (known for name, known in self._known.items() if name not in self.anew)
        return tuple(fit_to_teach(s for one in known for s in one.looked.sightings))

    def carried(self, told: Told, rooms: Sequence[Room], now: Posterior | Anew) -> bool:
        """Take note of a box that was carried on: after a day it is carried on from there.

        Parameters
        ----------
        told : Told
            With all its readings.
        rooms : sequence of Room
            Of the shelf.
        now : Posterior or Anew
            What came of it.

        Returns
        -------
        bool
            False where it was not carried on.
        """
        if isinstance(now, Anew):
            self.anew[told.name] = now
            return False
        known = self._known[told.name]
        if now.now_s - known.believed.now_s >= DAY_S:
            self._known[told.name] = replace(known, **_of_readings(told, rooms, now.now_s), believed=now)
        return True

    def keep(
        self, told: Told, rooms: Sequence[Room], looked: Looked, kind: tuple[float, float] | None, fitted: Posterior
    ) -> None:
        """Remember a box as it was fitted.

        Parameters
        ----------
        told : Told
            With all its readings.
        rooms : sequence of Room
            Of the shelf.
        looked : Looked
            Its first look.
        kind : (float, float) or None
            Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]
        fitted : Posterior
            What came of it.
        """
        self._known[told.name] = _Known(
            declared=_declared(told),
            **_of_readings(told, rooms, fitted.now_s),
            looked=replace(looked, first=None),
            kind=kind,
            believed=fitted,
            fitted_at_s=fitted.now_s,
            wander=_wander(fitted),
        )

    def _night(self, told: Told, rooms: Sequence[Room], now_s: float) -> Night | None:
        known = self._known.get(told.name)
        reason = Anew.first if known is None else _changed(known, told, rooms, now_s)
        if known is None or reason is not None:
            self.anew[told.name] = reason or Anew.first
            return None
        return Night(
            _lately(told, known.believed.now_s), known.steps_s, known.looked, known.kind, known.believed, known.wander
        )


def _changed(known: _Known, told: Told, rooms: Sequence[Room], now_s: float) -> Anew | None:
    """Why what was believed holds no longer, whatever came since; None where it does."""
    if now_s < known.believed.now_s:
        return Anew.backward
    if known.declared != _declared(told):
        return Anew.declared
    if now_s - known.fitted_at_s > FITTED_FOR_DAYS * DAY_S:
        return Anew.week
    return Anew.readings if known.prints != _prints(told, rooms, known.believed.now_s) else None


def _declared(told: Told) -> tuple[Box, RoomClimate | None, tuple[LedgerEntry, ...]]:
    return told.history.box, told.history.room_climate, told.history.entries


def _wander(posterior: Posterior) -> float:
    return float(np.mean(posterior.filtered.wander))


def _prints(told: Told, rooms: Sequence[Room], before_s: float) -> tuple[_Print, _Print | None]:
    inside = _print_of(told.history.readings, before_s)
    return inside, None if told.room is None else _print_of(rooms[told.room].series, before_s)


def _print_of(series: ReadingSeries, before_s: float) -> _Print:
    count = int(np.searchsorted(series.at_s, before_s))
    columns = (series.at_s, series.temperature_degc, series.relative_humidity)
    sums = [float(column[:count].sum()) for column in columns]
    return count, sums[0], sums[1], sums[2], int(series.marks[:count].sum(dtype=np.int64))


def _of_readings(told: Told, rooms: Sequence[Room], now_s: float) -> dict[str, Any]:
    """What is known of the readings up to an instant."""
    steps_s = _steps_s(_lately(told, now_s).bare_record(rooms), now_s)
    return {"prints": _prints(told, rooms, now_s), "steps_s": steps_s}


def _lately(told: Told, night_s: float) -> Told:
    """The same box, its readings from some days before the last night on."""
    series = told.history.readings
    late = slice(int(np.searchsorted(series.at_s, night_s - _LOOKED_BACK_DAYS * DAY_S)), None)
    recent = replace(
        series,
        at_s=series.at_s[late],
        temperature_degc=series.temperature_degc[late],
        relative_humidity=series.relative_humidity[late],
        marks=series.marks[late],
    )
    return replace(told, history=replace(told.history, readings=recent))


def _steps_s(record: Record, now_s: float) -> tuple[float, ...]:
    hours = record.hours.before(now_s, record.room)
    return tuple(step.at_s for step in find_steps(hours, record.box.sensor.resolution))
