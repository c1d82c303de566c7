"""The one question the joint asks: what is believed of each box, all of them looked at together."""

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
from monitor.inference.answers.value_of_measurement import sharpening_of
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import DisturbanceRates, rates_of
from monitor.inference.fit.change_point import (
    ChangePoint,
    change_point_of,
    with_change_point,
    words_for,
)
from monitor.inference.fit.fit import under_pooled
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
    Memory,
    Night,
    RefitReason,
)
from monitor.inference.shelf.workers import worker_pool
from monitor.records import BoxHistory, Outlook, WhatIf

Progress = Callable[[float], None]
_Answer = TypeVar("_Answer")

_FIRST_LOOKS_SHARE = 0.55
"""Of the time that all takes. Judgement; only a progress bar rests on it."""
_CARRIED_TO_A_FIT = 3
"""So many boxes carried on are the work of one fitted. Judgement: 79 and 36 ms a box were measured among 1,000
(DEVELOPERS.md), and a first look comes on top; only a progress bar and the number of processes rest on it."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What the looks at all boxes have in common."""

    rooms: tuple[Room, ...]
    now_s: float
    horizon_days: int
    change: WhatIf | None
    disturbance_rates: DisturbanceRates
    remembered: bool
    """True where what is fitted comes back beside the outlook."""
    assumptions: Assumptions | None = None
    """Settings of the model of errors; the usual ones where None."""


@dataclass(frozen=True, eq=False)
class _Again:
    """A box to be looked at again, knowing what the others told."""

    alone: FirstFit
    pooled: tuple[float, float]
    """Mean and spread of its leak before its readings."""
    kind: tuple[float, float] | None
    """The same of boxes of its style, its own earlier episodes left out."""
    limit: float


@dataclass(frozen=True, eq=False)
class _Carried:
    """A box to be carried on from the last night."""

    night: Night
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

    With a ``memory`` of earlier looks, boxes are carried on where that will do.

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
        What each box would do with this changed is forecast too, beside what it does.
    memory : Memory, optional
        Of earlier looks at the same shelf.
    workers : int, optional
        Processes for many boxes; one for each core where left out.
    progress : callable
        Is told the share done, from 0 to 1.

    Returns
    -------
    list of Outlook
        Where an estimate came to nothing, the outlook says why.
    """
    limits = humidity_limits or [history.box.humidity_limit for history in histories]
    box_input, rooms = by_room(histories)
    now_s = as_of.timestamp()
    disturbance_rates = rates_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, change, disturbance_rates, memory is not None)
    if memory is None:
        return _first_fits(box_input, shared, limits, None, workers, progress)
    with memory.one_at_a_time:
        return _first_fits(box_input, shared, limits, memory, workers, progress)


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

    Only boxes that can teach it are looked at: those of its style. ``at_any_age`` it is answered also where
    ``outlooks`` refuses because too little was seen of it.
    """
    box_input, rooms = by_room(histories)
    now_s = as_of.timestamp()
    asked = next(one for one in box_input if one.name == box_name)
    kin = [one for one in box_input if one.history.box.style == asked.history.box.style]
    limit = asked.history.box.humidity_limit if humidity_limit is None else humidity_limit
    disturbance_rates = rates_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, None, disturbance_rates, False, assumptions)
    alone = [first_fit(one, rooms, now_s, assumptions, at_any_age=at_any_age and one is asked) for one in kin]
    again = _with_others(alone, (), [limit] * len(kin))
    return _outlook(shared, again[kin.index(asked)])[0]


