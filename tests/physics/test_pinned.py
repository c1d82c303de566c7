"""Every formula of moist air and sorption at a few points, to nine digits, beside `pinned.csv`. *Regression*.

Published values with their tolerances stand in the other tests; here a digit that slips is noticed.
"""

from __future__ import annotations

import csv
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from monitor.physics import drying, leakage, materials, psychrometrics, saturation
from monitor.physics.box_balance import Air, DrawnBox, Stepped, advance
from monitor.physics.calculators import caveats, sorption
from monitor.physics.psychrometrics import enhancement_factor
from monitor.physics.sorption.tabulated import SorptionTable

PINNED = Path(__file__).with_name("pinned.csv")
ROWS = list(csv.DictReader(PINNED.read_text().splitlines()))
GEL = materials.desiccant("silica_gel").isotherm


def of_air(name: str) -> Callable[..., object]:
    for module in (saturation, psychrometrics, leakage, drying):
        if hasattr(module, name):
            found: Callable[..., object] = getattr(module, name)
            return found
    raise LookupError(name)


def value(row: dict[str, str]) -> object:
    """Return what a row names: a free function of numbers, or a quantity of a material."""
    numbers = [float(number) for number in row["arguments"].split()]
    if not row["material"]:
        return of_air(row["quantity"])(*numbers)
    if row["quantity"] in {"spool_time_constant_days", "diffusivity_m2_per_s"}:
        return getattr(materials.polymer(row["material"]), row["quantity"])(*numbers)
    isotherm = materials.isotherm_of(row["material"])
    if row["quantity"] in {"drying_floor_g_per_g", "jar_relative_humidity", "desorption_energy_kj"}:
        return of_air(row["quantity"])(isotherm, *numbers)
    return getattr(isotherm, row["quantity"])(*numbers)


def renew() -> None:
    """Keep what the formulas give now (`python -m tests.renew physics`)."""
    with PINNED.open("w") as file:
        rows = csv.DictWriter(file, list(ROWS[0]), lineterminator="\n")
        rows.writeheader()
        rows.writerows({**row, "value": f"{value(row):.10g}"} for row in ROWS)


@pytest.mark.parametrize("quantity", sorted({row["quantity"] for row in ROWS}))
def test_every_formula(quantity: str) -> None:
    for row in (row for row in ROWS if row["quantity"] == quantity):
        assert value(row) == pytest.approx(float(row["value"]), rel=2e-9), row


@pytest.mark.parametrize("name", ["saturation_vapor_pressure_pa", "saturation_vapor_pressure_over_ice_pa"])
def test_a_column_gives_what_its_rows_give(name: str) -> None:
    rows = [row for row in ROWS if row["quantity"] == name]
    degc = np.array([float(row["arguments"]) for row in rows])
    assert of_air(name)(degc) == pytest.approx([float(row["value"]) for row in rows], rel=2e-9)


def test_the_enhancement_factor_of_a_column_is_that_of_its_rows() -> None:
    degc = np.array([-100.0, -20.0, 0.0, 0.009, 0.01, 0.02, 25.0, 99.9, 100.0, 100.1, 120.0])
    for pressure_pa in (80_000.0, 101_325.0):
        one_by_one = [enhancement_factor(float(t), pressure_pa) for t in degc]
        assert enhancement_factor(degc, pressure_pa) == pytest.approx(one_by_one, rel=1e-12)
    assert enhancement_factor(np.array([-150.0]))[0] == pytest.approx(enhancement_factor(-100.0), rel=1e-12)  # type: ignore[index]
    assert enhancement_factor(100.0) > 1.0 or enhancement_factor(100.0) == pytest.approx(1.0, abs=1e-3)
    assert enhancement_factor(100.1) == 1.0
    assert list(enhancement_factor(120.0, np.array([9e4, 1e5]))) == [1.0, 1.0]  # type: ignore[arg-type]


def test_the_table_of_a_blend_of_two_shapes() -> None:
    """Half-way, at either end and beyond: the blend's own loading at the humidity that the table gives back."""
    other = materials.desiccant("type_rd").isotherm
    scores = np.array([-0.5, 0.0, 0.5, 1.0, 1.5])
    table = SorptionTable(GEL, other, scores)
    for humidity in (0.03, 0.2, 0.6, 0.9):
        loading = table.loading(np.full(5, humidity), 23.0)
        by_hand = (1.0 - scores) * GEL.loading_g_per_g(humidity, 23.0) + scores * other.loading_g_per_g(humidity, 23.0)
        assert loading == pytest.approx(by_hand, rel=1e-12)
        back, slope = table.humidity(loading, 23.0)
        assert back == pytest.approx(humidity, abs=2e-4)
        up, down = (table.humidity(loading * (1.0 + side), 23.0)[0] for side in (1e-3, -1e-3))
        assert slope == pytest.approx((up - down) / (2e-3 * loading), rel=0.04)


