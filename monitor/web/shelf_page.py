"""The shelf: every box, worst first, ready for the template."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.presentation.answers import CHANCES_WITHIN_DAYS, sentence
from monitor.presentation.wording import (
    Wording,
    ago,
    chance_cell,
    percent,
    percents,
)
from monitor.records import Assessment, BoxState
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

STALE_AFTER = timedelta(days=1)  # judgement: no node reports more seldom

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
    humidity: str
    limit: str
    seen: str
    is_stale: bool
    used: str
    crossing: str
    crossing_brief: str
    chances: tuple[str, str] | None
    """What the chance is of, and the chance: of passing the limit soon, or of being over it already."""
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
        humidity=humidity,
        limit=limit,
        seen=ago(answer.as_of - latest.at) if latest else "",
        is_stale=latest is not None and answer.as_of - latest.at > STALE_AFTER,
        used=percents(forecast.capacity_used) if forecast else "unknown",
        crossing=crossing,
        crossing_brief=words.crossing_in_brief(forecast, answer.as_of) if forecast else "",
        chances=_chances(answer),
        why_not=sentence(answer.refusal) if answer.refusal else "",
        column=bead_column(forecast.capacity_used if forecast else None),
        strip=strip(answer, snapshot.recent.get(answer.box.name), frame, words.zone),
        strip_words=f"Humidity {humidity}, limit {limit}; passes it: {crossing or 'no forecast'}",
    )


def _chances(answer: Assessment) -> tuple[str, str] | None:
    forecast = answer.forecast
    if forecast is None:
        return None
    if answer.state is BoxState.over_limit:
        return "chance it is over", chance_cell(forecast.chance_over_already)
    return (
        "chance, 7 / 30 days",
        " / ".join(chance_cell(forecast.chance_within(days)) for days in CHANCES_WITHIN_DAYS),
    )


def headline(answers: Sequence[Assessment]) -> str:
    """Return the shelf in one sentence."""
    if not answers:
        return "No box is declared yet, and none has reported."
    parts = []
    for state, one, many in (
        (BoxState.over_limit, "is over its limit", "are over their limits"),
        (BoxState.due, "is due", "are due"),
        (BoxState.estimate_failed, "has an estimate that failed", "have estimates that failed"),
        (BoxState.not_enough_evidence, "needs more evidence", "need more evidence"),
        (BoxState.no_readings, "is silent", "are silent"),
    ):
        count = sum(answer.state is state for answer in answers)
        if count:
            parts.append(f"{count} {one if count == 1 else many}")
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
    return f"{words.temperature(room.temperature_degc)}, {percent(room.relative_humidity)}"
