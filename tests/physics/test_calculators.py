"""The two calculators: what each column is, where it does not exist, and what is said beside the numbers."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import OutOfRangeError
from monitor.physics import calculators, materials
from monitor.physics import psychrometrics as air

PASCALS = 101_325.0


def row(degc: float, rh_pct: float, pressure_pa: float = PASCALS) -> dict[str, float]:
    columns = calculators.moist_air(np.array([degc]), np.array([rh_pct]), np.array([pressure_pa]))
    return {name: float(column[0]) for name, column in columns.items()}


def test_every_quantity_of_moist_air() -> None:
    found = row(25.0, 10.0)
    expected = {
        "saturation_pa": air.saturation_vapor_pressure_pa(25.0),
        "vapor_pa": air.vapor_pressure_pa(25.0, 0.1),
        "absolute_g_per_m3": air.absolute_humidity_g_per_m3(25.0, 0.1),
        "mixing_g_per_kg": air.mixing_ratio_g_per_kg(25.0, 0.1, PASCALS),
        "dew_point_c": air.dew_point_degc(25.0, 0.1),
        "frost_point_c": air.frost_point_degc(25.0, 0.1),
        "saturation_over_ice_pa": np.nan,
        "enhancement_factor": air.enhancement_factor(25.0, PASCALS),
        "density_kg_per_m3": air.moist_air_density_kg_per_m3(25.0, 0.1, PASCALS),
    }
    assert found == pytest.approx(expected, rel=1e-12, nan_ok=True)


FROST_LOW = float(air.saturation_vapor_pressure_over_ice_pa(-130.0))
DEW_LOW = float(air.saturation_vapor_pressure_pa(-45.0))


def exists(name: str, degc: float, vapor_pa: float, pressure_pa: float = PASCALS) -> bool:
    rh_pct = 100.0 * vapor_pa / float(air.saturation_vapor_pressure_pa(degc))
    return bool(np.isfinite(row(degc, rh_pct, pressure_pa)[name]))


def test_quantities_that_do_not_exist_are_missing() -> None:
    """Dew points down to -45 °C, frost points from -130 °C to the triple point, at 611.657 Pa no more."""
    for name, vapor_pa, there in (
        ("dew_point_c", DEW_LOW * 1.0001, True), ("dew_point_c", DEW_LOW * 0.9999, False), ("dew_point_c", 2e3, True),
        ("frost_point_c", FROST_LOW * 1.0001, True), ("frost_point_c", FROST_LOW * 0.9999, False),
        ("frost_point_c", 611.6, True), ("frost_point_c", 611.7, False), ("frost_point_c", 100.0, True),
    ):  # fmt: skip
        assert exists(name, 25.0, vapor_pa) == there
    assert [np.isfinite(row(degc, 50.0)["saturation_over_ice_pa"]) for degc in (-5.0, 0.01, 0.011)] == [
        True,
        True,
        False,
    ]


@pytest.mark.parametrize("name", ["mixing_g_per_kg", "density_kg_per_m3"])
def test_boiling_leaves_no_air(name: str) -> None:
    """0.999 of the pressure; beyond 100 °C the enhancement factor is 1."""
    assert exists(name, 110.0, 0.998 * PASCALS)
    assert not exists(name, 110.0, 0.9991 * PASCALS)


def test_both_calculators_want_percent() -> None:
    for function in (
        lambda rh: row(25.0, rh),
        lambda rh: calculators.sorption("silica_gel", np.array([25.0]), np.array([rh])),
    ):
        for end in (0.0, 100.0):
            assert function(end)
        for beyond, said in ((-0.5, "-0.5"), (100.5, "100.5")):
            with pytest.raises(OutOfRangeError, match=rf"rh_pct is {said} %; it must lie from 0 to 100 %"):
                function(beyond)


def test_the_ranges_that_a_page_may_offer() -> None:
    assert calculators.AIR_RANGE_C == (-45.0, 373.946)
    assert calculators.SORPTION_RANGE_C == (-45.0, 370.0)
    assert calculators.HUMIDITY_RANGE_PCT == (0.0, 100.0)
    assert calculators.PRESSURE_RANGE_PA == (20_000.0, 2_000_000.0)


@pytest.mark.parametrize(
    ("name", "kind_of_thing"),
    [("orange_gel", "desiccant"), ("PA6", "filament"), ("cardboard", "board"), ("sawdust", "nothing")],
)
def test_what_a_name_stands_for(name: str, kind_of_thing: str) -> None:
    assert calculators.is_material(name) == (kind_of_thing != "nothing")
    assert calculators.is_desiccant(name) == (kind_of_thing == "desiccant")
    assert calculators.is_filament(name) == (kind_of_thing == "filament")


def test_every_material_has_a_page() -> None:
    kinds = calculators.material_kinds()
    assert kinds == (*calculators.desiccant_kinds(), *calculators.filament_kinds(), "cardboard")
    words = calculators.material_words(kinds)
    assert words["silica_gel_orange_indicating"].startswith(materials.desiccant("orange_gel").title + "; also ")
    assert words["PA6"].startswith("also ")
    assert "PA6" not in words["PA6"].removeprefix("also ").split(", ")
    for kind in kinds:
        assert calculators.caveats(kind, 25.0, 40.0)["kind"] == kind


@pytest.mark.parametrize(
    ("degc", "rh_pct", "within"),
    [
        (20.0, 6.0, True), (19.9, 20.0, False), (20.1, 20.0, False), (20.0, 5.9, False), (20.0, 33.3, True),
        (20.0, 33.4, False),
    ],
)  # fmt: skip
def test_within_the_measured_range(degc: float, rh_pct: float, within: bool) -> None:
    """Calcium chloride was measured at 20 °C, from 6 to 33.3 % RH."""
    told = calculators.caveats("cacl2", degc, rh_pct)
    assert told["within_measured_range"] == within
    assert told["measured_range"]["temperature_c"] == [20.0, 20.0]
    assert told["measured_range"]["rh_pct"] == pytest.approx([6.0, 33.3])


def test_the_edges_of_the_measured_range_of_gel() -> None:
    for degc, rh_pct, within in ((0.0, 0.1, True), (146.0, 95.0, True), (-0.1, 50.0, False), (146.1, 50.0, False)):
        assert calculators.caveats("silica_gel", degc, rh_pct)["within_measured_range"] == within


def test_what_to_know_beside_the_numbers() -> None:
    beads = materials.desiccant("orange_gel")
    told = calculators.caveats("orange_gel", 25.0, 40.0)
    assert told["max_regeneration_c"] == 120.0
    assert told["sigma_ln_capacity"] == beads.sigma_ln_capacity
    assert beads.hysteresis is not None
    assert beads.dye is not None
    assert told["drying_branch"] == {
        "loading_factor": beads.hysteresis.factor(0.4),
        "sigma": beads.hysteresis.sigma(0.4),
    }
    assert told["color"] == {
        "dry": "orange", "turned": "green", "chance_turned": beads.dye.chance_turned(0.4), "caution": beads.dye.caution,
    }  # fmt: skip
    assert not {"drying_branch", "color"} & set(calculators.caveats("clay", 25.0, 40.0))
    plastic = materials.polymer("PA6")
    of_plastic = calculators.caveats("PA6", 40.0, 40.0)
    assert of_plastic["spool_time_constant_days"] == plastic.spool_time_constant_days(40.0)
    assert of_plastic["storage_rh_pct_max"] == pytest.approx(100.0 * plastic.storage_humidity_max)
    assert of_plastic["drying_c"] == list(plastic.drying_degc)
    board = calculators.caveats("cardboard", 25.0, 40.0)
    assert (board["weak"], board["sigma_ln_capacity"]) == (True, materials.cardboard().sigma_ln_uptake)
