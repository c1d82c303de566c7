"""What packaging standards would put in: the rule of each, what it is made for, where it was read, why it differs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from monitor.presentation.amounts import percent
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from monitor.services.sizing import UnitsAsked

AT_SECOND_HAND = to_say(
    "The rules of the standards are quoted at second hand, in part from memory; read the text before you rely on one."
)


@dataclass(frozen=True)
class _Rule:
    """What is said of a standard, in English."""

    called: str
    rule: str
    """Its formula, with what the letters mean."""
    good_for: str
    """What it is made for, and within which bounds."""
    source: str
    """Where the rule was read, or that it is from memory."""


_MIL_SOURCE = to_say("quoted at second hand, with a worked example; X and grams of gel a unit from memory")
_RULES = {
    "din_55474": _Rule(
        to_say("DIN 55474 / DIN 55473"),
        to_say(
            "n = (V b + m c + A e D t) / a units: air V with b g/m³, packing aids m c, film A that lets through D a "
            "day for t days; e and a by the limit"
        ),
        to_say("sealed packages with 20, 40, 50 or 60 % RH at the end; in between the stricter row counts"),
        to_say("quoted at second hand, with a worked example; grams of gel a unit from memory"),
    ),
    "mil_bag": _Rule(
        to_say("MIL-STD-2073-1 / MIL-D-3464, bag"),
        to_say("U = 0.011 A + X D units: A square inches of bag, D pounds of dunnage"),
        to_say("heat-sealed bags of barrier film"),
        _MIL_SOURCE,
    ),
    "mil_rigid": _Rule(
        to_say("MIL-STD-2073-1 / MIL-D-3464, rigid"),
        to_say("U = 0.0007 V + X D units: V cubic inches of container, D pounds of dunnage"),
        to_say("sealed containers of metal"),
        _MIL_SOURCE,
    ),
    "j_std_033": _Rule(
        to_say("IPC/JEDEC J-STD-033"),
        to_say(
            "U = 0.003 M W A / D units: M months of 30 days, W g/m² a day through A cm² of bag, D g that a unit takes "
            "up at 10 % RH"
        ),
        to_say("heat-sealed barrier bags kept under 10 % RH"),
        to_say(
            "quoted at second hand, with a worked example in inches (0.304); the metric form, the 10 % and grams of "
            "gel a unit from memory"
        ),
    ),
    "jis_z0301": _Rule(
        to_say("JIS Z 0301"),
        to_say(
            "W = (R A t (h1 - h2) K1 + K2 D) / (C2 - C1) grams: film A that lets through R a day in its test, for t "
            "days; h1 % RH outside, h2 inside; K1 by the temperature outside; gel from C1 to C2"
        ),
        to_say("sealed packages in one mean climate of 5 to 40 °C; K1 is that of PET"),
        to_say("quoted at second hand, with a worked example; K1 of PET from another sheet, K2 not known"),
    ),
}


def standard_name(asked: UnitsAsked) -> str:
    """Return what a standard is called."""
    return say(_RULES[asked.standard].called)


def standard_rule(asked: UnitsAsked) -> str:
    """Return the formula of a standard, what it is made for, and where it was read."""
    found = _RULES[asked.standard]
    return say(
        "{rule}. For {good_for}. ({source}.)",
        rule=say(found.rule),
        good_for=say(found.good_for),
        source=say(found.source),
    )


def why_different(asked: UnitsAsked) -> str:
    """Return why a standard says something else than we do, with the numbers that it reckons with."""
    by = asked.by
    if asked.standard == "din_55474":
        return say(
            "it takes the film's transmission in the tropics times {easier} for all seasons, and a unit for {unit} at "
            "{limit} RH",
            easier=f"{by['easier']:g}",
            unit=f"{by['unit_g']:g} g",
            limit=percent(by["limit"]),
        )
    if asked.standard == "mil_bag":
        return say(
            "it counts the area of a barrier bag, whatever the film lets through, how long it lies and its limit"
        )
    if asked.standard == "mil_rigid":
        return say("it is for welded metal: it counts the air and the packing once, and no leak at all")
    if asked.standard == "j_std_033":
        return say(
            "it keeps {limit} RH whatever your limit is, takes the transmission of the film's hot and humid test for "
            "every day, and a unit for {unit}",
            limit=percent(by["limit"]),
            unit=f"{by['unit_g']:g} g",
        )
    return say(
        "it takes {outside} RH outside and {limit} inside all the time and lets leaks follow the temperature as PET "
        "does; it counts no opening and nothing that lies inside",
        outside=percent(by["outside"]),
        limit=percent(by["limit"]),
    )


def standard_answer(asked: UnitsAsked) -> dict[str, Any]:
    """Return what a standard says, for scripts; an amount that no gel reaches is null."""
    found = _RULES[asked.standard]
    return {
        "standard": found.called,
        "rule": found.rule,
        "good_for": found.good_for,
        "source": found.source,
        "units": asked.units,
        "gel_g": asked.gel_g if asked.gel_g < float("inf") else None,
        "why_different": why_different(asked),
    }
