"""Where each equation ends: its last number is taken, the next one is refused and named."""

from __future__ import annotations

import inspect
import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from monitor.errors import OutOfRangeError
from monitor.physics import drying, materials, psychrometrics, saturation
from monitor.physics.box_balance import DrawnBox
from monitor.physics.materials import desiccant, mixed_kind, parts_of, polymer
from monitor.physics.numerics import InverseTable, in_blocks, plain, require_within
from monitor.physics.sorption import GAB, Isotherm, Mixture, PiecewiseLinear
from monitor.physics.sorption.by_humidity import HumidityIsotherm
from monitor.physics.sorption.by_potential import PotentialIsotherm
from monitor.physics.sorption.caveats import Ageing, Ceiling, Dye, Hysteresis
from monitor.physics.sorption.tabulated import SorptionTable

GEL = desiccant("silica_gel").isotherm
LINE = PiecewiseLinear((0.0, 0.25, 1.0), (0.0, 0.1, 0.2))
OVER_WATER_PA = (
    float(saturation.saturation_vapor_pressure_pa(-45.0)),
    float(saturation.saturation_vapor_pressure_pa(373.946)),
)
ENDS: dict[str, tuple[Callable[[float], object], float, float, str]] = {
    "water": (saturation.saturation_vapor_pressure_pa, -45.0, 373.946, "temperature_degc"),
    "slope": (saturation.log_saturation_slope_per_k, -45.0, 373.946, "temperature_degc"),
    "ice": (saturation.saturation_vapor_pressure_over_ice_pa, -223.15, 0.01, "temperature_degc"),
    "heat": (saturation.heat_of_vaporization_kj_per_kg, -45.0, 370.0, "temperature_degc"),
    "dew": (saturation.dew_point_from_vapor_pressure, *OVER_WATER_PA, "vapor_pressure_pa"),
    "frost": (
        saturation.frost_point_from_vapor_pressure,
        float(saturation.saturation_vapor_pressure_over_ice_pa(-130.0)), 611.657, "vapor_pressure_pa",
    ),
    "vapor": (lambda rh: psychrometrics.vapor_pressure_pa(20.0, rh), 0.0, 1.0, "relative_humidity (a fraction)"),
    "pressure": (lambda p: psychrometrics.enhancement_factor(20.0, p), 20_000.0, 2_000_000.0, "pressure_pa"),
    "mixing": (
        lambda p: psychrometrics.mixing_ratio_from_vapor_pressure_g_per_kg(p, 1000.0), 0.0, 999.0,
        "vapor pressure over air pressure",
    ),
    "density": (
        lambda rh: psychrometrics.moist_air_density_kg_per_m3(
            60.0, rh, 0.5 * float(saturation.saturation_vapor_pressure_pa(60.0))
        ), 0.0, 0.5, "vapor pressure over air pressure",
    ),
    "power": (lambda w: drying.microwave_water_bound_g(w, 60.0), 0.0, 5000.0, "absorbed_power_w"),
    "dye": (desiccant("orange_gel").dye.chance_turned, 0.0, 1.0, "relative_humidity (a fraction)"),  # type: ignore[union-attr]
}  # fmt: skip


@pytest.mark.parametrize("name", ENDS)
def test_the_ends_of_a_range(name: str) -> None:
    function, low, high, said = ENDS[name]
    hair = 1e-4 * max(abs(high - low), 1e-9)
    for end in (low, high):
        assert np.isfinite(float(function(end)))  # type: ignore[arg-type]
    for beyond in (low - hair, high + hair):
        with pytest.raises(OutOfRangeError) as error:
            function(beyond)
        if not (name in {"mixing", "density"} and beyond < 0.0):
            assert str(error.value).startswith(f"{said} is ")


