"""How many grams hold how long, in sentences for people and as JSON for scripts."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import TYPE_CHECKING, Any

from monitor.presentation.amounts import TO, figures
from monitor.presentation.bead_wording import beads
from monitor.presentation.wording import Wording
from monitor.services.sizing import MOST_MONTHS, Parcel, Sizing

if TYPE_CHECKING:
    from monitor.records import Quantiles
    from monitor.services.sizing import SizeRow

AT_SECOND_HAND = (
    "The rules of the standards are quoted at second hand, in part from memory; read the text before you rely on one."
)
_WHAT = {
    "asked": "as asked",
    "half the leak": "half the leak",
    "a better seal": "a better seal",
    "drier beads": "beads dried in an oven",
    "another limit": "another limit",
}


def leak_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return whose leak the answer rests on."""
    leak = f"{wording.masses_a_day(sizing.conductance_g_per_day_per_kpa)} for each kPa"
    question = sizing.question
    if sizing.known:
        return f"Box {question.box.name}, by its own leak: {leak}."
    if question.parcel is not None:
        return f"A sealed parcel, by its film's sheet: {leak}."
    style = question.box.style
    named = f"'{style}'" if style != "unknown" else "no known style"
    return f"A box of {named} of {question.box.volume_liter:g} L, by what such boxes usually leak: {leak}."


def size_sentence(sizing: Sizing, wording: Wording) -> str:
    """Return the answer in a sentence or two."""
    question, row = sizing.question, sizing.rows[0]
    kind, limit = beads(question.desiccant), f"{100.0 * question.limit:.0f} % RH"
    closed = f"closed on {wording.local_day(question.begin_at)}"
    if row.grams is not None:
        grams = row.grams
        if not isfinite(grams.p50):
            return f"No charge of {kind} holds {question.months:g} months under {limit}, {closed}. Take a better seal."
        if grams.p95 <= 0.0:
            return f"It stays under {limit} for {question.months:g} months without beads, {closed}."
        sure = f" Take {_mass(grams.p95, wording)} to be sure in 19 of 20 such boxes." if isfinite(grams.p95) else ""
        return (
            f"For {question.months:g} months under {limit}, {closed}: {_masses(grams, wording)} of {kind}, dry.{sure}"
        )
    assert row.months is not None
    mass = _mass(question.grams or 0.0, wording)
    return f"{mass} of {kind} keep it under {limit} for {_months(row.months)}, {closed}."


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
    return [(one.standard, _units(one.units), _mass(one.gel_g, wording), one.why_different) for one in sizing.standards]


def standard_rules(sizing: Sizing) -> list[tuple[str, str]]:
    """Return the formula of each standard, what it is made for, and where it was read."""
    return [(one.standard, f"{one.rule}. For {one.good_for}. ({one.source}.)") for one in sizing.standards]


def _units(units: float | None) -> str:
    return "" if units is None else figures(units)


def _months(months: Quantiles) -> str:
    def one(value: float) -> str:
        return f"more than {MOST_MONTHS:.0f}" if value > MOST_MONTHS else f"{value:.1f}"

    return f"{one(months.p50)} months ({one(months.p05)} {TO} {one(months.p95)})"


def _masses(grams: Quantiles, wording: Wording) -> str:
    return f"{_mass(grams.p50, wording)} ({_mass(grams.p05, wording)} {TO} {_mass(grams.p95, wording)})"


def _mass(grams: float, wording: Wording) -> str:
    return wording.mass(grams) if isfinite(grams) else "no charge is enough"


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
        "standards": [{**asdict(one), "gel_g": one.gel_g if isfinite(one.gel_g) else None} for one in sizing.standards],
    }


def _finite(values: Quantiles | None) -> dict[str, float | None] | None:
    if values is None:
        return None
    return {name: value if isfinite(value) else None for name, value in asdict(values).items()}
