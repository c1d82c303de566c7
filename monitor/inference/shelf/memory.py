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
"""After so long all is weighed anew: what other boxes taught meanwhile, and changes that come on slowly. [days]
Judgement."""
LEAST_EFFECTIVE_DRAWS = 150.0
"""Fewer draws leave quantiles to chance. Judgement: a 5 % point then rests on seven."""
_MOST_WANDER = 0.12
"""A conductance that moved so far since the fit may have changed for good: a fit looks for the day. [ln conductance]
Judgement: an eighth, as much as the model itself may be off by (``fit.posterior.MODEL_SD``)."""
_LOOKED_BACK_DAYS = 14.0
"""Readings from so long before the last night are looked at again for steps. [days] Judgement: the usual rise of a box
is learned of them."""
_STEP_SHOWS_AFTER_S = (LEVEL_HOURS + BETWEEN_LEVELS_HOURS) * HOUR_S
"""A step shows when its later level is complete. [s]"""
_SAME_STEP_S = LEVEL_HOURS * HOUR_S
"""Two steps found so near are one. [s]"""

_log = logging.getLogger(__name__)


class RefitReason(StrEnum):
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
    alone: FirstFit
    kind: tuple[float, float] | None
    """What boxes of its style said of its leak."""
    posterior: Posterior
    fitted_at_s: float
    wander: float
    """Mean wander of the conductance as it was fitted."""


@dataclass(frozen=True, eq=False)
class Night:
    """A box to be carried on: what was believed of it, and its readings of late."""

    box_input: BoxInput
    """Its history, the readings of late only."""
    steps_s: tuple[float, ...]
    """When humidity lately took lasting steps, as far as known at the last look. [s since 1970 UTC]"""
    alone: FirstFit
    """As it was fitted."""
    kind: tuple[float, float] | None
    """Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]"""
    posterior: Posterior
    """Posterior of the last look."""
    wander: float
    """Mean wander of ln conductance as it was fitted. [1]"""

    def carried_on(self, rooms: Sequence[Room], now_s: float) -> Posterior | RefitReason:
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
            _log.exception("box %s can't be carried on from the last look, and is fitted anew", self.box_input.name)
            return RefitReason.failed

    def _carried_on(self, rooms: Sequence[Room], now_s: float) -> Posterior | RefitReason:
        record, night_s = self.box_input.bare_record(rooms), self.posterior.now_s
        for at_s in _steps_s(record, now_s):
            if at_s > night_s - _STEP_SHOWS_AFTER_S and not any(abs(at_s - s) < _SAME_STEP_S for s in self.steps_s):
                return RefitReason.step
        now = refreshed(self.posterior, record, now_s)
        if now.effective_draws < LEAST_EFFECTIVE_DRAWS:
            return RefitReason.draws
        return RefitReason.wandered if abs(_wander(now) - self.wander) > _MOST_WANDER else now


