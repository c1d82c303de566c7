"""The shelf: every box, worst first, ready for the template."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.presentation.wording import (
    FULL_BEADS,
    Wording,
    ago,
    percent,
    sentence,
)
from monitor.records import Assessment, BoxState
from monitor.services.assess import SILENT_AFTER_DAYS, leaks_more, rule_of_days, silent_for
from monitor.web.drawing import (
    BeadColumn,
    Frame,
    Strip,
    bead_column,
    frame_of,
    strip,
)
from monitor.web.snapshot import HISTORY_DAYS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.web.snapshot import Snapshot

SIGNS = {
    BoxState.over_limit: "over",
    BoxState.due: "due",
    BoxState.within_limit: "within",
    BoxState.not_enough_evidence: "unsure",
    BoxState.estimate_failed: "unsure",
    BoxState.no_readings: "silent",
}
"""Each state has a shape of its own in the template, so that color never speaks alone."""


@dataclass(frozen=True, slots=True)
class BoxCard:
    """One box as it stands on the shelf."""

    name: str
    sign: str
    state: str
    fault: str
    """Since when it leaks more than it did, with what to do; empty where it does not."""
    humidity: str
    """The last one that it showed, as a figure."""
    reading: str
    """The same, never without its age where it is old."""
    limit: str
    seen: str
    seen_at: str
    """The same as an instant, for machines."""
    is_stale: bool
    estimate_now: str
    """What humidity is now, where the last reading is old."""
    to_do: str
    reason: str
    beads: str
    crossing: str
    why_not: str
    column: BeadColumn
    strip: Strip
    strip_words: str


@dataclass(frozen=True, slots=True)
class ShelfView:
    """The page of the shelf."""

    cards: Sequence[BoxCard]
    frame: Frame
    days: tuple[str, str, str]
    headline: str
    room: str
    rule: str
    """What the day by which a box is to be dried means, and what full beads are."""
    drying: tuple[str, Sequence[str]] | None
    """The next day worth heating up for, and the boxes it serves."""


def view(snapshot: Snapshot, words: Wording) -> ShelfView:
    """Return the page of the shelf."""
    frame = frame_of(snapshot.as_of, snapshot.answers, list(snapshot.recent.values()), HISTORY_DAYS)
    return ShelfView(
        cards=[card(snapshot, answer, frame, words) for answer in snapshot.answers],
        frame=frame,
        days=(
            words.day(frame.start, frame.as_of),
            words.day(frame.as_of, frame.as_of),
            words.day(frame.end, frame.as_of),
        ),
        headline=headline(snapshot.answers),
        room=_room(snapshot, words),
        rule=f"{rule_of_days()} {FULL_BEADS}",
        drying=_drying(snapshot),
    )


def card(snapshot: Snapshot, answer: Assessment, frame: Frame, words: Wording) -> BoxCard:
    """Return one box as it stands on the shelf."""
    forecast, latest = answer.forecast, answer.latest
    crossing = words.crossing(forecast, answer.as_of) if forecast else ""
    humidity = percent(latest.relative_humidity, 1) if latest else "no reading"
    limit = percent(answer.box.humidity_limit) if answer.state is not BoxState.undeclared else ""
    return BoxCard(
        name=answer.box.name,
        sign=SIGNS.get(answer.state, "silent"),
        state=words.state(answer),
        fault=words.fault(answer),
        humidity=humidity,
        reading=words.reading(answer),
        limit=limit,
        seen=ago(answer.as_of - latest.at) if latest else "",
        seen_at=latest.at.isoformat(timespec="seconds") if latest else "",
        is_stale=silent_for(answer) is not None,
        estimate_now=words.estimate_now(answer),
        to_do=words.to_do(answer),
        reason=words.reason(answer),
        beads=words.beads_full(answer),
        crossing=crossing,
        why_not=sentence(answer.refusal) if answer.refusal else "",
        column=bead_column(forecast.capacity_used if forecast else None),
        strip=strip(answer, snapshot.recent.get(answer.box.name), frame, words.zone),
        strip_words=f"Humidity {words.reading(answer)}; limit {limit}; rises above it: {crossing or 'no forecast'}",
    )


def headline(answers: Sequence[Assessment]) -> str:
    """Return the shelf in one sentence."""
    if not answers:
        return "There is no box yet."
    parts = []
    for state, one, many in (
        (BoxState.over_limit, "is over its limit", "are over their limits"),
        (BoxState.due, "is due within a month", "are due within a month"),
        (BoxState.estimate_failed, "has an estimate that failed", "have estimates that failed"),
        (BoxState.not_enough_evidence, "needs more readings", "need more readings"),
        (BoxState.no_readings, "sends no readings", "send no readings"),
    ):
        count = sum(answer.state is state for answer in answers)
        if count:
            parts.append(f"{count} {one if count == 1 else many}")
    if leaky := sum(leaks_more(answer) for answer in answers):
        parts.append(f"{leaky} {'leaks' if leaky == 1 else 'leak'} more than before")
    if not parts:
        return f"All {len(answers)} boxes are within their limits."
    return f"Of {len(answers)} boxes, " + ", ".join(parts) + "."


def _drying(snapshot: Snapshot) -> tuple[str, Sequence[str]] | None:
    if snapshot.plan is None or not snapshot.plan.days:
        return None
    planned = snapshot.plan.days[0]
    return f"{planned.on:%A}, {planned.on.day} {planned.on:%B}, {planned.appliance}", planned.boxes


def _room(snapshot: Snapshot, words: Wording) -> str:
    room = snapshot.room
    if room is None or room.at > snapshot.as_of:
        return ""
    old = snapshot.as_of - room.at
    age = f", {ago(old)}" if old > timedelta(days=SILENT_AFTER_DAYS) else ""
    return f"{words.temperature(room.temperature_degc)}, {percent(room.relative_humidity)}{age}"
