"""What must hold for every isotherm: round trips, order, bounds, slope, heat; and the forms against their limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import OutOfRangeError
from monitor.physics import materials
from monitor.physics.materials import desiccant, isotherm_of, polymer
from monitor.physics.numerics import InverseTable
from monitor.physics.saturation import heat_of_vaporization_kj_per_kg, saturation_vapor_pressure_pa
from monitor.physics.sorption import GAB, DubininAstakhov, PiecewiseLinear, Toth, TwoTermDubinin

relaxed = settings(deadline=None, max_examples=60)
KINDS = (*materials.desiccant_kinds(), *materials.polymer_kinds(), "cardboard")
SMOOTH = tuple(kind for kind in materials.desiccant_kinds() if not isinstance(isotherm_of(kind), PiecewiseLinear))
BY_POTENTIAL = tuple(k for k in SMOOTH if isinstance(isotherm_of(k), TwoTermDubinin | DubininAstakhov))


@pytest.mark.parametrize("kind", KINDS)
@relaxed
@given(st.floats(0.001, 0.999), st.floats(0.0, 100.0))
def test_humidity_comes_back_from_loading(kind: str, rh: float, t: float) -> None:
    isotherm = isotherm_of(kind)
    loading = isotherm.loading_g_per_g(rh, t)
    assert isotherm.relative_humidity(loading, t) == pytest.approx(rh, rel=2e-9)


@pytest.mark.parametrize("kind", KINDS)
@relaxed
@given(st.floats(0.0, 0.98), st.floats(0.001, 0.02), st.floats(0.0, 100.0))
def test_loading_rises_with_humidity_and_is_bounded(kind: str, rh: float, more: float, t: float) -> None:
    isotherm = isotherm_of(kind)
    low, high = isotherm.loading_g_per_g(rh, t), isotherm.loading_g_per_g(rh + more, t)
    assert 0.0 <= low < high <= isotherm.loading_g_per_g(1.0, t)


@pytest.mark.parametrize("kind", materials.desiccant_kinds())
def test_nothing_at_no_humidity_and_full_beyond_saturation(kind: str) -> None:
    isotherm = desiccant(kind).isotherm
    assert isotherm.loading_g_per_g(0.0, 25.0) == 0.0
    assert isotherm.relative_humidity(0.0, 25.0) == pytest.approx(0.0, abs=1e-40)
    full = isotherm.loading_g_per_g(1.0, 25.0)
    assert isotherm.relative_humidity(1.2 * full, 25.0) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("kind", SMOOTH)
def test_slope_is_the_derivative(kind: str) -> None:
    isotherm = desiccant(kind).isotherm
    rh = np.linspace(0.01, 0.97, 97)
    h = 1e-5
    up, down = (np.asarray(isotherm.loading_g_per_g(rh + side, 30.0)) for side in (h, -h))
    assert np.asarray(isotherm.slope(rh, 30.0)) == pytest.approx((up - down) / (2 * h), rel=1e-4)


@pytest.mark.parametrize("kind", SMOOTH)
def test_heat_follows_clausius_and_clapeyron(kind: str) -> None:
    """q_st = Rv T² d ln p / dT at constant loading; within 2 % where h_vap stands for ideal vapor's share."""
    isotherm = desiccant(kind).isotherm
    t, dt = 40.0, 0.05
    for rh in (0.02, 0.10, 0.40):
        loading = isotherm.loading_g_per_g(rh, t)
        logs = [
            np.log(isotherm.relative_humidity(loading, side) * saturation_vapor_pressure_pa(side))
            for side in (t + dt, t - dt)
        ]
        expected = 0.461526 * (t + 273.15) ** 2 * (logs[0] - logs[1]) / (2 * dt)
        least = heat_of_vaporization_kj_per_kg(t)
        assert isotherm.heat_of_adsorption_kj_per_kg(rh, t) == pytest.approx(max(float(expected), least), rel=0.02)


@pytest.mark.parametrize("kind", materials.desiccant_kinds())
def test_heat_is_never_below_that_of_plain_water(kind: str) -> None:
    for rh in (0.01, 0.2, 0.5, 0.9):
        heat = desiccant(kind).isotherm.heat_of_adsorption_kj_per_kg(rh, 25.0)
        assert heat >= (1.0 - 1e-12) * heat_of_vaporization_kj_per_kg(25.0)


@pytest.mark.parametrize(("rh", "heat"), [(0.10, 2760.0), (0.40, 2570.0)])
def test_heat_of_the_default_gel(rh: float, heat: float) -> None:
    """44.0 kJ/mol (IAPWS) + A by hand at 25 °C, to three digits; published for the type: 2690-2710 kJ/kg."""
    assert desiccant("silica_gel").isotherm.heat_of_adsorption_kj_per_kg(rh, 25.0) == pytest.approx(heat, rel=0.003)


