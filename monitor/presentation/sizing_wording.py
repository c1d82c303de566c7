"""How many grams hold how long, in sentences for people and as JSON for scripts."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import TYPE_CHECKING, Any

from monitor.day_names import day_of_month
from monitor.presentation.amounts import TO, figures, percent
from monitor.presentation.bead_wording import beads
from monitor.presentation.standards_wording import (
    AT_SECOND_HAND,
    standard_answer,
    standard_name,
    standard_rule,
    why_different,
)
from monitor.presentation.wording import Wording
from monitor.services.sizing import MOST_MONTHS, Parcel, Sizing
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from monitor.records import Quantiles
    from monitor.services.sizing import SizeRow

_WHAT = {
    "asked": to_say("as asked"),
    "half the leak": to_say("half the leak"),
    "a better seal": to_say("a better seal"),
    "drier beads": to_say("beads dried in an oven"),
    "another limit": to_say("another limit"),
}


def leak_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return whose leak the answer rests on."""
    flow = f"{wording.masses(sizing.conductance_g_per_day_per_kpa)} {wording.mass_unit}"
    leak = say("{leak} a day per kPa", leak=flow)
    box = sizing.question.box
    if sizing.known:
        return say("The leak of {box}, by all that is known of it: {leak}.", box=box.name, leak=leak)
    if sizing.question.parcel is not None:
        return say("The leak of a sealed parcel by its film's sheet: {leak}.", leak=leak)
    if box.style == "unknown":
        return say("The usual leak of boxes of {volume} L: {leak}.", volume=f"{box.volume_liter:g}", leak=leak)
    return say(
        "The usual leak of boxes of {volume} L with style '{style}': {leak}.",
        volume=f"{box.volume_liter:g}",
        style=box.style,
        leak=leak,
    )


def size_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return the answer in a sentence or two."""
    question, row = sizing.question, sizing.rows[0]
    kind, limit = beads(question.desiccant), percent(question.limit)
    on = wording.local_day(question.begin_at)
    closed = say("{day} {year}", day=day_of_month(on), year=on.year)
    if row.grams is None:
        assert row.months is not None
        mass = _mass(question.grams or 0.0, wording)
        return say(
            "{mass} of {kind} keep it under {limit} RH for {months}, if closed on {closed}.",
            mass=mass,
            kind=kind,
            limit=limit,
            months=_months(row.months),
            closed=closed,
        )
    grams, asked = row.grams, f"{question.months:g}"
    if not isfinite(grams.p50):
        return say(
            "No charge of {kind} holds {months} months under {limit} RH, if closed on {closed}. Take a better seal.",
            kind=kind,
            months=asked,
            limit=limit,
            closed=closed,
        )
    if grams.p95 <= 0.0:
        return say(
            "It stays under {limit} RH for {months} months without beads, if closed on {closed}.",
            limit=limit,
            months=asked,
            closed=closed,
        )
    needed = say(
        "For {months} months under {limit} RH, if closed on {closed}: {grams} of {kind}, dry.",
        months=asked,
        limit=limit,
        closed=closed,
        grams=_masses(grams, wording),
        kind=kind,
    )
    if not isfinite(grams.p95):
        return needed
    return say(
        "{needed} Take {grams} to be sure in 19 of 20 such boxes.", needed=needed, grams=_mass(grams.p95, wording)
    )


def air_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return how much the air counts that is shut in with the beads; nothing where that does not matter."""
    if sizing.air is None:
        return ""
    return say(
        "About {beads} of them dry the air that is shut in when the lid closes: {water} of water.",
        beads=_mass(sizing.air.beads_g, wording),
        water=_mass(sizing.air.water_g, wording),
    )


def size_rows(sizing: Sizing, wording: Wording) -> list[tuple[str, ...]]:
    """Return the answer, and the same with one thing changed, as rows of a table."""
    return [(say(_WHAT[row.what]), percent(row.limit), _row(row, wording)) for row in sizing.rows]


def _row(row: SizeRow, wording: Wording) -> str:
    if row.grams is not None:
        return _masses(row.grams, wording)
    assert row.months is not None
    return _months(row.months)


def standard_rows(sizing: Sizing, wording: Wording) -> list[tuple[str, ...]]:
    """Return what standards would put in, and why that differs, as rows of a table."""
    return [
        (standard_name(one), _units(one.units), _mass(one.gel_g, wording), why_different(one))
        for one in sizing.standards
    ]


def standard_rules(sizing: Sizing) -> list[tuple[str, str]]:
    """Return the formula of each standard, what it is made for, and where it was read."""
    return [(standard_name(one), standard_rule(one)) for one in sizing.standards]


def at_second_hand() -> str:
    """Return how far the rules of the standards can be trusted."""
    return say(AT_SECOND_HAND)


def _units(units: float | None) -> str:
    return "" if units is None else figures(units)


def _months(months: Quantiles) -> str:
    """Return how long with its interval; with its earliest end alone where the middle is out of sight."""
    if months.p05 > MOST_MONTHS:
        return say("more than {count} months", count=f"{MOST_MONTHS:.0f}")
    if months.p50 > MOST_MONTHS:
        return say(
            "more than {count} months (at the earliest {first})", count=f"{MOST_MONTHS:.0f}", first=f"{months.p05:.1f}"
        )

    def one(value: float) -> str:
        return say("more than {count}", count=f"{MOST_MONTHS:.0f}") if value > MOST_MONTHS else f"{value:.1f}"

    ends = f"{one(months.p05)} {TO} {one(months.p95)}"
    return say("{months} months ({ends})", months=one(months.p50), ends=ends)


def _masses(grams: Quantiles, wording: Wording) -> str:
    return f"{_mass(grams.p50, wording)} ({_mass(grams.p05, wording)} {TO} {_mass(grams.p95, wording)})"


def _mass(grams: float, wording: Wording) -> str:
    return wording.mass(grams) if isfinite(grams) else say("no charge is enough")


def size_answer(sizing: Sizing, wording: Wording) -> dict[str, Any]:
    """Return the answer for scripts; a bound beyond what is looked at is null."""
    question = sizing.question
    return {
        "box": question.box.name if sizing.known else None,
        "leak_from": "readings" if sizing.known else "film" if isinstance(question.parcel, Parcel) else "style",
        "conductance_g_per_day_per_kpa": sizing.conductance_g_per_day_per_kpa,
        "beads": question.desiccant,
        "limit": question.limit,
        "from": question.begin_at,
        "months_asked": question.months,
        "grams_asked": question.grams,
        "said": size_sentence(sizing, wording),
        "rows": [
            {"what": row.what, "limit": row.limit, "grams": _finite(row.grams), "months": _finite(row.months)}
            for row in sizing.rows
        ],
        "air_shut_in": sizing.air,
        "standards": [standard_answer(one) for one in sizing.standards],
    }


def _finite(values: Quantiles | None) -> dict[str, float | None] | None:
    if values is None:
        return None
    return {name: value if isfinite(value) else None for name, value in asdict(values).items()}
