"""What can hurt a person or spoil the beads, said at the step where it matters; short, with its source."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.errors import LedgerError
from monitor.physics.drying import JAR_DEGC
from monitor.physics.materials import Desiccant, desiccant, desiccant_kinds
from monitor.texts import say, to_say

SHEET = to_say("The maker's sheet and local rules come first.")

_GLASSLIKE = ("glass", "ceramic", "borosilicate")


@dataclass(frozen=True, slots=True)
class Caution:
    """One sentence and where it comes from."""

    text: str
    source: str


HOT_SPOTS = Caution(
    to_say(
        "Single beads get far hotter than the rest. Use heat-proof glass or ceramic only: no metal, paper or plastic."
    ),
    "Weintraub, Methods for reconditioning silica gel",
)
STEAM = Caution(
    to_say(
        "Steam needs much room. Leave the dish uncovered while it heats. Keep your face away when you open the door."
    ),
    "ideal gas at 100 °C",
)
HOT_GLASS = Caution(
    to_say("Put hot glass on dry wood or cork. A cold or wet surface can shatter it."), "kitchen glass advice; trade"
)
FOOD = Caution(
    to_say("Keep beads and dust out of food. Air and wipe the appliance before you cook in it again."),
    "dye safety data sheets",
)
COOLING = Caution(
    to_say(
        "Let the beads cool in a dry jar with a loose lid. Close it only below 60 °C: a jar that is closed hot gets a"
        " vacuum inside."
    ),
    "UC Davis protocol for drying beads (closed cooling); pressure from the gas law",
)
WEIGH_COLD = Caution(
    to_say(
        "Weigh the beads cold and covered. Hot beads raise the reading. A thin open layer takes up about 1 % in 15"
        " minutes."
    ),
    "calculated for still air; a deep bowl gained nothing that a 1 g scale shows (common practice, no source)",
)
DUST = Caution(
    to_say("Pour without raising dust. Wear a dust mask for loose granules."), "NIOSH limit for amorphous silica"
)

BRINE = Caution(
    to_say(
        "Salt with much water in it melts at 30 °C already. Hot brine burns, splashes and eats metal: use a deep dish"
        " of heat-proof glass or ceramic, half full at most."
    ),
    "melting point of the hexahydrate (29.9 °C, handbooks, from memory); half full: a judgement",
)


def before_heating(desiccant: Desiccant, appliance_kind: str, holder: str) -> tuple[Caution, ...]:
    """Return what to know before the heat goes on."""
    told = [HOT_SPOTS, STEAM, FOOD] if appliance_kind == "microwave" else [STEAM, FOOD]
    if desiccant.dye is not None:
        told.append(Caution(_sentence(say(desiccant.dye.caution)), "safety data sheet of the dye"))
    if desiccant.humidity_shows == "phase":  # a salt, as its table says
        told.append(BRINE)
    if holder in _GLASSLIKE:
        told.append(HOT_GLASS)
    return _said(*told)


def of_dyes() -> tuple[str, ...]:
    """Return what to know of dyes, each said once."""
    dyes = [beads.dye for beads in map(desiccant, desiccant_kinds()) if beads.dye is not None]
    return tuple(dict.fromkeys(_sentence(dye.caution) for dye in dyes))


def at_the_scale() -> tuple[Caution, ...]:
    """Return what to know when weighing for the first time."""
    return _said(WEIGH_COLD)


def at_the_end() -> tuple[Caution, ...]:
    """Return what to know when the run is over."""
    return _said(COOLING, DUST)


def on_color(desiccant: Desiccant, color: str) -> str:
    """Return what a color can and can't say."""
    dye = desiccant.dye
    if dye is None:
        return say("These beads have no dye. Their color says nothing.")
    turn = float(desiccant.isotherm.loading_g_per_g(dye.turns_at_humidity, JAR_DEGC))
    if color == dye.dry_color:
        return say(
            "{color} means less than about {share} % water. That can be anything from dry to half full. "
            "Use the scale or a jar check to find out.",
            color=say(color).capitalize(),
            share=f"{100 * turn:.0f}",
        )
    if color == dye.wet_color:
        at_least = say("{share} % water at the surface", share=f"{100 * turn:.0f}")
        return say(
            "{color} means more than about {at_least}: these beads are spent.",
            color=say(color).capitalize(),
            at_least=at_least,
        )
    return say(
        "Neither {dry_color} nor {wet_color}: the beads are just turning, mixed, or their dye was "
        "overheated. Go by the scale.",
        dry_color=say(dye.dry_color),
        wet_color=say(dye.wet_color),
    )


def color_seen(kind: str, seen: str) -> tuple[str, str]:
    """Return the color that was seen of such beads, in the words of their dye, and what it can and can't say.

    Raises
    ------
    LedgerError
        If the beads carry no dye, or never look like that.
    """
    beads = desiccant(kind)
    if beads.dye is None:
        raise LedgerError(say("'{kind}' has no dye. Only indicating gel shows anything by its color", kind=kind))
    color = seen.strip().lower()
    if color not in beads.dye.colors:
        raise LedgerError(
            say(
                "'{seen}' is not valid: {title} looks {names} or turning",
                seen=seen,
                title=say(beads.title),
                names=", ".join(map(say, beads.dye.colors[:-1])),
            )
        )
    return color, on_color(beads, color)


def colors_of(kind: str | None) -> tuple[str, ...]:
    """Return the colors that beads of a kind can show; none where they have no dye, or are not known."""
    dye = desiccant(kind).dye if kind is not None else None
    return dye.colors if dye else ()


def colors() -> dict[str, str]:
    """Return every color that beads can show, with the beads that do."""
    told: dict[str, list[str]] = {}
    for beads in map(desiccant, desiccant_kinds()):
        for color in beads.dye.colors if beads.dye else ():
            told.setdefault(color, []).append(beads.title)
    return {color: ", ".join(titles) for color, titles in told.items()}


def _said(*cautions: Caution) -> tuple[Caution, ...]:
    """Return cautions in the language of whoever is told."""
    return tuple(replace(caution, text=say(caution.text)) for caution in cautions)


def _sentence(text: str) -> str:
    text = text[0].upper() + text[1:]
    return text if text.endswith(".") else text + "."
