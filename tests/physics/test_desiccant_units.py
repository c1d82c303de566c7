"""Rules of standards quoted from memory: their coefficients against one another, for want of a worked example."""

from __future__ import annotations

import pytest

from monitor.physics.desiccant_units import GEL_PER_UNIT_G, din_55474, mil_bag, mil_rigid
from monitor.physics.materials import desiccant

SQUARE_FOOT_M2, CUBIC_FOOT_LITER, POUND_G = 0.09290304, 28.316846592, 453.59237
"""Exact, by definition of the foot and the pound."""


def test_military_rules_agree_in_inches_and_in_feet() -> None:
    """1.6 units a square foot and 1.2 a cubic foot, as the same rules say in feet (from memory, to two digits)."""
    assert mil_bag(SQUARE_FOOT_M2).units == pytest.approx(1.6, abs=0.05)
    assert mil_rigid(CUBIC_FOOT_LITER).units == pytest.approx(1.2, abs=0.05)
    assert mil_rigid(0.0, POUND_G, "felt").units == pytest.approx(8.0)
    assert mil_bag(0.0, 2.0 * POUND_G, "foam").units == pytest.approx(4.0)


@pytest.mark.parametrize(("limit", "unit_g"), [(0.20, 3.0), (0.40, 6.0)])
def test_a_unit_of_gel_takes_up_what_both_standards_ask_of_a_unit(limit: float, unit_g: float) -> None:
    """26 g of gel by the isotherm of this tool, against 3 g at 20 % and 6 g at 40 %: a quarter to spare at most."""
    held_g = GEL_PER_UNIT_G * float(desiccant("silica_regular").isotherm.loading_g_per_g(limit, 23.0))
    assert unit_g * 0.9 <= held_g <= unit_g * 1.25


def test_din_adds_air_packing_and_film() -> None:
    """(1 m³ · 17.3 g/m³ + 60 g + 6 m² · 0.7 · 0.1 g/m²/day · 365 days) / 6 g, by hand."""
    asked = din_55474(1000.0, 6.0, 0.1, 365.0, 0.40, hygroscopic_g=60.0)
    assert asked.units == pytest.approx((17.3 + 60.0 + 153.3) / 6.0)
    assert asked.gel_g == pytest.approx(26.0 * asked.units)


def test_din_takes_the_stricter_row() -> None:
    strict, between = din_55474(0.0, 1.0, 1.0, 100.0, 0.20), din_55474(0.0, 1.0, 1.0, 100.0, 0.35)
    assert strict.units == between.units == pytest.approx(0.9 * 100.0 / 3.0)
    assert din_55474(0.0, 1.0, 1.0, 100.0, 0.10).units == strict.units
