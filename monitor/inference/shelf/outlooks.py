"""The outlooks of all boxes of a shelf, which inform one another; and that of one box among them."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime
from typing import TypeVar

from monitor.inference.answers.explanation import (
    comparison_of,
    evidence_of,
    grams_words,
    tightness_of,
)
from monitor.inference.answers.forecast import (
    HORIZON_DAYS,
    crossing_ahead,
    forecast_of,
)
from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.value_of_measurement import best_measurement
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import DisturbanceRates, rates_of
from monitor.inference.fit.change_point import (
    ChangePoint,
    change_point_of,
    with_change_point,
    words_for,
)
from monitor.inference.fit.fit import under_pooled_prior
from monitor.inference.fit.pooling import (
    LeakObservation,
    finite_only,
    pool,
)
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.prior import Assumptions
from monitor.inference.shelf.first_fit import (
    BoxInput,
    FirstFit,
    Room,
    by_room,
    first_fit,
    refused,
)
from monitor.inference.shelf.memory import (
    LastFit,
    Memory,
    RefitReason,
)
from monitor.inference.shelf.workers import worker_pool
from monitor.records import BoxHistory, Outlook, WhatIf

Progress = Callable[[float], None]
_Answer = TypeVar("_Answer")

_FIRST_FITS_SHARE = 0.55
"""Of the time that all takes. Judgement; only a progress bar rests on it."""
_UPDATES_PER_FIT = 3
"""So many updates are the work of one fit. [boxes] Judgement: 79 and 36 ms a box were measured among 1,000
(DEVELOPERS.md), and a first fit comes on top; only a progress bar and the number of processes rest on it."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What the jobs of all boxes have in common."""

    rooms: tuple[Room, ...]
    now_s: float
    horizon_days: int
    change: WhatIf | None
    disturbance_rates: DisturbanceRates
    remembered: bool
    """True where the posterior is returned beside the outlook."""
    assumptions: Assumptions | None = None
    """Settings of the model of errors; the usual ones where None."""


@dataclass(frozen=True, eq=False)
class _SecondFit:
    """A box to be fitted under the pooled prior."""

    first: FirstFit
    pooled: tuple[float, float]
    """Mean and standard deviation of its leak before its readings. [ln air changes a day]"""
    style_leak: tuple[float, float] | None
    """The same of boxes of its style, its own earlier episodes left out."""
    limit: float


@dataclass(frozen=True, eq=False)
class _Update:
    """A box to be updated from its last fit."""

    last_fit: LastFit
    limit: float


def outlooks(
    histories: Sequence[BoxHistory],
    as_of: datetime,
    humidity_limits: Sequence[float] | None = None,
    horizon_days: int = HORIZON_DAYS,
    change: WhatIf | None = None,
    *,
    memory: Memory | None = None,
    workers: int | None = None,
    progress: Progress = lambda _share: None,
) -> list[Outlook]:
    """Return one outlook for each history, in order; boxes given together inform each other.

    With a ``memory`` of earlier fits, boxes are only updated where that will do.

    Parameters
    ----------
    histories : sequence of BoxHistory
        What was declared, logged and shown, a box each.
    as_of : datetime
        The present of all of them; what came later doesn't count.
    humidity_limits : sequence of float, optional
        One for each box; its own where left out. [fraction of saturation]
    horizon_days : int
        How far to look ahead. [days]
    change : WhatIf, optional
        A what-if that is forecast too, beside the box as it is.
    memory : Memory, optional
        Of earlier fits of the same shelf.
    workers : int, optional
        Processes for many boxes; one for each core where left out.
    progress : callable
        Called with the share done, from 0 to 1.

    Returns
    -------
    list of Outlook
        Where an estimate came to nothing, the outlook says why.
    """
    limits = humidity_limits or [history.box.humidity_limit for history in histories]
    now_s = as_of.timestamp()
    box_input, rooms = by_room(histories, now_s)
    disturbance_rates = rates_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, change, disturbance_rates, memory is not None)
    if memory is None:
        return _outlooks(box_input, shared, limits, None, workers, progress)
    with memory.lock:
        return _outlooks(box_input, shared, limits, memory, workers, progress)


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
    """Return the outlook of one box, the very one that ``outlooks`` of all of them gives it.

    Only boxes of its style are fitted, as no others inform it.

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
        True answers by the prior where ``outlooks`` refuses because there are too few readings yet.

    Returns
    -------
    Outlook
        Where an estimate came to nothing, it says why.
    """
    now_s = as_of.timestamp()
    box_input, rooms = by_room(histories, now_s)
    asked = next(one for one in box_input if one.name == box_name)
    same_style = [one for one in box_input if one.history.box.style == asked.history.box.style]
    limit = asked.history.box.humidity_limit if humidity_limit is None else humidity_limit
    disturbance_rates = rates_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, None, disturbance_rates, False, assumptions)
    first = [first_fit(one, rooms, now_s, assumptions, at_any_age=at_any_age and one is asked) for one in same_style]
    jobs = _with_others(first, (), [limit] * len(same_style))
    return _outlook(shared, jobs[same_style.index(asked)])[0]


