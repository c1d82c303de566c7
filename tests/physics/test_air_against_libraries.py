"""Moist air against general-purpose libraries over -20..120 °C and 1..99 % RH; each tolerance with its reason.

The libraries are test-time references only. psychrolib follows Hyland and Wexler (1983), CoolProp IAPWS-95 and the
real-gas mixture of ASHRAE RP-1485, MetPy Ambaum (2020), iapws the IAPWS releases themselves.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from monitor.physics import psychrometrics as air
from monitor.physics import saturation

WARM = np.arange(0.5, 120.1, 4.0)
COLD = np.arange(-20.0, 0.0, 2.0)
HUMIDITIES = np.array([0.01, 0.05, 0.10, 0.30, 0.50, 0.80, 0.99])
T, RH = (grid.ravel() for grid in np.meshgrid(np.concatenate([COLD, WARM]), HUMIDITIES))
VAPOR = np.asarray(air.vapor_pressure_pa(T, RH))


@pytest.fixture(scope="module")
def psychrolib():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import psychrolib as library
    library.SetUnitSystem(library.SI)
    return library


@pytest.fixture(scope="module")
def metpy():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import metpy.calc
        from metpy.units import units
    return metpy.calc, units


def test_saturation_against_psychrolib(psychrolib) -> None:
    """Within 0.03 %: the two equations differ by up to 0.023 % between 0 and 120 °C, and over ice."""
    warm = np.array([psychrolib.GetSatVapPres(float(t)) for t in WARM])
    assert np.asarray(air.saturation_vapor_pressure_pa(WARM)) == pytest.approx(warm, rel=3e-4)
    cold = np.array([psychrolib.GetSatVapPres(float(t)) for t in COLD])
    assert np.asarray(air.saturation_vapor_pressure_over_ice_pa(COLD)) == pytest.approx(cold, rel=3e-4)


def test_mixing_ratio_against_psychrolib(psychrolib) -> None:
    """psychrolib leaves the enhancement factor out: its W is ours without it, given the same vapor pressure."""
    fits = VAPOR < 0.95 * air.STANDARD_PRESSURE_PA
    given = VAPOR[fits]
    theirs = np.array([psychrolib.GetHumRatioFromVapPres(float(p), air.STANDARD_PRESSURE_PA) for p in given])
    ours = np.asarray(air.mixing_ratio_from_vapor_pressure_g_per_kg(given)) / 1e3
    assert ours == pytest.approx(np.maximum(theirs, 1e-7), rel=2e-6)


def test_dew_or_frost_point_against_psychrolib(psychrolib) -> None:
    """Within 0.02 K: psychrolib gives the frost point below 0.01 °C; its equation differs by 0.02 %.

    Left out: air below 0 °C that is supersaturated over ice, where psychrolib stops at the air's own temperature.
    """
    fits = (T > 0.0) | (np.asarray(air.saturation_vapor_pressure_over_ice_pa(np.minimum(T, 0.0))) > VAPOR)
    t, vapor = T[fits], VAPOR[fits]
    theirs = np.array([psychrolib.GetTDewPointFromVapPres(float(a), float(p)) for a, p in zip(t, vapor, strict=True)])
    frozen = vapor < saturation.TRIPLE_POINT_PRESSURE_PA
    ours = np.empty_like(theirs)
    ours[frozen] = air.frost_point_from_vapor_pressure(vapor[frozen])
    ours[~frozen] = air.dew_point_from_vapor_pressure(vapor[~frozen])
    assert ours == pytest.approx(theirs, abs=0.02)


def test_density_against_psychrolib(psychrolib) -> None:
    """Within 0.01 % at one atmosphere: the same ideal gases."""
    for t, rh in ((-10.0, 0.5), (20.0, 0.1), (20.0, 0.9), (50.0, 0.5)):
        ratio = air.mixing_ratio_from_vapor_pressure_g_per_kg(air.vapor_pressure_pa(t, rh)) / 1e3
        theirs = psychrolib.GetMoistAirDensity(t, ratio, air.STANDARD_PRESSURE_PA)
        assert air.moist_air_density_kg_per_m3(t, rh) == pytest.approx(theirs, rel=1e-4)


def test_saturation_against_coolprop() -> None:
    """Within 0.01 % of IAPWS-95 from 0.01 to 120 °C (the auxiliary equation's own spread is 0.007 %)."""
    from CoolProp.CoolProp import PropsSI

    theirs = np.asarray(PropsSI("P", "T", WARM + 273.15, "Q", np.zeros_like(WARM), "Water"))
    assert np.asarray(air.saturation_vapor_pressure_pa(WARM)) == pytest.approx(theirs, rel=1e-4)


def test_mixing_ratio_against_coolprop() -> None:
    """Real-gas humid air: within 0.1 % up to 60 °C where vapor is under a third of the air pressure."""
    from CoolProp.HumidAirProp import HAPropsSI

    fits = (T >= 0.5) & (T <= 60.0)
    theirs = [HAPropsSI("W", "T", t + 273.15, "P", 101_325.0, "R", rh) for t, rh in zip(T[fits], RH[fits], strict=True)]
    ours = np.asarray(air.mixing_ratio_g_per_kg(T[fits], RH[fits])) / 1e3
    assert ours == pytest.approx(np.array(theirs), rel=1e-3)


def test_dew_point_against_coolprop() -> None:
    """Within 0.03 K: the enhancement factor differs a little between room and dew point; frost point below 0.01 °C."""
    from CoolProp.HumidAirProp import HAPropsSI

    fits = (T >= 0.5) & (T <= 60.0) & (np.abs(VAPOR - saturation.TRIPLE_POINT_PRESSURE_PA) > 20.0)
    for t, rh, vapor in zip(T[fits], RH[fits], VAPOR[fits], strict=True):
        theirs = HAPropsSI("D", "T", t + 273.15, "P", 101_325.0, "R", rh) - 273.15
        point = air.frost_point_degc if vapor < saturation.TRIPLE_POINT_PRESSURE_PA else air.dew_point_degc
        assert point(float(t), float(rh)) == pytest.approx(theirs, abs=0.03)


def test_heat_of_vaporization_against_coolprop() -> None:
    """Within 0.05 % of IAPWS-95 from 0.5 to 150 °C."""
    from CoolProp.CoolProp import PropsSI

    for t in (0.5, 25.0, 60.0, 100.0, 150.0):
        gas, liquid = (PropsSI("H", "T", t + 273.15, "Q", quality, "Water") for quality in (1, 0))
        assert saturation.heat_of_vaporization_kj_per_kg(t) == pytest.approx((gas - liquid) / 1e3, rel=5e-4)


def test_saturation_against_metpy(metpy) -> None:
    """Ambaum's closed form is up to 3.1 % low at 120 °C and 0.3 % at 30 °C; ours must lie above it by just that."""
    calc, units = metpy
    theirs = calc.saturation_vapor_pressure(WARM * units.degC).to("Pa").magnitude
    deviation_pct = 100.0 * (theirs / np.asarray(air.saturation_vapor_pressure_pa(WARM)) - 1.0)
    assert deviation_pct.max() < 0.0
    assert deviation_pct.min() > -3.1
    assert np.abs(deviation_pct[WARM < 30.0]).max() < 0.3


def test_dew_point_against_metpy(metpy) -> None:
    """Both over liquid water, supercooled too: within 0.07 K from -20 to 30 °C and 10 % RH up."""
    calc, units = metpy
    fits = (T <= 30.0) & (RH >= 0.10)
    theirs = calc.dewpoint_from_relative_humidity(T[fits] * units.degC, RH[fits] * units.dimensionless)
    assert np.asarray(air.dew_point_degc(T[fits], RH[fits])) == pytest.approx(theirs.to("degC").magnitude, abs=0.07)


def test_saturation_against_iapws() -> None:
    """The releases themselves: IF97 within 0.01 % over water, R14-08 to seven digits over ice."""
    from iapws import _iapws, iapws97

    warm = np.array([1e6 * iapws97._PSat_T(float(t) + 273.15) for t in WARM])
    assert np.asarray(air.saturation_vapor_pressure_pa(WARM)) == pytest.approx(warm, rel=1e-4)
    ice = np.array([1e6 * _iapws._Sublimation_Pressure(float(t) + 273.15) for t in COLD])
    assert np.asarray(air.saturation_vapor_pressure_over_ice_pa(COLD)) == pytest.approx(ice, rel=1e-7)


def test_supercooled_water_against_sonntag() -> None:
    """Sonntag (1990), Z. Meteorol. 70:340, over supercooled water: within 0.1 % down to -45 °C."""
    k = np.linspace(-45.0, 0.0, 50) + 273.15
    sonntag = np.exp(-6096.9385 / k + 21.2409642 - 0.02711193 * k + 1.673952e-5 * k**2 + 2.433502 * np.log(k))
    assert np.asarray(air.saturation_vapor_pressure_pa(k - 273.15)) == pytest.approx(sonntag, rel=1e-3)


def test_supercooled_water_against_murphy_and_koop() -> None:
    """Murphy, Koop (2005), QJRMS 131:1539, eq. 10 (from memory): 0.08 % to -20 °C, 1.3 % at -45 °C."""
    for t, tolerance in ((0.0, 1e-5), (-20.0, 9e-4), (-30.0, 2.5e-3), (-45.0, 1.3e-2)):
        k = t + 273.15
        log = 54.842763 - 6763.22 / k - 4.210 * np.log(k) + 0.000367 * k
        log += np.tanh(0.0415 * (k - 218.8)) * (53.878 - 1331.22 / k - 9.44523 * np.log(k) + 0.014025 * k)
        assert air.saturation_vapor_pressure_pa(t) == pytest.approx(float(np.exp(log)), rel=tolerance)
