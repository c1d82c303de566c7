"""What beads are worth to a box and what appliances can do, rule by rule; by hand from the isotherm where it can be."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from desk_evening import MICROWAVE, OVEN, WARM_BOX
from runs_by_hand import AT, BOWL, KNOWN, a_run, ended, inventory_of

from monitor.desk.inventory import Run
from monitor.desk.methods import (
    Service,
    capacity_of,
    compare_methods,
    further_methods,
    kind_of_beads,
    services,
    services_of,
    starts_in_room,
)
from monitor.physics.materials import desiccant
from monitor.records import Appliance, Box, Quantiles, RoomClimate

ORANGE = desiccant("orange_gel")
PLA = Box("pla", 12.0, 0.20)
FULL = float(ORANGE.isotherm.loading_g_per_g(0.20, 22.0))
AIR = RoomClimate(20.0, 0.50)
WET = float(ORANGE.isotherm.loading_g_per_g(0.50, 20.0))


@pytest.mark.parametrize(
    ("share", "good", "of_little_use"),
    [(0.60, True, False), (0.599, False, False), (0.25, False, False), (0.249, False, True)],
)
def test_good_beads_and_beads_of_little_use(share: float, good: bool, of_little_use: bool) -> None:
    """Three fifths and a quarter of what dry beads take in: judgements."""
    service = Service("pla", 0.20, Quantiles(0.0, 1.0, 2.0), share)
    assert (service.good, service.of_little_use) == (good, of_little_use)


def test_what_beads_still_take_in() -> None:
    """200 g at 4, 5 and 7 % in a lot that holds 0.9 of the isotherm, known to 10 %; 1.645 sd to the 95 % point."""
    [told] = services(ORANGE, Quantiles(150.0, 200.0, 250.0), Quantiles(0.04, 0.05, 0.07), [PLA], (0.9, 0.1))
    full = 0.9 * FULL
    slack = 0.1645 * full
    assert (told.box, told.humidity_limit) == ("pla", 0.20)
    assert told.share == pytest.approx((full - 0.05) / full)
    assert told.usable_g.p50 == pytest.approx(200.0 * (full - 0.05))
    assert told.usable_g.p05 == pytest.approx(200.0 * (full - 0.05 - np.hypot(0.02, slack)))
    assert told.usable_g.p95 == pytest.approx(200.0 * (full - 0.05 + np.hypot(0.01, slack)))


def test_beads_that_are_full_take_in_nothing() -> None:
    dry, wet = Quantiles(200.0, 200.0, 200.0), Quantiles(0.3, 0.3, 0.3)
    [told] = services(ORANGE, dry, wet, [PLA], (1.0, 0.01))
    assert (told.share, told.usable_g) == (0.0, Quantiles(0.0, 0.0, 0.0))


def test_without_a_word_on_the_lot_the_isotherm_counts_as_lots_differ() -> None:
    dry, zero = Quantiles(200.0, 200.0, 200.0), Quantiles(0.0, 0.0, 0.0)
    [told] = services(ORANGE, dry, zero, [PLA])
    assert told.share == 1.0
    assert told.usable_g.p50 == pytest.approx(200.0 * FULL)
    assert told.usable_g.p95 == pytest.approx(200.0 * FULL * (1.0 + 1.645 * ORANGE.sigma_ln_capacity))


def test_a_charge_nobody_judged_is_worth_what_nobody_knows() -> None:
    judged = replace(KNOWN, loading_g_per_g=(0.04, 0.05, 0.07), cycles=0)
    for charge, known in ((judged, 1), (KNOWN, 0), (replace(judged, dry_mass_g=None), 0)):
        assert len(services_of(inventory_of(charges=(charge,)), "bowl", [PLA], AT)) == known
    lain = replace(judged, place="box:pla", placed_at=AT)
    assert services_of(inventory_of(charges=(lain,)), "bowl", [PLA], AT + timedelta(days=2)) == ()
    [told] = services_of(inventory_of(charges=(judged,)), "bowl", [PLA], AT)
    assert told.usable_g.p50 == pytest.approx(200.0 * (FULL - 0.05))


ROOM_RUN = ended(a_run(), start_loading_g_per_g=0.9 * WET)
"""A lot that held 0.9 of the isotherm at rest with the room."""


def test_the_capacity_of_a_lot_is_learned_from_beads_at_rest_with_the_room() -> None:
    known = ORANGE.sigma_ln_capacity_known
    factor, sd = capacity_of(inventory_of(ROOM_RUN), BOWL)
    assert (factor, sd) == pytest.approx((0.9, known))
    other = ended(a_run(name="bowl-2"), start_loading_g_per_g=0.8 * WET)
    both = inventory_of(ROOM_RUN, other)
    assert capacity_of(both, BOWL) == pytest.approx(((0.9 * 0.8) ** 0.5, known / 2.0**0.5))
    assert capacity_of(both, BOWL, but="bowl-1") == pytest.approx((0.8, known))


def test_without_such_a_run_the_age_of_the_beads_tells() -> None:
    ageing = ORANGE.ageing
    assert ageing is not None
    assert capacity_of(inventory_of(), KNOWN) == (ageing.capacity_factor(3), ORANGE.sigma_ln_capacity)
    assert ageing.capacity_factor(3) < 0.95
    assert capacity_of(inventory_of(kind="clay"), KNOWN)[0] == 1.0


@pytest.mark.parametrize(
    ("run", "count"),
    [
        (ROOM_RUN, 1),
        (a_run(), 0),
        (ended(a_run(), fits=False), 0),
        (ended(a_run([(0.0, 262.0)], spills=[(1, 5.0)])), 0),
        (ended(a_run(charge=replace(BOWL, state="new"))), 0),
        (ended(a_run(charge=replace(BOWL, state="aaa"))), 0),
        (ended(a_run(charge=replace(BOWL, state="zzz"))), 0),
        (ended(a_run(charge=replace(BOWL, lot="may"))), 0),
        (ended(a_run(charge=replace(BOWL, lot="april"))), 0),
    ],
)
def test_which_runs_teach_the_lot(run: Run, count: int) -> None:
    starts = starts_in_room(inventory_of(run), "march")
    assert len(starts) == count
    assert starts_in_room(inventory_of(run), "march", but="bowl-1") == []
    if count:
        assert starts == [(0.9 * WET, 20.0, 0.50)]


def test_the_box_is_told_what_the_run_said_of_the_capacity() -> None:
    """The run's own start would count twice if it taught the capacity that it was judged by."""
    judged = replace(KNOWN, loading_g_per_g=(0.04, 0.05, 0.07))
    [told] = services_of(inventory_of(ROOM_RUN, charges=(judged,)), "bowl", [PLA], AT)
    assert told.usable_g.p50 == pytest.approx(200.0 * (FULL - 0.05))  # the charge had no cycles before that run
    earlier = ended(a_run(name="bowl-0"), start_loading_g_per_g=0.8 * WET)
    [told] = services_of(inventory_of(earlier, ROOM_RUN, charges=(judged,)), "bowl", [PLA], AT)
    assert told.usable_g.p50 == pytest.approx(200.0 * (0.8 * FULL - 0.05))
    going = a_run(name="bowl-2")
    [told] = services_of(inventory_of(earlier, ROOM_RUN, going, charges=(judged,)), "bowl", [PLA], AT)
    assert told.usable_g.p50 == pytest.approx(200.0 * (0.8 * FULL - 0.05))
    others = ended(a_run(name="a-1", charge=replace(BOWL, name="a")), start_loading_g_per_g=0.7 * WET)
    [told] = services_of(inventory_of(others, charges=(judged, replace(BOWL, name="a"))), "bowl", [PLA], AT)
    assert told.usable_g.p50 == pytest.approx(200.0 * (0.7 * FULL - 0.05))


