"""What must hold for moist air at any point: round trips, order, continuity, scalars like arrays, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import OutOfRangeError
from monitor.physics import psychrometrics as air
from monitor.physics import saturation

temperatures = st.floats(-20.0, 120.0)
humidities = st.floats(0.01, 0.99)
relaxed = settings(deadline=None, max_examples=150)


@relaxed
@given(temperatures, humidities)
def test_vapor_pressure_round_trip(t: float, rh: float) -> None:
    assert air.relative_humidity_from_vapor_pressure(t, air.vapor_pressure_pa(t, rh)) == pytest.approx(rh, rel=1e-12)


@relaxed
@given(st.floats(-44.9, 350.0))
def test_dew_point_is_the_inverse_of_saturation(t: float) -> None:
    assert air.dew_point_from_vapor_pressure(saturation.saturation_vapor_pressure_pa(t)) == pytest.approx(t, abs=1e-8)


@relaxed
@given(st.floats(-129.9, 0.009))
def test_frost_point_is_the_inverse_of_saturation_over_ice(t: float) -> None:
    pressure = saturation.saturation_vapor_pressure_over_ice_pa(t)
    assert air.frost_point_from_vapor_pressure(pressure) == pytest.approx(t, abs=1e-8)


@relaxed
@given(st.floats(5.0, 120.0), st.floats(0.02, 0.99))
def test_humidity_from_dew_point_round_trip(t: float, rh: float) -> None:
    vapor = saturation.saturation_vapor_pressure_pa(air.dew_point_degc(t, rh))
    assert air.relative_humidity_from_vapor_pressure(t, vapor) == pytest.approx(rh, rel=1e-8)


@relaxed
@given(st.floats(-45.0, 373.0), st.floats(0.001, 0.9))
def test_saturation_rises_with_temperature(t: float, step: float) -> None:
    assert air.saturation_vapor_pressure_pa(t + step) > air.saturation_vapor_pressure_pa(t)


@relaxed
@given(st.floats(-40.0, 0.0))
def test_ice_holds_less_than_supercooled_water(t: float) -> None:
    assert air.saturation_vapor_pressure_over_ice_pa(t) < air.saturation_vapor_pressure_pa(t)


@relaxed
@given(st.floats(1.0, 40.0), st.floats(0.02, 0.12))
def test_frost_point_lies_above_dew_point(t: float, rh: float) -> None:
    vapor = air.vapor_pressure_pa(t, rh)
    if vapor < saturation.TRIPLE_POINT_PRESSURE_PA:
        gap = air.frost_point_degc(t, rh) - air.dew_point_degc(t, rh)
        assert 0.0 <= gap < 4.5


def test_water_and_ice_meet_at_the_triple_point() -> None:
    water = air.saturation_vapor_pressure_pa(0.01)
    assert water == pytest.approx(air.saturation_vapor_pressure_over_ice_pa(0.01), rel=1e-6)


@pytest.mark.parametrize("quantity", [air.saturation_vapor_pressure_pa, saturation.heat_of_vaporization_kj_per_kg])
def test_no_jump_across_zero(quantity) -> None:
    below, above = quantity(-1e-6), quantity(1e-6)
    assert below == pytest.approx(above, rel=1e-6)


def test_enhancement_factor_steps_by_no_more_than_its_own_error_at_the_triple_point() -> None:
    assert air.enhancement_factor(0.009) == pytest.approx(air.enhancement_factor(0.011), abs=2e-4)


def test_slope_of_saturation_is_its_derivative() -> None:
    t = np.linspace(-40.0, 300.0, 200)
    h = 1e-3
    up, down = (np.log(air.saturation_vapor_pressure_pa(t + side)) for side in (h, -h))
    assert np.asarray(saturation.log_saturation_slope_per_k(t)) == pytest.approx((up - down) / (2 * h), rel=1e-7)


SCALAR_FUNCTIONS = [
    lambda t, rh: air.saturation_vapor_pressure_pa(t),
    air.vapor_pressure_pa,
    air.absolute_humidity_g_per_m3,
    air.dew_point_degc,
    air.mixing_ratio_g_per_kg,
    air.moist_air_density_kg_per_m3,
]


@pytest.mark.parametrize("function", SCALAR_FUNCTIONS)
@pytest.mark.parametrize("length", [3, 20_000])
def test_arrays_and_scalars_agree(function, length: int) -> None:
    t, rh = np.linspace(-10.0, 80.0, length), np.linspace(0.2, 0.9, length)
    column = function(t, rh)
    for k in (0, length // 2, length - 1):
        one = function(float(t[k]), float(rh[k]))
        assert type(one) is float
        assert column[k] == pytest.approx(one, rel=1e-12)
    table = function(t[:2, None], rh[None, :3])
    assert np.shape(table)[-2:] in ((2, 3), (2, 1))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: air.saturation_vapor_pressure_pa(-46.0),
            "temperature_degc is -46 °C; it must lie from -45 to 373.946",
        ),
        (lambda: air.saturation_vapor_pressure_pa(math.nan), "temperature_degc is missing"),
        (lambda: air.saturation_vapor_pressure_pa(np.array([20.0, math.nan])), "temperature_degc is missing"),
        (lambda: air.saturation_vapor_pressure_over_ice_pa(1.0), "temperature_degc is 1 °C; it must lie from -223"),
        (lambda: air.vapor_pressure_pa(20.0, 50.0), r"relative_humidity \(a fraction\) is 50; it must lie from 0 to 1"),
        (lambda: air.dew_point_from_vapor_pressure(1.0), "vapor_pressure_pa is 1 Pa; it must lie from 11.2"),
        (lambda: air.frost_point_from_vapor_pressure(700.0), "vapor_pressure_pa is 700 Pa"),
        (lambda: air.mixing_ratio_g_per_kg(110.0, 0.9), "vapor pressure over air pressure is 1.2"),
    ],
)
def test_refuses_what_no_equation_covers(call, message: str) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        call()
