"""Leaks, half-times, permeation and box trajectories: every row of leakage.csv that a function answers."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from exact_balance import Box, Climate, Sorbent, follow
from published.tables_read import published
from scipy.optimize import brentq

from monitor.physics import leakage
from monitor.physics.desiccant_units import (
    DIN_EASIER,
    UnitsAsked,
    din_55474,
    j_std_033,
    jis_k1_of_pet,
    jis_z0301,
    mil_bag,
    mil_rigid,
)
from monitor.physics.materials import desiccant
from monitor.physics.psychrometrics import absolute_humidity_g_per_m3, saturation_vapor_pressure_pa, vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear
from monitor.physics.sorption.by_humidity import HumidityIsotherm

PATH = "walls, seams, holes, breathing and units of film each alone; siccast learns their sum from humidity"
ARITHMETIC = "a division of two weighed numbers; its outcome is held against the isotherm below"
LEFT_OUT = {
    "eia583_units": "sheets contradict each other on what a unit of EIA-583 takes up, so its rule is not given",
    "eia583_vs_jstd_derating": "the same",
    "jis_z0301_simplified": "rounds the climates of the whole rule, which is held below",
    "steady_flux": "flux coefficient of one film given per meter and second; siccast carries permeabilities per kPa",
    "water_over_co2_diffusive_exchange": "siccast knows no carbon dioxide",
    "gel_water_content_at_end": ARITHMETIC,
    "gel_water_content": ARITHMETIC,
    "mean_ingress": ARITHMETIC,
    "conductance_from_weighing": ARITHMETIC,
    "conductance_per_litre_from_usp671": ARITHMETIC,
    "arrhenius_permeability_from_K1": PATH,
    "arrhenius_flux_ratio_40_25": PATH,
    "unit_conversion": PATH,
    "permeability_from_wvtr": PATH,
    "thermal_breathing_volume": PATH,
    "barometric_breathing_volume": PATH,
    "hole_diffusion_conductance": PATH,
    "slit_diffusion_conductance": PATH,
    "half_time_coefficient": "a rule of thumb at one temperature; siccast integrates the balance instead",
    "hygrometric_half_time_thomson": "a rule of thumb at one temperature; siccast integrates the balance instead",
}


@dataclass(frozen=True)
class Langmuir(HumidityIsotherm):
    """X = Xm b RH / (1 + b RH): the made-up gel of one of the trajectories."""

    most: float
    affinity: float

    def loading_g_per_g(self, relative_humidity: Any, temperature_degc: Any) -> Any:
        return self.most * self.affinity * relative_humidity / (1.0 + self.affinity * relative_humidity)

    def relative_humidity(self, loading_g_per_g: Any, temperature_degc: Any) -> Any:
        return loading_g_per_g / self.affinity / (self.most - loading_g_per_g)

    def slope(self, relative_humidity: Any, temperature_degc: Any) -> Any:
        return self.most * self.affinity / (1.0 + self.affinity * relative_humidity) ** 2


def final_humidity_pct(given: dict[str, Any], box: Box, days: float, steps: int) -> float:
    outside = vapor_pressure_pa(given["T_C"], given["RH_out_pct"] / 100.0)
    climate = Climate(np.full(steps, days / steps), np.full(steps, outside), np.full(steps, float(given["T_C"])))
    return 100.0 * float(follow(box, climate, given["RH0_pct"] / 100.0).relative_humidity[-1])


def box_after(given: dict[str, Any]) -> float:
    slope = given["slope_g_per_kg_per_pct"] / 1e3 * 100.0
    gel = (Sorbent(PiecewiseLinear((0.0, 1.0), (0.0, slope)), 1e3 * given["m_gel_kg"]),) if slope else ()
    return final_humidity_pct(given, Box(given["V_L"], given["G_g_day_kPa"], gel), given["t_day"], 3)


def box_after_langmuir(given: dict[str, Any]) -> float:
    gel = Sorbent(Langmuir(given["Xm_g_g"], 100.0 * given["b_per_pct"]), given["m_gel_g"])
    return final_humidity_pct(given, Box(given["V_L"], given["G_g_day_kPa"], (gel,)), given["t_day"], 120)


def half_time(given: dict[str, Any]) -> float:
    """Return when half of the way to the room is done; one step is exact where the isotherm is straight."""
    slope = given["slope_g_per_kg_per_pct"] / 10.0
    gel = (Sorbent(PiecewiseLinear((0.0, 1.0), (0.0, slope)), 1e3 * given["m_gel_kg"]),)
    box = Box(1e-9, given["G_g_day_kPa"], gel)
    way = {"T_C": given["T_C"], "RH_out_pct": 50.0, "RH0_pct": 0.0}
    return float(brentq(lambda days: final_humidity_pct(way, box, days, 1) - 25.0, 0.01, 10_000.0))


def mixing_in_steps(given: dict[str, Any]) -> float:
    n = given["steps"]
    outside = np.full(n, vapor_pressure_pa(20.0, given["RH_out"] / 100.0))
    climate = Climate(np.ones(n), outside, np.full(n, 20.0), np.full(n, given["fraction_per_step"]))
    return 100.0 * float(follow(Box(10.0, 0.0), climate, given["RH0"] / 100.0).relative_humidity[-1])


def mixing_without_steps(given: dict[str, Any]) -> float:
    leak = leakage.conductance_from_air_changes(24.0 * given["n_per_h"], 10.0, 20.0)
    outside = vapor_pressure_pa(20.0, given["RH_out"] / 100.0)
    climate = Climate(np.array([given["t_h"] / 24.0]), np.array([outside]), np.array([20.0]))
    return 100.0 * float(follow(Box(10.0, leak), climate, given["RH0"] / 100.0).relative_humidity[-1])


def opened(given: dict[str, Any]) -> float:
    inside, room = (vapor_pressure_pa(given["T_C"], given[name] / 100.0) for name in ("RH_in_pct", "RH_room_pct"))
    return given["fraction_air_replaced"] * leakage.opening_water_g(given["V_L"], room, inside, given["T_C"])


SQUARE_INCH_M2, GALLON_LITER = 6.4516e-4, 3.785411784
"""Exact, by definition of the inch and the US gallon."""


def units(asked: UnitsAsked) -> float:
    assert asked.units is not None
    return asked.units


def din_water_g(volume_liter: float, area_m2: float, given: dict[str, Any], **more: float) -> float:
    """A limit of 40 % gives a unit for 6 g: the water is what all units take up."""
    wvtr, days = given.get("WVTR_20_85_g_m2_d", 0.0), given.get("t_d", 0.0)
    return 6.0 * units(din_55474(volume_liter, area_m2, wvtr, days, 0.40, **more))


def j_std_constant(given: dict[str, Any]) -> float:
    """Units for a month, a unit of area and of transmission, at 1 g a unit; of 30 days, or of more as the row says."""
    by_inches = given["area_unit"] == "in2"
    area_m2, wvtr = (SQUARE_INCH_M2, 1.0 / (100.0 * SQUARE_INCH_M2)) if by_inches else (1e-4, 1.0)
    return units(j_std_033(area_m2, wvtr, 1.0, 1.0)) * given["days_per_month"] / 30.0


def j_std_in_inches(given: dict[str, Any]) -> float:
    """The row has months of 30.4 days, the metric rule of 30."""
    wvtr = given["WVTR_g_100in2_d"] / (100.0 * SQUARE_INCH_M2)
    return (
        30.4 / 30.0 * units(j_std_033(given["area_in2"] * SQUARE_INCH_M2, wvtr, given["months"], given["D_g_per_unit"]))
    )


def by_jis(given: dict[str, Any]) -> float:
    return jis_z0301(
        given["R_g_m2_d"] * given["A_m2"], given["t_d"], given["h1_pct"] / 100.0, given["h2_pct"] / 100.0,
        k1=given["k1"], holds_g_per_g=given["C2_pct"] / 100.0, supplied_g_per_g=given["C1_pct"] / 100.0,
    ).gel_g  # fmt: skip


ANSWERS: dict[str, Callable[[dict[str, Any]], float]] = {
    "absolute_humidity": lambda g: absolute_humidity_g_per_m3(g["T_C"], g["RH_pct"] / 100.0),
    "permeance_ratio_40_over_23": lambda g: (
        g["WVTR_40_75"] / g["WVTR_23_75"] * saturation_vapor_pressure_pa(23.0) / saturation_vapor_pressure_pa(40.0)
    ),
    "conductance_from_air_change": lambda g: leakage.conductance_from_air_changes(g["n_per_day"], g["V_L"], g["T_C"]),
    "conductance_from_half_life": lambda g: leakage.conductance_from_air_changes(
        math.log(2.0) / g["half_life_d"], g["V_L"], g["T_C"]
    ),
    "discrete_mixing_RH": mixing_in_steps,
    "continuous_mixing_RH": mixing_without_steps,
    "half_time_linear_desiccant": half_time,
    "box_RH_after": box_after,
    "box_RH_after_langmuir": box_after_langmuir,
    "water_added_by_lid_opening": opened,
    "din55474_term_air": lambda g: din_water_g(1e3 * g["V_m3"], 0.0, g, air_g_per_m3=g["b_g_m3"]),
    "din55474_term_goods": lambda g: din_water_g(0.0, 0.0, g, hygroscopic_g=g["c_g_kg"] * g["m_kg"]),
    "din55474_term_foil": lambda g: din_water_g(0.0, g["A_m2"], g),
    "din55474_factor_e_as_mean_driving_force": lambda g: DIN_EASIER[g["RH_final_pct"] / 100.0],
    "mil_area_units": lambda g: units(mil_bag(g["area_in2"] * SQUARE_INCH_M2)),
    "mil_volume_units": lambda g: units(mil_rigid(g["volume_gal"] * GALLON_LITER)),
    "mil_table_area_for_units": lambda g: g["units"] / units(mil_bag(SQUARE_INCH_M2)),
    "unit_conversion_K_area": lambda _: units(mil_bag(1.0)),
    "unit_conversion_K_volume": lambda _: units(mil_rigid(1e3)),
    "jstd033_constant": j_std_constant,
    "jstd033_units_in": j_std_in_inches,
    "jis_z0301": by_jis,
    "jis_K1_from_90pct": lambda _: jis_k1_of_pet(40.0),
    "K1_at_T": lambda g: jis_k1_of_pet(g["T_C"]),
}

ROWS = [row for row in published("leakage") if row["model"] not in LEFT_OUT]


@pytest.mark.parametrize("row", ROWS, ids=[row["case_id"] for row in ROWS])
def test_row(row: dict[str, str]) -> None:
    answer = ANSWERS[row["model"]](json.loads(row["inputs"]))
    assert answer == pytest.approx(float(row["expected"]), rel=float(row["tol_rel"]))


def test_every_row_is_answered_or_left_out_for_a_reason() -> None:
    assert {row["model"] for row in published("leakage")} == set(ANSWERS) | set(LEFT_OUT)


@pytest.mark.parametrize(("humidity", "loading"), [(0.24, 0.1206), (0.50, 0.288)])
def test_gel_of_a_taped_safe_is_within_two_lot_spreads(humidity: float, loading: float) -> None:
    """Weighed gel in a steel safe: softsolder.com 2012/05/04, 2013/08/01 and 2013/09/01; basement taken as 20 °C."""
    gel = desiccant("silica_gel")
    ratio = loading / gel.isotherm.loading_g_per_g(humidity, 20.0)
    assert abs(math.log(ratio)) < 2.0 * gel.sigma_ln_capacity
