"""What was believed at the last look, so that a box to which hours were only added is carried on and not fitted anew.

A look between two nights starts from the night before: hours of one day are one piece of evidence, however often
somebody looks.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from monitor.inference.episodes import find_steps
from monitor.inference.leak import Posterior, Record, refreshed
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.hours import HOUR_S
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
    believed: Posterior
    fitted_at_s: float
    wander: float
    """Mean wander of the conductance as it was fitted."""


class Memory:
    """Remembers every box of a shelf from one look to the next; hand the same one to every look."""

    def __init__(self) -> None:
        self._known: dict[str, _Known] = {}
        self.anew: dict[str, Anew] = {}
        """Which boxes the last look fitted anew, and why."""

    def carried_on(self, boxes: Sequence[Told], rooms: Sequence[Room], now_s: float) -> list[Looked | None]:
        """Return for each box what is believed now, carried on; None where it must be fitted anew.

        Boxes not asked for are forgotten.
        """
        self.anew = {}
        self._known = {one.name: self._known[one.name] for one in boxes if one.name in self._known}
        return [self._carried(one, rooms, now_s) for one in boxes]

    def keep(self, told: Told, rooms: Sequence[Room], looked: Looked, fitted: Posterior) -> None:
        """Remember a box as it was fitted."""
        fitted = replace(fitted, draws=replace(fitted.draws, made=None))
        self._known[told.name] = _Known(
            declared=_declared(told),
            prints=_prints(told, rooms, fitted.now_s),
            steps_s=_steps_s(_lately(told, rooms, fitted.now_s), fitted.now_s),
            looked=replace(looked, first=None),
            believed=fitted,
            fitted_at_s=fitted.now_s,
            wander=_wander(fitted),
        )

    def _carried(self, told: Told, rooms: Sequence[Room], now_s: float) -> Looked | None:
        known = self._known.get(told.name)
        if known is None:
            self.anew[told.name] = Anew.first
            return None
        try:
            answer = _carried_on(known, told, rooms, now_s)
        except Exception:
            _log.debug("box %s can't be carried on", told.name, exc_info=True)
            answer = Anew.failed
        if isinstance(answer, Anew):
            self.anew[told.name] = answer
            return None
        if now_s - known.believed.now_s >= DAY_S:
            steps_s = _steps_s(_lately(told, rooms, now_s), now_s)
            prints = _prints(told, rooms, now_s)
            self._known[told.name] = replace(known, prints=prints, steps_s=steps_s, believed=answer)
        return replace(known.looked, first=answer)


def _carried_on(known: _Known, told: Told, rooms: Sequence[Room], now_s: float) -> Posterior | Anew:
    """What is believed now, or why that takes a fit."""
    if (changed := _changed(known, told, rooms, now_s)) is not None:
        return changed
    record, night_s = _lately(told, rooms, known.believed.now_s), known.believed.now_s
    for at_s in _steps_s(record, now_s):
        if at_s > night_s - _STEP_SHOWS_AFTER_S and not any(abs(at_s - s) < _SAME_STEP_S for s in known.steps_s):
            return Anew.step
    now = refreshed(known.believed, record, now_s)
    if now.left < LEAST_LEFT:
        return Anew.draws
    return Anew.wandered if abs(_wander(now) - known.wander) > _WANDERED else now


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


def _lately(told: Told, rooms: Sequence[Room], night_s: float) -> Record:
    """The record of a box from some days before the last night on."""
    series = told.history.readings
    late = slice(int(np.searchsorted(series.at_s, night_s - _LOOKED_BACK_DAYS * DAY_S)), None)
    recent = replace(
        series,
        at_s=series.at_s[late],
        temperature_degc=series.temperature_degc[late],
        relative_humidity=series.relative_humidity[late],
        marks=series.marks[late],
    )
    return replace(told, history=replace(told.history, readings=recent)).bare_record(rooms)


def _steps_s(record: Record, now_s: float) -> tuple[float, ...]:
    return tuple(step.at_s for step in find_steps(record.hours.before(now_s), record.box.sensor.resolution))
