"""The one question the joint asks: what is believed of each box, all of them looked at together."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime
from typing import TypeVar

from monitor.inference.advice import comparison_of, evidence_of
from monitor.inference.episodes import Habits, habits_of
from monitor.inference.forecast import HORIZON_DAYS, crossing_ahead, forecast_of
from monitor.inference.leak import leak_of
from monitor.inference.pooling import Sighting, fit_to_teach, pool
from monitor.inference.posterior.believed import Posterior
from monitor.inference.posterior.fit import under_pooled
from monitor.inference.posterior.priors import Assumptions
from monitor.inference.questions.changes import Change, change_of, with_change, words_for
from monitor.inference.questions.sharpen import sharpening_of
from monitor.inference.questions.what_if import what_if
from monitor.inference.together.cores import crew
from monitor.inference.together.looks import Looked, Room, Told, by_room, first_look, refused
from monitor.inference.together.memory import Anew, Memory, Night
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
    habits: Habits
    remembered: bool
    """True where what is fitted comes back beside the outlook."""
    assumptions: Assumptions | None = None
    """Settings of the model of errors; the usual ones where None."""


@dataclass(frozen=True, eq=False)
class _Again:
    """A box to be looked at again, knowing what the others told."""

    looked: Looked
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

    ``change`` asks what each box would do with something changed, beside what it does. With a ``memory`` of earlier
    looks, boxes are carried on where that will do. Many boxes are spread over ``workers`` processes, by default one for
    each core; ``progress`` is told the share done.
    """
    limits = humidity_limits or [history.box.humidity_limit for history in histories]
    told, rooms = by_room(histories)
    now_s = as_of.timestamp()
    habits = habits_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, change, habits, memory is not None)
    if memory is None:
        return _look_at_all(told, shared, limits, None, workers, progress)
    with memory.one_at_a_time:
        return _look_at_all(told, shared, limits, memory, workers, progress)


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
    told, rooms = by_room(histories)
    now_s = as_of.timestamp()
    asked = next(one for one in told if one.name == box_name)
    kin = [one for one in told if one.history.box.style == asked.history.box.style]
    limit = asked.history.box.humidity_limit if humidity_limit is None else humidity_limit
    habits = habits_of((history.entries for history in histories), now_s)
    shared = _Shared(rooms, now_s, horizon_days, None, habits, False, assumptions)
    looked = [first_look(one, rooms, now_s, assumptions, at_any_age=at_any_age and one is asked) for one in kin]
    again = _with_others(looked, (), [limit] * len(kin))
    return _outlook(shared, again[kin.index(asked)])[0]


