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

from monitor.physics import leakage
from monitor.physics.materials import desiccant
from monitor.physics.psychrometrics import absolute_humidity_g_per_m3, saturation_vapor_pressure_pa, vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear
from monitor.physics.sorption.by_humidity import HumidityIsotherm

SIZING = "sizes a bag for one constant climate by a packing standard; siccast integrates the balance instead"
ARITHMETIC = "a division of two weighed numbers; its outcome is held against the isotherm below"
LEFT_OUT = {
    "din55474_term_air": SIZING,
    "din55474_term_goods": SIZING,
    "din55474_term_foil": SIZING,
    "din55474_factor_e_as_mean_driving_force": SIZING,
    "mil_area_units": SIZING,
    "mil_volume_units": SIZING,
    "mil_table_area_for_units": SIZING,
    "unit_conversion_K_area": SIZING,
    "unit_conversion_K_volume": SIZING,
    "jstd033_constant": SIZING,
    "jstd033_units_in": SIZING,
    "eia583_units": SIZING,
    "eia583_vs_jstd_derating": SIZING,
    "jis_z0301": SIZING,
    "jis_z0301_simplified": SIZING,
    "jis_K1_from_90pct": SIZING,
    "steady_flux": "flux coefficient of one film given per meter and second; siccast carries permeabilities per kPa",
    "water_over_co2_diffusive_exchange": "siccast knows no carbon dioxide",
    "gel_water_content_at_end": ARITHMETIC,
    "gel_water_content": ARITHMETIC,
    "mean_ingress": ARITHMETIC,
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


def energy_of_permeability(given: dict[str, Any]) -> float:
    """K1 is a flux: permeability times saturation pressure; Arrhenius' slope of what is left."""
    t = np.array([float(each) for each in given["K1_1e3_by_T_C"]])
    flux = np.array(list(given["K1_1e3_by_T_C"].values()))
    permeability = flux / np.asarray(saturation_vapor_pressure_pa(t))
    return float(-8.314462618 / 1e3 * np.polyfit(1.0 / (t + 273.15), np.log(permeability), 1)[0])


def flux_ratio(energy: float, cold: float, warm: float) -> float:
    pressures = saturation_vapor_pressure_pa(warm) / saturation_vapor_pressure_pa(cold)
    return leakage.arrhenius_factor(energy, cold, warm) * pressures


def weighed(given: dict[str, Any]) -> float:
    difference = vapor_pressure_pa(given["T_C"], (given["RH_out_pct"] - given["RH_in_mean_pct"]) / 100.0)
    return leakage.conductance_from_weighing(given["gain_g"], given["days"], difference)


def opened(given: dict[str, Any]) -> float:
    inside, room = (vapor_pressure_pa(given["T_C"], given[name] / 100.0) for name in ("RH_in_pct", "RH_room_pct"))
    return leakage.opening_water_g(given["V_L"], room, inside, given["T_C"], given["fraction_air_replaced"])


UNITS = {
    "g mil/(100 in2 d)": leakage.G_MIL_PER_100_IN2_IN_G_MM_PER_M2,
    "barrer": leakage.BARRER_IN_G_MM_PER_M2_PER_DAY_PER_KPA,
}

ANSWERS: dict[str, Callable[[dict[str, Any]], float]] = {
    "absolute_humidity": lambda g: absolute_humidity_g_per_m3(g["T_C"], g["RH_pct"] / 100.0),
    "arrhenius_permeability_from_K1": energy_of_permeability,
    "K1_at_T": lambda g: flux_ratio(g["E_kJ_mol"], 40.0, g["T_C"]) / 90.0,
    "permeance_ratio_40_over_23": lambda g: (
        g["WVTR_40_75"] / g["WVTR_23_75"] * saturation_vapor_pressure_pa(23.0) / saturation_vapor_pressure_pa(40.0)
    ),
    "arrhenius_flux_ratio_40_25": lambda g: flux_ratio(g["E_P_kJ_mol"], g["T1_C"], g["T2_C"]),
    "unit_conversion": lambda g: UNITS[g.get("from", "barrer")],
    "permeability_from_wvtr": lambda g: leakage.permeability_from_transmission(
        g["WVTR_g_mil_100in2_d"], g["T_C"], g["RH_pct"] / 100.0
    ),
    "conductance_from_air_change": lambda g: leakage.conductance_from_air_changes(g["n_per_day"], g["V_L"], g["T_C"]),
    "conductance_from_half_life": lambda g: leakage.conductance_from_half_time(g["half_life_d"], g["V_L"], g["T_C"]),
    "discrete_mixing_RH": mixing_in_steps,
    "continuous_mixing_RH": mixing_without_steps,
    "hygrometric_half_time_thomson": lambda g: (
        round(leakage.thomson_coefficient(20.0)) * g["M_g_per_kg_per_pct"] * g["B_kg_m3"] / g["N_per_day"]
    ),
    "half_time_coefficient": lambda g: leakage.thomson_coefficient(g["T_C"]),
    "half_time_linear_desiccant": lambda g: leakage.hygrometric_half_time_days(
        g["G_g_day_kPa"], 1e3 * g["m_gel_kg"], g["slope_g_per_kg_per_pct"] / 10.0, g["T_C"]
    ),
    "thermal_breathing_volume": lambda g: leakage.thermal_breath_liter(g["V_L"], g["dT_K"], g["T_C"]),
    "barometric_breathing_volume": lambda g: leakage.barometric_breath_liter(
        g["V_L"], 100.0 * g["dp_hPa"], 100.0 * g["p_hPa"]
    ),
    "hole_diffusion_conductance": lambda g: leakage.hole_conductance(g["d_mm"], g["wall_mm"], g["T_C"]),
    "slit_diffusion_conductance": lambda g: leakage.gap_conductance(g["gap_mm"], g["length_m"], g["path_mm"], g["T_C"]),
    "conductance_from_weighing": weighed,
    "box_RH_after": box_after,
    "box_RH_after_langmuir": box_after_langmuir,
    "water_added_by_lid_opening": opened,
    "conductance_per_litre_from_usp671": lambda g: leakage.conductance_from_weighing(
        g["mg_per_day_L"] / 1e3, 1.0, vapor_pressure_pa(g["T_C"], g["RH_pct"] / 100.0)
    ),
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


def test_walls_of_the_table_match_their_transmission_rates() -> None:
    """Middle of the spans of table 11.2 (Biosystems Engineering), g mil/(100 in² day) at 38 °C and 90 % RH."""
    middles = {"PP": 0.65, "HDPE": 0.45, "LDPE": 1.5, "PET": 1.5, "PVC": 3.5, "PS": 8.5, "PC": 12.5, "PA6": 15.0}
    for name, transmission in middles.items():
        expected = leakage.permeability_from_transmission(transmission)
        assert leakage.wall_materials()[name].permeability == pytest.approx(expected, rel=0.002)


def test_paths_of_the_ten_liter_box() -> None:
    """A 10 L box with 0.3 m² of wall and 1.2 m of seam, worked by hand at 23 °C (two significant digits)."""
    assert leakage.hole_conductance(0.5, 2.0) == pytest.approx(0.0013, rel=0.05)
    assert leakage.hole_conductance(2.0, 50.0) == pytest.approx(0.0010, rel=0.05)
    assert leakage.gap_conductance(0.01, 1.2, 5.0) == pytest.approx(0.038, rel=0.02)
    assert leakage.wall_conductance("silicone", 0.0036, 4.0) == pytest.approx(0.017, rel=0.03)
    a_day = leakage.thermal_breath_liter(10.0, 5.0) + leakage.barometric_breath_liter(10.0, 1000.0)
    assert leakage.breathing_conductance(a_day) == pytest.approx(0.002, rel=0.05)
