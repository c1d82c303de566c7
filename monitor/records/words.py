"""The words that the shelf file and the commands accept where a number or a name won't do, each with what it means.

Settings and commands check against these, and `siccast words` prints them; what a word is worth in numbers stands where
it is used, under the same word.
"""

from __future__ import annotations

from types import MappingProxyType

from monitor.texts import to_say

STYLES = MappingProxyType(
    {
        "valve": to_say("a canister or bag with a valve, tight when it is shut"),
        "gasket": to_say("a box whose lid presses on a gasket all around"),
        "canister": to_say("a jar or tin with a screw or lever lid"),
        "clip": to_say("a food box with clips on its lid (clip_lid)"),
        "feed": to_say("a box that feeds a printer through a hole or tube"),
        "tote": to_say("a large storage bin with a loose lid"),
        "bag": to_say("a zip or vacuum bag"),
        "cabinet": to_say("a cupboard or drawer"),
        "unknown": to_say("none of these, or not known"),
    }
)
"""A style may have more to it, as in 'clip_lid' or 'gasket_large': boxes of the same one inform each other."""

SPOOL_STATES = MappingProxyType(
    {
        "unknown": "nobody knows",
        "fresh": "from its sealed bag",
        "dried": "dried before it went in",
        "open": "lay in the room",
        "wet": "lay in damp air for long",
    }
)
SPOOL_CORES = MappingProxyType(
    {
        "plastic": "takes up next to nothing",
        "cardboard": "gives off grams of water in the first days",
        "none": "filament without a spool",
    }
)
APPLIANCE_KINDS = MappingProxyType(
    {
        "microwave": to_say("in bursts, weighed in between"),
        "oven": to_say("a kitchen oven"),
        "filament_dryer": to_say("warm air around the beads"),
        "print_bed": to_say("the heated bed of a printer, under a cover"),
        "other": to_say("anything else"),
    }
)
CHARGE_STATES = MappingProxyType(
    {
        "new": to_say("from the bag they were bought in"),
        "room": to_say("lay open in the room for days"),
        "unknown": to_say("nobody knows"),
    }
)
CLIMATES = MappingProxyType(
    {
        "temperate": "four seasons, heated in winter",
        "unheated": "four seasons, little heated: a hall, a garage, a shed",
        "humid_summers": "dry winters, hot and humid summers",
        "tropical": "warm and humid all year",
        "unknown": "learned from the room's own readings",
    }
)
OTHER_FILAMENT = "other"
"""A blend that no table knows; it is taken for a middling filament."""

METHODS = MappingProxyType(
    {
        "new": "beads from their bag",
        "oven": "dried in an oven (oven_120C_3h: three hours at 120 °C)",
        "microwave": "dried in a microwave",
        "hot_air": "dried in hot air (hot_air_65C: at 65 °C)",
        "dryer": "dried in a filament dryer",
        "bed": "dried on a print bed (print_bed)",
        "indicator": "judged dry by their color (indicator_orange)",
        "not_dried": "put back as they were, all or some of them",
    }
)
"""A method may say more, as in 'oven_120C_3h': the word in it is what counts."""

NOT_DRIED = "not_dried"
"""Beads that lay in a box before, or were joined by others: nobody knows how much water they hold."""

TEMPERATURE_UNITS = MappingProxyType(
    {"C": "degrees Celsius", "F": "degrees Fahrenheit", "K": "kelvin, in feeds and files"}
)
HUMIDITY_UNITS = MappingProxyType({"%": "per cent, 0 to 100", "fraction": "0 to 1"})
TIME_UNITS = MappingProxyType(
    {
        "iso8601": "a text as in 2026-03-01T07:30:00Z",
        "epoch_s": "seconds since 1970",
        "epoch_ms": "milliseconds since 1970",
    }
)
MASS_UNITS = MappingProxyType({"g": "grams", "oz": "ounces"})


def is_style(text: str) -> bool:
    """Return whether some word of ``STYLES`` is in a style.

    >>> is_style("clip_lid"), is_style("gaskt")
    (True, False)
    """
    return any(word in text.lower() for word in STYLES)


WALL_MATERIALS = ("PP", "HDPE", "LDPE", "PET", "PVC", "PS", "PC", "PA6", "PMMA", "silicone", "glass", "metal")
"""What walls of boxes are made of; an empty-box leak test allows for what they take up."""
