"""What a tired person typed at the desk: masses, minutes, humidities, rooms; every slip gets one line."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from monitor.errors import TypedError
from monitor.records import RoomClimate
from monitor.records.declared import LIMIT_RANGE_PCT, VOLUME_RANGE_LITER
from monitor.records.names import (
    NAME_RULE,
    is_name,
    tidy,
)
from monitor.texts import say, to_say
from monitor.units import degf_to_degc, ounces_to_grams

if TYPE_CHECKING:
    from monitor.settings import Shelf

_NUMBER = r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_MASS = re.compile(rf"{_NUMBER}\s*(g|kg|oz|lb|lbs)?\Z")
_CLOCK = re.compile(r"(?:(\d+(?:[.,]\d+)?)\s*h)?\s*(?:(\d+(?:[.,]\d+)?)\s*(?:m|min|minutes)?)?\Z")
_PART = re.compile(rf"{_NUMBER}\s*(%|c|°c|f|°f)?\Z")
_GRAMS_OF = {
    "g": 1.0,
    "kg": 1000.0,
    "oz": ounces_to_grams(1.0),
    "lb": ounces_to_grams(16.0),
    "lbs": ounces_to_grams(16.0),
}
"""Grams, by definition: a pound is 16 ounces."""
_COARSEST_STEP_G = {"oz": ounces_to_grams(0.1)}
"""Kitchen scales show a tenth of an ounce, or a gram whatever else they show (a judgement)."""
MOST_G = 50_000.0  # judgement: a barrow of beads; beyond it the unit is another
MOST_STEP_G = 10.0
"""A coarser scale tells nothing of a portion of beads (a judgement)."""
MOST_HEAT_S = 30.0 * 86_400.0  # judgement: beyond it minutes were meant
ROOM_RANGE_DEGC = (-10.0, 50.0)
"""A judgement: from a shed in winter to an attic in summer."""
DRIEST_ROOM = 0.01
"""A fraction. A judgement: no room is drier, and a fraction was typed for per cent."""


def name(text: str) -> str:
    """Return a name as it is kept; one that the rule for names allows."""
    if not is_name(tidy(text)):
        raise TypedError(say("'{text}' is not valid: a name is {rule}", text=text, rule=say(NAME_RULE)))
    return tidy(text)


def number(text: str) -> float:
    """Return a number written with a point or a comma."""
    return float(text.replace(",", "."))


def volume_liter(text: str) -> float | None:
    """Return the inner volume of a box; None where nothing was typed. [L]"""
    words = to_say("'{text}' is not valid: a volume is from {low} to {high} L")
    return _within(text, VOLUME_RANGE_LITER, words) if text.strip() else None


def limit(text: str) -> float | None:
    """Return a humidity limit typed in per cent, as a fraction; None where nothing was typed."""
    words = to_say("'{text}' is not valid: a limit is from {low} to {high} %")
    return _within(text, LIMIT_RANGE_PCT, words) / 100.0 if text.strip() else None


def _within(text: str, span: tuple[float, float], words: str) -> float:
    low, high = span
    try:
        value = number(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise TypedError(say(words, text=text.strip(), low=f"{low:g}", high=f"{high:g}"))
    return value


def mass_g(text: str, shelf: Shelf) -> float:
    """Return grams; without a unit in the unit of the shelf."""
    found = _MASS.match(text.strip().lower())
    if found is None:
        raise TypedError(say("'{text}' is not a weight. Write it like 180, 180g, 0.2kg, 6.5oz or 2lb", text=text))
    grams = number(found[1]) * _GRAMS_OF[found[2] or ("oz" if shelf.ounces else "g")]
    if not 0.0 < grams <= MOST_G:
        raise TypedError(say("'{text}' is not valid: a weight is more than 0 and at most 50 kg", text=text))
    return grams


def is_mass(text: str) -> bool:
    """Return whether a text is written like a weight.

    >>> is_mass("6,5 oz"), is_mass("heavy")
    (True, False)
    """
    return _MASS.match(text.strip().lower()) is not None


def step_g(shown: str, shelf: Shelf) -> float:
    """Return the smallest step of a scale, from how many decimals of its display were typed.

    A whole number may be one of a finer display; it counts as a gram, or as a tenth of an ounce.
    """
    found = _MASS.match(shown.strip().lower())
    if found is None:
        return 1.0
    unit = found[2] or ("oz" if shelf.ounces else "g")
    decimals = len(re.split("[.,]", found[1])[1]) if re.search("[.,]", found[1]) else 0
    # a step of the last digit, by definition
    return min(_GRAMS_OF[unit] * 10.0**-decimals, _COARSEST_STEP_G.get(unit, 1.0))


def given_step_g(text: str, shelf: Shelf) -> float:
    """Return the smallest step a scale shows as a person told it, in grams."""
    grams = mass_g(text, shelf)
    if grams > MOST_STEP_G:
        raise TypedError(
            say(
                "'{text}' is not valid: a scale for beads shows steps of at most {most} g",
                text=text,
                most=f"{MOST_STEP_G:g}",
            )
        )
    return grams


def tare_g(text: str, shelf: Shelf) -> float:
    """Return grams of an empty holder; 0 where the scale was zeroed with it."""
    return 0.0 if text.strip() in ("0", "0g") else mass_g(text, shelf)


def heating_s(text: str) -> float:
    """Return seconds of heating; without a unit the number is minutes."""
    found = _CLOCK.match(text.strip().lower())
    if found is None or not (found[1] or found[2]):
        raise TypedError(say("'{text}' is not a heating time. Write it like 3, 3min, 8h or 1h30", text=text))
    seconds = 3600.0 * number(found[1] or "0") + 60.0 * number(found[2] or "0")
    if seconds > MOST_HEAT_S:
        raise TypedError(say("'{text}' is not valid: heating is at most 30 days", text=text))
    return seconds


def humidity(text: str) -> float:
    """Return a fraction of saturation from per cent."""
    found = _PART.match(text.strip().lower())
    if found is None or found[2] not in (None, "%") or not number(found[1]) <= 100.0:
        raise TypedError(say("'{text}' is not a humidity. Write it in %, 0 to 100, like 45 or 45%", text=text))
    return number(found[1]) / 100.0


def temperature_degc(text: str, shelf: Shelf) -> float:
    """Return °C; without a unit in the unit of the shelf."""
    found = _PART.match(text.strip().lower().lstrip("-"))
    if found is None or found[2] == "%":
        raise TypedError(say("'{text}' is not a temperature. Write it like 65, 65C or 150F", text=text))
    value = -number(found[1]) if text.strip().startswith("-") else number(found[1])
    in_f = (found[2] or ("f" if shelf.fahrenheit else "c")).endswith("f")
    return degf_to_degc(value) if in_f else value


def room(text: str | None, shelf: Shelf) -> RoomClimate | None:
    """Return the air of a room written as temperature and humidity, '20/50'."""
    if text is None:
        return None
    parts = text.split("/")
    if len(parts) != 2:
        raise TypedError(say("'{text}' is not valid: write the room as temperature/humidity, like 20/50", text=text))
    air = RoomClimate(temperature_degc(parts[0], shelf), humidity(parts[1]))
    if not ROOM_RANGE_DEGC[0] <= air.temperature_degc <= ROOM_RANGE_DEGC[1]:
        right = say("14 and 122 °F") if shelf.fahrenheit else say("-10 and 50 °C")
        raise TypedError(say("'{text}' is not valid: a room is between {right}", text=text, right=right))
    if air.relative_humidity < DRIEST_ROOM:
        raise TypedError(say("'{text}' is not valid: room air has at least 1 % RH", text=text))
    return air