def test_the_table_goes_from_dry_to_full() -> None:
    table = SorptionTable(GEL, GEL, np.array([0.0, 0.012, 0.013, -9.0, 9.0]))
    assert [*table._score] == pytest.approx([0.0, 0.0, 0.025, -0.5, 1.5])
    full = float(GEL.loading_g_per_g(0.985, 23.0))
    assert table.full_loading_g_per_g == pytest.approx(full, rel=1e-5)
    assert table.keep_within(np.full(5, -1.0)) == pytest.approx(1e-6)
    assert table.keep_within(np.full(5, 1.0)) == pytest.approx((1.0 - 1e-5) * table.full_loading_g_per_g, rel=1e-12)
    assert table.keep_within(np.full(5, 0.1)) == pytest.approx(0.1, rel=1e-12)
    dry, wet = (float(table.humidity(np.full(5, loading), 23.0)[0][0]) for loading in (0.0, 1.0))
    assert dry < 1e-5
    assert wet == pytest.approx(0.985, abs=1e-3)
    ends = table.loading(np.array([0.0, 1e-5, 0.985, 1.0, 0.5]), 23.0)
    assert ends[0] == ends[1] == pytest.approx(GEL.loading_g_per_g(1e-5, 23.0))
    assert ends[2] == ends[3] == pytest.approx(full)
    taken = table.take(np.array([2, 0]))
    assert [*taken._score] == pytest.approx([0.025, 0.0])


def test_temperature_moves_gel_and_leaves_clay_in_a_table() -> None:
    loading = np.array([0.1])
    for kind, moves in (("silica_gel", True), ("clay", False)):
        isotherm = materials.desiccant(kind).isotherm
        table = SorptionTable(isotherm, isotherm, np.zeros(1))
        (warm, warm_slope), (room, room_slope) = (table.humidity(loading, degc) for degc in (40.0, 23.0))
        power = (23.0 + 273.15) / (40.0 + 273.15) if moves else 1.0
        assert warm == pytest.approx(room**power, rel=1e-12)
        assert warm_slope == pytest.approx(room_slope * power * warm / room, rel=1e-12)


def test_a_materials_page() -> None:
    row = sorption("silica_gel", np.array([25.0, 30.0]), np.array([40.0, 10.0]))
    for k, (degc, humidity) in enumerate(((25.0, 0.4), (30.0, 0.1))):
        loading = GEL.loading_g_per_g(humidity, degc)
        assert row["loading_g_per_g"][k] == pytest.approx(loading, rel=1e-12)
        assert row["rh_pct_back"][k] == pytest.approx(100.0 * humidity, rel=1e-8)
        assert row["heat_kj_per_kg"][k] == pytest.approx(GEL.heat_of_adsorption_kj_per_kg(humidity, degc), rel=1e-12)
        assert row["slope_g_per_g_per_pct"][k] == pytest.approx(float(GEL.slope(humidity, degc)) / 100.0, rel=1e-12)
    assert caveats("silica_gel", 25.0, 40.0)["kind"] == "silica_gel_regular_density"


TABLED = [
    # loading, humidity and slope of a table of the default gel and type RD, scores 0, 0.5 and 1.5, at 23 and at 35 °C
    (0.0, 23.0, [5.074167244e-07, 5.168505507e-07, 0.006090491727], [0.01682668416, 0.03414137833, 6.214691746]),
    (0.0004, 23.0, [1.337953414e-05, 3.838490967e-05, 0.006688746949], [0.05977504236, 0.1491107825, 1.309347418]),
    (0.01, 23.0, [0.0026445374, 0.005719400846, 0.01721266694], [0.4809538839, 0.8584876755, 1.014965026]),
    (0.1, 35.0, [0.1609230673, 0.1526261978, 0.1360682398], [1.737591156, 1.770524772, 1.676034187]),
    (0.2, 23.0, [0.3267132264, 0.3370987313, 0.3697057099], [2.050015381, 2.366809174, 3.345250314]),
    (0.31, 35.0, [0.7000830247, 0.767880595, 0.8795071145], [6.421487144, 7.253662012, 7.049949524]),
    (2.0, 23.0, [0.9846001468, 0.984807222, 0.9849069295], [90.88125028, 44.310656, 21.88324304]),
]


def test_the_table_to_the_last_digit() -> None:
    """At the dry end, in the middle and nearly full."""
    table = SorptionTable(GEL, materials.desiccant("type_rd").isotherm, np.array([0.0, 0.5, 1.5]))
    for loading, degc, humidities, slopes in TABLED:
        humidity, slope = table.humidity(np.full(3, loading), degc)
        assert humidity == pytest.approx(humidities, rel=1e-8)
        assert slope == pytest.approx(slopes, rel=1e-8)


