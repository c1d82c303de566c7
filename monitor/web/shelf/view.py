"""The shelf: every box, worst first, ready for the template."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from monitor.day_names import day_in_month, weekday
from monitor.planning.due import (
    SILENT_AFTER_DAYS,
    all_silent,
    at_rest_at,
    dries_now,
    is_from_before_beads,
    rule_of_days,
    silent_for,
)
from monitor.planning.urgency import over_by
from monitor.presentation.amounts import NARROW, ago, limit_percent, percent, sentence
from monitor.presentation.badges import badges
from monitor.presentation.headline import headline, until
from monitor.presentation.plan_days import dates_of
from monitor.presentation.wording import FULL_BEADS, Wording
from monitor.records import Assessment, BoxState
from monitor.texts import say, to_say
from monitor.web.drawing import (
    BeadColumn,
    Frame,
    Strip,
    bead_column,
    frame_of,
    over_points,
    strip,
)
from monitor.web.shelf.asked import Asked, Density, GroupBy, Kind
from monitor.web.shelf.glass import SmallGlass, small_glass
from monitor.web.shelf.timeline import Bar, Timeline, timeline_of
from monitor.web.snapshot import HISTORY_DAYS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from monitor.presentation.badges import Badge
    from monitor.presentation.headline import Headline
    from monitor.web.snapshot import Snapshot

ROWS_FROM_BOXES = 25
"""From so many boxes on, each gets a row where nothing else was asked for. A judgement: as columns they are twenty
screens of a phone."""
_FOLDED_FROM_BOXES = 2
"""So many calm boxes are folded into one line. A judgement: one alone takes hardly more room than that line."""
NOT_DECLARED, NO_SPOOLS = to_say("not in shelf.toml"), to_say("no spools declared")
SIGNS = {
    BoxState.over_limit: "over",
    BoxState.due: "due",
    BoxState.within_limit: "within",
    BoxState.not_enough_evidence: "unsure",
    BoxState.estimate_failed: "unsure",
    BoxState.no_readings: "silent",
}
"""Each state has a shape of its own in the template, so that color never speaks alone."""
_KINDS = {BoxState.over_limit: Kind.over, BoxState.due: Kind.due, BoxState.within_limit: Kind.within}


@dataclass(frozen=True, slots=True)
class Shown:
    """The humidity of a box as large figures may show it: never an old one as if it were of now."""

    figure: str
    words: str
    """Beside it: what it is, and the limit."""
    last: str = ""
    """The last reading, where the figure is not that: it is old."""


@dataclass(frozen=True, slots=True)
class BoxCard:
    """One box as it stands on the shelf."""

    name: str
    sign: str
    state: str
    kinds: frozenset[Kind]
    """What it is found by."""
    is_calm: bool
    """Whether nothing about it needs anybody."""
    room: str
    material: str
    badges: Sequence[Badge]
    shown: Shown
    over: str
    """By how many points it is over its limit, in words; empty where it is not."""
    reading: str
    """The last humidity that it showed, never without its age where it is old."""
    limit: str
    seen: str
    seen_at: str
    """The same as an instant, for machines."""
    to_do: str
    reason: str
    beads: str
    has_beads: bool
    crossing: str
    expected: str
    """The day from which a forecast can be expected, where beads have just gone in."""
    why_not: str
    column: BeadColumn
    glass: SmallGlass
    strip_words: str
    """The small chart in words."""


@dataclass(frozen=True, slots=True)
class Group:
    """Boxes that stand together, with the calm ones folded behind the others."""

    title: str
    cards: Sequence[BoxCard]
    calm: Sequence[BoxCard]
    calm_words: str
    is_open: bool
    """Whether the calm ones are shown from the start."""

    @property
    def count(self) -> int:
        """How many boxes stand here."""
        return len(self.cards) + len(self.calm)

    def holds(self, wanted: Collection[str]) -> bool:
        """Return whether one of these boxes stands here."""
        return any(one.name in wanted for one in (*self.cards, *self.calm))


@dataclass(frozen=True, slots=True)
class ShelfView:
    """The page of the shelf."""

    cards: Sequence[BoxCard]
    groups: Sequence[Group]
    asked: Asked
    """With how much room each box gets."""
    wanted: frozenset[str]
    """The boxes that were asked for, by name."""
    frame: Frame
    strips: Mapping[str, Strip]
    """Small charts by box, where each gets the room for one."""
    days: tuple[str, str, str]
    line: Timeline
    bars: Mapping[str, Bar | None]
    headline: Headline
    room: str
    rule: str
    """What the day by which a box is to be dried means, and what full beads are."""
    drying: str
    """The next day worth heating up for; empty without one."""


@dataclass(frozen=True)
class Shelved:
    """What one snapshot looks like however it is asked for: worked out once, and then only sorted."""

    snapshot: Snapshot
    zone: ZoneInfo
    cards: Sequence[BoxCard]
    frame: Frame
    line: Timeline
    bars: Mapping[str, Bar | None]

    @classmethod
    def of(cls, snapshot: Snapshot, words: Wording) -> Shelved:
        """Work it out."""
        frame = frame_of(snapshot.as_of, snapshot.answers, list(snapshot.recent.values()), HISTORY_DAYS)
        line = timeline_of(snapshot.as_of, snapshot.answers, words.zone)
        silence = all_silent(snapshot.answers)
        return cls(
            snapshot=snapshot,
            zone=words.zone,
            cards=[card(answer, words, silence=silence) for answer in snapshot.answers],
            frame=frame,
            line=line,
            bars={answer.box.name: line.bar(answer) for answer in snapshot.answers},
        )

    @cached_property
    def strips(self) -> Mapping[str, Strip]:
        """The small charts, by box: most of the work, and rows do without."""
        answers, recent = self.snapshot.answers, self.snapshot.recent
        return {a.box.name: strip(a, recent.get(a.box.name), self.frame, self.zone) for a in answers}

    def outspoken(self, asked: Asked) -> Asked:
        """Return what was asked with how much room each box gets, where that was left open."""
        usual = Density.rows if len(self.cards) >= ROWS_FROM_BOXES else Density.columns
        return replace(asked, density=asked.density or usual)


def view(shelved: Shelved, asked: Asked, words: Wording) -> ShelfView:
    """Return the page of the shelf, as it was asked for outspokenly."""
    snapshot, frame = shelved.snapshot, shelved.frame
    return ShelfView(
        cards=shelved.cards,
        groups=_groups(shelved, asked, words),
        asked=asked,
        wanted=frozenset(one.name for one in shelved.cards if asked.wants(one.name, one.kinds)),
        frame=frame,
        strips=shelved.strips if asked.density is Density.columns else {},
        days=(
            words.day(frame.start, frame.as_of),
            words.day(frame.as_of, frame.as_of),
            words.day(frame.end, frame.as_of),
        ),
        line=shelved.line,
        bars=shelved.bars,
        headline=headline(snapshot.answers, snapshot.plan, words),
        room=_room(snapshot, words),
        rule=f"{rule_of_days()} {say(FULL_BEADS)}",
        drying=_drying(snapshot),
    )


# --- one box ----------------------------------------------------------------------------------------------------------


def sign_of(answer: Assessment) -> str:
    """Return the sign of a box; nobody knows yet what becomes of one whose beads have just gone in."""
    return "unsure" if dries_now(answer) else SIGNS.get(answer.state, "silent")


def card(answer: Assessment, words: Wording, *, silence: bool = False) -> BoxCard:
    """Return one box as it stands on the shelf; ``silence`` where no sensor is heard at all."""
    forecast, latest = answer.forecast, answer.latest
    over = 0.0 if dries_now(answer) else over_by(answer)
    crossing = words.crossing(forecast, answer.as_of) if forecast and not dries_now(answer) else ""
    limit = limit_percent(answer.box.humidity_limit) if answer.state is not BoxState.undeclared else ""
    capacity_used = forecast.capacity_used if forecast and not dries_now(answer) else None
    wrong = badges(answer, words)
    kinds = _kinds(answer, has_badges=bool(wrong))
    rested = at_rest_at(answer)
    return BoxCard(
        name=answer.box.name,
        sign=sign_of(answer),
        state=words.state(answer),
        kinds=kinds,
        is_calm=kinds == {Kind.within},
        room=answer.box.room if limit else say(NOT_DECLARED),
        material=_material(answer) if limit else say(NOT_DECLARED),
        badges=wrong,
        shown=shown_humidity(answer, limit),
        over=say("{points} points over", points=over_points(over)).replace(" ", NARROW, 1) if over else "",
        reading=words.reading(answer),
        limit=limit,
        seen=ago(answer.as_of - latest.at) if latest else "",
        seen_at=latest.at.isoformat(timespec="seconds") if latest else "",
        to_do=words.to_do(answer, all_silent=silence),
        reason=words.reason(answer),
        beads=words.beads_full(answer),
        has_beads=answer.charge is not None,
        crossing=crossing,
        expected=words.day(rested, answer.as_of) if rested and not crossing else "",
        why_not=sentence(answer.refusal) if answer.refusal else "",
        column=bead_column(capacity_used, over),
        glass=small_glass(capacity_used, over),
        strip_words=say(
            "Humidity {reading}; limit {limit}; rises above it: {crossing}",
            reading=words.reading(answer),
            limit=limit,
            crossing=crossing or say("no forecast"),
        ),
    )


def _kinds(answer: Assessment, *, has_badges: bool) -> frozenset[Kind]:
    kinds = {_KINDS.get(answer.state, Kind.unsure)}
    if has_badges or answer.state in (BoxState.no_readings, BoxState.estimate_failed):
        kinds.add(Kind.care)
    return frozenset(kinds)


def _material(answer: Assessment) -> str:
    """Return what most of the filament in a box is."""
    grams: dict[str, float] = defaultdict(float)
    for spool in answer.box.spools:
        grams[spool.material] += spool.mass_g
    return max(grams, key=lambda material: grams[material]) if grams else say(NO_SPOOLS)


def shown_humidity(answer: Assessment, limit: str) -> Shown:
    """Return the humidity of a box in large figures: the last reading while it is of now, else the estimate."""
    beside = say("limit {limit}", limit=limit) if limit else ""
    latest, forecast = answer.latest, answer.forecast
    if latest is None:
        humidity = say("all readings dated later") if answer.only_later_until else say("no reading yet")
        if forecast is None:
            return Shown("–", ", ".join(filter(None, (humidity, beside))))
    else:
        humidity = percent(latest.relative_humidity, 1)
    if latest is not None and silent_for(answer) is None and not is_from_before_beads(answer):
        said = say("humidity") if dries_now(answer) or not over_by(answer) else ""
        return Shown(humidity, ", ".join(filter(None, (said, beside))))
    if forecast is None:
        return Shown("–", beside, humidity)
    now = percent(forecast.present_relative_humidity.p50, 0 if latest is None else 1)
    return Shown(say("about {now}", now=now), ", ".join(filter(None, (say("by estimate"), beside))), humidity)


# --- all of them ------------------------------------------------------------------------------------------------------


def _groups(shelved: Shelved, asked: Asked, words: Wording) -> list[Group]:
    """Return the boxes by what they are grouped by; the group with the worst box comes first."""
    titled: dict[str, list[BoxCard]] = defaultdict(list)
    for one in shelved.cards:
        title = {GroupBy.room: one.room, GroupBy.material: one.material}.get(asked.by, "")
        titled[title].append(one)
    answers = {answer.box.name: answer for answer in shelved.snapshot.answers}
    return [_group(title, cards, answers, asked, words) for title, cards in titled.items()]


def _group(
    title: str, cards: Sequence[BoxCard], answers: Mapping[str, Assessment], asked: Asked, words: Wording
) -> Group:
    calm = [one for one in cards if one.is_calm]
    if len(calm) < _FOLDED_FROM_BOXES:
        return Group(title, cards, (), "", is_open=True)
    others = [one for one in cards if not one.is_calm]
    holds = say("{count} boxes hold {until}", count=len(calm), until=until([answers[one.name] for one in calm], words))
    return Group(title, others, calm, holds, is_open=asked.is_narrowed or not others)


def _drying(snapshot: Snapshot) -> str:
    dates = dates_of(snapshot.plan) if snapshot.plan else []
    if not dates:
        return ""
    first = dates[0]
    day = say("{weekday}, {day}", weekday=weekday(first.on), day=day_in_month(first.on, first.on))
    return ", ".join([day, *(session.appliance for session in first.sessions)])


def _room(snapshot: Snapshot, words: Wording) -> str:
    room = snapshot.room
    if room is None or room.at > snapshot.as_of:
        return ""
    old = snapshot.as_of - room.at
    age = f", {ago(old)}" if old > timedelta(days=SILENT_AFTER_DAYS) else ""
    return f"{words.temperature(room.temperature_degc)}, {percent(room.relative_humidity)}{age}"
