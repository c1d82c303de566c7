"""How many grams hold how long, in sentences for people and as JSON for scripts."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import TYPE_CHECKING, Any

from monitor.presentation.wording import TO, Wording, beads, figures
from monitor.services.sizing import MOST_MONTHS, Parcel, Sizing
from monitor.texts import say

if TYPE_CHECKING:
    from monitor.records import Quantiles
    from monitor.services.sizing import SizeRow

STANDARDS_LEFT_OUT = (
    "J-STD-033 and JIS Z 0301 are left out: their factors could not be recalled for sure, and none is invented."
)
FROM_MEMORY = "The rules of the standards are quoted from memory; read the text before you rely on one."
_WHAT = {
    "asked": "as asked",
    "half the leak": "half the leak",
    "a better seal": "a better seal",
    "drier beads": "beads dried in an oven",
    "another limit": "another limit",
}


def leak_sentence(sizing: Sizing) -> str:
    """Return whose leak the answer rests on."""
    leak = sizing.conductance_g_per_day_per_kpa
    grams = say(
        "{leak} g a day for each kPa ({leak_low} – {leak_high})",
        leak=figures(leak.p50),
        leak_low=figures(leak.p05),
        leak_high=figures(leak.p95),
    )
    question = sizing.question
    if sizing.known:
        return say("Box {box}, by its own leak: {grams}.", box=question.box.name, grams=grams)
    if question.parcel is not None:
        return say("A sealed parcel, by its film's sheet: {grams}.", grams=grams)
    style = question.box.style
    named = f"'{style}'" if style != "unknown" else say("no known style")
    return say(
        "A box of {named} of {volume_liter} L, by what such boxes usually leak: {grams}.",
        named=named,
        volume_liter=f"{question.box.volume_liter:g}",
        grams=grams,
    )


def size_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return the answer in a sentence or two."""
    question, row = sizing.question, sizing.rows[0]
    kind, limit = beads(question.desiccant), say("{limit} % RH", limit=f"{100.0 * question.limit:.0f}")
    closed = say("closed on {local_day}", local_day=wording.local_day(question.begin_at))
    if row.grams is not None:
        grams = row.grams
        if not isfinite(grams.p50):
            return say(
                "No charge of {kind} holds {months} months under {limit}, {closed}. Take a better seal.",
                kind=kind,
                months=f"{question.months:g}",
                limit=limit,
                closed=closed,
            )
        if grams.p95 <= 0.0:
            return say(
                "It stays under {limit} for {months} months without beads, {closed}.",
                limit=limit,
                months=f"{question.months:g}",
                closed=closed,
            )
        sure = (
            say(" Take {mass} to be sure in 19 of 20 such boxes.", mass=_mass(grams.p95, wording))
            if isfinite(grams.p95)
            else ""
        )
        return say(
            "For {months} months under {limit}, {closed}: {masses} of {kind}, dry.{sure}",
            months=f"{question.months:g}",
            limit=limit,
            closed=closed,
            masses=_masses(grams, wording),
            kind=kind,
            sure=sure,
        )
    assert row.months is not None
    mass = _mass(question.grams or 0.0, wording)
    return say(
        "{mass} of {kind} keep it under {limit} for {months}, {closed}.",
        mass=mass,
        kind=kind,
        limit=limit,
        months=_months(row.months),
        closed=closed,
    )


def size_rows(sizing: Sizing, wording: Wording) -> list[tuple[str, ...]]:
    """Return the answer, and the same with one thing changed, as rows of a table."""
    return [(_WHAT[row.what], f"{100.0 * row.limit:.0f} %", _row(row, wording)) for row in sizing.rows]


def _row(row: SizeRow, wording: Wording) -> str:
    if row.grams is not None:
        return _masses(row.grams, wording)
    assert row.months is not None
    return _months(row.months)


def standard_rows(sizing: Sizing, wording: Wording) -> list[tuple[str, ...]]:
    """Return what standards would put in, and why that differs, as rows of a table."""
    return [
        (asked.standard, figures(asked.units), _mass(asked.gel_g, wording), asked.why_different)
        for asked in sizing.standards
    ]


def _months(months: Quantiles) -> str:
    def one(value: float) -> str:
        return (
            say("more than {most_months}", most_months=f"{MOST_MONTHS:.0f}") if value > MOST_MONTHS else f"{value:.1f}"
        )

    return say("{one} months ({one_2} – {one_3})", one=one(months.p50), one_2=one(months.p05), one_3=one(months.p95))


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
        "standards": [asdict(asked) for asked in sizing.standards],
        "standards_left_out": STANDARDS_LEFT_OUT,
    }


def _finite(values: Quantiles | None) -> dict[str, float | None] | None:
    if values is None:
        return None
    return {name: value if isfinite(value) else None for name, value in asdict(values).items()}