STEPPED = {
    "loading_g_per_g": [0.05010437126, 0.1211614544, 0.2543949312],
    "slow_humidity": [0.2655514806, 0.4608143046, 0.2166140352],
    "loading_kept": [0.9994866208, 0.8969860818, 0.180770975],
    # of a straight relaxation, (1 - kept) / ln(1 / kept)
    "retained": [0.999743288, 0.947559962, 0.478934433],
    "loading_by_log_conductance": [0.0001043699236, 0.003840034777, 0.05439502215],
    "leaked_g": [0.01048420302, 0.345179192, 0.02541418661],
    "mean_difference_kpa": [1.048420302, 0.7670648712, 0.1694279107],
    "start_slope": [1.98394617, 1.673871701, 2.049179551],
}


def stepped() -> Stepped:
    """Three draws of a box for half a day: a tight one, a leaky one beside a wet spool, and one without beads."""
    box = DrawnBox(
        SorptionTable(GEL, GEL, np.zeros(3)), np.array([100.0, 90.0, 1e-6]), np.array([1e-6, 40.0, 1e-6]),
        np.array([1.0, 4.0, 1.0]), 12.0,
    )  # fmt: skip
    air = Air(1.2, 2.6, 22.0, 0.019)
    return advance(
        box, np.array([0.05, 0.1, 0.2]), np.array([0.4, 0.5, 0.1]), np.array([0.02, 0.9, 0.3]), air, days=0.5
    )


def test_a_step_to_the_last_digit() -> None:
    moved = stepped()._asdict()
    assert list(moved) == list(STEPPED)
    for name, values in STEPPED.items():
        assert moved[name] == pytest.approx(values, rel=1e-8), name


def test_a_step_that_nothing_drives_moves_nothing() -> None:
    """Beads at rest with their air, in a box that hardly leaks; and a room so damp that the air inside is full."""
    box = DrawnBox(SorptionTable(GEL, GEL, np.zeros(1)), np.ones(1) * 1e12, np.ones(1) * 1e-6, np.ones(1), 10.0)
    loading = np.array([0.1])
    air = Air(1.2, 2.6, 22.0, 0.019)
    still = advance(
        box=box,
        loading_g_per_g=loading,
        slow_humidity=np.zeros(1),
        conductance_g_per_day_per_kpa=np.full(1, 1e-9),
        air=air,
        days=1.0,
    )
    assert still.loading_g_per_g == pytest.approx(0.1, rel=1e-12)
    assert still.loading_kept == pytest.approx(1.0, abs=1e-8)
    empty = DrawnBox(SorptionTable(GEL, GEL, np.zeros(1)), np.ones(1) * 1e-9, np.ones(1) * 1e-9, np.ones(1), 10.0)
    for outside_kpa, inside_kpa in ((9.0, 2.6), (-9.0, 0.0)):
        moved = advance(empty, loading, np.zeros(1), np.ones(1) * 50.0, Air(outside_kpa, 2.6, 22.0, 0.019), days=9.0)
        assert moved.mean_difference_kpa == pytest.approx(outside_kpa - inside_kpa)


def test_what_a_step_asks_again_is_kept_and_stays_behind() -> None:
    box = DrawnBox(SorptionTable(GEL, GEL, np.zeros(2)), np.ones(2), np.array([40.0, 20.0]), np.array([4.0, 2.0]), 12.0)
    share, pull = box.catching_up(0.5)
    assert share == pytest.approx(1.0 - np.exp([-0.125, -0.25]), rel=1e-12)
    assert pull == pytest.approx(np.array([40.0, 20.0]) * share / 0.5, rel=1e-12)
    assert box.catching_up(0.5)[0] is share
    assert box.catching_up(1.0)[0] == pytest.approx(1.0 - np.exp([-0.25, -0.5]), rel=1e-12)
    assert len(box._caught_up) == 2
    there = pickle.loads(pickle.dumps(box))
    assert there._caught_up == {}
    assert there.volume_liter == 12.0
    taken = box.take(np.array([1]))
    assert (taken.slow_g_per_humidity, taken.slow_lag_days, taken.dry_mass_g) == (20.0, 2.0, 1.0)
    assert taken.volume_liter == 12.0
    assert "_caught_up" not in repr(box)
    assert box != there
    water = box.water_per_loading_g(np.array([2.0, 3.0]), Air(1.2, 2.6, 22.0, 0.02))
    assert water == pytest.approx([1.0 + 12.0 * 0.02 * 2.0, 1.0 + 12.0 * 0.02 * 3.0])
