"""Drying runs judged as practice knows them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from common_practice import MICROWAVE_LOSSES, MILK_G_PER_ML, TARE_G, WARM_BOX_LOSSES, WET_G
from desk_evening import AT, MICROWAVE, ROOM, WARM_BOX, bowl_and_tray
from desk_evening import dry as dry_invented

from monitor.desk import Desk, RunReport, TrapError
from monitor.inference.drying import Verdict
from monitor.records import Appliance, RoomClimate
from monitor.records.desk_events import (
    ChargePortioned,
    RunWeighed,
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk with the measured weight in both."""
    with bowl_and_tray(tmp_path, WET_G) as desk:
        yield desk


def dry(desk: Desk, charge: str, tool: Appliance, losses: list[tuple[int, int]], room: RoomClimate = ROOM) -> RunReport:
    """Log a measured run up to its last weighing."""
    return dry_invented(desk, charge, tool, losses, room, wet_g=WET_G)


@pytest.mark.parametrize("humidity", [0.40, 0.50, 0.60])
def test_microwave_ends_and_is_done(desk: Desk, humidity: float) -> None:
    """Common practice, no source: the end lies at 54-57 g, the next burst under 1.5 g, and it is done."""
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES, RoomClimate(20.0, humidity))
    assert 54.0 <= WET_G - report.end_g.p50 <= 57.0
    assert report.judgement.next_gain_g.p95 < 1.5
    assert report.verdict is Verdict.done
    assert not any("than the room" in remark for remark in report.remarks)


@pytest.mark.parametrize(("charge", "losses"), [("bowl", MICROWAVE_LOSSES), ("tray", WARM_BOX_LOSSES)])
def test_no_weighing_of_practice_is_asked_about(desk: Desk, charge: str, losses: list[tuple[int, int]]) -> None:
    """Common practice, no source: both series go in one by one without a doubt, and a curve fits each."""
    run = desk.start(charge, MICROWAVE if charge == "bowl" else WARM_BOX, AT, room=ROOM)
    for minutes, loss_g in losses:
        at = AT + timedelta(minutes=minutes)
        assert desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), at).fits


def test_a_spill_in_the_third_burst_is_asked_about_and_can_be_told(desk: Desk) -> None:
    """Common practice, no source: 40 g on the floor after six minutes; the rest dries as it would have."""
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    kept = 1.0 - 40.0 / (WET_G - MICROWAVE_LOSSES[2][1])
    with pytest.raises(TrapError, match="recharge spilled"):
        desk.weigh(RunWeighed("bowl-1", 540.0, round((WET_G - MICROWAVE_LOSSES[3][1]) * kept)), AT)
    desk.spill(None, AT, lost_g=40.0)
    for minutes, loss_g in MICROWAVE_LOSSES[3:]:
        report = desk.weigh(RunWeighed("bowl-1", 60.0 * minutes, round((WET_G - loss_g) * kept)), AT)
    assert report.verdict is Verdict.done
    assert report.dry_mass_g.p05 < 256.0 * kept < report.dry_mass_g.p95


def test_a_holder_known_in_true_grams_beside_a_scale_on_milk(desk: Desk) -> None:
    """Common practice, no source: the bowl stands in the books, the scale shows the whole in milliliters of milk."""
    desk.keep(ChargePortioned("dish", "march", WET_G, "glass", TARE_G, "room"), AT)
    run = desk.start("dish", MICROWAVE, AT, room=ROOM)
    shown = round((WET_G + TARE_G) / MILK_G_PER_ML)
    with pytest.raises(TrapError, match="add --scale milk"):
        desk.weigh(RunWeighed(run.name, 0.0, shown), AT)
    report = desk.weigh(RunWeighed(run.name, 0.0, shown, factor=MILK_G_PER_ML), AT)
    assert report.mass_g == pytest.approx(WET_G, abs=MILK_G_PER_ML)
    assert any("real grams" in remark for remark in report.remarks)


def test_microwave_is_not_done_while_grams_come_off(desk: Desk) -> None:
    """Common practice, no source: 24, 40, 49 and 53 g down, each next burst still brought grams."""
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM)
    desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    for (minutes, loss_g), (_, next_loss_g) in pairwise(MICROWAVE_LOSSES[1:]):
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), AT)
        assert report.verdict is Verdict.stir
        gain = report.judgement.next_gain_g
        assert gain.p05 - 1.0 <= next_loss_g - loss_g <= gain.p95 + 1.0


def test_warm_box_is_not_done_and_says_what_it_still_serves(desk: Desk) -> None:
    """Common practice, no source: 5-8 % left against a floor of 3-4 %; a lax box is served, a strict one is not."""
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    desk.finish("bowl", AT)
    report = dry(desk, "tray", WARM_BOX, WARM_BOX_LOSSES)
    assert report.verdict is Verdict.stir
    assert "hotter method" in report.judgement.because
    assert 0.05 <= report.loading_g_per_g.p50 <= 0.08
    assert 0.03 <= report.floor_g_per_g <= 0.04
    share = {service.box: service.share for service in report.services}
    assert share["petg"] > 0.5 > share["pla"] > share["nylon"]


def test_warm_box_alone_is_not_done_either(desk: Desk) -> None:
    """Common practice, no source: the same run without the other batch to compare with."""
    report = dry(desk, "tray", WARM_BOX, WARM_BOX_LOSSES)
    assert not report.verdict.stops
    assert report.loading_g_per_g.p05 > report.floor_g_per_g


def test_wet_loading_fits_the_room_within_lots(desk: Desk) -> None:
    """Common practice, no source: 0.21 g/g, where lots measured at 50 % RH hold 0.82 to 1.25 of 0.267 g/g."""
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    assert report.start_loading_g_per_g.p05 < 0.23
    assert 0.20 < report.start_loading_g_per_g.p50 < 0.26


def test_milliliters_of_milk_are_noticed_and_only_offered(desk: Desk) -> None:
    """Common practice, no source: the same series on a scale left in milliliters of milk."""
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM)
    shown = [round((WET_G - loss_g) / MILK_G_PER_ML) for _, loss_g in MICROWAVE_LOSSES]
    with pytest.raises(TrapError, match="milliliters of milk") as caught:
        desk.weigh(RunWeighed(run.name, 0.0, shown[0]), AT)
    *_, trap = caught.value.traps
    assert (trap.unit, trap.factor) == ("milk", MILK_G_PER_ML)
    assert desk.inventory().run(run.name).weighings == ()
    for (minutes, _), milliliters in zip(MICROWAVE_LOSSES, shown, strict=True):
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, milliliters, factor=MILK_G_PER_ML), AT)
    assert report.verdict is Verdict.done
    assert WET_G - report.end_g.p50 == pytest.approx(55.5, abs=2.0)
