"""Masses, times and places as the recharge desk says them: as finely as a kitchen scale and a clock tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.amounts import TO
from monitor.records import Quantiles
from monitor.records.desk_events import SPARE
from monitor.texts import say, to_say
from monitor.units import grams_to_ounces

if TYPE_CHECKING:
    from monitor.presentation.wording import Wording
_ROOM_SOURCES = {
    "told": to_say("as you entered it"),
    "sensor": to_say("from the room sensor"),
    "shelf file": to_say("from the shelf file"),
    "assumed": to_say("assumed"),
}
_WHOLE_FROM_G = 5.0  # judgement: from here on a tenth of a gram is more than a kitchen scale or these estimates tell
_WHOLE_PERCENT_FROM = 5.0  # per cent; judgement: from here on tenths are more than the scale tells
_HALF_AN_HOUR_S = 1800.0  # by definition
CURVE_IN_HOURS_FROM_S = 4 * 3600.0  # judgement: minutes beyond 240 are hard to read along an axis
_IN_HOURS_FROM_S, _IN_DAYS_FROM_S = 7_200.0, 172_800.0  # judgement: two of the unit, so that its steps stay small


def at_heat(temperature_degc: float | None, wording: Wording) -> str:
    """Return how hot an appliance is, to be put behind its name; nothing where that is not told."""
    if temperature_degc is None:
        return ""
    return " " + say("at {temperature}", temperature=wording.heat(temperature_degc))


def whereabouts(place: str) -> str:
    """Return where a charge is.

    >>> whereabouts("box:pla"), whereabouts("in:oven"), whereabouts("spare")
    ('box pla', 'in the oven', 'spare')
    """
    if place.startswith("box:"):
        return say("box {box}", box=place.removeprefix("box:"))
    if place.startswith("in:"):
        return say("in the {appliance}", appliance=place.removeprefix("in:"))
    return say("spare") if place == SPARE else place


def so_often(cycles: int) -> str:
    """Return how often beads were dried.

    >>> so_often(1), so_often(3)
    ('once', '3 times')
    """
    return say("once") if cycles == 1 else say("{count} times", count=cycles)


def minutes(duration_s: float) -> str:
    """Return a heating time in the unit that suits it.

    >>> minutes(540.0), minutes(14400.0), minutes(0.0)
    ('9 min', '4 h', '0 min')
    """
    if duration_s < _IN_HOURS_FROM_S:
        return say("{count} min", count=f"{duration_s / 60.0:.0f}")
    if duration_s < _IN_DAYS_FROM_S:
        return say("{count} h", count=f"{duration_s / 3600.0:.0f}")
    return say("{count} days", count=f"{duration_s / 86_400.0:.1f}")


def time_spread(time_s: Quantiles) -> str:
    """Return a time with its interval, in hours throughout where that is what it takes.

    >>> from monitor.records import Quantiles
    >>> time_spread(Quantiles(300.0, 600.0, 1200.0)), time_spread(Quantiles(3000.0, 25200.0, 122400.0))
    ('10 min (5 min – 20 min)', '7 h (1 h – 34 h)')
    """
    low, middle, high = times(time_s)
    return f"{middle} ({low} {TO} {high})"


def times(time_s: Quantiles) -> tuple[str, str, str]:
    """Return the ends of a span of time and its middle, in that order of size."""
    long = _IN_HOURS_FROM_S <= time_s.p50 < _IN_DAYS_FROM_S
    low, high = (
        say("{count} h", count=f"{max(end_s / 3600.0, 1.0):.0f}")
        if long and _HALF_AN_HOUR_S <= end_s < _IN_HOURS_FROM_S
        else minutes(end_s)
        for end_s in (time_s.p05, time_s.p95)
    )
    return low, minutes(time_s.p50), high


def shares(loading: Quantiles) -> str:
    """Return a loading with its interval in per cent of dry mass.

    >>> from monitor.records import Quantiles
    >>> shares(Quantiles(0.01, 0.02, 0.046))
    '2.0 % (1.0 – 4.6 %)'
    """
    return f"{100.0 * loading.p50:.1f} % ({100.0 * loading.p05:.1f} {TO} {100.0 * loading.p95:.1f} %)"


def water(loading: Quantiles) -> str:
    """Return how much water beads hold, for a sentence.

    >>> water(Quantiles(0.002, 0.073, 0.15))
    'about 7 % water (0.2 – 15 %)'
    """
    low, middle, high = percents(loading)
    return say("about {middle} water ({low} – {high} %)", middle=middle, low=low, high=high)


def percents(fractions: Quantiles) -> tuple[str, str, str]:
    """Return the ends and the middle of an interval in per cent, the middle with its sign, as fine as it is known.

    >>> percents(Quantiles(0.0, 0.102, 0.233)), percents(Quantiles(0.001, 0.012, 0.06))
    (('0', '10 %', '23'), ('0.1', '1.2 %', '6'))
    """
    low, middle, high = (
        f"{value:.0f}" if value >= _WHOLE_PERCENT_FROM else f"{value:.1f}".removesuffix(".0")
        for value in (100.0 * fractions.p05, 100.0 * fractions.p50, 100.0 * fractions.p95)
    )
    return low, f"{middle} %", high


def weighable(grams: float, wording: Wording) -> str:
    """Return a mass as finely as a kitchen scale could show it, without the unit.

    >>> from zoneinfo import ZoneInfo
    >>> from monitor.presentation.wording import Wording
    >>> grams = Wording(ZoneInfo("UTC"))
    >>> [weighable(mass_g, grams) for mass_g in (0.02, 0.073, 1.53, 5.8, 31.7)]
    ['0', '0.1', '1.5', '6', '32']
    """
    shown = wording_scale(wording) * grams
    if wording.ounces:
        return f"{shown:.2f}".rstrip("0").removesuffix(".") if shown < 1.0 else f"{shown:.1f}".removesuffix(".0")
    return f"{shown:.0f}" if shown >= _WHOLE_FROM_G else f"{shown:.1f}".removesuffix(".0")


def weighable_spread(grams: Quantiles, wording: Wording) -> str:
    """Return a mass with its unit and interval, as finely as a kitchen scale could show it."""
    low, middle, high = (weighable(value, wording) for value in (grams.p05, grams.p50, grams.p95))
    return f"{middle} {wording.mass_unit} ({low} {TO} {high})"


def room_source(known_from: str) -> str:
    """Return where the air of a room is known from, in words for a person.

    >>> room_source("told"), room_source("assumed")
    ('as you entered it', 'assumed')
    """
    return say(_ROOM_SOURCES[known_from]) if known_from in _ROOM_SOURCES else known_from


def wording_scale(wording: Wording) -> float:
    """Return what turns grams into the unit of the shelf."""
    return grams_to_ounces(1.0) if wording.ounces else 1.0