def test_methods_of_beads_nobody_weighed_out() -> None:
    """250 g of dry beads at rest with the room: a judgement."""
    [oven] = compare_methods(inventory_of(), [OVEN], [PLA], AIR, of="silica_gel")
    wet = float(desiccant("silica_gel").isotherm.loading_g_per_g(0.50, 20.0))
    assert oven.dry_mass_g == 250.0
    assert oven.reach.water_off_g == pytest.approx(250.0 * (wet - oven.reach.end_g_per_g.p50), rel=1e-3)
    assert [service.box for service in oven.services] == ["pla"]


@pytest.mark.parametrize(
    ("charge", "dry_g", "start"),
    [
        (BOWL, 262.0 / (1.0 + WET), WET),
        (replace(KNOWN, mass_g=262.0), 200.0, 0.31),
        (replace(KNOWN, mass_g=205.0), 200.0, WET),
    ],
)
def test_methods_of_a_charge_start_from_its_weight(charge: object, dry_g: float, start: float) -> None:
    """Beads that weigh more than at rest with the room are wetter; others will be as wet as the room makes them."""
    [oven] = compare_methods(inventory_of(charges=(charge,)), [OVEN], [PLA], AIR, of="bowl")  # type: ignore[arg-type]
    assert oven.dry_mass_g == pytest.approx(dry_g)
    assert oven.reach.water_off_g == pytest.approx(dry_g * (start - oven.reach.end_g_per_g.p50), rel=1e-3)


def test_a_known_capacity_counts_for_a_charge_alone() -> None:
    """The run taught 0.9 of the isotherm."""
    of_charge, of_kind = (
        compare_methods(inventory_of(ROOM_RUN), [OVEN], [PLA], AIR, of=of)[0].services[0]
        for of in ("bowl", "orange_gel")
    )
    end = compare_methods(inventory_of(ROOM_RUN), [OVEN], [PLA], AIR, of="bowl")[0].reach.end_g_per_g.p50
    assert of_charge.share == pytest.approx((0.9 * FULL - end) / (0.9 * FULL), rel=1e-6)
    assert of_kind.share == pytest.approx((FULL - end) / FULL, rel=1e-6)