class Memory:
    """Remembers every box of a shelf from one look to the next; hand the same one to every look."""

    def __init__(self) -> None:
        self.one_at_a_time = Lock()
        """Held during a look: a page may ask 'what if' while another thread looks."""
        self._known: dict[str, _Known] = {}
        self.refits: dict[str, RefitReason] = {}
        """Which boxes the last look fitted anew, and why."""

    def nights(self, boxes: Sequence[BoxInput], rooms: Sequence[Room], now_s: float) -> list[Night | None]:
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
        self.refits = {}
        self._known = {one.name: self._known[one.name] for one in boxes if one.name in self._known}
        return [self._night(one, rooms, now_s) for one in boxes]

    def learned_from_others(self) -> tuple[LeakObservation, ...]:
        """Return what the boxes that are carried on told of their leak when they were fitted."""
        known = (known for name, known in self._known.items() if name not in self.refits)
        return tuple(finite_only(s for one in known for s in one.alone.observations))

    def carried(self, box_input: BoxInput, rooms: Sequence[Room], now: Posterior | RefitReason) -> bool:
        """Take note of a box that was carried on: after a day it is carried on from there.

        Parameters
        ----------
        box_input : BoxInput
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
        if isinstance(now, RefitReason):
            self.refits[box_input.name] = now
            return False
        known = self._known[box_input.name]
        if now.now_s - known.posterior.now_s >= DAY_S:
            self._known[box_input.name] = replace(known, **_of_readings(box_input, rooms, now.now_s), posterior=now)
        return True

    def keep(
        self,
        box_input: BoxInput,
        rooms: Sequence[Room],
        alone: FirstFit,
        kind: tuple[float, float] | None,
        fitted: Posterior,
    ) -> None:
        """Remember a box as it was fitted.

        Parameters
        ----------
        box_input : BoxInput
            With all its readings.
        rooms : sequence of Room
            Of the shelf.
        alone : FirstFit
            Its first look.
        kind : (float, float) or None
            Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]
        fitted : Posterior
            What came of it.
        """
        self._known[box_input.name] = _Known(
            declared=_declared(box_input),
            **_of_readings(box_input, rooms, fitted.now_s),
            alone=replace(alone, first=None),
            kind=kind,
            posterior=fitted,
            fitted_at_s=fitted.now_s,
            wander=_wander(fitted),
        )

    def _night(self, box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> Night | None:
        known = self._known.get(box_input.name)
        reason = RefitReason.first if known is None else _changed(known, box_input, rooms, now_s)
        if known is None or reason is not None:
            self.refits[box_input.name] = reason or RefitReason.first
            return None
        return Night(
            _lately(box_input, known.posterior.now_s),
            known.steps_s,
            known.alone,
            known.kind,
            known.posterior,
            known.wander,
        )


def _changed(known: _Known, box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> RefitReason | None:
    """Why what was believed holds no longer, whatever came since; None where it does."""
    if now_s < known.posterior.now_s:
        return RefitReason.backward
    if known.declared != _declared(box_input):
        return RefitReason.declared
    if now_s - known.fitted_at_s > FITTED_FOR_DAYS * DAY_S:
        return RefitReason.week
    return RefitReason.readings if known.prints != _prints(box_input, rooms, known.posterior.now_s) else None


def _declared(box_input: BoxInput) -> tuple[Box, RoomClimate | None, tuple[LedgerEntry, ...]]:
    return box_input.history.box, box_input.history.room_climate, box_input.history.entries


def _wander(posterior: Posterior) -> float:
    return float(np.mean(posterior.filtered.wander))


def _prints(box_input: BoxInput, rooms: Sequence[Room], before_s: float) -> tuple[_Print, _Print | None]:
    inside = _print_of(box_input.history.readings, before_s)
    return inside, None if box_input.room is None else _print_of(rooms[box_input.room].series, before_s)


def _print_of(series: ReadingSeries, before_s: float) -> _Print:
    count = int(np.searchsorted(series.at_s, before_s))
    columns = (series.at_s, series.temperature_degc, series.relative_humidity)
    sums = [float(column[:count].sum()) for column in columns]
    return count, sums[0], sums[1], sums[2], int(series.marks[:count].sum(dtype=np.int64))


def _of_readings(box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> dict[str, Any]:
    """What is known of the readings up to an instant."""
    steps_s = _steps_s(_lately(box_input, now_s).bare_record(rooms), now_s)
    return {"prints": _prints(box_input, rooms, now_s), "steps_s": steps_s}


def _lately(box_input: BoxInput, night_s: float) -> BoxInput:
    """The same box, its readings from some days before the last night on."""
    series = box_input.history.readings
    late = slice(int(np.searchsorted(series.at_s, night_s - _LOOKED_BACK_DAYS * DAY_S)), None)
    recent = replace(
        series,
        at_s=series.at_s[late],
        temperature_degc=series.temperature_degc[late],
        relative_humidity=series.relative_humidity[late],
        marks=series.marks[late],
    )
    return replace(box_input, history=replace(box_input.history, readings=recent))


def _steps_s(record: Record, now_s: float) -> tuple[float, ...]:
    hours = record.hours.before(now_s, record.room)
    return tuple(step.at_s for step in find_steps(hours, record.box.sensor.resolution))
