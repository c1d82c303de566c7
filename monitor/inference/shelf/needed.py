"""Which readings of a box and its room an estimate rests on: those of some episodes, however old the box is.

A fit cuts what it is given by this, so that whoever reads no more than this gets the very same answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.inference.evidence.room_climate import ROOM_COUNTS_DAYS
from monitor.inference.fit.reseating import EPISODES_COUNTED, earlier_episode_ends
from monitor.inference.model.sensor_bias import EPISODES_COMPARED, span_compared
from monitor.records import EntryKind, LedgerEntry, ReadingSeries
from monitor.records.logged import FILLINGS
from monitor.series.hourly_values import HOUR_S
from monitor.series.sensor_faults import NEARBY_S
from monitor.series.spans import between, joined
from monitor.units import SECONDS_PER_DAY

_LEAD_S = NEARBY_S + SECONDS_PER_DAY
"""Readings from so long before an episode count too. [s] Judgement: a week, by which a hung sensor is known, and a
day."""
_ABOUT_SWAP_S = 7.0 * SECONDS_PER_DAY
"""By how much two sensors disagree is known from so long before a swap and after it. [s] Judgement: days enough for
what a box usually rises to be known."""
_UNDATED_S = 365.0 * SECONDS_PER_DAY
"""A box of which no beads were ever logged is looked at so far back. [s] Judgement: every season, and without beads it
comes to its room's humidity in weeks."""
GRID_S = 28.0 * SECONDS_PER_DAY
"""What moves on with the present does so in such steps, so that what a kept fit knew stays as it was meanwhile. [s]
Judgement: fits are renewed more often anyway."""

Span = tuple[float, float]


@dataclass(frozen=True)
class Needed:
    """The spans of time whose readings an estimate rests on; all begin and end at full hours."""

    since_s: float
    """From here on all readings of the box. [s since 1970 UTC]"""
    earlier: tuple[Span, ...]
    """Spans before that, in order and apart: about openings, changes of beads, and swaps of the sensor.
    [s since 1970 UTC]"""
    swaps: tuple[Span, ...]
    """Those about swaps of the sensor, one each. [s since 1970 UTC]"""
    one_by_one: tuple[Span, ...]
    """Spans in which readings count one by one, as they are held against the room's; elsewhere one robust value an hour
    says the same. In order and apart. [s since 1970 UTC]"""
    room_since_s: float
    """From here on all readings of the room. [s since 1970 UTC]"""

    def of(self, series: ReadingSeries) -> ReadingSeries:
        """Return what of a box's readings is needed.

        Parameters
        ----------
        series : ReadingSeries
            In order of time.

        Returns
        -------
        ReadingSeries
            The same object where all of it is.
        """
        spans = (*self.earlier, (self.since_s, math.inf))
        parts = [between(series, *span) for span in spans]
        return series if sum(map(len, parts)) == len(series) else joined(parts)


def needed_of(entries: Sequence[LedgerEntry], newest_s: float, now_s: float) -> Needed:
    """Return what an estimate of a box rests on.

    The current episode and the earlier ones that inform its leak are needed whole. A sensor is held against the room's
    at openings, and before beads went in, of some episodes more. Where no beads were ever logged the last year counts.

    Parameters
    ----------
    entries : sequence of LedgerEntry
        Of this box.
    newest_s : float
        When it reported last before the present; anything where it never did. [s since 1970 UTC]
    now_s : float
        The present. [s since 1970 UTC]

    Returns
    -------
    Needed
        Of the box and its room.
    """
    fillings = sorted(e.at.timestamp() for e in entries if e.kind in FILLINGS and e.at.timestamp() < now_s)
    since_s = _on_grid(newest_s - _UNDATED_S)
    earlier_ends = earlier_episode_ends(fillings)
    if fillings:
        since_s = _hour_before(fillings[-len(earlier_ends) - 1] - _LEAD_S)
    enough = max(EPISODES_COUNTED, len(earlier_ends)) + EPISODES_COMPARED
    compared_after_s = fillings[-enough] if len(fillings) >= enough else -math.inf
    swaps = tuple(
        (_hour_before(at_s - _ABOUT_SWAP_S), _hour_after(at_s + _ABOUT_SWAP_S))
        for at_s in _times_s(entries, (EntryKind.sensor_swap,))
        if at_s < since_s
    )
    compared = [
        (_hour_before(start_s), _hour_after(end_s))
        for at_s in _times_s(entries, (*FILLINGS, EntryKind.opening))
        if compared_after_s < at_s
        for start_s, end_s in [span_compared(at_s)]
    ]
    first_fitted_s = min([*fillings[-EPISODES_COUNTED:], *earlier_ends], default=now_s)
    climate_s = first_fitted_s - ROOM_COUNTS_DAYS * SECONDS_PER_DAY - _LEAD_S
    first_s = min(since_s, *(start_s for start_s, _ in compared), climate_s)
    earlier = _apart([*compared, *swaps], since_s)
    return Needed(since_s, earlier, swaps, _apart(compared), _on_grid(first_s - HOUR_S))


def _times_s(entries: Sequence[LedgerEntry], kinds: tuple[EntryKind, ...]) -> list[float]:
    return [e.at.timestamp() for e in entries if e.kind in kinds]


def _apart(spans: list[Span], before_s: float = math.inf) -> tuple[Span, ...]:
    """Spans in order, those that touch made one, and none of what lies after an instant."""
    found: list[Span] = []
    for start_s, end_s in sorted((start_s, min(end_s, before_s)) for start_s, end_s in spans):
        if found and start_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end_s))
        elif start_s < end_s:
            found.append((start_s, end_s))
    return tuple(found)


def _hour_before(at_s: float) -> float:
    return math.floor(at_s / HOUR_S) * HOUR_S


def _hour_after(at_s: float) -> float:
    return math.ceil(at_s / HOUR_S) * HOUR_S


def _on_grid(at_s: float) -> float:
    return math.floor(at_s / GRID_S) * GRID_S