@pytest.mark.parametrize(
    ("run", "learned"),
    [
        (ended(a_run(kind="oven", degc=110.0), time_constant_s=9999.0), True),
        (ended(a_run(kind="oven", degc=110.0), time_constant_s=9999.0, fits=False), False),
        (ended(a_run(kind="microwave"), time_constant_s=9999.0), False),
        (ended(a_run(kind="print_bed"), time_constant_s=9999.0), False),
        (a_run(kind="oven", degc=110.0), False),
    ],
)
def test_an_appliance_is_as_quick_as_its_runs_were(run: Run, learned: bool) -> None:
    [before] = compare_methods(inventory_of(), [OVEN], [PLA], AIR, of="orange_gel")
    [then] = compare_methods(inventory_of(run), [OVEN], [PLA], AIR, of="orange_gel")
    assert (then.reach.time_s.p50 != before.reach.time_s.p50) == learned


@pytest.mark.parametrize(
    ("appliance", "holder", "risks"),
    [
        (MICROWAVE, "glass", ["The beads get hot spots. Use glass or ceramic only, and stir between bursts."]),
        (OVEN, "glass", ["Glass and steam are hot."]),
        (WARM_BOX, "glass", ["This is slow. A deep load stays wet in the middle."]),
        (
            Appliance("bed", "print_bed", 70.0),
            "",
            ["The beads are warm below and cool above. Spread a thin layer under a vented cover."],
        ),
        (Appliance("kiln", "other", 60.0), "", []),
        (
            Appliance("oven", "oven"),
            "",
            ["Glass and steam are hot.", "110 °C is assumed. Set temperature_c in the shelf file."],
        ),
        (
            Appliance("oven", "oven", 130.0),
            "",
            [
                "130 °C is over the 120 °C that these beads can take. It harms their dye",
                "Glass and steam are hot.",
            ],
        ),
    ],
)
def test_what_speaks_against_an_appliance(appliance: Appliance, holder: str, risks: list[str]) -> None:
    charge = replace(BOWL, holder=holder)
    [method] = compare_methods(inventory_of(charges=(charge,)), [appliance], [PLA], AIR, of="bowl")
    assert list(method.risks) == risks


def test_what_other_appliances_would_still_bring() -> None:
    """The most first, of 20 g: a microwave ends at 1.2 %, an oven of 110 °C near 0.9, a warm box near 3.5 %."""
    run = a_run(kind="filament_dryer", degc=65.0)
    declared = (WARM_BOX, MICROWAVE, OVEN, Appliance("hot", "oven", 130.0), Appliance("filament_dryer", "oven", 65.0))
    found = further_methods(inventory_of(), run, declared, 200.0, 0.10)
    assert [each.appliance for each in found] == ["oven", "microwave", "warm-box"]
    assert [each.temperature_degc for each in found] == [110.0, None, 65.0]
    assert [each.water_g for each in found] == pytest.approx([18.3, 17.6, 12.9], abs=0.1)
    assert further_methods(inventory_of(), run, declared, 200.0, -0.5) == ()


@pytest.mark.parametrize(("above", "offered"), [(0.0029, False), (0.0031, True)])
def test_less_than_a_scale_shows_is_no_further_method(above: float, offered: bool) -> None:
    """0.3 % of the dry mass (a judgement), above the oven's median end."""
    [oven] = compare_methods(inventory_of(), [OVEN], [PLA], AIR, of="bowl")
    end = oven.reach.end_g_per_g.p50
    found = further_methods(inventory_of(), a_run(), (OVEN,), 200.0, end + above)
    assert bool(found) == offered


@pytest.mark.parametrize(
    ("degc", "before_degc", "offered"),
    [(110.0, 110.0, False), (110.5, 110.0, True), (109.0, 110.0, False), (None, None, False), (110.0, None, False)],
)
def test_the_same_appliance_is_another_method_only_where_it_is_hotter(
    degc: float | None, before_degc: float | None, offered: bool
) -> None:
    kind = "microwave" if degc is None else "oven"
    run = a_run(kind="oven", degc=before_degc)
    assert bool(further_methods(inventory_of(), run, (Appliance("oven", kind, degc),), 200.0, 0.2)) == offered
    assert further_methods(inventory_of(), run, (Appliance("a", kind, degc),), 200.0, 0.2)
    assert further_methods(inventory_of(), run, (Appliance("z", kind, degc),), 200.0, 0.2)


def test_a_kind_of_beads_has_one_name() -> None:
    assert kind_of_beads("orange_gel") == "silica_gel_orange_indicating"
