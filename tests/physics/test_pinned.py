"""Every formula of moist air and sorption at a few points, to nine digits, beside `pinned.csv`. *Regression*.

Published values with their tolerances stand in the other tests; here a digit that slips is noticed.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from monitor.physics import drying, leakage, materials, psychrometrics, saturation
from monitor.physics.calculators import caveats, sorption
from monitor.physics.psychrometrics import enhancement_factor
from monitor.physics.sorption.tabulated import SorptionTable

ROWS = list(csv.DictReader(Path(__file__).with_name("pinned.csv").read_text().splitlines()))
GEL = materials.desiccant("silica_gel").isotherm


def of_air(name: str) -> Callable[..., object]:
    for module in (saturation, psychrometrics, leakage, drying):
        if hasattr(module, name):
            found: Callable[..., object] = getattr(module, name)
            return found
    raise LookupError(name)


def value(row: dict[str, str]) -> object:
    """Return what a row names: a free function of numbers, or a quantity of a material."""
    numbers = [float(number) for number in row["arguments"].split()]
    if not row["material"]:
        return of_air(row["quantity"])(*numbers)
    if row["quantity"] in {"spool_time_constant_days", "diffusivity_m2_per_s"}:
        return getattr(materials.polymer(row["material"]), row["quantity"])(*numbers)
    isotherm = materials.isotherm_of(row["material"])
    if row["quantity"] in {"drying_floor_g_per_g", "jar_relative_humidity", "desorption_energy_kj"}:
        return of_air(row["quantity"])(isotherm, *numbers)
    return getattr(isotherm, row["quantity"])(*numbers)


@pytest.mark.parametrize("quantity", sorted({row["quantity"] for row in ROWS}))
def test_every_formula(quantity: str) -> None:
    for row in (row for row in ROWS if row["quantity"] == quantity):
        assert value(row) == pytest.approx(float(row["value"]), rel=2e-9), row


@pytest.mark.parametrize("name", ["saturation_vapor_pressure_pa", "saturation_vapor_pressure_over_ice_pa"])
def test_a_column_gives_what_its_rows_give(name: str) -> None:
    rows = [row for row in ROWS if row["quantity"] == name]
    degc = np.array([float(row["arguments"]) for row in rows])
    assert of_air(name)(degc) == pytest.approx([float(row["value"]) for row in rows], rel=2e-9)


def test_the_enhancement_factor_of_a_column_is_that_of_its_rows() -> None:
    degc = np.array([-100.0, -20.0, 0.0, 0.009, 0.01, 0.02, 25.0, 99.9, 100.0, 100.1, 120.0])
    for pressure_pa in (80_000.0, 101_325.0):
        one_by_one = [enhancement_factor(float(t), pressure_pa) for t in degc]
        assert enhancement_factor(degc, pressure_pa) == pytest.approx(one_by_one, rel=1e-12)
    assert enhancement_factor(np.array([-150.0]))[0] == pytest.approx(enhancement_factor(-100.0), rel=1e-12)  # type: ignore[index]
    assert enhancement_factor(100.0) > 1.0 or enhancement_factor(100.0) == pytest.approx(1.0, abs=1e-3)
    assert enhancement_factor(100.1) == 1.0
    assert list(enhancement_factor(120.0, np.array([9e4, 1e5]))) == [1.0, 1.0]  # type: ignore[arg-type]


def test_the_table_of_a_blend_of_two_shapes() -> None:
    """Half-way, at either end and beyond: the blend's own loading at the humidity that the table gives back."""
    other = materials.desiccant("type_rd").isotherm
    scores = np.array([-0.5, 0.0, 0.5, 1.0, 1.5])
    table = SorptionTable(GEL, other, scores)
    for humidity in (0.03, 0.2, 0.6, 0.9):
        loading = table.loading(np.full(5, humidity), 23.0)
        by_hand = (1.0 - scores) * GEL.loading_g_per_g(humidity, 23.0) + scores * other.loading_g_per_g(humidity, 23.0)
        assert loading == pytest.approx(by_hand, rel=1e-12)
        back, slope = table.humidity(loading, 23.0)
        assert back == pytest.approx(humidity, abs=2e-4)
        up, down = (table.humidity(loading * (1.0 + side), 23.0)[0] for side in (1e-3, -1e-3))
        assert slope == pytest.approx((up - down) / (2e-3 * loading), rel=0.04)


def test_the_table_goes_from_dry_to_full() -> None:
    table = SorptionTable(GEL, GEL, np.array([0.0, 0.012, 0.013, -9.0, 9.0]))
    assert [*table._score] == pytest.approx([0.0, 0.0, 0.025, -0.5, 1.5])
    full = float(GEL.loading_g_per_g(0.985, 23.0))
    assert table.full_loading_g_per_g == pytest.approx(full, rel=1e-5)
    assert table.keep_within(np.full(5, -1.0)) == pytest.approx(1e-6)
    assert table.keep_within(np.full(5, 1.0)) == pytest.approx((1.0 - 1e-5) * table.full_loading_g_per_g, rel=1e-12)
    assert table.keep_within(np.full(5, 0.1)) == pytest.approx(0.1, rel=1e-12)
    dry, wet = (float(table.humidity(np.full(5, loading), 23.0)[0][0]) for loading in (0.0, 1.0))
    assert dry < 1e-5
    assert wet == pytest.approx(0.985, abs=1e-3)
    ends = table.loading(np.array([0.0, 1e-5, 0.985, 1.0, 0.5]), 23.0)
    assert ends[0] == ends[1] == pytest.approx(GEL.loading_g_per_g(1e-5, 23.0))
    assert ends[2] == ends[3] == pytest.approx(full)
    taken = table.take(np.array([2, 0]))
    assert [*taken._score] == pytest.approx([0.025, 0.0])


def test_temperature_moves_gel_and_leaves_clay_in_a_table() -> None:
    loading = np.array([0.1])
    for kind, moves in (("silica_gel", True), ("clay", False)):
        isotherm = materials.desiccant(kind).isotherm
        table = SorptionTable(isotherm, isotherm, np.zeros(1))
        (warm, warm_slope), (room, room_slope) = (table.humidity(loading, degc) for degc in (40.0, 23.0))
        power = (23.0 + 273.15) / (40.0 + 273.15) if moves else 1.0
        assert warm == pytest.approx(room**power, rel=1e-12)
        assert warm_slope == pytest.approx(room_slope * power * warm / room, rel=1e-12)


def test_a_materials_page() -> None:
    row = sorption("silica_gel", np.array([25.0, 30.0]), np.array([40.0, 10.0]))
    for k, (degc, humidity) in enumerate(((25.0, 0.4), (30.0, 0.1))):
        loading = GEL.loading_g_per_g(humidity, degc)
        assert row["loading_g_per_g"][k] == pytest.approx(loading, rel=1e-12)
        assert row["rh_pct_back"][k] == pytest.approx(100.0 * humidity, rel=1e-8)
        assert row["heat_kj_per_kg"][k] == pytest.approx(GEL.heat_of_adsorption_kj_per_kg(humidity, degc), rel=1e-12)
        assert row["slope_g_per_g_per_pct"][k] == pytest.approx(float(GEL.slope(humidity, degc)) / 100.0, rel=1e-12)
    assert caveats("silica_gel", 25.0, 40.0)["kind"] == "silica_gel_regular_density"