def _outlooks(  # noqa: PLR0917
    box_input: Sequence[BoxInput],
    shared: _Shared,
    limits: Sequence[float],
    memory: Memory | None,
    workers: int | None,
    progress: Progress,
) -> list[Outlook]:
    """Update the boxes that can be; fit all others alone, then again under the prior pooled over all."""
    rooms = shared.rooms
    last_fits = memory.last_fits(box_input, rooms, shared.now_s) if memory else [None] * len(box_input)
    known = {k: _Update(one, limits[k]) for k, one in enumerate(last_fits) if one is not None}
    share = len(known) / max(_UPDATES_PER_FIT * len(box_input) - (_UPDATES_PER_FIT - 1) * len(known), 1)
    with worker_pool(shared, len(box_input) - len(known) + len(known) // _UPDATES_PER_FIT, workers) as executor:
        answers: dict[int, Outlook] = {}
        updates = _with_progress(executor.each(_updated, list(known.values())), len(known), progress, 0.0, share)
        for k, (outlook, now) in zip(known, updates, strict=True):
            if memory and memory.take_update(box_input[k], rooms, now):
                answers[k] = outlook
        new = [k for k in range(len(box_input)) if k not in answers]
        middle = share + (1.0 - share) * _FIRST_FITS_SHARE
        first = list(
            _with_progress(executor.each(_first_fit, [box_input[k] for k in new]), len(new), progress, share, middle)
        )
        jobs = _with_others(first, memory.leak_observations() if memory else (), [limits[k] for k in new])
        fitted = _with_progress(executor.each(_outlook, jobs), len(new), progress, middle, 1.0)
        for k, one, (outlook, posterior) in zip(new, jobs, fitted, strict=True):
            answers[k] = outlook
            if memory and posterior:
                memory.remember(box_input[k], rooms, one.first, one.style_leak, posterior)
    return [answers[k] for k in range(len(box_input))]


def _with_progress(
    answers: Iterable[_Answer], count: int, progress: Progress, start: float, end: float
) -> Iterator[_Answer]:
    """Pass answers on and report the share done."""
    for done, answer in enumerate(answers, start=1):
        yield answer
        progress(start + (end - start) * done / count)


def _first_fit(shared: _Shared, box_input: BoxInput) -> FirstFit:
    return first_fit(box_input, shared.rooms, shared.now_s, shared.assumptions)


def _updated(shared: _Shared, update: _Update) -> tuple[Outlook, Posterior | RefitReason]:
    last_fit = update.last_fit
    now = last_fit.updated(shared.rooms, shared.now_s)
    if isinstance(now, RefitReason):
        return Outlook(), now
    outlook = _outlook_of(now, last_fit.first, last_fit.style_leak, update.limit, shared)
    if outlook.trace:
        _log.error("box %s is fitted again: updated, it has no outlook\n%s", now.box.name, outlook.trace)
        return outlook, RefitReason.failed
    return outlook, now.for_update()


def _with_others(
    first: Sequence[FirstFit], others: Sequence[LeakObservation], limits: Sequence[float]
) -> list[_SecondFit]:
    """Each box with the prior of its leak pooled over the others and its own earlier episodes."""
    observations = [*others, *finite_only(s for one in first for s in one.observations)]
    return [_second_fit(one, observations, limit) for one, limit in zip(first, limits, strict=True)]


def _second_fit(first: FirstFit, observations: list[LeakObservation], limit: float) -> _SecondFit:
    posterior = first.posterior
    if posterior is None:
        return _SecondFit(first, (0.0, 0.0), None, limit)
    style_leak = pool(posterior.box, 0.0, [s for s in observations if s.box != posterior.box.name])
    return _SecondFit(first, _pooled(posterior, first.change_point, observations), style_leak, limit)


def _pooled(
    posterior: Posterior, change: ChangePoint | None, observations: list[LeakObservation]
) -> tuple[float, float]:
    """Mean and sd of the pooled prior; what a box was before a change point says nothing of it now."""
    if change is not None:
        observations = [s for s in observations if s.box != posterior.box.name or s.at_s > change.at.timestamp()]
    return pool(posterior.box, posterior.episode.start_s, observations)


def _outlook(shared: _Shared, job: _SecondFit) -> tuple[Outlook, Posterior | None]:
    first = job.first
    if first.posterior is None:
        return first.refused, None
    try:
        posterior = with_change_point(under_pooled_prior(first.posterior, job.pooled))
    except Exception as error:
        return refused(error), None
    outlook = _outlook_of(posterior, first, job.style_leak, job.limit, shared)
    return outlook, posterior.for_update() if shared.remembered else None


def _outlook_of(
    posterior: Posterior, first: FirstFit, style_leak: tuple[float, float] | None, limit: float, shared: _Shared
) -> Outlook:
    try:
        return _answer(posterior, first, style_leak, limit, shared)
    except Exception as error:
        return refused(error)


def _answer(
    posterior: Posterior, first: FirstFit, style_leak: tuple[float, float] | None, limit: float, shared: _Shared
) -> Outlook:
    posterior = replace(posterior, shelf_rates=shared.disturbance_rates)
    futures = crossing_ahead(posterior, limit, shared.horizon_days)
    ahead = forecast_of(posterior, limit, futures, shared.horizon_days)
    leak = replace(
        leak_of(posterior),
        comparison=comparison_of(posterior, style_leak),
        for_its_kind=tightness_of(posterior, style_leak),
        grams_words=grams_words(posterior),
    )
    if (since := change_point_of(posterior) or first.change_point) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    outlook = Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(
            *filter(None, (first.remark,)),
            *evidence_of(posterior, leak_seen_before=first.leak_seen_before(posterior.episode.start_s)),
        ),
        sharpen=best_measurement(posterior, futures[0], limit),
        forecast_if=what_if(posterior, shared.change, shared.horizon_days) if shared.change else None,
    )
    if not all(map(math.isfinite, _numbers((outlook.leak, outlook.forecast, outlook.forecast_if)))):
        raise FloatingPointError("some number of the leak or the forecast is not finite")
    return outlook


def _numbers(answer: object) -> Iterator[float]:
    """Every number of an answer, however deep."""
    if isinstance(answer, float):
        yield answer
    elif isinstance(answer, tuple):
        for part in answer:
            yield from _numbers(part)
    elif is_dataclass(answer):
        for one in fields(answer):
            yield from _numbers(getattr(answer, one.name))
