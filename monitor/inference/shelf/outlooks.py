"""The outlooks of all boxes of a shelf, which inform one another; and that of one box among them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import repeat
from traceback import format_exception
from typing import TypeVar

from monitor.errors import StoreError
from monitor.inference.answers.forecast import HORIZON_DAYS
from monitor.inference.answers.value_of_measurement import Useful
from monitor.inference.evidence.episodes import DisturbanceRates, rates_of
from monitor.inference.fit.change_point import with_change_point
from monitor.inference.fit.fit import under_pooled_prior
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation, finite_only
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.prior import Assumptions
from monitor.inference.shelf.answer import Question, answer_of
from monitor.inference.shelf.first_fit import (
    BoxInput,
    FirstFit,
    Room,
    by_room,
    first_fit,
    refused,
)
from monitor.inference.shelf.first_fits import first_fits
from monitor.inference.shelf.last_fit import (
    LastFit,
    RefitReason,
    Teaching,
    recent_steps_s,
)
from monitor.inference.shelf.workers import Workers, worker_pool
from monitor.records import BoxHistory, Outlook, WhatIf

Progress = Callable[[float], None]
_Answer = TypeVar("_Answer")

_FIRST_FITS_SHARE = 0.55
"""Of the time that all takes. Judgement; only a progress bar rests on it."""
_UPDATES_PER_FIT = 4
"""So many updates are worth as much to another process as one fit. [boxes] Measured when each took twice as long as
now: an update was 8 ms of work of 12 that the night of a box cost, a fit 30. The number of processes rests on it."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What the jobs of all boxes have in common."""

    histories: Sequence[BoxHistory]
    """A job names one by its place; it is read where the job is done."""
    now_s: float
    horizon_days: int
    change: WhatIf | None
    disturbance_rates: DisturbanceRates
    kept: bool
    """True where the fit is returned beside the outlook."""
    assumptions: Assumptions | None = None
    """Settings of the model of errors; the usual ones where None."""
    as_kept: Callable[[Fitted], Fitted] | None = None
    """What an answer goes through where it is worked out."""
    rooms: dict[int, Room] = field(default_factory=dict)
    """Each reduced to hours once in every process."""

    def read(self, place: int) -> tuple[BoxInput, tuple[Room, ...]]:
        """Return a box as a fit takes it, with its room."""
        [box_input], rooms = by_room([self.histories[place]], self.now_s, self.rooms)
        return box_input, rooms

    def handed_back(self, answer: Fitted) -> Fitted:
        """Return an answer as whoever asked wants it."""
        return answer if self.as_kept is None else self.as_kept(answer)


@dataclass(frozen=True, eq=False)
class _SecondFit:
    """A box to be fitted under the pooled prior."""

    first: FirstFit
    pooled: tuple[float, float]
    """Mean and standard deviation of its leak before its readings. [ln air changes a day]"""
    style_leak: tuple[float, float] | None
    """The same of boxes of its style, its own earlier episodes left out."""
    limit: float | None
    """Its own where None. [fraction of saturation]"""
    steps_s: tuple[float, ...] = ()
    """When humidity took lasting steps in the recent readings. [s since 1970 UTC]"""


@dataclass(frozen=True, eq=False)
class _Update:
    """A box to be updated from its last fit."""

    place: int
    last_fit: LastFit | Callable[[], LastFit | None]
    teaching: Teaching
    limit: float | None


@dataclass(frozen=True, eq=False)
class Fitted:
    """An outlook, and what is worth keeping of the fit behind it."""

    outlook: Outlook
    """Of one box."""
    teaching: Teaching
    """What it learned from other boxes, and they can learn from it."""
    last_fit: LastFit | None = None
    """What a later update starts from; None where there is no fit, or nobody keeps it."""


