"""The page of one box: its history and forecast, how leaky it is, how sure that is, and its log."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

from monitor.presentation.amounts import NARROW, TO, duration, percent, sentence, spread
from monitor.presentation.bead_wording import beads
from monitor.presentation.wording import FULL_BEADS, Wording
from monitor.records import Quantiles
from monitor.texts import say
from monitor.web.box.course import SIGNS
from monitor.web.box.leak_picture import LeakPicture, leak_picture
from monitor.web.box.numbers import embed, numbers
from monitor.web.box.tables import ahead, marked, weeks
from monitor.web.box.views import View
from monitor.web.drawing import frame_of, top_pct
from monitor.web.shelf.view import BoxCard, card
from monitor.web.snapshot import HISTORY_DAYS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from markupsafe import Markup

    from monitor.records import Assessment, CrossingForecast, LeakEstimate, LeakLine
    from monitor.web.box.course import Course
    from monitor.web.box.tables import AheadRow, MarkedRow, WeekRow
    from monitor.web.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class BoxView:
    """The page of one box, ready for the template."""

    card: BoxCard
    facts: Sequence[tuple[str, str]]
    leak: Sequence[tuple[str, str]]
    leak_details: Sequence[tuple[str, str]]
    leak_details_words: Sequence[str]
    leak_words: Sequence[str]
    evidence: Sequence[str]
    sharpen: str
    refusal: str
    full_beads: str
    """What full beads are."""
    course: str
    """When it passes its limit, and how likely that is soon."""
    why_then: str
    chart: Markup
    stamp: int
    """Of the instant that is shown: drawings are fetched anew where it is another one."""
    weeks: Sequence[WeekRow]
    ahead: Sequence[AheadRow]
    marked: Sequence[MarkedRow]
    kinds: Sequence[tuple[str, str]]
    """Sign and kind of what was logged of this box."""
    leak_line: LeakPicture | None
    temperature_unit: str


def view(snapshot: Snapshot, answer: Assessment, course: Course, leak_line: LeakLine | None, words: Wording) -> BoxView:
    """Return the page of one box."""
    return BoxView(
        card=card(answer, words),
        facts=_facts(answer, words),
        leak=_leak(answer.leak, words) if answer.leak else (),
        leak_details=_leak_details(answer.leak, words) if answer.leak else (),
        leak_details_words=_leak_details_words(answer.leak) if answer.leak else (),
        leak_words=_leak_words(answer.leak, words, answer.as_of) if answer.leak else (),
        evidence=words.evidence(answer, with_grams=True),
        sharpen=words.sharpen(answer),
        refusal=sentence(answer.refusal) if answer.refusal else "",
        full_beads=say(FULL_BEADS) if answer.forecast and answer.charge else "",
        course=words.course(answer),
        why_then=words.why_then(answer) or words.reason(answer).removeprefix(words.fault(answer)).strip(),
        chart=embed(numbers(View.humidity, answer, course, words, top_of(snapshot))),
        stamp=int(snapshot.as_of.timestamp()),
        weeks=weeks(course, words),
        ahead=ahead(answer, words),
        marked=marked(course.marked, words),
        kinds=list(dict.fromkeys((SIGNS[entry.kind], entry.kind.value) for entry in course.entries)),
        leak_line=leak_picture(answer, leak_line, words),
        temperature_unit=words.temperature_unit,
    )


def top_of(snapshot: Snapshot) -> int:
    """Return where the axis of humidity ends on the pages of all boxes. [%]"""
    frame = frame_of(snapshot.as_of, snapshot.answers, list(snapshot.recent.values()), HISTORY_DAYS)
    return max(frame.top_pct, top_pct(snapshot.highest))


def _facts(answer: Assessment, words: Wording) -> list[tuple[str, str]]:
    facts = []
    if answer.latest:
        facts.append((say("Temperature inside"), words.reading_of_temperature(answer)))
    if answer.forecast:
        facts += _forecast_facts(answer.forecast, words)
    if answer.charge and answer.charge.dry_mass_g is not None:
        since = words.day(answer.charge.at, answer.as_of)
        charge = say(
            "{mass} of {kind}, since {since}",
            mass=words.mass(answer.charge.dry_mass_g),
            kind=beads(answer.charge.desiccant),
            since=since,
        )
        facts.append((say("Beads in it"), charge))
    return facts


def _forecast_facts(forecast: CrossingForecast, words: Wording) -> list[tuple[str, str]]:
    left_g = Quantiles(*(max(value, 0.0) for value in astuple(forecast.headroom_g)))
    return [
        (say("Humidity now, by estimate"), say("about {share}", share=_percent_spread(forecast))),
        (say("Water until the limit"), _room_left(left_g, words)),
    ]


def _room_left(left_g: Quantiles, words: Wording) -> str:
    if left_g.p50 <= 0.0:
        return say("none left")
    return f"{words.masses(left_g)} {words.mass_unit}"


def _percent_spread(forecast: CrossingForecast) -> str:
    now = forecast.present_relative_humidity
    return f"{percent(now.p50, 1)} ({100 * now.p05:.1f} {TO} {100 * now.p95:.1f})"


def _leak(leak: LeakEstimate, words: Wording) -> list[tuple[str, str]]:
    rows = [
        (say("Water coming in now"), words.masses_a_day(leak.ingress_g_per_day)),
        (say("In summer"), words.masses_a_day(leak.ingress_summer_g_per_day)),
        (say("In winter"), words.masses_a_day(leak.ingress_winter_g_per_day)),
    ]
    if leak.for_its_kind is not None:
        rows.append((say("For a box of its kind"), words.for_its_kind(leak)))
    return rows


def _leak_details(leak: LeakEstimate, words: Wording) -> list[tuple[str, str]]:
    return [
        (
            say("Leak"),
            say(
                "{flow} a day per kPa",
                flow=f"{words.masses(leak.conductance_g_per_day_per_kpa)} {words.mass_unit}",
            ),
        ),
        (
            say("Air changes, when empty"),
            say("{flow} a day", flow=spread(leak.air_changes_per_day)),
        ),
    ]


def _leak_words(leak: LeakEstimate, words: Wording, as_of: datetime) -> list[str]:
    return [said for said in (words.change(leak, as_of), words.opening(leak)) if said]


def _leak_details_words(leak: LeakEstimate) -> list[str]:
    half = duration(leak.half_time_days.p50)
    said = [say("An empty box like this gets halfway to the room's humidity in {half}.", half=half)]
    if leak.comparison:
        said.append(sentence(leak.comparison))
    if (share := leak.capacity_share_per_day_per_kpa) is not None:
        said.append(
            say(
                "As a share of what the beads can hold: {share} a day per kPa.",
                share=f"{spread(share, 100.0)}{NARROW}%",
            )
        )
    return said