@pytest.mark.parametrize("kind", ["silica_gel", "mol_sieve", "13X", "clay", "PLA", "cardboard"])
def test_the_ends_of_an_isotherm(kind: str) -> None:
    isotherm = materials.isotherm_of("molecular_sieve_13X" if kind == "13X" else kind)
    for function in (isotherm.loading_g_per_g, isotherm.slope, isotherm.heat_of_adsorption_kj_per_kg):
        for end in (0.0, 1.0):
            assert float(function(end, 25.0)) >= 0.0
        with pytest.raises(OutOfRangeError, match=r"relative_humidity \(a fraction\)"):
            function(1.0 + 1e-6, 25.0)
    for function in (isotherm.loading_g_per_g, isotherm.slope):
        with pytest.raises(OutOfRangeError, match=r"relative_humidity \(a fraction\)"):
            function(-1e-6, 25.0)
    with pytest.raises(OutOfRangeError, match="loading_g_per_g"):
        isotherm.relative_humidity(-1e-6, 25.0)
    assert isotherm.relative_humidity(99.0, 25.0) == pytest.approx(1.0)
    assert isotherm.relative_humidity(0.0, 25.0) == pytest.approx(0.0, abs=1e-12)


def test_a_negative_loading_has_no_dry_mass() -> None:
    assert drying.dry_mass_g(100.0, 0.0) == 100.0
    with pytest.raises(OutOfRangeError, match=r"loading_g_per_g is -0\.001 g/g; it must lie from 0 to inf g/g"):
        drying.dry_mass_g(100.0, -0.001)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (1.0, None), (2.0, None), (2, None), (np.array([1.0, 2.0]), None), (np.array([]), None),
        (0.5, "0.5 m"), (2.5, "2.5 m"), (float("nan"), "missing"), (np.array([1.5, 2.25, 9.0]), "2.25 m"),
        (np.array([0.75, 1.5]), "0.75 m"), (np.array([[1.0, np.nan]]), "missing"), (np.float32(3.0), "3 m"),
    ],
)  # fmt: skip
def test_what_is_out_of_a_range_is_named(value: object, said: str | None) -> None:
    if said is None:
        require_within("width", value, 1.0, 2.0, "m")  # type: ignore[arg-type]
        return
    with pytest.raises(OutOfRangeError) as error:
        require_within("width", value, 1.0, 2.0, "m")  # type: ignore[arg-type]
    assert str(error.value) == f"width is {said}; it must lie from 1 to 2 m"
    with pytest.raises(OutOfRangeError) as unitless:
        require_within("width", value, 1.0, 2.0)  # type: ignore[arg-type]
    assert str(unitless.value) == f"width is {said.removesuffix(' m')}; it must lie from 1 to 2"


def test_long_columns_go_block_by_block() -> None:
    """8192 rows a block."""
    seen: list[list[tuple[int, ...]]] = []

    @in_blocks
    def add(*columns: object, more: float = 0.0) -> object:
        """Add."""
        seen.append([np.shape(column) for column in columns])  # type: ignore[arg-type]
        return sum(columns) + more  # type: ignore[call-overload]

    def shapes(*columns: object, **named: float) -> list[list[tuple[int, ...]]]:
        seen.clear()
        answer = add(*columns, **named)
        expected = sum(columns) + sum(named.values())  # type: ignore[call-overload]
        assert np.array_equal(answer, expected)  # type: ignore[arg-type]
        assert np.shape(answer) == np.shape(expected)  # type: ignore[arg-type]
        return list(seen)

    long, at_most, longer = np.arange(20_000.0), np.arange(8192.0), np.arange(8193.0)
    assert shapes(1.0, 2.0) == [[(), ()]]
    assert shapes(at_most, at_most) == [[(8192,), (8192,)]]
    assert shapes(longer, 1.0) == [[(8192,), ()], [(1,), ()]]
    assert shapes(1.0, long) == [[(), (8192,)], [(), (8192,)], [(), (3616,)]]
    assert shapes(long, np.array(2.0)) == [[(8192,), ()], [(8192,), ()], [(3616,), ()]]
    assert shapes(long.reshape(4, 5000), long.reshape(4, 5000))[0] == [(8192,), (8192,)]
    assert shapes(long[:, None], long[None, :2]) == [[(20_000, 1), (1, 2)]]
    assert shapes(long, more=1.0) == [[(20_000,)]]
    assert (add.__name__, add.__doc__) == ("add", "Add.")


def test_one_number_is_a_float_and_a_column_stays_one() -> None:
    column = np.array([1.0])
    assert type(plain(np.float64(2.0))) is float
    assert plain(np.array(2.0)) == 2.0
    assert plain(column) is column


