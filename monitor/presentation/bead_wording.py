"""Kinds of beads and ways of drying them, as a person calls them."""

from __future__ import annotations

import re

from monitor.presentation.amounts import joined
from monitor.records.words import NOT_DRIED
from monitor.texts import say, to_say

METHODS = {
    "oven_120C_3h": to_say("three hours in the oven at 120 °C"),
    "microwave": to_say("dried in the microwave"),
    "hot_air_65C": to_say("dried in hot air at 65 °C"),
    "print_bed": to_say("dried on the print bed"),
    "new": to_say("new beads"),
    "indicator_orange": to_say("judged dry by their color"),
    NOT_DRIED: to_say("some or all not dried"),
}
_HEAT, _HOURS = re.compile(r"_(\d+)C(?![a-zA-Z0-9])"), re.compile(r"_(\d+)h(?![a-zA-Z0-9])")
"""What a word for a method says of heat and time: 'oven_115C_3h'."""
_KINDS_OF_HEAT = {
    "oven": to_say("oven"),
    "hot_air": to_say("hot air"),
    "dryer": to_say("dryer"),
    "filament_dryer": to_say("filament dryer"),
    "bed": to_say("bed"),
}
BEADS = {
    "silica_gel": to_say("silica gel"),
    "silica_regular": to_say("silica gel, regular density"),
    "silica_wide": to_say("silica gel, wide pores"),
    "silica_gel_regular_density": to_say("silica gel, regular density"),
    "silica_gel_regular_density_large_pore_volume": to_say("silica gel, regular density, large pores"),
    "silica_gel_type_A": to_say("silica gel, type A"),
    "silica_gel_type_B_wide_pore": to_say("silica gel, wide pores (type B)"),
    "silica_gel_type_RD": to_say("silica gel, type RD"),
    "silica_gel_unspecified": to_say("silica gel, unknown type"),
    "silica_gel_orange_indicating": to_say("orange indicating gel"),
    "silica_gel_blue_indicating": to_say("blue indicating gel"),
    "mol_sieve": to_say("molecular sieve"),
    "molecular_sieve_A_type": to_say("molecular sieve, type A beads"),
    "industrial_desiccant_any": to_say("the least industrial desiccant must hold"),
    "bagged_desiccant_any": to_say("the least bagged desiccant must hold"),
    "clay": to_say("clay"),
    "alumina": to_say("activated alumina"),
    "cacl2": to_say("calcium chloride"),
}


def beads(kind: str | None) -> str:
    """Return what a kind of beads is called, or what several kinds side by side are.

    >>> beads("silica_gel_regular_density 0.6 + clay 0.4")
    'silica gel, regular density (60 %) and clay (40 %)'
    """
    if kind is None:
        return say("beads")
    if " + " in kind:
        parts = (part.rpartition(" ") for part in kind.split(" + "))
        return joined([f"{beads(name)} ({100.0 * float(share):.0f} %)" for name, _, share in parts])
    return say(BEADS[kind]) if kind in BEADS else say(kind.replace("_", " "))


def _method_by_its_word(way: str) -> str:
    """Return a method that no table knows, such as 'hot_air_65C_4h', in the words it is made of."""
    kind, heat, hours = _HOURS.sub("", _HEAT.sub("", way)), _HEAT.search(way), _HOURS.search(way)
    words = [say(_KINDS_OF_HEAT[kind]) if kind in _KINDS_OF_HEAT else kind.replace("_", " ")]
    if heat:
        words.append(f"{heat[1]} °C")
    if hours:
        words.append(say("{count} hours", count=hours[1]))
    return ", ".join(words)


def lot_name(name: str) -> str:
    """Return what a lot is called on a page: one that is named by its kind of beads, as that kind is called.

    >>> lot_name("silica_gel_orange_indicating"), lot_name("silica_gel_orange_indicating-2"), lot_name("bag-2")
    ('orange indicating gel', 'orange indicating gel, 2', 'bag-2')
    """
    kind, _, number = name.rpartition("-")
    if name in BEADS:
        return say(BEADS[name])
    return f"{say(BEADS[kind])}, {number}" if kind in BEADS and number.isdecimal() else name


def method(way: str) -> str:
    """Return how beads were dried, in grams and °C."""
    return say(METHODS[way]) if way in METHODS else _method_by_its_word(way)