def _first_fits(  # noqa: PLR0917
    box_input: Sequence[BoxInput],
    shared: _Shared,
    limits: Sequence[float],
    memory: Memory | None,
    workers: int | None,
    progress: Progress,
) -> list[Outlook]:
    """Carry on what can be, look at all others, and look again at these knowing what all told."""
    rooms = shared.rooms
    nights = memory.nights(box_input, rooms, shared.now_s) if memory else [None] * len(box_input)
    known = {k: _Carried(night, limits[k]) for k, night in enumerate(nights) if night is not None}
    share = len(known) / max(_CARRIED_TO_A_FIT * len(box_input) - (_CARRIED_TO_A_FIT - 1) * len(known), 1)
    with worker_pool(shared, len(box_input) - len(known) + len(known) // _CARRIED_TO_A_FIT, workers) as hands:
        answers: dict[int, Outlook] = {}
        carried = _heard(hands.each(_carried_on, list(known.values())), len(known), progress, 0.0, share)
        for k, (outlook, now) in zip(known, carried, strict=True):
            if memory and memory.carried(box_input[k], rooms, now):
                answers[k] = outlook
        new = [k for k in range(len(box_input)) if k not in answers]
        middle = share + (1.0 - share) * _FIRST_LOOKS_SHARE
        alone = list(_heard(hands.each(_first_fit, [box_input[k] for k in new]), len(new), progress, share, middle))
        again = _with_others(alone, memory.learned_from_others() if memory else (), [limits[k] for k in new])
        fitted = _heard(hands.each(_outlook, again), len(new), progress, middle, 1.0)
        for k, one, (outlook, posterior) in zip(new, again, fitted, strict=True):
            answers[k] = outlook
            if memory and posterior:
                memory.keep(box_input[k], rooms, one.alone, one.kind, posterior)
    return [answers[k] for k in range(len(box_input))]


def _heard(answers: Iterable[_Answer], count: int, progress: Progress, start: float, end: float) -> Iterator[_Answer]:
    """Pass answers on, telling how far they are."""
    for done, answer in enumerate(answers, start=1):
        yield answer
        progress(start + (end - start) * done / count)


def _first_fit(shared: _Shared, box_input: BoxInput) -> FirstFit:
    return first_fit(box_input, shared.rooms, shared.now_s, shared.assumptions)


def _carried_on(shared: _Shared, known: _Carried) -> tuple[Outlook, Posterior | RefitReason]:
    night = known.night
    now = night.carried_on(shared.rooms, shared.now_s)
    if isinstance(now, RefitReason):
        return Outlook(), now
    outlook = _outlook_of(now, night.alone, night.kind, known.limit, shared)
    if outlook.trace:
        _log.error("box %s is fitted anew: carried on, it has no outlook\n%s", now.box.name, outlook.trace)
        return outlook, RefitReason.failed
    return outlook, now.at_night()


def _with_others(alone: Sequence[FirstFit], others: Sequence[LeakObservation], limits: Sequence[float]) -> list[_Again]:
    """Each box with what the others, and its own earlier episodes, taught of its leak."""
    observations = [*others, *finite_only(s for one in alone for s in one.observations)]
    return [_again(one, observations, limit) for one, limit in zip(alone, limits, strict=True)]


def _again(alone: FirstFit, observations: list[LeakObservation], limit: float) -> _Again:
    first = alone.first
    if first is None:
        return _Again(alone, (0.0, 0.0), None, limit)
    kind = pool(first.box, 0.0, [s for s in observations if s.box != first.box.name])
    return _Again(alone, _pooled(first, alone.apart, observations), kind, limit)


def _pooled(first: Posterior, apart: ChangePoint | None, observations: list[LeakObservation]) -> tuple[float, float]:
    """Mean and spread to start from; what a box was before it changed says nothing of it now."""
    if apart is not None:
        observations = [s for s in observations if s.box != first.box.name or s.at_s > apart.at.timestamp()]
    return pool(first.box, first.episode.start_s, observations)


def _outlook(shared: _Shared, again: _Again) -> tuple[Outlook, Posterior | None]:
    alone = again.alone
    if alone.first is None:
        return alone.refused, None
    try:
        posterior = with_change_point(under_pooled(alone.first, again.pooled))
    except Exception as error:
        return refused(error), None
    outlook = _outlook_of(posterior, alone, again.kind, again.limit, shared)
    return outlook, posterior.at_night() if shared.remembered else None


def _outlook_of(
    posterior: Posterior, alone: FirstFit, kind: tuple[float, float] | None, limit: float, asked: _Shared
) -> Outlook:
    try:
        return _answer(posterior, alone, kind, limit, asked)
    except Exception as error:
        return refused(error)


def _answer(
    posterior: Posterior, alone: FirstFit, kind: tuple[float, float] | None, limit: float, asked: _Shared
) -> Outlook:
    posterior = replace(posterior, shelf=asked.disturbance_rates)
    futures = crossing_ahead(posterior, limit, asked.horizon_days)
    ahead = forecast_of(posterior, limit, futures, asked.horizon_days)
    leak = replace(
        leak_of(posterior), comparison=comparison_of(posterior, kind), for_its_kind=tightness_of(posterior, kind),
        grams_words=grams_words(posterior),
    )  # fmt: skip
    if (since := change_point_of(posterior) or alone.apart) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    outlook = Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(
            *filter(None, (alone.remark,)),
            *evidence_of(posterior, leak_seen_before=alone.leak_seen_before(posterior.episode.start_s)),
        ),
        sharpen=sharpening_of(posterior, futures[0], limit),
        forecast_if=what_if(posterior, asked.change, asked.horizon_days) if asked.change else None,
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