@pytest.mark.parametrize("falling", [False, True])
def test_a_table_backward_is_exact_at_its_knots_and_close_between(falling: bool) -> None:
    sign = -1.0 if falling else 1.0
    table = InverseTable(lambda y: sign * y**3, lambda y: sign * 3.0 * y**2, (0.5, 2.0), pieces=64)
    ends = sorted((sign * 0.125, sign * 8.0))
    x = np.linspace(*ends, 65)
    assert table(x) == pytest.approx(np.cbrt(sign * x), rel=1e-13)
    between = np.linspace(*ends, 1001)
    smooth = between[sign * between > 2.0]
    assert table(between) == pytest.approx(np.cbrt(sign * between), rel=1e-3)
    assert table(smooth) == pytest.approx(np.cbrt(sign * smooth), rel=1e-6)
    assert float(table(ends[1])) == pytest.approx(0.5 if falling else 2.0, rel=1e-13)
    assert len(table._pieces) == 65


def test_lines_between_points() -> None:
    """Slopes by hand: 0.1 over a quarter, then 0.1 over three quarters; at a point that of the line above it."""
    assert [float(LINE.slope(rh, 20.0)) for rh in (0.0, 0.24, 0.25, 0.9, 1.0)] == pytest.approx(
        [0.4, 0.4, *[0.4 / 3] * 3]
    )
    assert [float(LINE.loading_g_per_g(rh, 20.0)) for rh in (0.125, 0.25, 0.625)] == pytest.approx([0.05, 0.1, 0.15])
    assert LINE.relative_humidity(0.15, 20.0) == pytest.approx(0.625)
    warm = np.array([10.0, 30.0])
    gab = GAB(0.05, 20.0, 0.8)
    for isotherm in (LINE, gab):
        for function in (isotherm.loading_g_per_g, isotherm.slope, isotherm.relative_humidity):
            assert function(0.1, warm) == pytest.approx(np.full(2, function(0.1, 20.0)))
        assert isotherm.heat_of_adsorption_kj_per_kg(np.array([0.1, 0.9]), 20.0) == pytest.approx(
            np.full(2, saturation.heat_of_vaporization_kj_per_kg(20.0))
        )
        assert isotherm.by_potential is False
        for function in (isotherm.loading_g_per_g, isotherm.slope, isotherm.relative_humidity):
            assert function(0.1, 0.0) == pytest.approx(function(0.1, 20.0), rel=1e-12)
            assert function(0.1, -10.0) == pytest.approx(function(0.1, 20.0), rel=1e-12)
        assert isotherm.heat_of_adsorption_kj_per_kg(0.0, 20.0) == saturation.heat_of_vaporization_kj_per_kg(20.0)
    assert gab.relative_humidity(9.0, 20.0) == 1.0
    for points in (((0.0, 0.5), (0.0, 0.1)), ((0.0, 0.5, 0.5, 1.0), (0.0, 0.1, 0.2, 0.3)), ((0.0, 1.0), (0.1, 0.2)),
                   ((0.0, 0.5, 1.0), (0.0, 0.3, 0.2)), ((0.1, 1.0), (0.1, 0.2))):  # fmt: skip
        with pytest.raises(OutOfRangeError, match="must rise from"):
            PiecewiseLinear(*points)


def test_an_isotherm_without_its_formula_is_none() -> None:
    for shape in (Isotherm, PotentialIsotherm, HumidityIsotherm):
        assert inspect.isabstract(shape)
    assert Isotherm.__abstractmethods__ == {
        "heat_of_adsorption_kj_per_kg", "loading_g_per_g", "relative_humidity", "slope",
    }  # fmt: skip
    assert PotentialIsotherm.__abstractmethods__ >= {"loading_at_potential", "potential_slope", "potential_at_loading"}
    assert GEL.by_potential
    assert desiccant("cacl2 0.5 + clay 0.5").isotherm.relative_humidity_at(0.3, 20.0, 60.0) == pytest.approx(0.3)


DYE = Dye("t", "orange", "green", 0.25, 0.0907, 0.03, 120.0, "s", "seen", "c")


