"""When a person is willing to dry beads, in what, and what it costs: `[plan]`, and the like of each appliance."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import TYPE_CHECKING

from monitor.records import PlanRules
from monitor.records.declared import PLAN_DAYS, PLAN_RANGE_DAYS
from monitor.records.words import OTHER_FILAMENT

if TYPE_CHECKING:
    from monitor.records import Appliance
    from monitor.settings.toml_table import TomlTable

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
"""As the shelf file writes them; Monday is 0."""
LONGEST_BATCH_MINUTES = 10_080.0  # a week; judgement: nothing dries beads for longer
MOST_BATCHES_A_DAY = 96  # judgement: one each quarter of an hour
_DAY_MINUTES = 1440  # by definition
_SPAN = re.compile(r"([01]?\d|2[0-4]):([0-5]\d)-([01]?\d|2[0-4]):([0-5]\d)")
_SPAN_RULE = "from and to, like '18:00-22:00', more of them after commas, one after the other"
_DATES_RULE = "a list of dates and of spans, like [2026-12-24, [2027-02-01, 2027-02-14]]"
_DEAREST_KWH = 100_000.0  # of a currency; judgement: more than a kWh costs in any
_LEAST_RISK, _MOST_RISK = 0.1, 100.0  # [ratio]; judgement: beyond them one box is all that counts, or none
_CURRENCY_LETTERS = 8  # judgement: a code of ISO 4217 is three, a name hardly more


def read_plan(table: TomlTable | None) -> PlanRules:
    if table is None:
        return PlanRules()
    tariff = table.number("tariff_per_kwh", 0.0, _DEAREST_KWH, default=-1.0)
    rules = PlanRules(
        weekdays=read_weekdays(table, "Saturday and Sunday") or PlanRules().weekdays,
        horizon_days=table.whole("horizon_days", *PLAN_RANGE_DAYS, default=PLAN_DAYS),
        dates_off=_read_dates_off(table),
        tariff_per_kwh=None if tariff < 0.0 else tariff,
        currency=_read_currency(table, has_tariff=tariff >= 0.0),
        risk=_read_risk(table),
        not_mixed=_read_not_mixed(table),
    )
    table.refuse_leftovers()
    return rules


def read_weekdays(table: TomlTable, otherwise: str) -> tuple[int, ...]:
    """Return the days that are named, Monday 0; none where the line is left out, which then means ``otherwise``."""
    return tuple(sorted({WEEKDAYS.index(name) for name in table.texts("weekdays", WEEKDAYS, otherwise)}))


def read_hours(table: TomlTable) -> tuple[tuple[int, int], ...]:
    text = table.text("hours", default="")
    spans = [_span(table, text, part.strip()) for part in text.split(",")] if text else []
    ends = [first for first, _ in spans[1:]]
    if any(end > first for (_, end), first in zip(spans, ends, strict=False)):
        raise table.error("hours", text, _SPAN_RULE)
    if spans and spans[-1][1] - _DAY_MINUTES > spans[0][0]:
        raise table.error("hours", text, _SPAN_RULE)
    return tuple(spans)


def _span(table: TomlTable, text: str, part: str) -> tuple[int, int]:
    """Return one span in minutes after midnight; one that ends earlier than it begins ends the next day."""
    found = _SPAN.fullmatch(part)
    if found is None:
        raise table.error("hours", text, _SPAN_RULE)
    from_hour, from_minute, to_hour, to_minute = map(int, found.groups())
    first, last = 60 * from_hour + from_minute, 60 * to_hour + to_minute  # minutes an hour, by definition
    if first in (last, _DAY_MINUTES) or max(first, last) > _DAY_MINUTES:
        raise table.error("hours", text, _SPAN_RULE)
    return first, last + _DAY_MINUTES if last < first else last


def refuse_hours_too_short(table: TomlTable, appliance: Appliance) -> None:
    """Raise where no batch fits into the hours of an appliance."""
    longest = max((last - first for first, last in appliance.hours), default=None)
    if longest is not None and appliance.minutes is not None and appliance.minutes > longest:
        right = f"as long as one batch, {appliance.minutes:g} minutes (its longest span has {longest})"
        raise table.error("hours", ", ".join(map(_shown, appliance.hours)), right)


def _shown(span: tuple[int, int]) -> str:
    return "-".join(f"{minutes // 60 % 24:02}:{minutes % 60:02}" for minutes in span)  # hours a day, by definition


def _read_dates_off(table: TomlTable) -> tuple[tuple[date, date], ...]:
    values = table.listed("dates_off", _DATES_RULE)
    spans = []
    for value in values:
        pair = value if isinstance(value, list) else [value, value]
        if len(pair) != 2 or not all(_is_date(one) for one in pair) or pair[0] > pair[1]:
            raise table.error("dates_off", str(value), _DATES_RULE)
        spans.append((pair[0], pair[1]))
    return tuple(sorted(spans))


def _is_date(value: object) -> bool:
    return isinstance(value, date) and not isinstance(value, datetime)


def _read_currency(table: TomlTable, *, has_tariff: bool) -> str:
    currency = table.text("currency", default="").strip()
    if has_tariff is not bool(currency):
        right = 'there together with tariff_per_kwh, like tariff_per_kwh = 0.32 and currency = "EUR"'
        raise table.error("currency", currency, right)
    if len(currency) > _CURRENCY_LETTERS or not currency.isprintable():
        raise table.error("currency", currency, "a code or sign, like 'EUR' or '€'")
    return currency


def _read_risk(table: TomlTable) -> tuple[tuple[str, float], ...]:
    inner = table.table("risk")
    if inner is None:
        return ()
    risks = {name: inner.number(name, _LEAST_RISK, _MOST_RISK, default=1.0) for name in inner.keys_left()}
    for name in risks:
        _refuse_unknown_filament(table, name)
    return tuple(risks.items())


def _refuse_unknown_filament(table: TomlTable, name: str) -> None:
    from monitor.physics import calculators  # noqa: PLC0415 -- numpy, only where a filament is named

    if name != OTHER_FILAMENT and not calculators.is_filament(name):
        known = ", ".join((*calculators.filament_kinds(), OTHER_FILAMENT))
        raise table.error("risk", name, f"a table of numbers for filaments, which are {known}")


def _read_not_mixed(table: TomlTable) -> tuple[tuple[str, ...], ...] | None:
    rule = 'a list of groups of lots, like [["blue gel", "sieve"]]; [] lets all be mixed'
    if not table.has("not_mixed"):
        return None
    groups = table.listed("not_mixed", rule)
    for group in groups:
        if (
            not isinstance(group, list)
            or len(set(map(str, group))) < 2
            or not all(isinstance(one, str) for one in group)
        ):
            raise table.error("not_mixed", group, rule)
    return tuple(tuple(group) for group in groups)
