"""Two kinds of beads in one box: their water adds up, in one air."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import OutOfRangeError
from monitor.physics.materials import desiccant, desiccant_kinds, mixed_kind, parts_of
from monitor.physics.psychrometrics import saturation_vapor_pressure_pa

GEL, SIEVE = "silica_gel_regular_density", "molecular_sieve_4A"
MIXED = mixed_kind([(GEL, 120.0), (SIEVE, 60.0)])
kinds = st.sampled_from([kind for kind in desiccant_kinds() if desiccant(kind).humidity_shows != "phase"])


@given(kinds, kinds, st.floats(0.05, 0.95), st.floats(0.02, 0.9), st.floats(5.0, 40.0))
def test_water_of_a_mixture_is_that_of_its_parts_weighed_by_dry_mass(
    one: str, other: str, share: float, humidity: float, degc: float
) -> None:
    mixed = desiccant(mixed_kind([(one, share), (other, 1.0 - share)]))
    parts = [desiccant(kind).isotherm.loading_g_per_g(humidity, degc) for kind in (one, other)]
    apart = share * parts[0] + (1.0 - share) * parts[1]
    assert mixed.isotherm.loading_g_per_g(humidity, degc) == pytest.approx(apart, rel=2e-3)


@given(st.floats(0.005, 0.95), st.floats(5.0, 40.0))
def test_humidity_comes_back_from_loading(humidity: float, degc: float) -> None:
    isotherm = desiccant(MIXED).isotherm
    loading = isotherm.loading_g_per_g(humidity, degc)
    assert isotherm.relative_humidity(loading, degc) == pytest.approx(humidity, rel=1e-6)


@pytest.mark.parametrize("humidity", [0.05, 0.2, 0.5])
def test_heat_agrees_with_clausius_and_clapeyron_at_constant_loading(humidity: float) -> None:
    # q = R_v T^2 d ln p / dT at constant loading, by a difference of 2 K; R_v = 461.52 J/(kg K) (IAPWS R6-95)
    isotherm, degc, step = desiccant(MIXED).isotherm, 25.0, 1.0
    loading = isotherm.loading_g_per_g(humidity, degc)

    def log_pressure(at_degc: float) -> float:
        return float(np.log(isotherm.relative_humidity(loading, at_degc) * saturation_vapor_pressure_pa(at_degc)))

    by_difference = 0.46152 * 298.15**2 * (log_pressure(degc + step) - log_pressure(degc - step)) / (2.0 * step)
    assert isotherm.heat_of_adsorption_kj_per_kg(humidity, degc) == pytest.approx(by_difference, rel=0.02)


def test_an_empty_and_an_overfull_mixture_have_the_humidity_of_their_ends() -> None:
    isotherm = desiccant(MIXED).isotherm
    assert isotherm.relative_humidity(0.0, 25.0) == 0.0
    assert isotherm.relative_humidity(5.0, 25.0) == 1.0


def test_a_mixture_added_to_a_mixture_is_one_of_all_kinds() -> None:
    again = mixed_kind([(MIXED, 180.0), (SIEVE, 60.0)])
    assert dict(parts_of(again)) == pytest.approx({GEL: 0.5, SIEVE: 0.5}, rel=1e-3)
    assert mixed_kind([(GEL, 100.0), ("silica_regular", 20.0)]) == GEL


def test_a_mixture_is_as_delicate_as_its_most_delicate_part() -> None:
    orange = desiccant(mixed_kind([("orange_gel", 100.0), (SIEVE, 100.0)]))
    assert orange.max_regeneration_degc == desiccant("orange_gel").max_regeneration_degc
    assert orange.dye == desiccant("orange_gel").dye
    assert orange.humidity_shows == "fill"


@pytest.mark.parametrize(
    "name", ["silica_regular 0.5 + ", "silica_regular + clay", "clay 0.5 + sand 0.5", "clay 1 + 4a 0"]
)
def test_what_is_no_mixture_is_refused(name: str) -> None:
    with pytest.raises(OutOfRangeError):
        desiccant(name)