def test_a_color_and_its_chance() -> None:
    """By hand: a logistic whose width joins 0.03 with 0.0907 / 1.814 = 0.05."""
    width = np.hypot(0.03, 0.05)
    for humidity in (0.0, 0.1, 0.25, 0.4):
        chance = 1.0 / (1.0 + np.exp(-(humidity - 0.25) / width))
        assert DYE.chance_turned(humidity) == pytest.approx(chance, rel=1e-12)
        assert DYE.log_likelihood("orange", humidity) == pytest.approx(np.log(1.0 - chance), rel=1e-12)
        assert DYE.log_likelihood("green", humidity) == pytest.approx(np.log(chance), rel=1e-12)
        assert DYE.log_likelihood("turning", humidity) == pytest.approx(np.log(chance * (1.0 - chance)), rel=1e-12)
        assert DYE.log_likelihood("pink", humidity) == 0.0
    sharp = Dye("t", "orange", "green", 0.25, 0.0, 0.001, 120.0, "s", "seen", "c")
    assert sharp.log_likelihood("orange", 1.0) == pytest.approx(np.log(1e-6))
    assert sharp.log_likelihood("green", 0.0) == pytest.approx(np.log(1e-6))
    assert sharp.log_likelihood("orange", 0.0) == pytest.approx(np.log(1.0 - 1e-6), rel=1e-6)
    assert DYE.colors == ("orange", "green", "turning")


def test_the_branch_of_drying_beads() -> None:
    loop = Hysteresis((0.2, 0.4), (1.0, 1.2), 0.02, 0.05, "s", "seen")
    assert [loop.factor(rh) for rh in (0.1, 0.3, 0.9)] == pytest.approx([1.0, 1.1, 1.2])
    assert [loop.sigma(rh) for rh in (0.2999, 0.30, 0.31)] == [0.02, 0.05, 0.05]


@pytest.mark.parametrize(("cycles", "factor"), [(-1, 1.0), (0, 1.0), (1, 0.93), (2, 0.92), (64, 0.30), (65, 0.3)])
def test_capacity_after_so_many_cycles(cycles: int, factor: float) -> None:
    """0.93 at the first reuse and 0.01 less at each after it, never under 0.3 (a judgement)."""
    assert Ageing(0.93, 0.01, "s", "seen").capacity_factor(cycles) == pytest.approx(factor)


def test_what_is_known_of_a_material_does_not_change() -> None:
    box = DrawnBox(SorptionTable(GEL, GEL, np.zeros(1)), np.ones(1), np.ones(1), np.ones(1), 10.0)
    held = (
        desiccant("orange_gel"), polymer("PLA"), materials.cardboard(), DYE, Ceiling(1.0, "d", "s", "seen"),
        Ageing(0.9, 0.01, "s", "seen"), Hysteresis((0.0, 1.0), (1.0, 1.0), 0.1, 0.1, "s", "seen"), box,
        desiccant("silica_regular 0.5 + clay 0.5").isotherm,
    )  # fmt: skip
    for thing in held:
        with pytest.raises(FrozenInstanceError):
            thing.source = "another"  # type: ignore[misc, union-attr]


def test_a_mixture_is_spread_as_its_parts_are() -> None:
    """By hand, weighed by what each holds at 40 % RH and 25 °C; the strictest of all limits."""
    gel, clay = desiccant("silica_gel"), desiccant("clay")
    both = desiccant("silica_gel 0.75 + clay 0.25")
    held = [
        0.75 * float(gel.isotherm.loading_g_per_g(0.4, 25.0)),
        0.25 * float(clay.isotherm.loading_g_per_g(0.4, 25.0)),
    ]
    for name in ("sigma_ln_capacity", "sigma_ln_capacity_known"):
        by_hand = np.hypot(held[0] * getattr(gel, name), held[1] * getattr(clay, name)) / sum(held)
        assert getattr(both, name) == pytest.approx(by_hand, rel=1e-12)
    assert both.temperature_range_degc == (25.0, 25.0)
    assert both.humidity_range == (0.1, 0.6)
    assert both.dry_heat_capacity_kj_per_kg_per_k == pytest.approx(0.75 * 0.92 + 0.25 * 0.90)
    assert (both.weak, both.ceiling, both.dye, both.hysteresis, both.ageing) == (
        True,
        clay.ceiling,
        None,
        None,
        gel.ageing,
    )
    assert both.title == f"{gel.title} and {clay.title}"
    assert both.source == f"{gel.source}; {clay.source}"
    assert both.humidity_shows == "fill"
    assert desiccant("cacl2 0.5 + 4a 0.5").humidity_shows == "phase"
    assert desiccant("mol_sieve 0.5 + 4a 0.5").humidity_shows == "little"
    mixed_potential = desiccant("silica_gel 0.5 + type_rd 0.5").isotherm.by_potential
    assert (mixed_potential, both.isotherm.by_potential) == (True, False)
    assert (
        desiccant("clay 0.25 + silica_gel 0.75").kind == "montmorillonite_clay 0.25 + silica_gel_regular_density 0.75"
    )