def _look_at_all(  # noqa: PLR0917
    told: Sequence[Told],
    shared: _Shared,
    limits: Sequence[float],
    memory: Memory | None,
    workers: int | None,
    progress: Progress,
) -> list[Outlook]:
    """Carry on what can be, look at all others, and look again at these knowing what all told."""
    rooms = shared.rooms
    nights = memory.nights(told, rooms, shared.now_s) if memory else [None] * len(told)
    known = {k: _Carried(night, limits[k]) for k, night in enumerate(nights) if night is not None}
    share = len(known) / max(_CARRIED_TO_A_FIT * len(told) - (_CARRIED_TO_A_FIT - 1) * len(known), 1)
    with crew(shared, len(told) - len(known) + len(known) // _CARRIED_TO_A_FIT, workers) as hands:
        answers: dict[int, Outlook] = {}
        carried = _heard(hands.each(_carried_on, list(known.values())), len(known), progress, 0.0, share)
        for k, (outlook, now) in zip(known, carried, strict=True):
            if memory and memory.carried(told[k], rooms, now):
                answers[k] = outlook
        new = [k for k in range(len(told)) if k not in answers]
        middle = share + (1.0 - share) * _FIRST_LOOKS_SHARE
        looked = list(_heard(hands.each(_first_look, [told[k] for k in new]), len(new), progress, share, middle))
        again = _with_others(looked, memory.told_by_others() if memory else (), [limits[k] for k in new])
        fitted = _heard(hands.each(_outlook, again), len(new), progress, middle, 1.0)
        for k, one, (outlook, believed) in zip(new, again, fitted, strict=True):
            answers[k] = outlook
            if memory and believed:
                memory.keep(told[k], rooms, one.looked, one.kind, believed)
    return [answers[k] for k in range(len(told))]


def _heard(answers: Iterable[_Answer], count: int, progress: Progress, start: float, end: float) -> Iterator[_Answer]:
    """Pass answers on, telling how far they are."""
    for done, answer in enumerate(answers, start=1):
        yield answer
        progress(start + (end - start) * done / count)


def _first_look(shared: _Shared, told: Told) -> Looked:
    return first_look(told, shared.rooms, shared.now_s, shared.assumptions)


def _carried_on(shared: _Shared, known: _Carried) -> tuple[Outlook, Posterior | Anew]:
    night = known.night
    now = night.carried_on(shared.rooms, shared.now_s)
    if isinstance(now, Anew):
        return Outlook(), now
    outlook = _outlook_of(now, night.looked, night.kind, known.limit, shared)
    if outlook.trace:
        _log.error("box %s is fitted anew: carried on, it has no outlook\n%s", now.box.name, outlook.trace)
        return outlook, Anew.failed
    return outlook, now.at_night()


def _with_others(looked: Sequence[Looked], others: Sequence[Sighting], limits: Sequence[float]) -> list[_Again]:
    """Each box with what the others, and its own earlier episodes, taught of its leak."""
    sightings = [*others, *fit_to_teach(s for one in looked for s in one.sightings)]
    return [_again(one, sightings, limit) for one, limit in zip(looked, limits, strict=True)]


def _again(looked: Looked, sightings: list[Sighting], limit: float) -> _Again:
    first = looked.first
    if first is None:
        return _Again(looked, (0.0, 0.0), None, limit)
    kind = pool(first.box, 0.0, [s for s in sightings if s.box != first.box.name])
    return _Again(looked, _pooled(first, looked.apart, sightings), kind, limit)


def _pooled(first: Posterior, apart: Change | None, sightings: list[Sighting]) -> tuple[float, float]:
    """Mean and spread to start from; what a box was before it changed says nothing of it now."""
    if apart is not None:
        sightings = [s for s in sightings if s.box != first.box.name or s.at_s > apart.at.timestamp()]
    return pool(first.box, first.episode.start_s, sightings)


def _outlook(shared: _Shared, again: _Again) -> tuple[Outlook, Posterior | None]:
    looked = again.looked
    if looked.first is None:
        return looked.refused, None
    try:
        believed = with_change(under_pooled(looked.first, again.pooled))
    except Exception as error:
        return refused(error), None
    outlook = _outlook_of(believed, looked, again.kind, again.limit, shared)
    return outlook, believed.at_night() if shared.remembered else None


def _outlook_of(
    posterior: Posterior, looked: Looked, kind: tuple[float, float] | None, limit: float, asked: _Shared
) -> Outlook:
    try:
        return _answer(posterior, looked, kind, limit, asked)
    except Exception as error:
        return refused(error)


def _answer(
    posterior: Posterior, looked: Looked, kind: tuple[float, float] | None, limit: float, asked: _Shared
) -> Outlook:
    posterior = replace(posterior, shelf=asked.habits)
    futures = crossing_ahead(posterior, limit, asked.horizon_days)
    ahead = forecast_of(posterior, limit, futures, asked.horizon_days)
    leak = replace(leak_of(posterior), comparison=comparison_of(posterior, kind))
    if (since := change_of(posterior) or looked.apart) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    outlook = Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(
            *filter(None, (looked.remark,)),
            *evidence_of(posterior, leak_seen_before=looked.leak_seen_before(posterior.episode.start_s)),
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
