"""Cautions before and after the heat, and what a color can say."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.desk import cautions
from monitor.desk.cautions import BRINE, COOLING, DUST, FOOD, HOT_GLASS, HOT_SPOTS, STEAM, WEIGH_COLD, Caution
from monitor.errors import LedgerError
from monitor.physics.materials import desiccant

ORANGE, GEL = desiccant("orange_gel"), desiccant("silica_gel")


def test_a_caution_is_a_value() -> None:
    assert Caution("a", "b") == Caution("a", "b") != Caution("a", "c")


@pytest.mark.parametrize(
    ("kind", "holder", "told"),
    [
        ("microwave", "glass", (HOT_SPOTS, STEAM, FOOD, HOT_GLASS)),
        ("microwave", "", (HOT_SPOTS, STEAM, FOOD)),
        ("oven", "ceramic", (STEAM, FOOD, HOT_GLASS)),
        ("oven", "borosilicate", (STEAM, FOOD, HOT_GLASS)),
        ("oven", "metal", (STEAM, FOOD)),
        ("zzz", "metal", (STEAM, FOOD)),
    ],
)
def test_what_to_know_before_the_heat(kind: str, holder: str, told: tuple[Caution, ...]) -> None:
    assert cautions.before_heating(GEL, kind, holder) == told


def test_wet_salt_has_its_own_caution() -> None:
    assert cautions.before_heating(desiccant("calcium_chloride"), "oven", "glass") == (STEAM, FOOD, BRINE, HOT_GLASS)


def test_a_dye_has_its_own_caution() -> None:
    for kind in ("orange_gel", "blue_gel"):
        beads = desiccant(kind)
        assert beads.dye is not None
        *_, of_dye, glass = cautions.before_heating(beads, "oven", "glass")
        assert glass == HOT_GLASS
        assert of_dye.text[0].isupper()
        assert of_dye.text.lower().removesuffix(".") == beads.dye.caution.lower().removesuffix(".")
        assert of_dye.text.endswith(".")
        assert not of_dye.text.endswith("..")


def test_what_to_know_at_the_scale_and_at_the_end() -> None:
    assert cautions.at_the_scale() == (WEIGH_COLD,)
    assert cautions.at_the_end() == (COOLING, DUST)


def test_a_color_says_little() -> None:
    """Orange gel turns near 25 % RH. *Regression*: the words."""
    held = 100.0 * float(ORANGE.isotherm.loading_g_per_g(0.25, 25.0))
    dye = ORANGE.dye
    assert dye is not None
    assert cautions.on_color(ORANGE, dye.dry_color) == (
        f"Orange means less than about {held:.0f} % water. That can be anything from dry to half full. Use the scale"
        " or a jar check to find out."
    )
    assert cautions.on_color(ORANGE, dye.wet_color) == (
        f"Green means more than about {held:.0f} % water at the surface: these beads are spent."
    )
    assert cautions.on_color(ORANGE, "turning") == (
        "Neither orange nor green: the beads are just turning, mixed, or their dye was overheated. Go by the scale."
    )
    assert cautions.on_color(GEL, "orange") == "These beads have no dye. Their color says nothing."


@pytest.mark.parametrize(("turn", "pct"), [(0.3048, 30), (0.3052, 31)])
def test_the_water_at_which_a_dye_turns_is_rounded_to_percent(turn: float, pct: int) -> None:
    assert ORANGE.dye is not None
    humidity = float(ORANGE.isotherm.relative_humidity(turn, 25.0))
    beads = replace(ORANGE, dye=replace(ORANGE.dye, turns_at_humidity=humidity))
    assert f"less than about {pct} % water" in cautions.on_color(beads, "orange")
    assert f"more than about {pct} % water" in cautions.on_color(beads, "green")


def test_a_color_that_was_seen() -> None:
    assert cautions.color_seen("orange_gel", " Orange ") == ("orange", cautions.on_color(ORANGE, "orange"))
    with pytest.raises(LedgerError) as no_dye:
        cautions.color_seen("silica_gel", "orange")
    assert str(no_dye.value) == "'silica_gel' has no dye. Only indicating gel shows anything by its color"
    with pytest.raises(LedgerError) as wrong:
        cautions.color_seen("orange_gel", "pink")
    assert str(wrong.value) == f"'pink' is not valid: {ORANGE.title} looks orange, green or turning"


def test_every_color_names_its_beads() -> None:
    told = cautions.colors()
    assert told["orange"] == ORANGE.title
    assert set(told) >= {"orange", "green", "turning", "blue"}
    assert told["turning"] == ", ".join(
        desiccant(kind).title for kind in cautions.desiccant_kinds() if desiccant(kind).dye
    )