def test_every_part_of_a_mixture_has_its_share() -> None:
    mixture = Mixture((GEL, LINE), (1.0,))
    for ask in (mixture.loading_g_per_g, mixture.slope, mixture.heat_of_adsorption_kj_per_kg):
        with pytest.raises(ValueError, match="shorter"):
            ask(0.2, 20.0)


def test_shares_of_a_mixture() -> None:
    assert parts_of("clay 3 + silica_gel 1") == (("montmorillonite_clay", 0.75), ("silica_gel_regular_density", 0.25))
    assert mixed_kind([("clay 0.5 + silica_gel 0.5", 100.0), ("clay", 100.0)]) == (
        "montmorillonite_clay 0.75 + silica_gel_regular_density 0.25"
    )
    for name, message in (
        ("clay + silica_gel", "'clay + silica_gel' is no mixture; write one as 'silica_regular 0.75 + clay 0.25'"),
        ("clay 0 + silica_gel 1", "'clay 0 + silica_gel 1' is no mixture; each share has to be above 0"),
        ("clay 1 + silica_gel -1", "'clay 1 + silica_gel -1' is no mixture; each share has to be above 0"),
    ):
        with pytest.raises(OutOfRangeError) as error:
            parts_of(name)
        assert str(error.value) == message
    assert parts_of("clay 0.001 + silica_gel 0.999")[0][1] == pytest.approx(0.001)


def test_how_slowly_filament_dries() -> None:
    """a² / (5.783 D) for a strand of 1.75 mm, and 5.5 times that on a spool (Crank 1975, eq. 5.23)."""
    plastic = polymer("PLA")
    seconds = (0.875e-3) ** 2 / (5.783 * plastic.diffusivity_23_m2_per_s)
    assert plastic.strand_time_constant_days() == pytest.approx(seconds / 86_400.0, rel=1e-12)
    assert plastic.spool_time_constant_days() == pytest.approx(5.5 * seconds / 86_400.0, rel=1e-12)
    arrhenius = np.exp(-40_000.0 / 8.314462618 * (1.0 / 323.15 - 1.0 / 296.15))
    assert plastic.diffusivity_m2_per_s(50.0) == pytest.approx(plastic.diffusivity_23_m2_per_s * arrhenius, rel=1e-12)
    assert plastic.weak


def test_names_are_read_as_people_write_them() -> None:
    for written in (" Orange gel ", "ORANGE-GEL", "orange_gel"):
        assert materials.kind_of(written) == "silica_gel_orange_indicating"
    assert "orange gel" in " ".join(materials.aliases_of("silica_gel_orange_indicating")).lower().replace("_", " ")
    assert materials.aliases_of("sawdust") == ()
    with pytest.raises(OutOfRangeError, match=r"known are silica_gel_regular_density, .*, PLA, .*, cardboard$"):
        materials.kind_of("sawdust")


def test_a_curve_travels_without_the_table_it_made_for_itself() -> None:
    curve = materials.desiccant("silica_gel").isotherm
    before = len(pickle.dumps(curve))
    curve.relative_humidity(np.linspace(0.01, 0.2, 20), 23.0)
    assert len(pickle.dumps(curve)) == before < 2_000
    again = pickle.loads(pickle.dumps(curve))
    assert again.relative_humidity(0.1, 23.0) == curve.relative_humidity(0.1, 23.0)
