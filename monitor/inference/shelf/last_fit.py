"""The last fit of a box, so that one to which hours were only added is updated and not fitted again.

Whoever keeps fits moves one on once a day. Within a day every update starts from the same posterior, so that hours of
one day are one piece of evidence, however often somebody asks.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from monitor.inference.answers.value_of_measurement import Useful
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.evidence.humidity_steps import BETWEEN_LEVELS_HOURS, LEVEL_HOURS, find_steps
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation
from monitor.inference.fit.posterior import Posterior, Record, what_updates_start_from
from monitor.inference.fit.refreshed import refreshed, unchanged
from monitor.inference.model.state import OF_DRAWS, State, drawn_box
from monitor.inference.shelf.first_fit import (
    BoxInput,
    FirstFit,
    Room,
)
from monitor.records import Box
from monitor.series.hourly_values import HOUR_S
from monitor.series.spans import between

FITTED_FOR_DAYS = 7.0
"""After so long all is fitted again: for what other boxes added to the pool, and for slow changes. [days]
Judgement."""
RECENT_DAYS = 14.0
"""Readings from so long before the last update are searched for steps again. [days] Judgement: the usual rise of a box
is known from them."""
LEAST_EFFECTIVE_DRAWS = 150.0
"""Fewer effective draws leave quantiles to chance. [draws] Judgement: a 5 % point then rests on seven."""
_MOST_WANDER = 0.12
"""A conductance that moved so far since the fit may have a change point, which only a fit finds. [ln conductance]
Judgement: an eighth, as much as the model itself may be off by (``fit.posterior.MODEL_SD``)."""
_STEP_SHOWS_AFTER_S = (LEVEL_HOURS + BETWEEN_LEVELS_HOURS) * HOUR_S
"""A step shows when its later level is complete. [s]"""
_SAME_STEP_S = LEVEL_HOURS * HOUR_S
"""Two steps found so near are one. [s]"""
_ROOM_MOVED_BY = 0.03
"""A room that turns out so much moister or drier has made another leak of the days on which it was not measured.
[ln vapor pressure] Judgement: a third of what two fits may differ by, as the push moves by more than the room does."""
_POOLED_MOVED_BY = 0.05
"""A pooled prior whose mean moved by more has something to teach. [ln air changes] Judgement: a twentieth of a leak,
half of what two fits may differ by."""
_POOLED_WIDENED_BY = 0.1
"""The same of the logarithm of its standard deviation. [ln of a ratio] Judgement: a tenth, which no interval shows."""
_RATES_MOVED_BY = 0.1
"""The same of how often boxes are opened, or spools swapped. [fraction] Judgement: one more in ten."""

_log = logging.getLogger(__name__)


class RefitReason(StrEnum):
    """Why a box is fitted again."""

    week = "a week has passed since the last fit"
    room = "its room is known otherwise than at the last fit"
    step = "a lasting step of humidity"
    draws = "too few effective draws"
    wandered = "the leak is not what it was"
    failed = "the last posterior can't be updated"
    gone = "its last fit is not kept any more"
    unseen = "no reading told of it at the last fit"


@dataclass(frozen=True)
class Teaching:
    """What a fit learned from other boxes, and what they can learn from it."""

    observations: tuple[LeakObservation, ...]
    """Of its leak."""
    pooled: tuple[float, float] | None
    """Prior mean and standard deviation of its leak that it was fitted under; None where there is no fit.
    [ln air changes a day]"""
    rates: DisturbanceRates
    """How the boxes of the shelf are used."""
    episode_start_s: float = 0.0
    """Start of the episode that was fitted. [s since 1970 UTC]"""
    changed_at_s: float | None = None
    """When its leak changed last. [s since 1970 UTC]"""

    def pooled_moved(self, box: Box, known: KnownLeaks) -> bool:
        """Return whether other boxes have something to teach that the fit has not heard.

        Parameters
        ----------
        box : Box
            The box.
        known : KnownLeaks
            Of all boxes, as they are now.

        Returns
        -------
        bool
            False where there was no fit.
        """
        if self.pooled is None:
            return False
        pooled = known.prior(box, self.episode_start_s, self.changed_at_s)
        widened = abs(float(np.log(pooled[1] / self.pooled[1])))
        return abs(pooled[0] - self.pooled[0]) > _POOLED_MOVED_BY or widened > _POOLED_WIDENED_BY

    def rates_moved(self, rates: DisturbanceRates) -> bool:
        """Return whether the boxes of the shelf are used otherwise than its forecast took them to be.

        Parameters
        ----------
        rates : DisturbanceRates
            As they are now.

        Returns
        -------
        bool
            True from one in ten more or fewer on.
        """
        pairs = (
            (rates.openings_per_day, self.rates.openings_per_day),
            (rates.events_per_day, self.rates.events_per_day),
        )
        return any(abs(now - before) > _RATES_MOVED_BY * max(now, before) for now, before in pairs)


@dataclass(frozen=True, eq=False)
class LastFit:
    """The last fit of a box: all that an update needs beside what was seen since."""

    posterior: Posterior
    """Of the last update."""
    steps_s: tuple[float, ...]
    """Lasting steps of humidity in the recent readings, as the last update found them. [s since 1970 UTC]"""
    first: FirstFit
    """Its first fit, without the posterior."""
    style_leak: tuple[float, float] | None
    """Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]"""
    fitted_at_s: float
    """When all of it was fitted. [s since 1970 UTC]"""
    wander: float
    """Mean wander of ln conductance as it was fitted. [1]"""
    room: LearnedRoom
    """As it was fitted."""
    useful: Useful | None = None
    """The most useful measurement as it was fitted; None where the box was over its limit anyway."""

    @classmethod
    def of(
        cls,
        posterior: Posterior,
        first: FirstFit,
        style_leak: tuple[float, float] | None,
        steps_s: tuple[float, ...],
        useful: Useful | None = None,
    ) -> LastFit:
        """Return what is to be kept of a fit.

        Parameters
        ----------
        posterior : Posterior
            Under the pooled prior.
        first : FirstFit
            Its first fit.
        style_leak : (float, float) or None
            Of boxes of its style. [ln(1/day)]
        steps_s : tuple of float
            Lasting steps of humidity in the recent readings. [s since 1970 UTC]
        useful : Useful, optional
            The most useful measurement.

        Returns
        -------
        LastFit
            A third of the size of the fit.
        """
        return cls(
            posterior.for_update(),
            steps_s,
            replace(first, posterior=None),
            style_leak,
            posterior.now_s,
            float(np.mean(posterior.filtered.wander)),
            posterior.room,
            useful,
        )

    def moved_on(self, posterior: Posterior, steps_s: tuple[float, ...]) -> LastFit:
        """Return the same with its posterior updated: once a day, as updates of one day share their start.

        Parameters
        ----------
        posterior : Posterior
            The updated one.
        steps_s : tuple of float
            Lasting steps of humidity, as the update found them. [s since 1970 UTC]

        Returns
        -------
        LastFit
            Itself within a day.
        """
        if posterior.now_s - self.posterior.now_s < DAY_S:
            return self
        return replace(self, posterior=posterior.for_update(), steps_s=steps_s)

    def as_it_was(self, now_s: float) -> Posterior | None:
        """Return the posterior of the last update within an hour of it, as nothing new is known then.

        Parameters
        ----------
        now_s : float
            No earlier than the last update. [s since 1970 UTC]

        Returns
        -------
        Posterior or None
            None where there is an update to make.
        """
        return unchanged(self.posterior) if now_s - self.posterior.now_s < HOUR_S else None

    def updated(
        self, box_input: BoxInput, rooms: Sequence[Room], now_s: float
    ) -> tuple[Posterior, tuple[float, ...]] | RefitReason:
        """Return the posterior of now with the lasting steps of humidity before it, or why that needs a fit.

        Parameters
        ----------
        box_input : BoxInput
            Its history; of its readings those since ``RECENT_DAYS`` before the last update will do.
        rooms : sequence of Room
            Of the shelf.
        now_s : float
            No earlier than the last update; within an hour of it nothing new is known. [s since 1970 UTC]

        Returns
        -------
        (Posterior, tuple of float) or RefitReason
            Steps in the recent readings [s since 1970 UTC]; a reason also where the update failed, which is logged.
        """
        if (same := self.as_it_was(now_s)) is not None:
            return same, self.steps_s
        if self.first.unseen:
            return RefitReason.unseen
        if now_s - self.fitted_at_s > FITTED_FOR_DAYS * DAY_S:
            return RefitReason.week
        if self.posterior.room_measured is (box_input.room is None):
            return RefitReason.room
        try:
            return self._updated(_with_recent_readings(box_input, self.posterior.now_s), rooms, now_s)
        except Exception:
            _log.exception("box %s can't be updated from the last fit, and is fitted again", box_input.name)
            return RefitReason.failed

    def _updated(
        self, box_input: BoxInput, rooms: Sequence[Room], now_s: float
    ) -> tuple[Posterior, tuple[float, ...]] | RefitReason:
        record, fitted_s = box_input.bare_record(rooms), self.posterior.now_s
        steps_s = _steps_s(record, now_s)
        for at_s in steps_s:
            if at_s > fitted_s - _STEP_SHOWS_AFTER_S and not any(abs(at_s - s) < _SAME_STEP_S for s in self.steps_s):
                return RefitReason.step
        now = refreshed(self.posterior, record, now_s)
        if now.effective_draws < LEAST_EFFECTIVE_DRAWS:
            return RefitReason.draws
        if self._room_moved(now.room):
            return RefitReason.room
        moved = abs(float(np.mean(now.filtered.wander)) - self.wander)
        return RefitReason.wandered if moved > _MOST_WANDER else (now, steps_s)

    def _room_moved(self, room: LearnedRoom) -> bool:
        """Whether the days of its episode on which nobody measured the room were other than the fit took them to be."""
        first_day, last_day = self.posterior.episode.start_s / DAY_S, self.fitted_at_s / DAY_S
        days = np.arange(first_day, max(last_day, first_day + 1.0))
        unseen = max(0.0, 1.0 - self.room.seen_days / len(days))
        if unseen <= 0.0:
            return False
        moved = float(np.mean(np.log(room.expected_kpa(days) / self.room.expected_kpa(days))))
        return unseen * abs(moved) > _ROOM_MOVED_BY

    def __getstate__(self) -> dict[str, Any]:
        """Travel and be kept in single precision: seven digits, far below what a thousand draws can tell."""
        filtered = np.array([getattr(self.posterior.filtered, name) for name in OF_DRAWS], np.float32)
        theta = self.posterior.theta.astype(np.float32)
        of_draws = what_updates_start_from(self.posterior.theta, self.posterior.filtered)
        others = {name: value for name, value in vars(self.posterior).items() if name not in of_draws}
        return {**self.__dict__, "posterior": others, "theta": theta, "filtered": filtered}

    def __setstate__(self, kept: dict[str, Any]) -> None:
        """Come back in double precision."""
        theta, filtered = kept.pop("theta").astype(np.float64), kept.pop("filtered").astype(np.float64)
        others = kept.pop("posterior")
        state = State(drawn_box(others["problem"], theta), **dict(zip(OF_DRAWS, filtered, strict=True)))
        posterior = Posterior(**others, **what_updates_start_from(theta, state))
        self.__dict__.update(kept, posterior=posterior)


def recent_steps_s(box_input: BoxInput, rooms: Sequence[Room], now_s: float) -> tuple[float, ...]:
    """Return when humidity took lasting steps in the recent readings of a box.

    Parameters
    ----------
    box_input : BoxInput
        With these readings at least.
    rooms : sequence of Room
        Of the shelf.
    now_s : float
        [s since 1970 UTC]

    Returns
    -------
    tuple of float
        In order of time. [s since 1970 UTC]
    """
    return _steps_s(_with_recent_readings(box_input, now_s).bare_record(rooms), now_s)


def _with_recent_readings(box_input: BoxInput, fitted_s: float) -> BoxInput:
    """The same box, with its readings from some days before the last update on."""
    cut = between(box_input.history.readings, fitted_s - RECENT_DAYS * DAY_S)
    return replace(box_input, history=replace(box_input.history, readings=cut))


def _steps_s(record: Record, now_s: float) -> tuple[float, ...]:
    hours = record.hours_before(now_s)
    return tuple(step.at_s for step in find_steps(hours, record.box.sensor.resolution, record.box.sensor.floor))
