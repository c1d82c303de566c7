"""The fast step against the whole balance, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.inference.posterior.filter import airs
from monitor.physics.box_balance import Box, Climate, Sorbent, follow
from monitor.physics.box_step import DrawnBox, advance
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear
from monitor.physics.sorption.tabulated import SorptionTable


def drawn(isotherm: object, mass_g: float, volume_liter: float = 10.0) -> DrawnBox:
    table = SorptionTable(isotherm, isotherm, np.zeros(1))  # type: ignore[arg-type]
    return DrawnBox(table, np.array([mass_g]), np.array([1e-6]), np.array([1.0]), volume_liter)


def test_the_fast_step_follows_the_whole_balance() -> None:
    isotherm = desiccant("silica_regular").isotherm
    days = 120
    warm, outside = np.full(days, 21.0), np.full(days, 1.2)
    whole = follow(Box(10.0, 0.3, (Sorbent(isotherm, 100.0),)), Climate(np.ones(days), outside * 1e3, warm), 0.03)
    box = drawn(isotherm, 100.0)
    loading, slow, course = box.table.loading(np.array([0.03]), 21.0), np.array([0.03]), []
    for air in airs(outside, warm):
        stepped = advance(box, loading, slow, np.array([0.3]), air, days=1.0)
        loading, slow = stepped.loading_g_per_g, stepped.slow_humidity
        course.append(box.table.humidity(loading, 21.0)[0][0])
    assert np.max(np.abs(np.array(course) - whole.relative_humidity)) < 0.002


def test_a_straight_isotherm_in_a_steady_room_has_its_closed_form() -> None:
    """t = (kappa / (G e_s / 100)) ln[(RH_o - RH_0) / (RH_o - RH_L)], air neglected (integration by hand)."""
    straight = PiecewiseLinear((0.0, 1.0), (0.0, 0.55))
    conductance, outside_humidity, days = 0.2, 0.50, 45.0
    saturation = float(saturation_vapor_pressure_pa(21.0)) / 1e3
    box = drawn(straight, 100.0, volume_liter=1e-6)
    loading = box.table.loading(np.array([0.03]), 21.0)
    (air,) = airs(np.array([outside_humidity * saturation]), np.array([21.0]))
    slow = np.array([0.03])
    for _ in range(int(days)):
        stepped = advance(box, loading, slow, np.array([conductance]), air, days=1.0)
        loading, slow = stepped.loading_g_per_g, stepped.slow_humidity
    humidity = box.table.humidity(loading, 21.0)[0][0]
    kappa = 100.0 * 0.55 / 100.0
    expected = kappa / (conductance * saturation / 100.0) * np.log((0.50 - 0.03) / (0.50 - humidity))
    assert expected == pytest.approx(days, rel=2e-3)


def test_an_empty_box_follows_its_exponential() -> None:
    """10 L, one air change a day, 10 to 35.28 % RH in a day at 50 % outside: p_out + (p_0 - p_out) exp(-n t)."""
    walls = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))
    box = drawn(walls, 1e-6)
    saturation = float(saturation_vapor_pressure_pa(23.0)) / 1e3
    (air,) = airs(np.array([0.5 * saturation]), np.array([23.0]))
    loading = box.table.loading(np.array([0.10]), 23.0)
    end = advance(box, loading, np.array([0.1]), np.array([0.073163]), air, days=1.0)
    assert box.table.humidity(end.loading_g_per_g, 23.0)[0][0] == pytest.approx(0.35284, abs=2e-3)
