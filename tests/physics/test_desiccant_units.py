"""Rules of standards against one another and by hand; printed worked examples are held in published/test_leakage.py."""

from __future__ import annotations

import math

import pytest

from monitor.physics.desiccant_units import (
    GEL_PER_UNIT_G,
    J_STD_LIMIT,
    J_STD_UNIT_G,
    din_55474,
    j_std_033,
    jis_film_g_per_day,
    jis_k1_of_pet,
    jis_z0301,
    mil_bag,
    mil_rigid,
)
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa

SQUARE_FOOT_M2, CUBIC_FOOT_LITER = 0.09290304, 28.316846592
"""Exact, by definition of the foot."""


def test_military_rules_agree_in_inches_and_in_feet() -> None:
    """1.6 units a square foot and 1.2 a cubic foot, as the same rules say in feet."""
    assert mil_bag(SQUARE_FOOT_M2).units == pytest.approx(1.6, abs=0.05)
    assert mil_rigid(CUBIC_FOOT_LITER).units == pytest.approx(1.2, abs=0.05)


@pytest.mark.parametrize(("limit", "unit_g"), [(J_STD_LIMIT, J_STD_UNIT_G), (0.20, 3.0), (0.40, 6.0)])
def test_a_unit_of_gel_takes_up_what_standards_ask_of_a_unit(limit: float, unit_g: float) -> None:
    """26 g of gel by the isotherm of this tool, against 2 g at 10 %, 3 g at 20 %, 6 g at 40 %: a quarter to spare."""
    held_g = GEL_PER_UNIT_G * float(desiccant("silica_regular").isotherm.loading_g_per_g(limit, 25.0))
    assert unit_g * 0.9 <= held_g <= unit_g * 1.25


def test_din_adds_air_packing_and_film() -> None:
    """(1 m³ · 17.3 g/m³ + 60 g + 6 m² · 0.7 · 0.1 g/m²/day · 365 days) / 6 g, by hand."""
    asked = din_55474(1000.0, 6.0, 0.1, 365.0, 0.40, hygroscopic_g=60.0)
    assert asked.units == pytest.approx((17.3 + 60.0 + 153.3) / 6.0)
    assert asked.gel_g == pytest.approx(26.0 * (17.3 + 60.0 + 153.3) / 6.0)


def test_din_takes_the_stricter_row() -> None:
    strict, between = din_55474(0.0, 1.0, 1.0, 100.0, 0.20), din_55474(0.0, 1.0, 1.0, 100.0, 0.35)
    assert strict.units == between.units == pytest.approx(0.9 * 100.0 / 3.0)
    assert din_55474(0.0, 1.0, 1.0, 100.0, 0.10).units == strict.units


def test_a_dry_pack_grows_with_area_months_and_film() -> None:
    """0.003 · 12 months · 0.3 g/m²/day · 1000 cm² / 2 g, by hand."""
    asked = j_std_033(0.1, 0.3, 12.0)
    assert asked.units == pytest.approx(5.4)
    assert asked.gel_g == pytest.approx(5.4 * 26.0)


def test_jis_counts_in_grams_and_says_where_no_gel_is_enough() -> None:
    """(2 g/day · 30 days · (60 - 40) % · 0.0031 + 5 g) / (0.22 - 0.02), by hand."""
    asked = jis_z0301(2.0, 30.0, 0.60, 0.40, k1=0.0031, holds_g_per_g=0.22, packing_g=5.0)
    assert asked.units is None
    assert asked.gel_g == pytest.approx((3.72 + 5.0) / 0.20)
    assert jis_z0301(2.0, 30.0, 0.30, 0.40, k1=0.0031, holds_g_per_g=0.22).gel_g == 0.0, "it is drier outside"
    assert math.isinf(jis_z0301(2.0, 30.0, 0.60, 0.01, k1=0.0031, holds_g_per_g=0.015).gel_g), "it is supplied wetter"


def test_what_jis_lets_a_film_pass_follows_the_push_and_the_film() -> None:
    """At the climate of the test, 90 % of R goes through for 90 %; PET lets a ninth through at half the pressure."""
    assert 90.0 * jis_k1_of_pet(40.0) == pytest.approx(1.0, abs=0.005)
    pressures = saturation_vapor_pressure_pa(20.0) / saturation_vapor_pressure_pa(40.0)
    assert jis_k1_of_pet(20.0) * 90.0 < pressures, "a film is tighter in the cold, too"
    assert jis_k1_of_pet(22.5) == pytest.approx(math.sqrt(0.0020 * 0.0031))
    assert jis_k1_of_pet(45.0) == jis_k1_of_pet(40.0)
    assert jis_film_g_per_day(2.0) == pytest.approx(2.0 * 0.9 * 7.385, rel=0.002)  # 7.385 kPa at 40 °C, IAPWS
