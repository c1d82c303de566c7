"""The page of one box: its history and forecast, how leaky it is, how sure that is, and its log."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
from markupsafe import Markup

from monitor.presentation.wording import (
    FULL_BEADS,
    NARROW,
    TO,
    Wording,
    beads,
    duration,
    percent,
    sentence,
    spread,
)
from monitor.records import EntryKind, Quantiles
from monitor.web.drawing import frame_of, top_pct
from monitor.web.shelf.view import BoxCard, card
from monitor.web.snapshot import HISTORY_DAYS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Assessment, CrossingForecast, FanDay, LeakEstimate, LedgerEntry, ReadingSeries
    from monitor.web.snapshot import Snapshot

FAN_DAYS = 90  # judgement: a season; beyond it the interval fills the chart
_MOST_POINTS = 3000  # judgement: two or three a pixel of a wide screen
_HOURS_OF_A_MEAN = (1, 2, 3, 6, 12, 24, 24 * 7)  # judgement: spans in which a day or a week goes without rest
_WEEK_DAYS = 7  # by definition
_SIGNS = {
    EntryKind.charge: "fill",
    EntryKind.recharge: "fill",
    EntryKind.opening: "lid",
    EntryKind.weighing: "scale",
}


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
    weeks: Sequence[tuple[str, str, str, str]]
    ahead: Sequence[tuple[str, str, str, str]]
    entries: Sequence[tuple[str, str, str, str, str]]
    """Instant for machines and for people, kind, words, shape of its mark."""
    temperature_unit: str


def view(
    snapshot: Snapshot,
    answer: Assessment,
    history: ReadingSeries,
    entries: Sequence[LedgerEntry],
    words: Wording,
) -> BoxView:
    """Return the page of one box."""
    frame = frame_of(snapshot.as_of, snapshot.answers, list(snapshot.recent.values()), HISTORY_DAYS)
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
        full_beads=FULL_BEADS if answer.forecast and answer.charge else "",
        course=words.course(answer),
        why_then=words.why_then(answer) or words.reason(answer).removeprefix(words.fault(answer)).strip(),
        chart=_embed(_chart(answer, history, max(frame.top_pct, top_pct(snapshot.highest)), words) | _marks(entries)),
        weeks=_weeks(history, words),
        ahead=[_ahead(day) for day in _fan(answer)[::_WEEK_DAYS]],
        entries=[
            (
                entry.at.isoformat(),
                words.moment(entry.at),
                entry.kind.value,
                words.entry(entry),
                _SIGNS.get(entry.kind, "note"),
            )
            for entry in reversed(entries)
        ],
        temperature_unit=words.temperature_unit,
    )


def _facts(answer: Assessment, words: Wording) -> list[tuple[str, str]]:
    facts = []
    if answer.latest:
        facts.append(("Temperature inside", words.reading_of_temperature(answer)))
    if answer.forecast:
        facts += _forecast_facts(answer.forecast, words)
    if answer.charge and answer.charge.dry_mass_g is not None:
        since = words.day(answer.charge.at, answer.as_of)
        charge = f"{words.mass(answer.charge.dry_mass_g)} of {beads(answer.charge.desiccant)}, since {since}"
        facts.append(("Beads in it", charge))
    return facts


def _forecast_facts(forecast: CrossingForecast, words: Wording) -> list[tuple[str, str]]:
    left_g = Quantiles(*(max(value, 0.0) for value in astuple(forecast.headroom_g)))
    return [
        ("Humidity now, by estimate", f"about {_percent_spread(forecast)}"),
        ("Water until the limit", _room_left(left_g, words)),
    ]


def _room_left(left_g: Quantiles, words: Wording) -> str:
    if left_g.p50 <= 0.0:
        return "none left"
    return f"{words.masses(left_g)} {words.mass_unit}"


def _percent_spread(forecast: CrossingForecast) -> str:
    now = forecast.present_relative_humidity
    return f"{percent(now.p50, 1)} ({100 * now.p05:.1f} {TO} {100 * now.p95:.1f})"


def _leak(leak: LeakEstimate, words: Wording) -> list[tuple[str, str]]:
    return [
        ("Water coming in now", words.masses_a_day(leak.ingress_g_per_day)),
        ("In summer", words.masses_a_day(leak.ingress_summer_g_per_day)),
        ("In winter", words.masses_a_day(leak.ingress_winter_g_per_day)),
        ("For a box of its kind", words.for_its_kind(leak)),
    ]


def _leak_details(leak: LeakEstimate, words: Wording) -> list[tuple[str, str]]:
    return [
        ("Leak", f"{words.masses(leak.conductance_g_per_day_per_kpa)} {words.mass_unit} a day per kPa"),
        ("Air changes, when empty", f"{spread(leak.air_changes_per_day)} a day"),
    ]


def _leak_words(leak: LeakEstimate, words: Wording, as_of: datetime) -> list[str]:
    return [said for said in (words.change(leak, as_of), words.opening(leak)) if said]


def _leak_details_words(leak: LeakEstimate) -> list[str]:
    half = duration(leak.half_time_days.p50)
    said = [f"An empty box like this gets halfway to the room's humidity in {half}."]
    if leak.comparison:
        said.append(sentence(leak.comparison))
    if (share := leak.capacity_share_per_day_per_kpa) is not None:
        said.append(f"As a share of what the beads can hold: {spread(share, 100.0)}{NARROW}% a day per kPa.")
    return said


# --- the chart and its tables ----------------------------------------------------------------------------------------


def _chart(answer: Assessment, history: ReadingSeries, top: int, words: Wording) -> dict[str, Any]:
    at_s, humidity_pct, temperature_degc = _thinned(history)
    fan = [(_noon(day, words), day.relative_humidity) for day in _fan(answer)]
    ahead = [(noon, humidity) for noon, humidity in fan if noon > answer.as_of]
    return {
        "zone": str(words.zone),
        "asOf": answer.as_of.timestamp(),
        "limitPct": 100.0 * answer.box.humidity_limit,
        "topPct": top,
        "temperatureUnit": words.temperature_unit,
        "at": at_s.astype(int).tolist(),
        "humidityPct": np.round(humidity_pct, 2).tolist(),
        "temperature": [round(words.degrees(value), 2) for value in temperature_degc.tolist()],
        "fan": {
            "at": [int(noon.timestamp()) for noon, _ in ahead],
            "low": [round(100 * humidity.p05, 2) for _, humidity in ahead],
            "middle": [round(100 * humidity.p50, 2) for _, humidity in ahead],
            "high": [round(100 * humidity.p95, 2) for _, humidity in ahead],
        },
    }


def _marks(entries: Sequence[LedgerEntry]) -> dict[str, Any]:
    return {"entries": [{"at": int(entry.at.timestamp()), "sign": _SIGNS.get(entry.kind, "note")} for entry in entries]}


def _fan(answer: Assessment) -> Sequence[FanDay]:
    return answer.forecast.fan[:FAN_DAYS] if answer.forecast else ()


def _noon(day: FanDay, words: Wording) -> datetime:
    return datetime(day.on.year, day.on.month, day.on.day, 12, tzinfo=words.zone)  # hour: noon, by definition


def _thinned(history: ReadingSeries) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return hours, or means over more hours where a browser would have to draw too many points."""
    if len(history) == 0:
        empty = np.empty(0)
        return empty, empty, empty
    hours = next(h for h in _HOURS_OF_A_MEAN if len(history) / h <= _MOST_POINTS or h > 24)
    bins, starts, counts = np.unique(history.at_s // (3600 * hours), return_index=True, return_counts=True)
    means = (
        np.add.reduceat(column, starts) / counts for column in (history.relative_humidity, history.temperature_degc)
    )
    humidity, temperature = means
    return (bins + 0.5) * 3600 * hours, 100.0 * humidity, temperature


def _embed(chart: dict[str, Any]) -> Markup:
    """Return JSON that can stand in a page: no character in it can end the element around it."""
    text = orjson.dumps(chart, option=orjson.OPT_SERIALIZE_NUMPY).decode()
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def _weeks(history: ReadingSeries, words: Wording) -> list[tuple[str, str, str, str]]:
    """Return week, lowest, mean and highest humidity, newest first."""
    rows = []
    weeks = history.at_s // (_WEEK_DAYS * 86_400)
    for week in np.unique(weeks)[::-1]:
        values = history.relative_humidity[weeks == week]
        first = float(history.at_s[weeks == week][0])
        day = words.moment(datetime.fromtimestamp(first, UTC)).split(",")[0]
        rows.append(
            (day, percent(float(values.min()), 1), percent(float(values.mean()), 1), percent(float(values.max()), 1))
        )
    return rows


def _ahead(day: FanDay) -> tuple[str, str, str, str]:
    humidity = day.relative_humidity
    return f"{day.on.day} {day.on:%b %Y}", percent(humidity.p05, 1), percent(humidity.p50, 1), percent(humidity.p95, 1)