def fitted(
    histories: Sequence[BoxHistory],
    as_of: datetime,
    humidity_limits: Sequence[float] | None = None,
    change: WhatIf | None = None,
    *,
    others: Sequence[LeakObservation] = (),
    rates: DisturbanceRates | None = None,
    keep: bool = True,
    as_kept: Callable[[Fitted], Fitted] | None = None,
    workers: Workers = None,
    progress: Progress = lambda _share: None,
) -> Iterator[Fitted]:
    """Yield one outlook for each history, in order, with what is worth keeping of its fit.

    Each box is fitted alone, then again under the prior pooled over all, so boxes given together inform each other.
    Nothing but answers and what boxes teach one another is held for all of them at once. Where an estimate came to
    nothing, the outlook says why.

    Parameters
    ----------
    histories : sequence of BoxHistory
        What was declared, logged and shown, a box each. A sequence may read one when it is asked for it; workers are
        sent the sequence, and read there.
    as_of : datetime
        The present of all of them; what came later doesn't count.
    humidity_limits : sequence of float, optional
        One for each box; its own where left out. [fraction of saturation]
    change : WhatIf, optional
        A what-if that is forecast too, beside the box as it is.
    others : sequence of LeakObservation
        What is known of the leaks of boxes that are not fitted now.
    rates : DisturbanceRates, optional
        How the boxes of the shelf are used; by these histories alone where left out.
    keep : bool
        False where nobody keeps the fits.
    as_kept : callable, optional
        What each answer goes through in the process that worked it out; can be pickled.
    workers : int or Cluster, optional
        Processes for many boxes, or a cluster; one process for each core where left out.
    progress : callable
        Called with the share done, from 0 to 1.

    Yields
    ------
    Fitted
        In the order of the histories.
    """
    now_s, count = as_of.timestamp(), len(histories)
    rates = rates or rates_of((history.entries for history in histories), now_s)
    shared, steps_s = _Shared(histories, now_s, HORIZON_DAYS, change, rates, keep, as_kept=as_kept), []
    with worker_pool(shared, count, workers) as executor, first_fits(count) as firsts:
        looked = executor.each(_first_fit, range(count))
        for first, steps in _with_progress(looked, count, progress, 0.0, _FIRST_FITS_SHARE):
            firsts.add(first)
            steps_s.append(steps)
        known = KnownLeaks([*others, *finite_only(firsts.observations())])
        limits: Iterable[float | None] = humidity_limits or repeat(None, count)
        jobs = (
            _second_fit(first, known, limit, steps) for first, limit, steps in zip(firsts, limits, steps_s, strict=True)
        )
        yield from _with_progress(executor.each(_answered, jobs), count, progress, _FIRST_FITS_SHARE, 1.0)


