"""The step that estimator and forecaster share, against the exact balance, closed forms and what others printed."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from exact_balance import Box, Climate, Sorbent, follow
from hypothesis import given, settings
from hypothesis import strategies as st
from published.tables_read import published

from monitor.physics.box_balance import Air, DrawnBox, advance, at_rest_with
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa, saturation_vapor_pressure_pa, vapor_pressure_pa
from monitor.physics.sorption import Isotherm, PiecewiseLinear
from monitor.physics.sorption.tabulated import SorptionTable

HENRY_G = 50.0  # a kilogram of PA6 on its straight line
WALLS = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))


def acting(outside_pa: float, degc: float) -> Air:
    saturation = float(saturation_vapor_pressure_pa(degc))
    return Air(outside_pa / 1e3, saturation / 1e3, degc, saturation * float(grams_per_m3_per_pa(degc)) / 1e3)


def drawn(isotherm: Isotherm, mass_g: float, slow_g: float = 1e-6, lag_days: float = 1.0) -> DrawnBox:
    table = SorptionTable(isotherm, isotherm, np.zeros(1))
    return DrawnBox(table, np.array([mass_g]), np.array([slow_g]), np.array([lag_days]), 10.0)


def stepped_through(box: DrawnBox, leak: float, climate: Climate, start: float, slow_start: float) -> FloatArray:
    loading = box.table.loading(np.array([start]), float(climate.box_temperature_degc[0]))
    slow, course = np.array([slow_start]), []
    for days, outside, degc in zip(
        climate.step_days, climate.outside_vapor_pressure_pa, climate.box_temperature_degc, strict=True
    ):
        moved = advance(box, loading, slow, np.array([leak]), acting(float(outside), float(degc)), days=float(days))
        loading, slow = box.table.keep_within(moved.loading_g_per_g), moved.slow_humidity
        course.append(float(box.table.humidity(loading, float(degc))[0][0]))
    return np.array(course)


def weather(days: int, step_days: float) -> Climate:
    noise, at = np.random.default_rng(1), np.arange(0.0, days, step_days)
    outside = 1200.0 + 500.0 * np.sin(2 * np.pi * at / 365.0) + 80.0 * noise.normal(size=at.size)
    degc = 20.0 + 3.0 * np.sin(2 * np.pi * at / 365.0) + 2.0 * np.sin(2 * np.pi * at) + 0.3 * noise.normal(size=at.size)
    return Climate(np.full(at.size, step_days), outside, degc)


@pytest.mark.parametrize("kind", ["silica_gel", "clay", "alumina"])
@pytest.mark.parametrize("leak", [0.05, 0.5, 2.0])
@pytest.mark.parametrize("step_days", [0.25, 1.0])
@pytest.mark.parametrize("slow_g", [0.0, HENRY_G], ids=["charge", "charge and spool"])
def test_follows_the_exact_balance(kind: str, leak: float, step_days: float, slow_g: float) -> None:
    """Within 0.003 RH all along 60 days of weather.

    Daily steps are too long for the first two days beside a wet spool: 0.008 in the leakiest box, 0.015 on alumina.
    """
    isotherm, climate = desiccant(kind).isotherm, weather(60, step_days)
    spool = (Sorbent(PiecewiseLinear((0.0, 1.0), (0.0, slow_g / 1e3)), 1000.0, 1.0, 5.0),) if slow_g else ()
    exact = follow(
        Box(10.0, leak, (Sorbent(isotherm, 100.0),), spool), climate, 0.03, (slow_g * 4e-4,) if slow_g else ()
    )
    ours = stepped_through(drawn(isotherm, 100.0, slow_g or 1e-6, 5.0), leak, climate, 0.03, 0.4)
    hurried = slow_g and step_days == 1.0 and (kind == "alumina" or leak > 1.0)
    tolerance = (0.015 if kind == "alumina" else 0.008) if hurried else 0.003
    assert ours == pytest.approx(exact.relative_humidity, abs=tolerance)


@pytest.mark.parametrize("kind", ["mol_sieve", "molecular_sieve_13X"])
def test_follows_the_exact_balance_of_a_sieve(kind: str) -> None:
    """A good box of sieve in quarter-day steps: within 0.01 RH along 60 days, past the knee."""
    isotherm, climate = desiccant(kind).isotherm, weather(60, 0.25)
    exact = follow(Box(10.0, 0.05, (Sorbent(isotherm, 100.0),)), climate, 0.03)
    ours = stepped_through(drawn(isotherm, 100.0), 0.05, climate, 0.03, 0.03)
    assert ours == pytest.approx(exact.relative_humidity, abs=0.01)


TRAJECTORIES = [row for row in published("leakage") if row["model"] == "box_RH_after"]


@pytest.mark.parametrize("row", TRAJECTORIES, ids=[row["case_id"] for row in TRAJECTORIES])
def test_published_trajectory(row: dict[str, str]) -> None:
    """Within 0.2 % where the source asks for 0.1 %: the tabulated isotherm has 192 knots."""
    case = json.loads(row["inputs"])
    slope = case["slope_g_per_kg_per_pct"] / 10.0
    isotherm = PiecewiseLinear((0.0, 1.0), (0.0, slope)) if slope else WALLS
    box = drawn(isotherm, 1e3 * case["m_gel_kg"] or 1e-6)
    steps = max(1, round(case["t_day"]))
    outside = vapor_pressure_pa(case["T_C"], case["RH_out_pct"] / 100.0)
    climate = Climate(
        np.full(steps, case["t_day"] / steps), np.full(steps, outside), np.full(steps, float(case["T_C"]))
    )
    end = stepped_through(box, case["G_g_day_kPa"], climate, case["RH0_pct"] / 100.0, case["RH0_pct"] / 100.0)[-1]
    assert 100.0 * end == pytest.approx(float(row["expected"]), rel=2e-3)


def test_a_straight_isotherm_in_a_steady_room_has_its_closed_form() -> None:
    """t = (kappa / (G e_s / 100)) ln[(RH_o - RH_0) / (RH_o - RH_L)], air neglected (integration by hand)."""
    saturation = float(saturation_vapor_pressure_pa(21.0))
    table = SorptionTable(*[PiecewiseLinear((0.0, 1.0), (0.0, 0.55))] * 2, np.zeros(1))  # type: ignore[misc]
    box = DrawnBox(table, np.array([100.0]), np.array([1e-6]), np.array([1.0]), 1e-6)
    climate = Climate(np.ones(45), np.full(45, 0.5 * saturation), np.full(45, 21.0))
    end = stepped_through(box, 0.2, climate, 0.03, 0.03)[-1]
    expected = 0.55 / (0.2 * saturation / 1e3 / 100.0) * np.log((0.50 - 0.03) / (0.50 - end))
    assert expected == pytest.approx(45.0, rel=2e-3)


@settings(deadline=None, max_examples=60)
@given(st.floats(1e-3, 2.0), st.floats(0.01, 1.0), st.floats(0.02, 0.9), st.floats(0.05, 0.9), st.floats(0.0, 100.0))
def test_water_is_neither_made_nor_lost(leak: float, days: float, start: float, room: float, slow_g: float) -> None:
    """What leaked in is what charge, slow contents and air (on the slope at the start) gained."""
    box = drawn(desiccant("silica_gel").isotherm, 100.0, slow_g + 1e-6, 4.0)
    air = acting(vapor_pressure_pa(21.0, room), 21.0)
    loading, slow = box.table.loading(np.array([start]), 21.0), np.array([0.5])
    _, slope = box.table.humidity(loading, 21.0)
    end = advance(box, loading, slow, np.array([leak]), air, days=days)
    gained = end.loading_g_per_g - loading
    air_gain = 10.0 * air.saturated_air_g_per_liter * slope * gained
    slow_gain = box.slow_g_per_humidity * (end.slow_humidity - slow)
    assert 100.0 * gained + air_gain + slow_gain == pytest.approx(end.leaked_g, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(st.floats(1e-3, 2.0), st.floats(0.01, 1.0), st.floats(0.02, 0.9), st.floats(0.05, 0.9))
def test_a_box_moves_toward_the_room_and_not_past_it(leak: float, days: float, start: float, room: float) -> None:
    outside = vapor_pressure_pa(21.0, room)
    climate = Climate(np.full(12, days), np.full(12, outside), np.full(12, 21.0))
    for box in (drawn(desiccant("silica_gel").isotherm, 100.0), drawn(WALLS, 1e-6)):
        path = np.concatenate([[start], stepped_through(box, leak, climate, start, start)])
        assert np.all(np.diff(np.abs(path - room)) <= 2e-3)


def test_slopes_are_those_of_the_step() -> None:
    """d end / d start and d end / d ln G by finite differences of the step itself."""
    box, air = drawn(desiccant("silica_gel").isotherm, 100.0, 20.0, 3.0), acting(1200.0, 21.0)
    loading, slow, leak, h = np.array([0.08]), np.array([0.3]), np.array([0.4]), 1e-5

    def end(start: FloatArray, conductance: FloatArray) -> float:
        return float(advance(box, start, slow, conductance, air, days=0.5).loading_g_per_g[0])

    moved = advance(box, loading, slow, leak, air, days=0.5)
    by_start = (end(loading + h, leak) - end(loading - h, leak)) / (2 * h)
    by_leak = (end(loading, leak * np.exp(h)) - end(loading, leak * np.exp(-h))) / (2 * h)
    assert float(moved.loading_kept[0]) == pytest.approx(by_start, rel=0.01)
    assert float(moved.loading_by_log_conductance[0]) == pytest.approx(by_leak, rel=0.02)


@pytest.mark.parametrize("water_g", [2.0, -0.5])
def test_charge_and_air_share_water_that_comes_at_once(water_g: float) -> None:
    """On the straight line u = h, (m + V rho_sat) du = water: 2 g of sorbent beside 100 L of air."""
    box = replace(drawn(WALLS, 2.0), volume_liter=100.0)
    air = acting(1000.0, 20.0)
    per_loading_g = 2.0 + 100.0 * float(air.saturated_air_g_per_liter)
    after = at_rest_with(box, np.array([0.2]), water_g, air)
    assert after[0] == pytest.approx(0.2 + water_g / per_loading_g, abs=1e-3)


def test_gel_that_dries_air_ends_on_its_isotherm_with_all_the_water() -> None:
    """Water is conserved: what the gel took and what the air has left make up what came."""
    gel = desiccant("silica_regular").isotherm
    box, air = replace(drawn(gel, 50.0), volume_liter=5000.0), acting(1169.0, 20.0)
    before = box.table.loading(np.array([0.03]), 20.0)
    after = at_rest_with(box, before, 4.0, air)
    dry, moist = (float(box.table.humidity(loading, 20.0)[0][0]) for loading in (before, after))
    taken_g = 50.0 * float(after[0] - before[0])
    left_g = 5000.0 * float(air.saturated_air_g_per_liter) * (moist - dry)
    assert taken_g + left_g == pytest.approx(4.0)
    assert 0.0 < taken_g < left_g, "so little gel is at rest with much air before it took a quarter"
