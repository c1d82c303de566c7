"""The one question the joint asks: what is believed of each box, all of them looked at together."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from monitor.inference.advice import comparison_of, evidence_of
from monitor.inference.forecast import HORIZON_DAYS, crossing_ahead, forecast_of
from monitor.inference.leak import Posterior, leak_of, under_pooled
from monitor.inference.pooling import Sighting, pool
from monitor.inference.questions.changes import Change, change_of, with_change, words_for
from monitor.inference.questions.sharpen import sharpening_of
from monitor.inference.questions.what_if import what_if
from monitor.inference.together.cores import crew
from monitor.inference.together.looks import Looked, Room, Told, by_room, first_look, refusal_of
from monitor.inference.together.memory import Memory
from monitor.records import BoxHistory, Outlook, WhatIf

Progress = Callable[[float], None]
_Answer = TypeVar("_Answer")

_FIRST_LOOKS_SHARE = 0.55
"""Of the time that all takes."""
_CARRIED_TO_A_FIT = 3
"""So many boxes carried on are the work of one fitted."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What the looks at all boxes have in common."""

    rooms: tuple[Room, ...]
    now_s: float
    horizon_days: int
    change: WhatIf | None
    remembered: bool
    """True where what is fitted comes back beside the outlook."""


@dataclass(frozen=True, eq=False)
class _Again:
    """A box to be looked at again, knowing what the others told."""

    looked: Looked
    pooled: tuple[float, float] | None
    """Mean and spread of its leak before its readings; None where what is believed needs no other look."""
    kind: tuple[float, float] | None
    """The same of boxes of its style, its own earlier episodes left out."""
    limit: float


_Answered = tuple[Outlook, Posterior | None]
"""An outlook, and what was newly fitted for it where that is to be remembered."""


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

    ``change`` asks what each box would do with something changed, beside what it does. With a ``memory`` of earlier
    looks, boxes are carried on where that will do. Many boxes are spread over ``workers`` processes, by default one for
    each core; ``progress`` is told the share done.
    """
    now_s = as_of.timestamp()
    limits = humidity_limits or [history.box.humidity_limit for history in histories]
    told, rooms = by_room(histories)
    carried = memory.carried_on(told, rooms, now_s) if memory else [None] * len(told)
    new = [one for one, before in zip(told, carried, strict=True) if before is None]
    shared = _Shared(rooms, now_s, horizon_days, change, memory is not None)
    with crew(shared, len(new) + (len(told) - len(new)) // _CARRIED_TO_A_FIT, workers) as hands:
        first = iter(list(_heard(hands.each(_first_look, new), len(new), progress, 0.0, _FIRST_LOOKS_SHARE)))
        looked = [next(first) if before is None else before for before in carried]
        again = _with_others(looked, [before is None for before in carried], limits)
        answers = list(_heard(hands.each(_outlook, again), len(told), progress, _FIRST_LOOKS_SHARE, 1.0))
    for one, look, (_, fitted) in zip(told, looked, answers, strict=True):
        if memory and fitted is not None:
            memory.keep(one, rooms, look, fitted)
    return [outlook for outlook, _ in answers]


def _heard(answers: Iterable[_Answer], count: int, progress: Progress, start: float, end: float) -> Iterator[_Answer]:
    """Pass answers on, telling how far they are."""
    for done, answer in enumerate(answers, start=1):
        yield answer
        progress(start + (end - start) * done / count)


def _first_look(shared: _Shared, told: Told) -> Looked:
    return first_look(told, shared.rooms, shared.now_s)


def _with_others(looked: Sequence[Looked], new: Sequence[bool], limits: Sequence[float]) -> list[_Again]:
    """Each box with what the others, and its own earlier episodes, taught of its leak."""
    sightings = [s for one in looked for s in one.sightings]
    return [
        _Again(
            one,
            _pooled(one.first, one.apart, sightings) if one.first and anew else None,
            pool(one.first.box, 0.0, [s for s in sightings if s.box != one.first.box.name]) if one.first else None,
            limit,
        )
        for one, anew, limit in zip(looked, new, limits, strict=True)
    ]


def _pooled(first: Posterior, apart: Change | None, sightings: list[Sighting]) -> tuple[float, float]:
    """Mean and spread to start from; what a box was before it changed says nothing of it now."""
    if apart is not None:
        sightings = [s for s in sightings if s.box != first.box.name or s.at_s > apart.at.timestamp()]
    return pool(first.box, first.episode.start_s, sightings)


def _outlook(shared: _Shared, again: _Again) -> _Answered:
    looked, believed = again.looked, again.looked.first
    if believed is None:
        return Outlook(refusal=looked.refusal), None
    try:
        if again.pooled is not None:
            believed = with_change(under_pooled(believed, again.pooled))
        outlook = _outlook_of(believed, again, shared)
    except Exception as error:
        _log.debug("box %s has no outlook", believed.box.name, exc_info=True)
        return Outlook(refusal=refusal_of(error)), None
    return outlook, believed if shared.remembered and again.pooled is not None else None


def _outlook_of(posterior: Posterior, again: _Again, asked: _Shared) -> Outlook:
    looked, limit = again.looked, again.limit
    futures = crossing_ahead(posterior, limit, asked.horizon_days)
    ahead = forecast_of(posterior, limit, futures, asked.horizon_days)
    leak = replace(leak_of(posterior), comparison=comparison_of(posterior, again.kind))
    if (since := change_of(posterior) or looked.apart) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    return Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(*filter(None, (looked.remark,)), *evidence_of(posterior, ahead)),
        sharpen=sharpening_of(posterior, futures[0], limit),
        forecast_if=what_if(posterior, asked.change, asked.horizon_days) if asked.change else None,
    )
