"""What a plan is made from, put together at a real site: futures by kept fits, places that dry, charges in reserve."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kept_site import NAMES, Site, Watched, made, with_fewer_draws

from monitor.desk.apply_events import replay
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf import supposable
from monitor.records import Appliance, Box, PlanRules, Quantiles, Spool, WhatIf
from monitor.records.desk_events import (
    ChargeMoved,
    ChargePortioned,
    DeskEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
)
from monitor.records.futures import BoxFutures
from monitor.records.plan_input import Beads, PlanInput
from monitor.services.plan_risk import risk_of
from monitor.services.planning import PlanInputs, PlanSources
from monitor.services.supposing import Supposing, supposing

NIGHT = made(60)[1] + timedelta(days=40)
HORIZON = 90
OVEN = Appliance("oven", temperature_degc=110.0, power_w=2000.0, minutes=120.0, hours=((1080, 1380),), weekdays=(2, 3))
DRYER = Appliance("dryer", "filament_dryer", 60.0)
HOT = Appliance("kiln", "other", 240.0)
DESK: tuple[DeskEvent, ...] = (
    LotBought("march", "silica_regular", 1000.0),
    LotBought("blue", "blue_gel", 500.0),
    ChargePortioned("jar", "march", 256.25, "glass", 0.0, "new"),
    ChargePortioned("bowl", "march", 104.0, "glass", 0.0, "room"),
    ChargePortioned("inside", "march", 101.0, "PETG", 0.0, "new"),
    ChargePortioned("old", "blue", 100.0, "", 0.0, "room"),
    ChargeMoved("inside", "box:middle"),
    RunStarted("bowl-1", "bowl", "dryer", "filament_dryer", 20.0, 0.5, "told", 60.0, None, 0.0),
    RunWeighed("bowl-1", 0.0, 104.0),
    RunWeighed("bowl-1", 36_000.0, 94.0),
    RunFinished("bowl-1", "stop: done", 94.0, 90.0, 0.02, 0.155, (0.035, 0.045, 0.055), 9000.0),
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """A site that was asked once; its right box has no readings yet."""
    site = Site.begun(tmp_path_factory.mktemp("planned"))
    del site.told["right"]
    site.arrive(NIGHT)
    site.declare("left", spools=(Spool("PA6", 1000.0), Spool("PLA", 1000.0)))
    with site.stores() as stores:
        for event in DESK:
            stores.events.log(event, NIGHT - timedelta(days=1), NIGHT)
    with pytest.MonkeyPatch.context() as patch:
        with_fewer_draws(patch)
        site.ask(NIGHT)
    return site


def asked(site: Site, rules: PlanRules | None = None, **how: Any) -> PlanInput:
    rules = rules or PlanRules(horizon_days=HORIZON)
    with site.stores(read_only=True) as stores, pytest.MonkeyPatch.context() as patch:
        with_fewer_draws(patch)
        return PlanInputs(
            PlanSources(
                stores.readings, stores.ledger, stores.outlooks, replay(stores.events.events()), site.boxes,
                (OVEN, DRYER, HOT), rules, NIGHT, NIGHT.date(), **how,
            )
        ).whole()  # fmt: skip


def test_a_better_lid_is_what_if_with_half_the_leak_through_the_plans_own_futures(site: Site) -> None:
    with site.stores(read_only=True) as stores, pytest.MonkeyPatch.context() as patch:
        with_fewer_draws(patch)
        rules = PlanRules(horizon_days=HORIZON)
        inputs = PlanInputs(
            PlanSources(
                stores.readings, stores.ledger, stores.outlooks, replay(stores.events.events()), site.boxes,
                (OVEN,), rules, NIGHT, NIGHT.date(),
            )
        )  # fmt: skip
        half, *more = inputs.better_lids("left")
        box = supposing(stores.readings, stores.ledger, site.boxes, "left", NIGHT, kept=stores.outlooks)
        assert isinstance(box, Supposing)
        forecast = box.forecast(WhatIf(conductance_factor=0.5))
        assert [lid.leak_times for lid in inputs.better_lids("right")][:1] == [0.5], "by what such boxes usually leak"
    assert half.leak_times == 0.5
    assert all(lid.leak_times < 0.5 and lid.like == "valve" for lid in more)
    assert half.planned.futures is not None
    drawn = half.planned.futures.over_after_days
    shares = [float(np.mean(drawn <= day)) for day in range(HORIZON + 1)]
    assert shares == pytest.approx(forecast.chance_by_day[: HORIZON + 1], abs=0.005)  # kept in single precision
    assert set(half.planned.futures.holds_days) >= {"oven", "spare:jar"}


@pytest.fixture(scope="module")
def told(site: Site) -> PlanInput:
    return asked(site)


def test_futures_are_those_of_the_forecast_that_every_face_shows(site: Site, told: PlanInput) -> None:
    answers = site.ask(NIGHT)
    for box in told.boxes[:2]:
        assert box.futures is not None
        forecast = answers[box.name].forecast
        assert forecast is not None
        shares = [float(np.mean(box.futures.over_after_days <= day)) for day in range(HORIZON + 1)]
        assert shares == pytest.approx(forecast.chance_by_day[: HORIZON + 1], abs=0.005)  # kept in single precision


def test_a_box_that_no_sensor_watches_is_planned_by_what_is_known_of_its_kind(told: PlanInput) -> None:
    assert [box.name for box in told.boxes] == list(NAMES)
    left, _, right = (box.futures for box in told.boxes)
    assert left is not None
    assert right is not None
    assert np.std(np.log(right.over_after_days + 1.0)) > np.std(np.log(left.over_after_days + 1.0)), "known less well"


def test_a_box_that_fails_takes_nothing_from_the_others(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    simulated = supposable.box_futures

    def failing(posterior: Posterior, *told: Any, **how: Any) -> BoxFutures:
        if posterior.box.name == "left":
            raise FloatingPointError("the water of a draw is not a number")
        return simulated(posterior, *told, **how)

    monkeypatch.setattr(supposable, "box_futures", failing)
    left, middle, _ = asked(site, every_draw=10).boxes
    assert left.futures is None
    assert "not a number" in left.why_not
    assert middle.futures is not None


def test_nothing_is_fitted_for_a_plan_after_a_look(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    watched = Watched()
    watched.stand_between(monkeypatch)
    asked(site)
    assert watched.since() == (set(), set())


def test_each_way_of_filling_a_box_is_named_by_where_its_beads_come_from(told: PlanInput) -> None:
    left = told.boxes[0]
    assert left.futures is not None
    holds = left.futures.holds_days
    assert set(holds) == {
        "oven", "dryer", "spare:jar", "spare:jar:oven", "spare:jar:dryer", "spare:bowl", "spare:bowl:oven",
        "spare:bowl:dryer",
    }  # fmt: skip
    assert {rows.shape for rows in holds.values()} == {(HORIZON + 1, len(left.futures.over_after_days))}
    middle = {way: float(np.mean(rows)) for way, rows in holds.items()}
    assert middle["spare:jar"] > middle["oven"] > middle["dryer"]  # 250 g of new beads, and 100 g


def test_a_spare_as_heavy_as_the_beads_of_a_box_is_no_work_of_its_own(told: PlanInput) -> None:
    left = told.boxes[0].futures
    assert left is not None
    assert left.holds_days["spare:bowl:oven"] is left.holds_days["oven"]  # 90 g and 100 g
    assert left.holds_days["spare:jar:oven"] is not left.holds_days["oven"]


def test_spare_charges_are_dry_or_wait_and_others_are_no_reserve(told: PlanInput) -> None:
    spares = {spare.name: spare for spare in told.spares}
    assert set(spares) == {"jar", "bowl", "old"}
    assert (spares["jar"].dry, spares["bowl"].dry, spares["old"].dry) == (True, True, False)
    assert spares["jar"].beads == Beads("silica_gel_regular_density", "march", pytest.approx(250.0), "glass", "jar")
    assert spares["bowl"].loading_g_per_g == Quantiles(0.035, 0.045, 0.055)
    assert spares["old"].loading_g_per_g is None


def test_what_is_too_hot_is_not_offered_and_the_reason_is_said(told: PlanInput) -> None:
    left, middle, _ = told.boxes
    assert set(left.forbidden) == {"kiln"}
    assert "240 °C is over the" in left.forbidden["kiln"]
    assert set(middle.forbidden) == {"oven", "kiln"}  # a printed holder
    assert "PETG holder" in middle.forbidden["oven"]
    assert middle.futures is not None
    assert {"oven", "kiln"}.isdisjoint(middle.futures.holds_days)
    assert "kiln" in {name: place for place in told.places for name in [place.name]}
    assert not told.places[2].reach


def test_the_desk_and_the_log_say_what_is_in_a_box(told: PlanInput) -> None:
    left, middle, right = (box.beads for box in told.boxes)
    assert middle == Beads("silica_gel_regular_density", "march", pytest.approx(98.5, abs=0.1), "PETG", "inside")
    assert left == right == Beads("silica_gel_regular_density", dry_mass_g=100.0)


def test_an_appliance_says_what_a_batch_takes(told: PlanInput) -> None:
    oven, dryer, _ = told.places
    assert (oven.weekdays, oven.batches_a_day, oven.minutes) == ((2, 3), 2, 120.0)
    assert oven.kwh == pytest.approx(2.0)  # by hand: half of 2 kW for two hours
    assert (dryer.weekdays, dryer.batches_a_day, dryer.minutes) == ((5, 6), 1, 600.0)
    assert oven.may_dry_on(date(2026, 11, 25))
    assert not oven.may_dry_on(date(2026, 11, 28))
    for place in (oven, dryer):
        assert {len(months) for months in place.reach.values()} == {12}


def pair(one: Beads, other: Beads) -> frozenset[str]:
    return frozenset((one.batch_name, other.batch_name))


def test_lots_that_stand_different_heat_are_not_mixed_unless_somebody_says_so(site: Site, told: PlanInput) -> None:
    march, blue = Beads("silica_gel_regular_density", "march"), Beads("silica_gel_blue_indicating", "blue")
    unknown = Beads("silica_gel_regular_density")
    assert told.not_mixed == {pair(march, blue), pair(unknown, blue)}
    mixed = asked(replace(site, boxes=[]), PlanRules(not_mixed=()))
    assert mixed.not_mixed == set()
    apart = asked(replace(site, boxes=[]), PlanRules(not_mixed=(("march", "silica_gel_regular_density"),)))
    assert apart.not_mixed == {pair(march, unknown)}


def test_the_touchiest_filament_says_how_bad_a_day_over_the_limit_is(told: PlanInput) -> None:
    assert [box.risk for box in told.boxes] == [4.0, 1.0, 1.0]
    box = Box("rack", 10.0, spools=(Spool("PLA", 1000.0), Spool("nylon", 500.0), Spool("other", 500.0)))
    assert risk_of(box) == 4.0
    assert risk_of(box, (("PA6", 1.5),)) == 2.0
    assert risk_of(box, (("PLA", 9.0), ("PA6", 1.5))) == 9.0


def test_of_many_boxes_some_draws_are_answered(site: Site, told: PlanInput) -> None:
    fewer = asked(site, every_draw=5).boxes[0].futures
    left = told.boxes[0].futures
    assert fewer is not None
    assert left is not None
    np.testing.assert_array_equal(fewer.holds_days["oven"], left.holds_days["oven"][:, ::5])


def test_a_site_where_nothing_was_told_yet_can_be_asked(tmp_path: Path) -> None:
    empty = asked(Site.begun(tmp_path, names=["left"]))
    [left] = empty.boxes
    assert left.futures is not None
    assert empty.spares == ()
    assert left.beads == Beads("silica_gel_regular_density", dry_mass_g=100.0)
    assert empty.places[0].reach["silica_gel_regular_density"][0].p50 < 0.02