@pytest.mark.parametrize("kind", BY_POTENTIAL)
def test_warming_a_closed_bed_keeps_its_potential(kind: str) -> None:
    """RH' = RH^(T/T'): what a jar shows after cooling."""
    isotherm = desiccant(kind).isotherm
    by_loading = isotherm.relative_humidity(isotherm.loading_g_per_g(0.05, 60.0), 25.0)
    assert isotherm.relative_humidity_at(0.05, 60.0, 25.0) == pytest.approx(by_loading, rel=1e-8)
    assert by_loading == pytest.approx(0.05 ** (333.15 / 298.15), rel=1e-8)


def test_dubinin_with_exponent_one_is_freundlich() -> None:
    """q = W0 RH^(R T / E), Freundlich's law: an independent way to the same number."""
    t, rh = 25.0, np.linspace(0.01, 0.99, 50)
    freundlich = 0.3 * rh ** (8.314462618 * 298.15 / 5000.0)
    assert np.asarray(DubininAstakhov(0.3, 5000.0, 1.0).loading_g_per_g(rh, t)) == pytest.approx(freundlich, rel=1e-12)


def test_two_terms_alike_are_one() -> None:
    rh = np.linspace(0.001, 1.0, 200)
    two = TwoTermDubinin((0.1, 0.2), (5000.0, 5000.0), (1.4, 1.4))
    one = DubininAstakhov(0.3, 5000.0, 1.4)
    loading = one.loading_g_per_g(rh, 25.0)
    assert np.asarray(two.loading_g_per_g(rh, 25.0)) == pytest.approx(np.asarray(loading), rel=1e-12)
    assert np.asarray(two.relative_humidity(loading, 25.0)) == pytest.approx(rh, rel=1e-9)


def test_gab_with_multilayer_constant_one_is_bet() -> None:
    """Brunauer, Emmett, Teller (1938): X = Xm C a / ((1 - a)(1 + (C - 1) a))."""
    a = np.linspace(0.01, 0.9, 50)
    bet = 0.1 * 15.0 * a / ((1.0 - a) * (1.0 + 14.0 * a))
    assert np.asarray(GAB(0.1, 15.0, 1.0).loading_g_per_g(a, 25.0)) == pytest.approx(bet, rel=1e-12)


