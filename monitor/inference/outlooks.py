"""The one question the joint asks: what is believed of each box, all of them looked at together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from monitor.errors import OutOfRangeError, TooLittleEvidence
from monitor.inference.advice import comparison_of, evidence_of
from monitor.inference.forecast import HORIZON_DAYS, crossing_ahead, forecast_of
from monitor.inference.leak import Posterior, Record, estimate, leak_of
from monitor.inference.pooling import Sighting, pool, sighting_of, tested
from monitor.inference.posterior.beside_room import comparisons
from monitor.inference.posterior.hours import Hours, reduce_to_hours
from monitor.inference.questions.changes import (
    Change,
    Level,
    change_of,
    latest_change,
    level_of,
    with_change,
    words_for,
)
from monitor.inference.questions.sharpen import sharpening_of
from monitor.inference.questions.what_if import what_if
from monitor.records import Box, BoxHistory, EntryKind, Outlook, ReadingSeries, WhatIf

_FIRST_LOOK_DRAWS = 400
_STANDS_IN = (
    "Fresh beads: how dry they are is known from the recharge desk, how leaky the box is from before they went in."
)


@dataclass(frozen=True, eq=False)
class _Looked:
    """A box after the first look: its record, and what it told by itself."""

    record: Record
    first: Posterior | None
    refusal: str
    sightings: tuple[Sighting, ...]
    remark: str = ""
    levels: tuple[Level, ...] = ()
    """How leaky the box was in earlier episodes, in order of time."""


def outlooks(
    histories: Sequence[BoxHistory],
    as_of: datetime,
    humidity_limits: Sequence[float] | None = None,
    horizon_days: int = HORIZON_DAYS,
    change: WhatIf | None = None,
) -> list[Outlook]:
    """Return one outlook for each history, in order; boxes given together inform each other.

    ``change`` asks what each box would do with something changed, beside what it does.
    """
    now_s = as_of.timestamp()
    rooms: dict[int, Hours] = {}
    looked = [_first_look(history, rooms, now_s) for history in histories]
    sightings = [s for one in looked for s in one.sightings]
    limits = humidity_limits or [history.box.humidity_limit for history in histories]
    question = _Question(now_s, horizon_days, change)
    return [_outlook(one, sightings, limit, question) for one, limit in zip(looked, limits, strict=True)]


def _first_look(history: BoxHistory, rooms: dict[int, Hours], now_s: float) -> _Looked:
    record = Record(
        history.box,
        reduce_to_hours(history.readings),
        _room(history.room, rooms),
        history.entries,
        history.room_climate,
        comparisons(history.readings, history.room, history.entries),
    )
    try:
        first = estimate(record, now_s, count=_FIRST_LOOK_DRAWS)
    except TooLittleEvidence as error:
        return _too_young(record, now_s, str(error))
    except OutOfRangeError as error:
        return _Looked(record, None, str(error), ())
    earlier = _earlier(record, first.episode.start_s)
    found = [sighting_of(first), *map(sighting_of, earlier), *tested(history.box, history.entries, now_s)]
    levels = tuple(level_of(one) for one in earlier)
    return _Looked(record, first, "", tuple(s for s in found if s is not None), levels=levels)


def _too_young(record: Record, now_s: float, refusal: str) -> _Looked:
    """Look at an episode that has no readings yet; where beads of known dryness went in, earlier ones stand in."""
    fillings = [e for e in record.entries if e.kind in (EntryKind.charge, EntryKind.recharge)]
    newest = max((e for e in fillings if e.at.timestamp() < now_s), key=lambda e: e.at, default=None)
    if newest is None or newest.loading_g_per_g is None:
        return _Looked(record, None, refusal, ())
    earlier = _earlier(record, newest.at.timestamp())
    told = (*map(sighting_of, earlier), *tested(record.box, record.entries, now_s))
    found = tuple(s for s in told if s is not None)
    if not found:
        return _Looked(record, None, refusal, ())
    return _Looked(record, estimate(record, now_s, count=_FIRST_LOOK_DRAWS, least_days=0.0), "", found, _STANDS_IN)


def _room(series: ReadingSeries | None, rooms: dict[int, Hours]) -> Hours | None:
    """Hours of a room, reduced once for all the boxes that share it."""
    if series is None or len(series) == 0:
        return None
    if id(series) not in rooms:
        rooms[id(series)] = reduce_to_hours(series)
    return rooms[id(series)]


def _earlier(record: Record, start_s: float) -> list[Posterior]:
    """What the last three earlier episodes told, each looked at as it ended."""
    fillings = (EntryKind.charge, EntryKind.recharge)
    ends = [e.at.timestamp() for e in record.entries if e.kind in fillings and e.at.timestamp() <= start_s + 60.0][1:]
    found: list[Posterior] = []
    for end in sorted(ends)[-3:]:
        try:
            found.append(with_change(estimate(record, end - 1.0, count=_FIRST_LOOK_DRAWS)))
        except TooLittleEvidence:
            continue
    return found


def _still_true(sightings: list[Sighting], box: Box, change: Change | None) -> list[Sighting]:
    """Sightings less those of this box as it was before it changed."""
    if change is None:
        return sightings
    return [s for s in sightings if s.box != box.name or s.at_s > change.at.timestamp()]


@dataclass(frozen=True)
class _Question:
    """What is asked of every box alike."""

    now_s: float
    horizon_days: int
    change: WhatIf | None


def _outlook(one: _Looked, sightings: list[Sighting], limit: float, asked: _Question) -> Outlook:
    if one.first is None:
        return Outlook(refusal=one.refusal)
    apart = latest_change((*one.levels, level_of(one.first)))
    pooled = pool(one.record.box, one.first.episode.start_s, _still_true(sightings, one.record.box, apart))
    posterior = with_change(estimate(one.record, asked.now_s, pooled=pooled, least_days=0.0))
    futures = crossing_ahead(posterior, limit, asked.horizon_days)
    ahead = forecast_of(posterior, limit, futures, asked.horizon_days)
    leak = replace(leak_of(posterior), comparison=comparison_of(posterior))
    if (since := change_of(posterior) or apart) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    return Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(*filter(None, (one.remark,)), *evidence_of(posterior, ahead)),
        sharpen=sharpening_of(posterior, futures[0], limit),
        forecast_if=what_if(posterior, asked.change, asked.horizon_days) if asked.change else None,
    )
