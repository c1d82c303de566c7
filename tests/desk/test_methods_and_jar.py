"""Methods side by side, and the jar that tells the loading of beads."""

from __future__ import annotations

import pytest
from desk_evening import AT, BOXES, MICROWAVE, MICROWAVE_LOSSES, OVEN, ROOM, dry

from monitor.desk import Desk, compare_methods
from monitor.inference.drying.jar import jar_verdict
from monitor.physics.drying import jar_relative_humidity
from monitor.physics.materials import desiccant
from monitor.records import Appliance, RoomClimate
from monitor.records.desk_events import ChargePortioned


def test_methods_side_by_side_and_why_august_is_worse(desk: Desk) -> None:
    """Measured: at 45 °C beads keep 6.7-8.1 % in an average room and 10-11.8 % in a humid one (three lots)."""
    warm = Appliance("warm", "filament_dryer", 45.0)
    march, august = (
        compare_methods(desk.inventory(), (warm, OVEN, MICROWAVE), BOXES, room, of="orange_gel")
        for room in (ROOM, RoomClimate(25.0, 0.60))
    )
    assert [method.reach.method for method in march] == ["warm", "oven", "microwave"]
    assert march[0].reach.end_g_per_g.p05 < 0.074 < march[0].reach.end_g_per_g.p95
    assert august[0].reach.end_g_per_g.p05 < 0.110 < august[0].reach.end_g_per_g.p95
    assert august[0].services[0].share < 0.2 < march[0].services[0].share < march[1].services[0].share
    assert all(method.reach.energy_kwh >= method.reach.least_energy_kwh > 0.0 for method in (*march, *august))


def test_energy_of_an_oven_batch(desk: Desk) -> None:
    """By hand: 110 g of water off 500 g of gel at 110 °C takes 110·2.8 + 41 + 29 kJ = 0.38 MJ, 0.105 kWh."""
    desk.keep(ChargePortioned("big", "march", 615.0, "glass", 0.0, "room"), AT, confirmed=True)
    [method] = compare_methods(desk.inventory(), (OVEN,), BOXES, RoomClimate(20.0, 0.40), of="big")
    grams = method.reach.water_off_g
    assert method.reach.least_energy_kwh * 3600.0 / grams == pytest.approx(3.4, rel=0.12)


def test_a_jar_check_finds_the_loading_it_was_made_from() -> None:
    """Lot A dried at 60 °C and 1.17 kPa held 3.3 %, its rest at 3.7 % RH and 20 °C (doi:10.1021/je400517c)."""
    verdict = jar_verdict(desiccant("silica_gel"), 0.037, 20.0, 0.015)
    assert verdict.alone_g_per_g.p05 < 0.033 < verdict.alone_g_per_g.p95


def test_a_coarse_hygrometer_tells_45_from_65_degrees_but_not_80_from_110() -> None:
    """A sensor of ±3 % RH: the jars of 45 and 65 °C show 10.6 and 3.1 %, those of 80 and 110 °C 1.2 and 0.2 %."""
    beads = desiccant("silica_gel")

    def seen(dryer_degc: float) -> tuple[float, float]:
        humidity = float(jar_relative_humidity(beads.isotherm, dryer_degc, 20.0, 0.5))
        alone = jar_verdict(beads, humidity, 25.0, 0.03).alone_g_per_g
        return alone.p05, alone.p95

    assert seen(45.0)[0] > float(beads.isotherm.loading_g_per_g(0.031, 25.0))
    assert seen(80.0)[0] < seen(110.0)[1]


def test_jar_and_scale_join_and_disagreement_is_told(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    before = desk.finish(None, AT).loading_g_per_g
    verdict = desk.jar_check("bowl", 0.015, 22.0, 0.02, AT)
    assert verdict.agrees
    assert verdict.combined_g_per_g.p95 - verdict.combined_g_per_g.p05 < before.p95 - before.p05
    assert desk.inventory().charge("bowl").loading_g_per_g == (
        verdict.combined_g_per_g.p05,
        verdict.combined_g_per_g.p50,
        verdict.combined_g_per_g.p95,
    )
    assert not desk.jar_check("bowl", 0.40, 22.0, 0.02, AT).agrees