def updated(
    last_fits: Iterable[tuple[LastFit | Callable[[], LastFit | None], Teaching]],
    histories: Sequence[BoxHistory],
    as_of: datetime,
    *,
    humidity_limits: Sequence[float] | None = None,
    change: WhatIf | None = None,
    rates: DisturbanceRates | None = None,
    as_kept: Callable[[Fitted], Fitted] | None = None,
    workers: Workers = None,
    progress: Progress = lambda _share: None,
) -> Iterator[Fitted | RefitReason]:
    """Yield one outlook for each history, updated from the last fit of the box.

    Parameters
    ----------
    last_fits : iterable of (LastFit, Teaching)
        One for each history, with what it learned from other boxes; or what gives the fit where it is updated.
    histories : sequence of BoxHistory
        A box each, as for ``fitted``; of the readings those of the last weeks before the fit, and since, will do.
    as_of : datetime
        The present of all of them, no earlier than the fits; what came later doesn't count.
    humidity_limits : sequence of float, optional
        One for each box; its own where left out. [fraction of saturation]
    change : WhatIf, optional
        A what-if that is forecast too, beside the box as it is.
    rates : DisturbanceRates, optional
        How the boxes of the shelf are used; by these histories alone where left out.
    as_kept : callable, optional
        What each answer goes through in the process that worked it out; can be pickled.
    workers : int or Cluster, optional
        Processes for many boxes, or a cluster; one process for each core where left out.
    progress : callable
        Called with the share done, from 0 to 1.

    Yields
    ------
    Fitted or RefitReason
        In the order of the histories; a reason where a box must be fitted again.
    """
    now_s, count = as_of.timestamp(), len(histories)
    rates = rates or rates_of((history.entries for history in histories), now_s)
    shared = _Shared(histories, now_s, HORIZON_DAYS, change, rates, True, as_kept=as_kept)
    limits: Iterable[float | None] = humidity_limits or repeat(None, count)
    jobs = (
        _Update(place, last_fit, teaching, limit)
        for place, ((last_fit, teaching), limit) in enumerate(zip(last_fits, limits, strict=True))
    )
    with worker_pool(shared, count // _UPDATES_PER_FIT, workers) as executor:
        yield from _with_progress(executor.each(_updated, jobs), count, progress, 0.0, 1.0)


def outlook_among(
    histories: Sequence[BoxHistory],
    box_name: str,
    as_of: datetime,
    humidity_limit: float | None = None,
    horizon_days: int = HORIZON_DAYS,
    *,
    assumptions: Assumptions | None = None,
    at_any_age: bool = False,
) -> Outlook:
    """Return the outlook of one box, the very one that it gets where all of them are ``fitted``.

    Parameters
    ----------
    histories : sequence of BoxHistory
        What was declared, logged and shown, a box each.
    box_name : str
        The box that is asked for.
    as_of : datetime
        The present of all of them; what came later doesn't count.
    humidity_limit : float, optional
        The box's own where left out. [fraction of saturation]
    horizon_days : int
        How far to look ahead. [days]
    assumptions : Assumptions, optional
        The model of errors; the usual one where left out.
    at_any_age : bool
        True answers by the prior where ``fitted`` refuses because there are too few readings yet.

    Returns
    -------
    Outlook
        Where an estimate came to nothing, it says why.
    """
    now_s = as_of.timestamp()
    box_input, rooms = by_room(histories, now_s)
    asked = next(one for one in box_input if one.name == box_name)
    limit = asked.history.box.humidity_limit if humidity_limit is None else humidity_limit
    disturbance_rates = rates_of((history.entries for history in histories), now_s)
    shared = _Shared((), now_s, horizon_days, None, disturbance_rates, False, assumptions)
    first = [first_fit(one, rooms, now_s, assumptions, at_any_age=at_any_age and one is asked) for one in box_input]
    known = KnownLeaks(finite_only(s for one in first for s in one.observations))
    return _outlook(shared, _second_fit(first[box_input.index(asked)], known, limit)).outlook


def _with_progress(
    answers: Iterable[_Answer], count: int, progress: Progress, start: float, end: float
) -> Iterator[_Answer]:
    """Pass answers on and report the share done."""
    for done, answer in enumerate(answers, start=1):
        yield answer
        progress(start + (end - start) * done / count)


def _first_fit(shared: _Shared, place: int) -> tuple[FirstFit, tuple[float, ...]]:
    try:
        box_input, rooms = shared.read(place)
    except StoreError as error:  # no defect of ours: its line is all there is to say
        return FirstFit(None, Outlook(refusal=str(error), trace=str(error))), ()
    except Exception as error:  # with its trace, so that nobody keeps this for an answer
        return FirstFit(None, replace(refused(error), trace="".join(format_exception(error)))), ()
    first = first_fit(box_input, rooms, shared.now_s, shared.assumptions)
    kept = shared.kept and first.posterior is not None
    return first, recent_steps_s(box_input, rooms, shared.now_s) if kept else ()


def _updated(shared: _Shared, update: _Update) -> Fitted | RefitReason:
    last_fit = update.last_fit() if callable(update.last_fit) else update.last_fit
    if last_fit is None:
        return RefitReason.gone
    try:
        box_input, rooms = shared.read(update.place)
    except StoreError:
        return RefitReason.failed  # the fit says it
    except Exception:
        _log.exception("box %s is fitted again: it can't be read", last_fit.posterior.box.name)
        return RefitReason.failed
    found = last_fit.updated(box_input, rooms, shared.now_s)
    if isinstance(found, RefitReason):
        return found
    now, steps_s = found
    outlook, _ = _outlook_of(now, last_fit.first, last_fit.style_leak, update.limit, shared, last_fit.useful)
    if outlook.trace:
        _log.error("box %s is fitted again: updated, it has no outlook\n%s", now.box.name, outlook.trace)
        return RefitReason.failed
    teaching = replace(update.teaching, rates=shared.disturbance_rates)
    return shared.handed_back(Fitted(outlook, teaching, last_fit.moved_on(now, steps_s)))


def _second_fit(first: FirstFit, known: KnownLeaks, limit: float | None, steps_s: tuple[float, ...] = ()) -> _SecondFit:
    """The box with the prior of its leak pooled over the others and its own earlier episodes."""
    posterior = first.posterior
    if posterior is None:
        return _SecondFit(first, (0.0, 0.0), None, limit)
    first = first.with_change_point(known)
    change_at_s = first.change_point.at.timestamp() if first.change_point else None
    pooled = known.prior(posterior.box, posterior.episode.start_s, change_at_s)
    return _SecondFit(first, pooled, known.style(posterior.box), limit, steps_s)


def _answered(shared: _Shared, job: _SecondFit) -> Fitted:
    return shared.handed_back(_outlook(shared, job))


def _outlook(shared: _Shared, job: _SecondFit) -> Fitted:
    first = job.first
    if first.posterior is None:
        return Fitted(first.refused, Teaching(first.observations, None, shared.disturbance_rates))
    change_at_s = first.change_point.at.timestamp() if first.change_point else None
    teaching = Teaching(
        first.observations, job.pooled, shared.disturbance_rates, first.posterior.episode.start_s, change_at_s
    )
    try:
        posterior = with_change_point(under_pooled_prior(first.posterior, job.pooled))
    except Exception as error:
        return Fitted(refused(error), teaching)
    outlook, useful = _outlook_of(posterior, first, job.style_leak, job.limit, shared)
    if not shared.kept or outlook.trace:
        return Fitted(outlook, teaching)
    return Fitted(outlook, teaching, LastFit.of(posterior, first, job.style_leak, job.steps_s, useful))


def _outlook_of(  # noqa: PLR0917
    posterior: Posterior,
    first: FirstFit,
    style_leak: tuple[float, float] | None,
    limit: float | None,
    shared: _Shared,
    useful: Useful | None = None,
) -> tuple[Outlook, Useful | None]:
    """The outlook, and the most useful measurement: the one of the last fit where that still holds."""
    try:
        question = Question(shared.horizon_days, shared.change, shared.disturbance_rates)
        return answer_of(question, posterior, first, style_leak, limit=limit, useful=useful)
    except Exception as error:
        return refused(error), None