def test_toth_with_exponent_one_is_langmuir() -> None:
    """Langmuir (1918): q = a p / (1 + b p)."""
    p_kpa = 0.3 * saturation_vapor_pressure_pa(25.0) / 1e3
    langmuir = 18.015268e-3 * 2.0 * p_kpa / (1.0 + 0.4 * p_kpa)
    assert Toth(2.0, 0.4, 0.0, 1.0, 0.0).loading_g_per_g(0.3, 25.0) == pytest.approx(langmuir, rel=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("length", [4, 30_000])
def test_arrays_and_scalars_agree(kind: str, length: int) -> None:
    isotherm = isotherm_of(kind)
    rh, t = np.linspace(0.02, 0.95, length), np.linspace(10.0, 60.0, length)
    loading = isotherm.loading_g_per_g(rh, t)
    for method, column in ((isotherm.loading_g_per_g, rh), (isotherm.relative_humidity, loading), (isotherm.slope, rh)):
        answer = method(column, t)
        one = method(float(column[1]), float(t[1]))  # type: ignore[index]
        assert type(one) is float
        assert answer[1] == pytest.approx(one, rel=1e-12)  # type: ignore[index]
        assert np.shape(method(column[:2, None], t[None, :3])) == (2, 3)  # type: ignore[index, call-overload]


@pytest.mark.parametrize("kind", KINDS)
def test_refuses_percents_and_negative_loadings(kind: str) -> None:
    with pytest.raises(OutOfRangeError, match="relative_humidity"):
        isotherm_of(kind).loading_g_per_g(40.0, 25.0)
    with pytest.raises(OutOfRangeError, match=r"loading_g_per_g is -0\.1 g/g"):
        isotherm_of(kind).relative_humidity(-0.1, 25.0)


def test_points_of_a_curve_must_rise() -> None:
    with pytest.raises(OutOfRangeError, match="must rise from"):
        PiecewiseLinear((0.0, 0.5, 1.0), (0.0, 0.2, 0.2))
    with pytest.raises(OutOfRangeError, match="must rise from"):
        PiecewiseLinear((0.1, 1.0), (0.0, 0.2))


def test_inverse_table_of_a_cosine() -> None:
    table = InverseTable(np.cos, lambda y: -np.sin(y), (0.3, 2.8))
    x = np.linspace(np.cos(2.8), np.cos(0.3), 1001)
    assert table(x) == pytest.approx(np.arccos(x), abs=1e-11)
    assert float(table(0.5)) == pytest.approx(np.pi / 3.0, abs=1e-11)


def test_salt_shows_its_phase_and_not_its_fill() -> None:
    salt = desiccant("cacl2")
    assert salt.humidity_shows == "phase"
    over_half, over_most = (salt.isotherm.relative_humidity(loading, 20.0) for loading in (0.40, 0.60))
    assert over_half == pytest.approx(over_most, abs=0.003)


def test_sieve_is_full_where_a_box_is_dry() -> None:
    """A sieve box can't be read by its humidity: five sixths of the loading at 40 % RH are there at 5 %."""
    sieve = desiccant("mol_sieve")
    assert sieve.humidity_shows == "little"
    assert sieve.isotherm.loading_g_per_g(0.05, 25.0) > 0.83 * sieve.isotherm.loading_g_per_g(0.40, 25.0)


ALIASES = {
    "silica_regular": "silica_gel_regular_density",
    "silica_wide": "silica_gel_type_B_wide_pore",
    "mol_sieve": "molecular_sieve_A_type",
    "clay": "montmorillonite_clay",
    "cacl2": "calcium_chloride",
    "Orange gel": "silica_gel_orange_indicating",
    "molecular_sieve_3A": "molecular_sieve_A_type",
}


@pytest.mark.parametrize(("alias", "kind"), ALIASES.items())
def test_alias(alias: str, kind: str) -> None:
    assert desiccant(alias).kind == kind


def test_no_name_stands_for_two_materials() -> None:
    names = [name.lower() for kind in KINDS for name in {kind, *materials.aliases_of(kind)}]
    plain = {name.replace("-", "_") for name in names}
    owners = {name: {materials.kind_of(name)} for name in plain}
    assert all(len(kinds) == 1 for kinds in owners.values())
    assert all(materials.kind_of(kind) == kind for kind in KINDS)


def test_unknown_material_is_refused_with_the_list() -> None:
    with pytest.raises(OutOfRangeError, match="'sawdust' is not among the desiccants; known are silica_gel_regular"):
        desiccant("sawdust")
    with pytest.raises(OutOfRangeError, match="'PVC' is not among the polymers; known are PLA"):
        polymer("PVC")
    with pytest.raises(OutOfRangeError, match="'sawdust' is not a material we know"):
        isotherm_of("sawdust")


@pytest.mark.parametrize(
    ("kind", "ceiling"),
    [("silica_regular", 150.0), ("orange_gel", 120.0), ("blue_gel", 120.0), ("clay", 120.0), ("mol_sieve", 300.0)],
)
def test_dryer_ceiling_by_gel_and_dye(kind: str, ceiling: float) -> None:
    """Weintraub (gels, dyes), HG/T 2765.4-1996 (cobalt); clay and sieve from memory, as their tables say."""
    assert desiccant(kind).max_regeneration_degc == ceiling


def test_color_is_a_chance_and_a_weak_one() -> None:
    """Turned beads are likely only well above the trade's 25 % RH; full orange is possible up to 40 % RH."""
    dye = desiccant("orange_gel").dye
    assert dye is not None
    assert dye.chance_turned(0.25) == pytest.approx(0.5)
    assert 0.0 < dye.chance_turned(0.03) < 0.10
    assert 0.80 < dye.chance_turned(0.40) < 0.98
    assert desiccant("silica_regular").dye is None


def test_used_gel_holds_less() -> None:
    """SERI/TR-252-2802: up to 7 % lost on first regeneration with electric heat."""
    ageing = desiccant("silica_regular").ageing
    assert ageing is not None
    assert [ageing.capacity_factor(n) for n in (0, 1, 11)] == pytest.approx([1.0, 0.93, 0.91])


def test_a_gel_used_for_years_goes_on_losing_and_never_all() -> None:
    """After 7 % at first, what the tables say for each cycle, on a line; a judgement stops it long before nothing."""
    ageing = desiccant("silica_regular").ageing
    assert ageing is not None
    assert ageing.capacity_factor(201) == pytest.approx(0.93 - 200 * ageing.loss_per_cycle)
    assert 0.2 < ageing.capacity_factor(100_000) < 0.5


@pytest.mark.parametrize("kind", ["PA6", "PETG"])
def test_a_wound_spool_is_as_much_slower_as_real_ones_are(kind: str) -> None:
    """Three to ten times slower than a strand: the middle of a factor is its geometric mean."""
    known = polymer(kind)
    slower = known.spool_time_constant_days() / known.strand_time_constant_days()
    assert slower == pytest.approx(np.sqrt(3.0 * 10.0), rel=0.05)


def test_weak_curves_say_so_and_spread_wider() -> None:
    for kind in materials.desiccant_kinds():
        beads = desiccant(kind)
        assert beads.verified in {"seen", "derived", "memory"}
        assert beads.source
        assert beads.sigma_ln_capacity >= (0.20 if beads.weak else 0.08)
